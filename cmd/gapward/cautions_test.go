package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gapward/alerts"
)

// The cautions are written in one place. What is shipped beside the program, and
// can't ask it, has them in the same words; nothing else has them written out.
func TestCautionsStandInOnePlace(t *testing.T) {
	const place = "alerts/words.go"
	copies := map[string]bool{"README.md": true, "deploy/prometheus/rules.yaml": true, "deploy/prometheus/rules_test.yaml": true}
	root := os.DirFS("../..")
	seen := map[string]int{}
	err := fs.WalkDir(root, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != "." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return fs.SkipDir
		}
		switch filepath.Ext(path) {
		case ".go", ".html", ".js", ".md", ".yaml":
		default:
			return nil
		}
		if strings.HasSuffix(path, "_test.go") {
			return nil
		}
		text, err := fs.ReadFile(root, path)
		if err != nil {
			return err
		}
		for _, c := range alerts.Cautions() {
			if strings.Contains(string(text), c) {
				seen[path]++
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for path, n := range seen {
		if path != place && !copies[path] {
			t.Errorf("%s has cautions written out: take them from alerts.Cautions", path)
		}
		if n != len(alerts.Cautions()) {
			t.Errorf("%s has %d of the %d cautions", path, n, len(alerts.Cautions()))
		}
	}
	for _, path := range []string{place, "README.md", "deploy/prometheus/rules.yaml"} {
		if seen[path] == 0 {
			t.Errorf("%s has no cautions", path)
		}
	}
}
