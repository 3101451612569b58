package configs

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestBadFiles holds that each file in testdata/bad gives exactly the messages
// in the .want file beside it. Files whose names begin with replay- are read
// for a replay, the others for a run.
//
// On a mismatch the messages are written to a .got file, to be compared and,
// if they are right, moved over the .want file.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no bad files found: %v", err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".yaml")
		t.Run(name, func(t *testing.T) {
			purpose := Run
			if strings.HasPrefix(name, "replay-") {
				purpose = Replay
			}
			site, problems, err := Load(file, purpose)
			if err != nil {
				t.Fatal(err)
			}
			if len(problems) == 0 {
				t.Fatal("loads without problems")
			}
			if site != nil {
				t.Error("a site with problems was returned")
			}
			compareWithWant(t, "testdata/bad/"+name, lines(problems))
		})
	}
}

// lines writes problems one on a line, without the folder of their file.
func lines(problems []Problem) string {
	var b strings.Builder
	for _, p := range problems {
		p.File = filepath.Base(p.File)
		b.WriteString(p.String())
		b.WriteByte('\n')
	}
	return b.String()
}

// compareWithWant compares text with the .want file of that stem.
func compareWithWant(t *testing.T, stem, got string) {
	t.Helper()
	want, err := os.ReadFile(stem + ".want")
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("%s.want differs (-want +got):\n%s", stem, diff)
		if err := os.WriteFile(stem+".got", []byte(got), 0o644); err != nil {
			t.Error(err)
		}
		return
	}
	if err := os.Remove(stem + ".got"); err != nil && !os.IsNotExist(err) {
		t.Error(err)
	}
}
