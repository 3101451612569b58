package sensors

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// LineError is a malformed line of a recording. Its text says what is wrong
// and what to write instead.
type LineError struct {
	File    string
	Line    int // counted from 1, the header included
	Problem string
}

func (e *LineError) Error() string {
	return e.File + ":" + strconv.Itoa(e.Line) + ": " + e.Problem
}

// maxRecordLine is the longest line that is read, in bytes. A longer one is no
// line of a recording.
const maxRecordLine = 64 << 10

// recordLines reads a CSV file (RFC 4180) line by line and splits each line
// into a fixed number of fields, without allocating. A quoted field must end
// on its line, because no brake's name has a line break in it.
type recordLines struct {
	in     *bufio.Reader
	file   string
	header string // the header line that the file must begin with
	width  int    // the number of fields
	line   int    // the number of the line read last, from 1
	fields [][]byte
	err    error // met earlier; it is returned again

	minute   [17]byte // the part of a time up to its minute, as read last …
	minuteNS int64    // … and what it means
}

func newRecordLines(r io.Reader, file, header string) recordLines {
	width := strings.Count(header, ",") + 1
	return recordLines{
		in:     bufio.NewReaderSize(r, maxRecordLine),
		file:   file,
		header: header,
		width:  width,
		fields: make([][]byte, 0, width),
	}
}

// problem makes an error about the line read last, and keeps it: nothing after
// a malformed line is read.
func (l *recordLines) problem(format string, args ...any) error {
	l.err = &LineError{File: l.file, Line: l.line, Problem: fmt.Sprintf(format, args...)}
	return l.err
}

// next reads the next line after the header into fields, which are valid until
// the next call. At the end of the file it returns [io.EOF].
func (l *recordLines) next() error {
	if l.err != nil {
		return l.err
	}
	if l.line == 0 {
		if err := l.readHeader(); err != nil {
			return err
		}
	}
	text, err := l.readLine()
	if err != nil {
		l.err = err
		return err
	}
	if len(text) == 0 {
		return l.problem("the line is empty; delete it")
	}
	return l.split(text)
}

func (l *recordLines) readHeader() error {
	text, err := l.readLine()
	if errors.Is(err, io.EOF) {
		l.line = 1
		return l.problem("the file is empty; its first line must be %s", l.header)
	}
	if err != nil {
		l.err = err
		return err
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")) // the byte order mark that some spreadsheets write
	if err := l.split(text); err == nil && string(bytes.Join(l.fields, []byte(","))) == l.header {
		return nil
	}
	return l.problem("the first line is %s; it must be %s", quoteShort(text), l.header)
}

// readLine returns the next line without its end, LF or CR LF.
func (l *recordLines) readLine() ([]byte, error) {
	text, err := l.in.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		l.line++
		return nil, l.problem("the line is longer than %d bytes; a line must hold %s", maxRecordLine, l.header)
	}
	if err != nil && (!errors.Is(err, io.EOF) || len(text) == 0) {
		if errors.Is(err, io.EOF) {
			return nil, io.EOF
		}
		return nil, fmt.Errorf("reading %s after line %d: %w", l.file, l.line, err)
	}
	l.line++
	text = bytes.TrimSuffix(text, []byte("\n"))
	return bytes.TrimSuffix(text, []byte("\r")), nil
}

// split sets fields to those of the line, their quotes removed.
func (l *recordLines) split(text []byte) error {
	l.fields = l.fields[:0]
	for rest, more := text, true; more; {
		var field []byte
		if len(rest) > 0 && rest[0] == '"' {
			var err error
			if field, rest, more, err = l.quoted(rest); err != nil {
				return err
			}
		} else {
			if i := bytes.IndexByte(rest, ','); i >= 0 {
				field, rest = rest[:i], rest[i+1:]
			} else {
				field, rest, more = rest, nil, false
			}
			if bytes.IndexByte(field, '"') >= 0 {
				return l.problem("there is a quote inside of %s; write the whole field between quotes and each quote in it twice", quoteShort(field))
			}
		}
		if len(l.fields) == l.width {
			return l.problem("the line has more than %d fields; write %s, a decimal point in numbers, and a name that has a comma in it between quotes", l.width, l.header)
		}
		l.fields = append(l.fields, field)
	}
	if len(l.fields) < l.width {
		return l.problem("the line has %d of the %d fields %s; write all the commas even where a field is empty", len(l.fields), l.width, l.header)
	}
	return nil
}

// quoted takes a field that begins with a quote off the front of text. It
// removes the quotes in place: the line belongs to the reader's buffer and is
// read only once.
func (l *recordLines) quoted(text []byte) (field, rest []byte, more bool, err error) {
	to := 0
	for from := 1; from < len(text); from++ {
		if text[from] != '"' {
			text[to] = text[from]
			to++
			continue
		}
		switch {
		case from+1 == len(text):
			return text[:to], nil, false, nil
		case text[from+1] == ',':
			return text[:to], text[from+2:], true, nil
		case text[from+1] == '"':
			text[to] = '"'
			to++
			from++
		default:
			return nil, nil, false, l.problem("a quoted field goes on after its closing quote; write a quote inside of it twice")
		}
	}
	return nil, nil, false, l.problem("a quoted field doesn't end on its line; close it with a quote")
}

