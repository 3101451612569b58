package sensors

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
)

// brakesForTest has a name that must be quoted in CSV.
var brakesForTest = []string{"quay-2/main", "quay-2/creep", `bay 7, "north"`}

func findForTest(name string) (int32, bool) {
	for i, n := range brakesForTest {
		if n == name {
			return int32(i), true
		}
	}
	return 0, false
}

func readSamples(text string) ([]Sample, error) {
	r := NewSampleReader(strings.NewReader(text), "quay.csv", findForTest, brakesForTest)
	var got []Sample
	for {
		s, err := r.Next()
		if errors.Is(err, io.EOF) {
			return got, nil
		}
		if err != nil {
			return got, err
		}
		got = append(got, s)
	}
}

func at(t testing.TB, text string) int64 {
	t.Helper()
	v, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		t.Fatal(err)
	}
	return v.UnixNano()
}

func TestSampleReader(t *testing.T) {
	text := "\xef\xbb\xbftime,brake,signal,value\r\n" +
		"2026-11-25T01:02:03Z,quay-2/main,travel,4.25\r\n" +
		"2026-11-25T01:02:03.000000001Z,quay-2/creep,drive,1\n" +
		"2026-11-25T01:02:03.5Z,\"bay 7, \"\"north\"\"\",released,0\n" +
		"2026-11-25T01:02:03.5+00:00,quay-2/main,\"temperature\",\"-1.5e1\"\n" +
		"2026-11-25T01:02:59.999999999Z,quay-2/main,travel,\n" +
		"2026-11-25T01:02:59.999999999Z,quay-2/main,release_ms,183\n" +
		"2026-11-25T01:02:59.999999999Z,quay-2/main,set_ms,140.5\n" +
		"2026-11-25T01:03:00Z,,tick," // the last line may lack its end, RFC 4180
	want := []Sample{
		{AtNS: at(t, "2026-11-25T01:02:03Z"), Brake: 0, Signal: Travel, Value: 4.25},
		{AtNS: at(t, "2026-11-25T01:02:03.000000001Z"), Brake: 1, Signal: Drive, Value: 1},
		{AtNS: at(t, "2026-11-25T01:02:03.5Z"), Brake: 2, Signal: Released},
		{AtNS: at(t, "2026-11-25T01:02:03.5Z"), Brake: 0, Signal: Temperature, Value: -15},
		{AtNS: at(t, "2026-11-25T01:02:59.999999999Z"), Brake: 0, Signal: Travel, Quality: Bad},
		{AtNS: at(t, "2026-11-25T01:02:59.999999999Z"), Brake: 0, Signal: ReleaseTime, Value: 183},
		{AtNS: at(t, "2026-11-25T01:02:59.999999999Z"), Brake: 0, Signal: SetTime, Value: 140.5},
		TickAt(at(t, "2026-11-25T01:03:00Z")),
	}
	got, err := readSamples(text)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

func TestSampleReaderRefusesMalformedLines(t *testing.T) {
	const head = "time,brake,signal,value\n2026-11-25T01:02:03Z,quay-2/main,travel,4.25\n"
	const known = `quay-2/main, quay-2/creep, bay 7, "north"`
	for _, c := range []struct{ name, text, want string }{
		{"empty file", "", "quay.csv:1: the file is empty; its first line must be time,brake,signal,value"},
		{"no header", "2026-11-25T01:02:03Z,quay-2/main,travel,4.25\n", `quay.csv:1: the first line is "2026-11-25T01:02:03Z,quay-2/main,travel,4.25"; it must be time,brake,signal,value`},
		{"cycles' header", cycleHeader + "\n", `quay.csv:1: the first line is "time,brake,gap_mm,gap_u_mm,release_ms,set_ms"; it must be time,brake,signal,value`},
		{"empty line", head + "\n", "quay.csv:3: the line is empty; delete it"},
		{"too few fields", head + "2026-11-25T01:02:04Z,quay-2/main,travel\n", "quay.csv:3: the line has 3 of the 4 fields time,brake,signal,value; write all the commas even where a field is empty"},
		{"decimal comma", head + "2026-11-25T01:02:04Z,quay-2/main,travel,4,25\n", "quay.csv:3: the line has more than 4 fields; write time,brake,signal,value, a decimal point in numbers, and a name that has a comma in it between quotes"},
		{"unknown brake", head + "2026-11-25T01:02:04Z,quay-9,travel,1\n", `quay.csv:3: brake "quay-9" is not in the site file; its brakes are ` + known},
		{"no brake", head + "2026-11-25T01:02:04Z,,travel,1\n", `quay.csv:3: the brake is empty; write the name of one of the brakes of the site file: ` + known},
		{"unknown signal", head + "2026-11-25T01:02:04Z,quay-2/main,gap,1\n", `quay.csv:3: unknown signal "gap"; it must be one of travel, drive, released, temperature, release_ms, set_ms or tick`},
		{"space before a signal", head + "2026-11-25T01:02:04Z,quay-2/main, travel,1\n", `quay.csv:3: unknown signal " travel"; it must be one of travel, drive, released, temperature, release_ms, set_ms or tick`},
		{"tick with a brake", head + "2026-11-25T01:02:04Z,quay-2/main,tick,\n", "quay.csv:3: a tick has neither brake nor value; write time,,tick,"},
		{"tick with a value", head + "2026-11-25T01:02:04Z,,tick,1\n", "quay.csv:3: a tick has neither brake nor value; write time,,tick,"},
		{"drive of two", head + "2026-11-25T01:02:04Z,quay-2/main,drive,2\n", `quay.csv:3: drive is "2"; write 0 or 1, or leave it empty where the reading was bad`},
		{"drive with decimals", head + "2026-11-25T01:02:04Z,quay-2/main,drive,1.0\n", `quay.csv:3: drive is "1.0"; write 0 or 1, or leave it empty where the reading was bad`},
		{"released as a word", head + "2026-11-25T01:02:04Z,quay-2/main,released,true\n", `quay.csv:3: released is "true"; write 0 or 1, or leave it empty where the reading was bad`},
		{"NaN", head + "2026-11-25T01:02:04Z,quay-2/main,travel,NaN\n", `quay.csv:3: travel "NaN" is no number; write digits with a decimal point, or leave it empty where it is not known`},
		{"infinity", head + "2026-11-25T01:02:04Z,quay-2/main,travel,Inf\n", `quay.csv:3: travel "Inf" is no number; write digits with a decimal point, or leave it empty where it is not known`},
		{"hexadecimal", head + "2026-11-25T01:02:04Z,quay-2/main,travel,0x1p3\n", `quay.csv:3: travel "0x1p3" is no number; write digits with a decimal point, or leave it empty where it is not known`},
		{"underscore", head + "2026-11-25T01:02:04Z,quay-2/main,travel,1_000\n", `quay.csv:3: travel "1_000" is no number; write digits with a decimal point, or leave it empty where it is not known`},
		{"unit", head + "2026-11-25T01:02:04Z,quay-2/main,travel,4 mm\n", `quay.csv:3: travel "4 mm" is no number; write digits with a decimal point, or leave it empty where it is not known`},
		{"two points", head + "2026-11-25T01:02:04Z,quay-2/main,travel,1.2.3\n", `quay.csv:3: travel "1.2.3" is no number; write digits with a decimal point, or leave it empty where it is not known`},
		{"overflow", head + "2026-11-25T01:02:04Z,quay-2/main,travel,1e999\n", `quay.csv:3: travel "1e999" is too large; write a finite number`},
		{"going back", head + "2026-11-25T01:02:02.9Z,quay-2/main,travel,1\n", `quay.csv:3: time "2026-11-25T01:02:02.9Z" is before the one of the line above; sort the file by time`},
		{"other offset", head + "2026-11-25T02:02:04+01:00,quay-2/main,travel,1\n", `quay.csv:3: time "2026-11-25T02:02:04+01:00" is not in UTC; convert it and end it with Z`},
		{"unknown offset", head + "2026-11-25T02:02:04-00:00,quay-2/main,travel,1\n", `quay.csv:3: time "2026-11-25T02:02:04-00:00" is not in UTC; convert it and end it with Z`},
		{"no offset", head + "2026-11-25T01:02:04.25,quay-2/main,travel,1\n", `quay.csv:3: time "2026-11-25T01:02:04.25" must have seconds from 00 to 59, at most nine decimals and a Z at its end, like 2026-11-25T01:02:03.5Z`},
		{"ten decimals", head + "2026-11-25T01:02:04.0000000001Z,quay-2/main,travel,1\n", `quay.csv:3: time "2026-11-25T01:02:04.0000000001Z" must have seconds from 00 to 59, at most nine decimals and a Z at its end, like 2026-11-25T01:02:03.5Z`},
		{"leap second", head + "2026-12-31T23:59:60Z,quay-2/main,travel,1\n", `quay.csv:3: time "2026-12-31T23:59:60Z" must have seconds from 00 to 59, at most nine decimals and a Z at its end, like 2026-11-25T01:02:03.5Z`},
		{"no such day", head + "2026-11-31T01:02:04Z,quay-2/main,travel,1\n", `quay.csv:3: time "2026-11-31T01:02:04Z" is no date and time; write it like 2026-11-25T01:02:03.5Z`},
		{"Unix time", head + "1764032524,quay-2/main,travel,1\n", `quay.csv:3: time "1764032524" is no RFC 3339 time; write it like 2026-11-25T01:02:03.5Z`},
		{"before 1970", "time,brake,signal,value\n0026-11-25T01:02:04Z,quay-2/main,travel,1\n", `quay.csv:2: time "0026-11-25T01:02:04Z" lies outside of the years 1970 to 2261; write the time of the reading`},
		{"after 2261", head + "2262-01-01T00:00:00Z,quay-2/main,travel,1\n", `quay.csv:3: time "2262-01-01T00:00:00Z" lies outside of the years 1970 to 2261; write the time of the reading`},
		{"open quote", head + "2026-11-25T01:02:04Z,\"quay-2/main,travel,1\n", "quay.csv:3: a quoted field doesn't end on its line; close it with a quote"},
		{"after a quote", head + "2026-11-25T01:02:04Z,\"quay-2\"/main,travel,1\n", "quay.csv:3: a quoted field goes on after its closing quote; write a quote inside of it twice"},
		{"quote inside", head + "2026-11-25T01:02:04Z,quay\"2,travel,1\n", `quay.csv:3: there is a quote inside of "quay\"2"; write the whole field between quotes and each quote in it twice`},
		{"endless line", head + strings.Repeat("9", maxRecordLine+1), "quay.csv:3: the line is longer than 65536 bytes; a line must hold time,brake,signal,value"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := readSamples(c.text)
			var lineErr *LineError
			if !errors.As(err, &lineErr) {
				t.Fatalf("error is %v, want a *LineError", err)
			}
			if err.Error() != c.want {
				t.Errorf("got  %s\nwant %s", err, c.want)
			}
		})
	}
}

