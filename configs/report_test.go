package configs

import (
	"bytes"
	"errors"
	"path/filepath"
	"strings"
	"testing"
)

// TestReport holds the whole of what is reported of some sites.
func TestReport(t *testing.T) {
	for _, path := range []string{"kestrel-quay.yaml", "minimal.yaml", "testdata/report/serial.yaml", "testdata/report/broker.yaml", "testdata/report/skew.yaml"} {
		site := loadClean(t, path, Run)
		site.file = filepath.Base(path)
		for i := range site.notes {
			site.notes[i].File = site.file
		}
		var b bytes.Buffer
		if err := Report(&b, site); err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		compareWithWant(t, "testdata/report/"+strings.TrimSuffix(site.file, ".yaml"), b.String())
	}
}

type fullDisk struct{}

var errFull = errors.New("the disk is full")

func (fullDisk) Write([]byte) (int, error) { return 0, errFull }

func TestReportTellsThatItCouldNotWrite(t *testing.T) {
	if err := Report(fullDisk{}, loadClean(t, "minimal.yaml", Run)); !errors.Is(err, errFull) {
		t.Errorf("got %v, want the writer's error", err)
	}
}
