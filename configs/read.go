package configs

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// reader walks a YAML tree along the Go types that it is to fill, and notes
// every mistake instead of stopping at the first.
type reader struct {
	file     string
	problems []Problem
	at       map[string]position // where each value stands
	spoiled  map[string]bool     // paths already complained of, so that no mistake is told twice
	cracked  map[string]bool     // paths of what holds a spoiled one
}

type position struct{ line, column int }

func newReader(file string) *reader {
	return &reader{file: file, at: map[string]position{}, spoiled: map[string]bool{}, cracked: map[string]bool{}}
}

// spoil remembers that a path was complained of.
func (r *reader) spoil(path string) {
	r.spoiled[path] = true
	for cut := strings.LastIndexAny(path, ".["); cut >= 0; cut = strings.LastIndexAny(path[:cut], ".[") {
		r.cracked[path[:cut]] = true
	}
}

// complain notes a mistake at a node.
func (r *reader) complain(n *yaml.Node, path, message, advice string) {
	r.spoil(path)
	r.problems = append(r.problems, Problem{File: r.file, Line: n.Line, Column: n.Column, Path: path, Message: message, Advice: advice})
}

// read fills into from the node, as far as it fits.
func (r *reader) read(n *yaml.Node, into reflect.Value, path string) {
	if _, ok := r.at[path]; !ok {
		r.at[path] = position{n.Line, n.Column}
	}
	if n.Kind == yaml.AliasNode {
		r.complain(n, path, "refers to another part of the file (*"+n.Value+")", "anchors and aliases are not read: write the value out")
		return
	}
	if n.Anchor != "" {
		r.complain(n, path, "is given an anchor (&"+n.Anchor+")", "anchors and aliases are not read: write each value out")
		return
	}
	if into.Kind() == reflect.Pointer {
		into.Set(reflect.New(into.Type().Elem()))
		r.read(n, into.Elem(), path)
		return
	}
	if into.Type() == reflect.TypeFor[time.Duration]() {
		r.readScalar(n, into, path)
		return
	}
	switch into.Kind() {
	case reflect.Struct:
		r.readStruct(n, into, path)
	case reflect.Map:
		r.readMap(n, into, path)
	case reflect.Slice:
		r.readSlice(n, into, path)
	default:
		r.readScalar(n, into, path)
	}
}

// entry is one key of a mapping with its value.
type entry struct {
	key   string
	node  *yaml.Node // of the key
	value *yaml.Node
}

// entries lists the keys of a mapping. Keys that are no plain words, merge
// keys and keys that came before are complained of and left out.
func (r *reader) entries(n *yaml.Node, path string) []entry {
	var list []entry
	first := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		where := joinPath(path, key.Value)
		line, seen := first[key.Value]
		switch {
		case key.Kind != yaml.ScalarNode || key.Anchor != "":
			r.complain(key, path, "has a key that is no plain word", "")
		case key.ShortTag() == "!!merge":
			r.complain(key, where, "merges another part of the file", "merge keys are not read: write the values out")
		case seen:
			r.complain(key, where, fmt.Sprintf("stands here a second time; the first is in line %d", line), "keep one of the two")
		default:
			first[key.Value] = key.Line
			list = append(list, entry{key.Value, key, value})
		}
	}
	return list
}

// group reports whether a node is a mapping, and complains if not.
func (r *reader) group(n *yaml.Node, path string, keys []string) bool {
	if n.Kind == yaml.MappingNode {
		return true
	}
	advice := "write {}: it has no keys"
	switch {
	case len(keys) > 0 && empty(n):
		advice = "write its keys below it (" + listOf(keys, "and") + "), or {} for none"
	case len(keys) == 1:
		advice = "its only key is " + keys[0]
	case len(keys) > 0:
		advice = "its keys are " + listOf(keys, "and")
	case keys == nil:
		advice = "write a name for each below it, and its settings behind the name"
	}
	if path == "" {
		r.complain(n, path, "the site file holds "+describe(n)+" where keys are expected", advice)
		return false
	}
	r.complain(n, path, "needs keys with values, found "+describe(n), advice)
	return false
}