func TestSampleReaderStaysAtItsError(t *testing.T) {
	r := NewSampleReader(strings.NewReader("time,brake,signal,value\nx\n2026-11-25T01:02:03Z,,tick,\n"), "quay.csv", findForTest, brakesForTest)
	_, first := r.Next()
	_, second := r.Next()
	if first == nil || first != second {
		t.Errorf("errors are %v and then %v; nothing after a malformed line may be read", first, second)
	}
}

func TestSampleReaderTellsReadErrorsFromMalformedLines(t *testing.T) {
	broken := errors.New("disk is gone")
	r := NewSampleReader(io.MultiReader(strings.NewReader("time,brake,signal,value\n2026"), failingReader{broken}), "quay.csv", findForTest, brakesForTest)
	_, err := r.Next()
	var lineErr *LineError
	if !errors.Is(err, broken) || errors.As(err, &lineErr) {
		t.Errorf("error is %v, want one that wraps %v and is no *LineError", err, broken)
	}
}

type failingReader struct{ err error }

func (r failingReader) Read([]byte) (int, error)  { return 0, r.err }
func (r failingReader) Write([]byte) (int, error) { return 0, r.err }

func TestSampleWriterRoundTrip(t *testing.T) {
	samples := []Sample{
		{AtNS: 0, Brake: 0, Signal: Travel, Value: 0.1 + 0.2},
		{AtNS: 1, Brake: 1, Signal: Travel, Value: math.Copysign(0, -1)},
		{AtNS: 1, Brake: 2, Signal: Temperature, Value: math.SmallestNonzeroFloat64},
		{AtNS: 20, Brake: 2, Signal: Temperature, Value: -math.MaxFloat64},
		{AtNS: 1764032523123456789, Brake: 0, Signal: Drive, Value: 1},
		{AtNS: 1764032523123456789, Brake: 0, Signal: Released, Value: 0},
		{AtNS: 1764032523200000000, Brake: 0, Signal: Travel, Quality: Bad},
		TickAt(1764032524000000000),
		{AtNS: endOfRecordingsNS - 1, Brake: 0, Signal: Travel, Value: math.Pi},
	}
	var file bytes.Buffer
	w, err := NewSampleWriter(&file, brakesForTest)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write(samples), w.Flush()); err != nil {
		t.Fatal(err)
	}
	got, err := readSamples(file.String())
	if err != nil {
		t.Fatal(err)
	}
	if err := sameSamples(got, samples); err != nil {
		t.Errorf("%v in\n%s", err, file.String())
	}
}

