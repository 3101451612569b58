package page

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strconv"
)

//go:embed static
var staticFiles embed.FS

//go:embed templates
var templateFiles embed.FS

// asset is a file of the page's own.
type asset struct {
	kind string // media type
	tag  string // of its content
	body []byte
}

type assets map[string]asset

// kindOf is the media type of a file by its ending, "" for one that the page
// has none of.
func kindOf(name string) string {
	switch path.Ext(name) {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	}
	return ""
}

func loadAssets() (assets, error) {
	entries, err := fs.ReadDir(staticFiles, "static")
	if err != nil {
		return nil, fmt.Errorf("reading the embedded files: %w", err)
	}
	all := assets{}
	for _, e := range entries {
		body, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("reading the embedded file %s: %w", e.Name(), err)
		}
		kind := kindOf(e.Name())
		if kind == "" {
			return nil, fmt.Errorf("reading the embedded file %s: no media type for it", e.Name())
		}
		sum := sha256.Sum256(body)
		all[e.Name()] = asset{kind: kind, tag: hex.EncodeToString(sum[:8]), body: body}
	}
	return all, nil
}

// link is the address of a file; it changes with the file, so that a browser
// may keep it for good.
func (a assets) link(name string) (string, error) {
	file, ok := a[name]
	if !ok {
		return "", fmt.Errorf("there is no embedded file %s", name)
	}
	return "/static/" + name + "?v=" + file.tag, nil
}

func (a assets) serve(w http.ResponseWriter, r *http.Request) {
	file, ok := a[r.PathValue("file")]
	if !ok {
		http.Error(w, "there is no such file", http.StatusNotFound)
		return
	}
	cache := "no-cache"
	if r.URL.Query().Get("v") == file.tag {
		cache = "public, max-age=31536000, immutable"
	}
	sendCached(w, r, file.kind, cache, file.tag, file.body)
}

// sendCached sends a body that the client may hold already.
func sendCached(w http.ResponseWriter, r *http.Request, kind, cache, tag string, body []byte) {
	h := w.Header()
	h.Set("Cache-Control", cache)
	h.Set("Etag", `"`+tag+`"`)
	if r.Header.Get("If-None-Match") == `"`+tag+`"` {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", kind)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if r.Method != http.MethodHead {
		_, _ = w.Write(body) // the client is gone if it fails
	}
}

// pair is what a template is given that needs one of several and what it is of.
type pair struct{ Of, One any }

func loadTemplates(a assets) (*template.Template, error) {
	t, err := template.New("page").Funcs(template.FuncMap{"static": a.link, "pair": func(of, one any) pair { return pair{of, one} }}).ParseFS(templateFiles, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("reading the embedded templates: %w", err)
	}
	return t, nil
}