// time reads a field as an RFC 3339 time in UTC, to the nanosecond.
func (l *recordLines) time(field []byte) (int64, error) {
	// The common case shares its minute with the line before; only seconds
	// and their fraction are read anew.
	const shortest = len("2006-01-02T15:04:05Z")
	if len(field) >= shortest && l.minuteNS != 0 && [17]byte(field) == l.minute {
		if ns, ok := secondsNS(field[17:]); ok {
			return l.minuteNS + ns, nil
		}
	}
	text := string(field)
	if len(text) < shortest || text[10] != 'T' {
		return 0, l.problem("time %s is no RFC 3339 time; write it like 2026-11-25T01:02:03.5Z", quoteShort(field))
	}
	ns, ok := secondsNS(field[17:])
	if !ok {
		at, err := time.Parse(time.RFC3339Nano, text)
		switch _, offset := at.Zone(); {
		case err == nil && (offset != 0 || strings.HasSuffix(text, "-00:00")):
			return 0, l.problem("time %s is not in UTC; convert it and end it with Z", quoteShort(field))
		default:
			return 0, l.problem("time %s must have seconds from 00 to 59, at most nine decimals and a Z at its end, like 2026-11-25T01:02:03.5Z", quoteShort(field))
		}
	}
	minute, err := time.Parse("2006-01-02T15:04:", text[:17])
	if err != nil {
		return 0, l.problem("time %s is no date and time; write it like 2026-11-25T01:02:03.5Z", quoteShort(field))
	}
	// int64 nanoseconds reach into 2262.
	if y := minute.Year(); y < 1970 || y > 2261 {
		return 0, l.problem("time %s lies outside of the years 1970 to 2261; write the time of the reading", quoteShort(field))
	}
	l.minute, l.minuteNS = [17]byte(field), minute.UnixNano()
	return l.minuteNS + ns, nil
}

// secondsNS reads "05Z" or "05.123456789Z", where +00:00 may stand for Z, in
// nanoseconds.
func secondsNS(text []byte) (int64, bool) {
	text, ok := bytes.CutSuffix(text, []byte("Z"))
	if !ok {
		if text, ok = bytes.CutSuffix(text, []byte("+00:00")); !ok {
			return 0, false
		}
	}
	if len(text) < 2 || !isDigit(text[0]) || !isDigit(text[1]) || text[0] > '5' {
		return 0, false
	}
	ns := (int64(text[0]-'0')*10 + int64(text[1]-'0')) * 1e9
	if len(text) == 2 {
		return ns, true
	}
	if text[2] != '.' || len(text) == 3 || len(text) > 12 {
		return 0, false
	}
	unit := int64(1e8)
	for _, c := range text[3:] {
		if !isDigit(c) {
			return 0, false
		}
		ns += int64(c-'0') * unit
		unit /= 10
	}
	return ns, true
}

// powersOfTen are those that a float64 holds exactly and that exactNumber
// needs.
var powersOfTen = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// number reads a field as a finite decimal number, correctly rounded.
func (l *recordLines) number(name string, field []byte) (float64, error) {
	if v, ok := exactNumber(field); ok {
		return v, nil
	}
	for _, c := range field {
		if !isDigit(c) && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, l.problem("%s %s is no number; write digits with a decimal point, or leave it empty where it is not known", name, quoteShort(field))
		}
	}
	v, err := strconv.ParseFloat(string(field), 64)
	if errors.Is(err, strconv.ErrRange) || math.IsInf(v, 0) {
		return 0, l.problem("%s %s is too large; write a finite number", name, quoteShort(field))
	}
	if err != nil {
		return 0, l.problem("%s %s is no number; write digits with a decimal point, or leave it empty where it is not known", name, quoteShort(field))
	}
	return v, nil
}

// exactNumber reads a plain decimal of at most 15 digits: digits and power of
// ten are then exact in a float64, and so one division rounds correctly.
func exactNumber(text []byte) (float64, bool) {
	negative := len(text) > 0 && text[0] == '-'
	if negative {
		text = text[1:]
	}
	if len(text) == 0 || len(text) > 16 || !isDigit(text[0]) {
		return 0, false
	}
	var digits int64
	count, decimals, point := 0, 0, false
	for _, c := range text {
		switch {
		case isDigit(c):
			digits = digits*10 + int64(c-'0')
			count++
			if point {
				decimals++
			}
		case c == '.' && !point:
			point = true
		default:
			return 0, false
		}
	}
	if count > 15 || point && decimals == 0 {
		return 0, false
	}
	v := float64(digits) / powersOfTen[decimals]
	if negative {
		v = -v
	}
	return v, true
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// quoteShort quotes what a line holds for a message, cut where it is long.
func quoteShort(text []byte) string {
	const most = 60
	if len(text) > most {
		return strconv.Quote(string(text[:most])) + "…"
	}
	return strconv.Quote(string(text))
}

// brakeIndex finds brakes by name and keeps what it found, so that a name is
// looked up once without allocating afterwards.
type brakeIndex struct {
	find  func(name string) (int32, bool)
	known []string
	found map[string]int32
}

func (b *brakeIndex) index(l *recordLines, field []byte) (int32, error) {
	if i, ok := b.found[string(field)]; ok {
		return i, nil
	}
	name := string(field)
	if name == "" {
		return 0, l.problem("the brake is empty; write the name of one of the brakes of the site file: %s", b.list())
	}
	i, ok := b.find(name)
	if !ok {
		return 0, l.problem("brake %q is not in the site file; its brakes are %s", name, b.list())
	}
	b.found[name] = i
	return i, nil
}

func (b *brakeIndex) list() string {
	if len(b.known) == 0 {
		return "none"
	}
	return strings.Join(b.known, ", ")
}
