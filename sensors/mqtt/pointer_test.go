package mqtt

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestPointersOfTheStandard holds pointers to the examples of RFC 6901; the
// file says where they come from.
func TestPointersOfTheStandard(t *testing.T) {
	data, err := os.ReadFile("testdata/rfc6901.json")
	if err != nil {
		t.Fatal(err)
	}
	var rfc struct {
		Document json.RawMessage
		Values   []struct {
			Pointer string
			Value   any
		}
		Absent, Malformed []string
	}
	if err := json.Unmarshal(data, &rfc); err != nil {
		t.Fatal(err)
	}
	if len(rfc.Values) != 11 || len(rfc.Absent) == 0 || len(rfc.Malformed) == 0 {
		t.Fatalf("the file holds %d values", len(rfc.Values))
	}
	document := bytes.TrimSpace(rfc.Document)
	for _, c := range rfc.Values {
		p, err := ParsePointer(c.Pointer)
		if err != nil {
			t.Errorf("%q: %v", c.Pointer, err)
			continue
		}
		found, err := p.find(document)
		var got any
		if err == nil {
			err = json.Unmarshal(found, &got)
		}
		if err != nil || !cmp.Equal(got, c.Value) {
			t.Errorf("%q finds %s, %v; want %v", c.Pointer, found, err, c.Value)
		}
	}
	whole, err := ParsePointer("")
	if err != nil {
		t.Fatal(err)
	}
	if found, err := whole.find(document); err != nil || !bytes.Equal(found, document) {
		t.Errorf("the empty pointer finds %s, %v; want the whole document", found, err)
	}
	for _, text := range rfc.Absent {
		p, err := ParsePointer(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if found, err := p.find(document); !errors.Is(err, errAbsent) {
			t.Errorf("%q finds %s, %v; want nothing", text, found, err)
		}
	}
	for _, text := range rfc.Malformed {
		if p, err := ParsePointer(text); err == nil {
			t.Errorf("%q is taken for a pointer, %v", text, p.tokens)
		}
	}
}

// The order in which ~1 and ~0 are undone decides what ~01 is: RFC 6901,
// section 4.
func TestTildesAreUndoneInOrder(t *testing.T) {
	for text, name := range map[string]string{"/~01": "~1", "/~0~1": "~/", "/~1~0": "/~", "/~00": "~0"} {
		p, err := ParsePointer(text)
		if err != nil || p.tokens[0] != name {
			t.Errorf("%s names %q, %v; want %q", text, p.tokens, err, name)
		}
	}
}

func TestPointersWithin(t *testing.T) {
	for _, c := range []struct {
		p, of string
		want  bool
	}{{"/a/b", "/a", true}, {"/a", "/a", true}, {"/ab", "/a", false}, {"/a", "/a/b", false}, {"/a", "", true}, {"", "/a", false}} {
		p, err1 := ParsePointer(c.p)
		o, err2 := ParsePointer(c.of)
		if err1 != nil || err2 != nil || p.Within(o) != c.want {
			t.Errorf("that %q is within %q is %v", c.p, c.of, !c.want)
		}
	}
}

// FuzzPointer holds pointers to what encoding/json makes of the same document,
// which is gone through by quite another way. A member that stands there twice
// is the one thing in which they may differ: there the pointer finds nothing.
func FuzzPointer(f *testing.F) {
	f.Add(`{"a":[{"b":1}]}`, "/a/0/b")
	f.Add(`{"\u0061/b" : { "~" : [ 1 , [ "]" , "\"" ] ] } }`, "/a~1b/~0/1/1")
	f.Add(`[[],{},"",[{"":null}]]`, "/3/0/")
	f.Add(`{"a":1,"a":2}`, "/a")
	f.Add("\"\xff\"", "")
	f.Fuzz(func(t *testing.T, document, text string) {
		p, err := ParsePointer(text)
		doc := bytes.Trim([]byte(document), " \t\r\n")
		if err != nil || !json.Valid(doc) {
			return
		}
		found, err := p.find(doc)
		var whole any
		if json.Unmarshal(doc, &whole) != nil {
			return // a number beyond a float64
		}
		want, ok := walk(whole, p.tokens)
		if err != nil {
			if errors.Is(err, errAbsent) && ok {
				t.Fatalf("%s in %s: nothing is found, and it is %v", text, document, want)
			}
			return
		}
		var got any
		if err := json.Unmarshal(found, &got); err != nil || !ok || !cmp.Equal(got, want) {
			t.Fatalf("%s in %s finds %s (%v), want %v, %v", text, document, found, err, want, ok)
		}
	})
}

func walk(v any, tokens []string) (any, bool) {
	for _, token := range tokens {
		switch at := v.(type) {
		case map[string]any:
			next, ok := at[token]
			if !ok {
				return nil, false
			}
			v = next
		case []any:
			n, err := strconv.Atoi(token)
			if err != nil || strconv.Itoa(n) != token || n < 0 || n >= len(at) {
				return nil, false
			}
			v = at[n]
		default:
			return nil, false
		}
	}
	return v, true
}