// sameSamples compares to the last bit: minus zero is not zero.
func sameSamples(got, want []Sample) error {
	if len(got) != len(want) {
		return fmt.Errorf("there are %d samples, want %d", len(got), len(want))
	}
	for i := range got {
		g, w := got[i], want[i]
		if math.Float64bits(g.Value) != math.Float64bits(w.Value) || g.AtNS != w.AtNS || g.Brake != w.Brake || g.Signal != w.Signal || g.Quality != w.Quality {
			return fmt.Errorf("sample %d is %+v, want %+v", i, g, w)
		}
	}
	return nil
}

func TestSampleWriterMakesSilenceOneTick(t *testing.T) {
	silent := func(atNS int64, s Signal) Sample {
		return Sample{AtNS: atNS, Signal: s, Quality: NoAnswer}
	}
	var file bytes.Buffer
	w, err := NewSampleWriter(&file, brakesForTest)
	if err != nil {
		t.Fatal(err)
	}
	err = errors.Join(w.Write([]Sample{
		silent(5e8, Travel), silent(5e8, Drive), TickAt(5e8),
		{AtNS: 5e8, Signal: Drive, Value: 1},
		silent(5e8, Released),
		silent(6e8, Travel), silent(7e8, Travel),
	}), w.Flush())
	if err != nil {
		t.Fatal(err)
	}
	want := "time,brake,signal,value\n" +
		"1970-01-01T00:00:00.5Z,,tick,\n" +
		"1970-01-01T00:00:00.5Z,quay-2/main,drive,1\n" +
		"1970-01-01T00:00:00.6Z,,tick,\n" +
		"1970-01-01T00:00:00.7Z,,tick,\n"
	if file.String() != want {
		t.Errorf("got\n%swant\n%s", file.String(), want)
	}
}

