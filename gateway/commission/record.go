package commission

import (
	_ "embed" // the record's form
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

//go:embed record.html
var form string

// WriteJSON writes the record as JSON.
func (r *Report) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	if err := e.Encode(r); err != nil {
		return fmt.Errorf("writing the record as JSON: %w", err)
	}
	return nil
}

// WriteHTML writes the record as one page of HTML that needs nothing else and
// prints on A4, with places to sign.
func (r *Report) WriteHTML(w io.Writer) error {
	t, err := template.New("record").Funcs(template.FuncMap{
		"time":    func(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") },
		"number":  func(v float64) string { return strconv.FormatFloat(v, 'g', 5, 64) },
		"mm":      func(v float64) string { return strconv.FormatFloat(v, 'f', 3, 64) },
		"words":   func(name string) string { return strings.ReplaceAll(name, "_", " ") },
		"class":   func(v Verdict) string { return strings.ReplaceAll(string(v), " ", "-") },
		"depths":  depths,
		"counted": plural,
	}).Parse(form)
	if err != nil {
		return fmt.Errorf("reading the record's form: %w", err)
	}
	if err := t.Execute(w, r); err != nil {
		return fmt.Errorf("writing the record as HTML: %w", err)
	}
	return nil
}

func depths(list []float64) string {
	words := make([]string, len(list))
	for i, v := range list {
		words[i] = strconv.FormatFloat(v, 'f', -1, 64)
	}
	return strings.Join(words, ", ")
}

// Save writes the record into a directory, as HTML and as JSON, and says where.
// The names hold site and time; what is there already isn't overwritten.
func (r *Report) Save(dir string) (html, data string, err error) {
	base := filepath.Join(dir, fmt.Sprintf("commission-%s-%s", fileName(r.Site), r.Began.UTC().Format("20060102T150405Z")))
	html, data = base+".html", base+".json"
	if err := create(html, r.WriteHTML); err != nil {
		return "", "", err
	}
	if err := create(data, r.WriteJSON); err != nil {
		return "", "", err
	}
	return html, data, nil
}

// fileName keeps of a name what suits a file's.
func fileName(name string) string {
	return strings.Trim(strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-':
			return r
		case r >= 'A' && r <= 'Z':
			return r - 'A' + 'a'
		}
		return '-'
	}, name), "-")
}

func create(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("saving the record: %w", err)
	}
	err = write(f)
	if e := f.Close(); err == nil && e != nil {
		err = fmt.Errorf("saving the record: %w", e)
	}
	return err
}
