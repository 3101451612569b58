package configs

import (
	"os"
	"path/filepath"
	"testing"
)

// FuzzParse holds that no file makes the reader fail, and that what it says
// makes sense: problems lie within the file and in its order, and a site comes
// back exactly when there are none.
func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"*.yaml", "testdata/*.yaml", "testdata/bad/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			f.Fatalf("no files match %s: %v", pattern, err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Add([]byte("a: &a [*a]"))
	f.Add([]byte("&a : *a"))
	f.Add([]byte("site: !!binary gIGC\n"))
	f.Add([]byte("\xff\xfes\x00i\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, purpose := range []Purpose{Run, Replay} {
			site, problems := Parse("site.yaml", data, purpose)
			if (site == nil) != (len(problems) > 0) {
				t.Fatalf("site %v with %d problems", site, len(problems))
			}
			for i, p := range problems {
				if p.Line < 0 || p.Line > len(data)+2 || p.Message == "" || p.File != "site.yaml" {
					t.Errorf("a problem that makes no sense: %+v", p)
				}
				if i > 0 && p.Line < problems[i-1].Line {
					t.Errorf("%s comes after %s", p, problems[i-1])
				}
			}
			if site != nil {
				site.Channels()
				site.AnalysisSettings()
			}
		}
	})
}
