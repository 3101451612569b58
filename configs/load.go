package configs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Purpose is what a site file is read for, which decides how complete it must
// be.
type Purpose uint8

// The purposes.
const (
	// Run reads devices: each brake needs a signal to find cycles on, or to say
	// that it has none, and each signal a device and an address. Simulating and
	// commissioning are the same.
	Run Purpose = iota
	// Replay reads recordings: signals need no device, a brake no signals, and
	// what is said of devices counts only as far as it goes.
	Replay
)

// MaxSize is how large a site file may be, in bytes.
const MaxSize = 1 << 20

// Load reads the site file at path and checks all of it.
//
// The error tells of a file that can't be read. Everything wrong within the
// file is told by the problems, in the order of the file; the site is nil if
// there are any.
func Load(path string, purpose Purpose) (*Site, []Problem, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, fmt.Errorf("opening the site file: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, MaxSize+1))
	if err != nil {
		return nil, nil, fmt.Errorf("reading the site file %s: %w", path, err)
	}
	site, problems := Parse(path, data, purpose)
	return site, problems, nil
}

// Parse is [Load] for a file that is already read; file is its name, for
// messages.
func Parse(file string, data []byte, purpose Purpose) (*Site, []Problem) {
	if len(data) > MaxSize {
		return nil, []Problem{{File: file, Message: fmt.Sprintf("is larger than %d bytes: this can't be a site file", MaxSize)}}
	}
	root, problem := parseYAML(file, data)
	if problem != nil {
		return nil, []Problem{*problem}
	}
	site := &Site{file: file}
	r := newReader(file)
	r.read(root, reflect.ValueOf(site).Elem(), "")
	if !r.spoiled[""] {
		v := &validator{reader: r, site: site, purpose: purpose}
		v.validate()
		site.fillDefaults()
		site.notes = v.notes
	}
	if len(r.problems) > 0 {
		sortProblems(r.problems)
		return nil, r.problems
	}
	sortProblems(site.notes)
	sum := sha256.Sum256(data)
	site.hash = hex.EncodeToString(sum[:])
	return site, nil
}

// parseYAML gives the root of the file's only document.
func parseYAML(file string, data []byte) (*yaml.Node, *Problem) {
	const begin = "begin with site: and the site's name"
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, &Problem{File: file, Line: 1, Column: 1, Message: "the file is empty", Advice: begin}
	}
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	var doc, second yaml.Node
	switch err := decoder.Decode(&doc); {
	case errors.Is(err, io.EOF):
		return nil, &Problem{File: file, Line: 1, Column: 1, Message: "the file holds nothing but comments", Advice: begin}
	case err != nil:
		return nil, notYAML(file, data, err)
	}
	switch err := decoder.Decode(&second); {
	case err == nil:
		return nil, &Problem{File: file, Line: second.Line, Column: second.Column, Message: "a second document begins here",
			Advice: "a site file is one document: take out the line --- and what follows it, or make it a file of its own"}
	case !errors.Is(err, io.EOF):
		return nil, notYAML(file, data, err)
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 || empty(doc.Content[0]) {
		return nil, &Problem{File: file, Line: 1, Column: 1, Message: "the file holds nothing", Advice: begin}
	}
	return doc.Content[0], nil
}

// notYAML makes a problem of what the YAML parser says, with its own line.
func notYAML(file string, data []byte, err error) *Problem {
	p := &Problem{File: file, Line: 1, Column: 1}
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	if m := regexp.MustCompile(`^line (\d+): `).FindStringSubmatch(text); m != nil {
		if line, err := strconv.Atoi(m[1]); err == nil && line > 0 {
			p.Line = line
			text = text[len(m[0]):]
		}
	}
	p.Message = "this is not YAML: " + text
	lines := bytes.Split(data, []byte("\n"))
	for i := max(p.Line-2, 0); i < min(p.Line+1, len(lines)); i++ {
		indent := lines[i][:len(lines[i])-len(bytes.TrimLeft(lines[i], " \t"))]
		if bytes.IndexByte(indent, '\t') >= 0 {
			p.Line = i + 1
			p.Advice = "indent with spaces: YAML takes no tabs"
			return p
		}
	}
	p.Advice = "look at this line and the one before it for a missing colon, quote, bracket or wrong indentation"
	return p
}