func TestSampleWriterRefusesWhatCannotBeRead(t *testing.T) {
	for _, c := range []struct {
		name string
		s    Sample
		want string
	}{
		{"going back", Sample{AtNS: 9, Signal: Travel}, "in the order of time"},
		{"before 1970", Sample{AtNS: -1, Signal: Travel}, "1970 to 2261"},
		{"after 2261", Sample{AtNS: math.MaxInt64, Signal: Travel}, "1970 to 2261"},
		{"unknown brake", Sample{AtNS: 10, Brake: 3, Signal: Travel}, "no brake 3 among 3"},
		{"no brake", Sample{AtNS: 10, Brake: NoBrake, Signal: Travel}, "no brake -1 among 3"},
		{"NaN", Sample{AtNS: 10, Signal: Travel, Value: math.NaN()}, "NaN is no value of travel"},
		{"infinite", Sample{AtNS: 10, Signal: Temperature, Value: math.Inf(1)}, "+Inf is no value of temperature"},
		{"half a drive", Sample{AtNS: 10, Signal: Drive, Value: 0.5}, "0.5 is no value of drive"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var file bytes.Buffer
			w, err := NewSampleWriter(&file, brakesForTest)
			if err != nil {
				t.Fatal(err)
			}
			if err := w.Write([]Sample{{AtNS: 10, Signal: Travel, Value: 1}}); err != nil {
				t.Fatal(err)
			}
			if err := w.Write([]Sample{c.s}); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error is %v, want one with %q", err, c.want)
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
			if got, err := readSamples(file.String()); err != nil || len(got) != 1 {
				t.Errorf("read back %v, %v; want the first sample alone", got, err)
			}
		})
	}
	for _, name := range []string{"", "two\nlines", "two\rlines"} {
		if _, err := NewSampleWriter(io.Discard, []string{"quay-2/main", name}); err == nil {
			t.Errorf("a brake called %q was accepted", name)
		}
	}
}