func (r *reader) readStruct(n *yaml.Node, into reflect.Value, path string) {
	fields := fieldsOf(into.Type())
	keys := make([]string, len(fields))
	for i, f := range fields {
		keys[i] = f.key
	}
	if !r.group(n, path, keys) {
		return
	}
	for _, e := range r.entries(n, path) {
		i := slices.Index(keys, e.key)
		if i < 0 {
			r.unknownKey(e, path, keys)
			continue
		}
		r.read(e.value, into.FieldByIndex(fields[i].index), joinPath(path, e.key))
	}
}

func (r *reader) readMap(n *yaml.Node, into reflect.Value, path string) {
	var known []string
	if k, ok := into.Interface().(interface{ knownKeys() []string }); ok {
		known = k.knownKeys()
	}
	if !r.group(n, path, known) {
		return
	}
	into.Set(reflect.MakeMap(into.Type()))
	for _, e := range r.entries(n, path) {
		if known != nil && !slices.Contains(known, e.key) {
			r.unknownKey(e, path, known)
			continue
		}
		value := reflect.New(into.Type().Elem()).Elem()
		r.read(e.value, value, joinPath(path, e.key))
		into.SetMapIndex(reflect.ValueOf(e.key).Convert(into.Type().Key()), value)
	}
}

func (r *reader) readSlice(n *yaml.Node, into reflect.Value, path string) {
	if n.Kind != yaml.SequenceNode {
		r.complain(n, path, "needs a list, found "+describe(n), listAdvice(path, into.Type().Elem()))
		return
	}
	list := reflect.MakeSlice(into.Type(), len(n.Content), len(n.Content))
	before := len(r.problems)
	for i, item := range n.Content {
		r.read(item, list.Index(i), itemPath(path, i))
	}
	if len(r.problems) > before && into.Type().Elem().Kind() == reflect.Float64 {
		r.spoil(path) // numbers that belong together
	}
	into.Set(list)
}

// unknownKey says that a key is unknown and what may have been meant.
func (r *reader) unknownKey(e entry, path string, known []string) {
	where := joinPath(path, e.key)
	advice := "known here are " + listOf(known, "and")
	if len(known) == 0 {
		advice = "there is nothing to set here: write {}"
	}
	near := nearest(e.key, known)
	secretFile := nearestSecretFile(e.key, known)
	_, notNumber := strconv.ParseFloat(e.key, 64)
	switch {
	case secretFile != "" && !strings.Contains(e.key, "file"):
		advice = "secrets do not belong in the site file: write " + secretFile + " and the path of a file that holds it"
	case holdsSecret(e.key) && near == "":
		advice = "secrets do not belong in the site file; " + advice
	case near != "":
		advice = "did you mean " + near + "?"
		r.spoil(joinPath(path, near))
	case notNumber == nil && empty(e.value):
		advice = "decimals are written with a point, not with a comma"
	}
	r.spoil(where)
	r.problems = append(r.problems, Problem{File: r.file, Line: e.node.Line, Column: e.node.Column, Path: where, Message: "unknown key", Advice: advice})
}

func holdsSecret(key string) bool {
	key = strings.ToLower(key)
	for _, word := range []string{"password", "passwd", "secret", "token", "api_key", "apikey", "credential"} {
		if strings.Contains(key, word) {
			return true
		}
	}
	return false
}

// nearestSecretFile is the known key that names the file of a secret, where
// the unknown key seems to be a secret itself.
func nearestSecretFile(key string, known []string) string {
	if !holdsSecret(key) {
		return ""
	}
	only := ""
	for _, k := range known {
		stem, isFile := strings.CutSuffix(k, "_file")
		if !isFile || !holdsSecret(stem) {
			continue
		}
		if strings.Contains(strings.ToLower(key), stem) || only == "" {
			only = k
		}
	}
	return only
}

// field is one key that a struct can take.
type field struct {
	key   string
	index []int
	typ   reflect.Type
}

// fieldsOf lists the keys of a struct in the order of their declaration. The
// fields of an inlined struct count as its own.
func fieldsOf(t reflect.Type) []field {
	var list []field
	for f := range t.Fields() {
		key, options, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case !f.IsExported() || key == "-":
		case options == "inline":
			for _, inner := range fieldsOf(f.Type) {
				inner.index = append(slices.Clone(f.Index), inner.index...)
				list = append(list, inner)
			}
		default:
			if key == "" {
				key = strings.ToLower(f.Name)
			}
			list = append(list, field{key, f.Index, f.Type})
		}
	}
	return list
}