func TestSampleDirectory(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "recorded", "here")
	start := at(t, "2026-11-25T01:02:03.9Z")
	d, err := NewSampleDirectory(dir, brakesForTest)
	if err != nil {
		t.Fatal(err)
	}
	sample := func(atNS int64) []Sample { return []Sample{{AtNS: atNS, Signal: Travel, Value: 1.5}} }
	for _, atNS := range []int64{start, start + int64(time.Hour) - 1, start + int64(time.Hour)} {
		if err := d.Write(sample(atNS)); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Flush(); err != nil {
		t.Fatal(err)
	}
	if n := linesOf(t, dir, "samples-20261125T010203Z.csv"); n != 3 {
		t.Errorf("the first hour's file has %d lines, want header and two samples", n)
	}
	if n := linesOf(t, dir, "samples-20261125T020203Z-on.csv"); n != 2 {
		t.Errorf("the second hour's file has %d lines after Flush, want header and one sample", n)
	}
	// A file that is full is followed by another; none is written over.
	d.maxSize = 1
	if err := errors.Join(d.Write(sample(start+int64(time.Hour)+1)), d.Close(), d.Close()); err != nil {
		t.Fatal(err)
	}
	if n := linesOf(t, dir, "samples-20261125T020203Z-on_02.csv"); n != 2 {
		t.Errorf("the file after a full one has %d lines, want header and one sample", n)
	}
	if n := linesOf(t, dir, "samples-20261125T020203Z-on.csv"); n != 2 {
		t.Errorf("the full file has %d lines now, want it as it was", n)
	}
	info, err := os.Stat(filepath.Join(dir, "samples-20261125T010203Z.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode().Perm()&0o027 != 0 {
		t.Errorf("the file's mode is %v; others must not read it nor the group write it", info.Mode())
	}
}

// The files of several runs are found in the order in which they were written.
func TestSampleFiles(t *testing.T) {
	dir := t.TempDir()
	want := []string{"samples-20261125T010203Z.csv", "samples-20261125T010203Z_02.csv", "samples-20261125T010203Z-on.csv",
		"samples-20261125T010203Z-on_02.csv", "samples-20261125T020203Z-on.csv", "samples-20261125T020204Z.csv"}
	for _, name := range append([]string{"notes.txt"}, want...) {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	files, err := SampleFiles(dir)
	if err != nil || len(files) != len(want) {
		t.Fatalf("%v (%v)", files, err)
	}
	for i, f := range files {
		if filepath.Base(f) != want[i] || GoesOn(f) != strings.Contains(want[i], "-on") {
			t.Errorf("file %d is %s (goes on: %v), want %s", i, f, GoesOn(f), want[i])
		}
	}
	if one, err := SampleFiles(files[3]); err != nil || len(one) != 1 || one[0] != files[3] {
		t.Errorf("a file is %v (%v)", one, err)
	}
	if none, err := SampleFiles(t.TempDir()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("an empty directory is %v (%v)", none, err)
	}
}

func TestSampleDirectoryBeginsAnewAfterAnError(t *testing.T) {
	dir := t.TempDir()
	d, err := NewSampleDirectory(dir, brakesForTest)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Write([]Sample{{AtNS: 10e9, Signal: Travel}}); err != nil {
		t.Fatal(err)
	}
	// As if the disk were full: the file below refuses what is flushed.
	broken := errors.New("no space left")
	if d.out, err = NewSampleWriter(failingReader{broken}, brakesForTest); err != nil {
		t.Fatal(err)
	}
	if err := d.Flush(); !errors.Is(err, broken) {
		t.Fatalf("Flush says %v, want %v", err, broken)
	}
	if err := errors.Join(d.Write([]Sample{{AtNS: 20e9, Signal: Travel}}), d.Close()); err != nil {
		t.Fatal(err)
	}
	if n := linesOf(t, dir, "samples-19700101T000020Z-on.csv"); n != 2 {
		t.Errorf("the file after the error has %d lines, want header and one sample", n)
	}
}

func linesOf(t *testing.T, dir, name string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Count(text, []byte("\n"))
}

func TestRecordingIsASource(t *testing.T) {
	var _ Source = (*Recording)(nil)
	path := filepath.Join(t.TempDir(), "long.csv")
	var file bytes.Buffer
	w, err := NewSampleWriter(&file, brakesForTest)
	if err != nil {
		t.Fatal(err)
	}
	var want []Sample
	for i := range 2500 {
		want = append(want, Sample{AtNS: int64(i) * 1e7, Signal: Travel, Value: float64(i) / 7})
	}
	if err := errors.Join(w.Write(want), w.Flush(), os.WriteFile(path, file.Bytes(), 0o600)); err != nil {
		t.Fatal(err)
	}
	out := make(chan []Sample, 10)
	src := NewRecording(path, findForTest, brakesForTest)
	if src.Name() != "long.csv" {
		t.Errorf("it is called %q", src.Name())
	}
	if err := src.Run(t.Context(), out); err != nil {
		t.Fatal(err)
	}
	close(out)
	var got []Sample
	for batch := range out {
		if len(batch) > recordingBatch {
			t.Errorf("a batch has %d samples", len(batch))
		}
		got = append(got, batch...)
	}
	if err := sameSamples(got, want); err != nil {
		t.Error(err)
	}
}

func TestRecordingSendsWhatIsBeforeAMalformedLine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bad.csv")
	if err := os.WriteFile(path, []byte("time,brake,signal,value\n2026-11-25T01:02:03Z,quay-2/main,travel,4\noops\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	out := make(chan []Sample, 2)
	err := NewRecording(path, findForTest, brakesForTest).Run(t.Context(), out)
	var lineErr *LineError
	if !errors.As(err, &lineErr) || lineErr.Line != 3 || lineErr.File != path {
		t.Errorf("error is %v, want a *LineError about line 3 of %s", err, path)
	}
	if batch := <-out; len(batch) != 1 || batch[0].Value != 4 {
		t.Errorf("sent %v, want the sample before the malformed line", batch)
	}
}

func TestRecordingEndsWithItsContextFromABlockedSend(t *testing.T) {
	path := filepath.Join(t.TempDir(), "one.csv")
	if err := os.WriteFile(path, []byte("time,brake,signal,value\n2026-11-25T01:02:03Z,,tick,\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- NewRecording(path, findForTest, brakesForTest).Run(ctx, make(chan []Sample)) }()
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Errorf("Run says %v, want nil", err)
		}
	case <-time.After(time.Second):
		t.Fatal("Run goes on a second after its context ended")
	}
}

func TestRecordingSaysWhenItsFileIsMissing(t *testing.T) {
	err := NewRecording(filepath.Join(t.TempDir(), "none.csv"), findForTest, brakesForTest).Run(t.Context(), nil)
	if !errors.Is(err, os.ErrNotExist) {
		t.Errorf("error is %v, want one that says that the file does not exist", err)
	}
}

func TestCycleReader(t *testing.T) {
	text := cycleHeader + "\n" +
		"2026-11-25T01:02:03Z,quay-2/main,2.345,0.012,180.5,0\n" +
		"2026-11-25T01:02:03Z,quay-2/creep,,,,\n" +
		"2026-11-25T01:02:04Z,quay-2/main,2.35,,,251\n"
	nan := math.NaN()
	want := []MeasuredCycle{
		{AtNS: at(t, "2026-11-25T01:02:03Z"), Brake: 0, GapMM: 2.345, GapUMM: 0.012, ReleaseS: 0.1805, SetS: 0},
		{AtNS: at(t, "2026-11-25T01:02:03Z"), Brake: 1, GapMM: nan, GapUMM: nan, ReleaseS: nan, SetS: nan},
		{AtNS: at(t, "2026-11-25T01:02:04Z"), Brake: 0, GapMM: 2.35, GapUMM: nan, ReleaseS: nan, SetS: 0.251},
	}
	r := NewCycleReader(strings.NewReader(text), "cycles.csv", findForTest, brakesForTest)
	for i, w := range want {
		got, err := r.Next()
		if err != nil {
			t.Fatal(err)
		}
		// %v tells NaN from numbers and prints floats in full.
		if fmt.Sprintf("%v", got) != fmt.Sprintf("%v", w) {
			t.Errorf("cycle %d is %v, want %v", i, got, w)
		}
	}
	if _, err := r.Next(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last cycle comes %v, want io.EOF", err)
	}
}

func TestCycleReaderRefusesMalformedLines(t *testing.T) {
	for _, c := range []struct{ name, line, want string }{
		{"uncertainty of zero", "2026-11-25T01:02:03Z,quay-2/main,2,0,,", `cycles.csv:2: gap_u_mm is "0"; write a standard uncertainty above zero, or leave it empty where it is not known`},
		{"negative uncertainty", "2026-11-25T01:02:03Z,quay-2/main,2,-0.01,,", `cycles.csv:2: gap_u_mm is "-0.01"; write a standard uncertainty above zero, or leave it empty where it is not known`},
		{"uncertainty of nothing", "2026-11-25T01:02:03Z,quay-2/main,,0.01,,", `cycles.csv:2: gap_u_mm is "0.01" but gap_mm is empty; write the gap, or leave both empty`},
		{"negative release time", "2026-11-25T01:02:03Z,quay-2/main,2,0.01,-1,", `cycles.csv:2: release_ms is "-1"; write milliseconds from zero up, or leave it empty where it is not known`},
		{"negative set time", "2026-11-25T01:02:03Z,quay-2/main,2,0.01,,-1", `cycles.csv:2: set_ms is "-1"; write milliseconds from zero up, or leave it empty where it is not known`},
		{"NaN gap", "2026-11-25T01:02:03Z,quay-2/main,nan,0.01,,", `cycles.csv:2: gap_mm "nan" is no number; write digits with a decimal point, or leave it empty where it is not known`},
		{"unknown brake", "2026-11-25T01:02:03Z,x,2,0.01,,", `cycles.csv:2: brake "x" is not in the site file; its brakes are quay-2/main, quay-2/creep, bay 7, "north"`},
		{"samples", "2026-11-25T01:02:03Z,quay-2/main,travel,1", "cycles.csv:2: the line has 4 of the 6 fields " + cycleHeader + "; write all the commas even where a field is empty"},
		{"bad time", "yesterday,quay-2/main,2,0.01,,", `cycles.csv:2: time "yesterday" is no RFC 3339 time; write it like 2026-11-25T01:02:03.5Z`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewCycleReader(strings.NewReader(cycleHeader+"\n"+c.line+"\n"), "cycles.csv", findForTest, brakesForTest).Next()
			var lineErr *LineError
			if !errors.As(err, &lineErr) {
				t.Fatalf("error is %v, want a *LineError", err)
			}
			if err.Error() != c.want {
				t.Errorf("got  %s\nwant %s", err, c.want)
			}
		})
	}
	r := NewCycleReader(strings.NewReader(cycleHeader+"\n2026-11-25T01:02:03Z,quay-2/main,,,,\n2026-11-25T01:02:02Z,quay-2/main,,,,\n"), "cycles.csv", findForTest, brakesForTest)
	if _, err := r.Next(); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Next(); err == nil || !strings.Contains(err.Error(), "cycles.csv:3: time") {
		t.Errorf("going back in time gives %v", err)
	}
}

// pieces keeps what it is handed apart.
type pieces struct{ list [][]byte }

func (p *pieces) Write(b []byte) (int, error) {
	p.list = append(p.list, bytes.Clone(b))
	return len(b), nil
}

// A killed daemon must not leave half a value behind, which would be read as
// another: only whole lines are handed to the file.
func TestOnlyWholeLinesGoOut(t *testing.T) {
	var p pieces
	w, err := NewSampleWriter(&p, []string{"quay-2/main"})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 5000 {
		if err := w.Write([]Sample{{AtNS: int64(i) * 7919, Signal: Travel, Quality: Good, Value: 1 / float64(i+3)}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if len(p.list) < 5 {
		t.Fatalf("%d pieces: nothing was split", len(p.list))
	}
	for i, piece := range p.list {
		if piece[len(piece)-1] != '\n' {
			t.Fatalf("piece %d ends within a line: …%s", i, piece[len(piece)-40:])
		}
	}
}
