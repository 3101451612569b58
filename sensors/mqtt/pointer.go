package mqtt

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// A Pointer names one value within a JSON document, after RFC 6901: "" is the
// whole of it, "/sensors/0/mm" the member mm of the first item of the member
// sensors.
type Pointer struct {
	text   string
	tokens []string // unescaped
}

// mostTokens is how deep a pointer may reach.
const mostTokens = 32

// ParsePointer reads a pointer in the form that JSON strings have, RFC 6901
// section 5: in it ~1 is a slash and ~0 a tilde.
func ParsePointer(text string) (Pointer, error) {
	p := Pointer{text: text}
	if text == "" {
		return p, nil
	}
	if text[0] != '/' {
		return p, fmt.Errorf("the pointer %q must begin with a slash", text)
	}
	for token := range strings.SplitSeq(text[1:], "/") {
		for i := range len(token) {
			if token[i] == '~' && (i+1 == len(token) || token[i+1] != '0' && token[i+1] != '1') {
				return p, fmt.Errorf("the pointer %q has a ~ that is neither ~0, a tilde, nor ~1, a slash", text)
			}
		}
		// ~1 first, then ~0, so that ~01 becomes ~1 and no slash: section 4.
		p.tokens = append(p.tokens, strings.ReplaceAll(strings.ReplaceAll(token, "~1", "/"), "~0", "~"))
	}
	if len(p.tokens) > mostTokens {
		return p, fmt.Errorf("the pointer %.40q… is %d levels deep; at most %d are followed", text, len(p.tokens), mostTokens)
	}
	return p, nil
}

// String is the pointer's text.
func (p Pointer) String() string { return p.text }

// Within reports whether what p names is part of what o names, or the same.
func (p Pointer) Within(o Pointer) bool {
	return len(p.tokens) >= len(o.tokens) && strings.HasPrefix(p.text+"/", o.text+"/")
}

// errAbsent is the error of a pointer at nothing.
var errAbsent = errors.New("there is nothing there")

// find returns the JSON of what the pointer names. doc must be known to be
// valid JSON without space around it.
//
// What is known to be JSON can be gone through by hand. That costs a third of
// decoding it, and unlike decoding into a map or a struct it shows when a
// member stands there twice or differs in case.
func (p Pointer) find(doc []byte) ([]byte, error) {
	for i, token := range p.tokens {
		var err error
		switch doc[0] {
		case '{':
			doc, err = member(doc, token)
		case '[':
			doc, err = item(doc, token)
		default:
			err = errAbsent
		}
		if err != nil {
			if errors.Is(err, errAbsent) && len(p.tokens) > 1 {
				return nil, fmt.Errorf("%w: it ends before %q", err, "/"+strings.Join(p.tokens[i:], "/"))
			}
			return nil, err
		}
	}
	return doc, nil
}

// member is the value of an object's member. One that stands there twice has
// none: which of the two is meant RFC 8259 leaves open.
func member(object []byte, name string) (value []byte, err error) {
	for rest := afterSpace(object[1:]); rest[0] != '}'; rest = afterSpace(rest) {
		var key, v []byte
		key, rest = firstValue(rest)
		rest = afterSpace(rest)[1:] // the colon
		v, rest = firstValue(afterSpace(rest))
		if rest = afterSpace(rest); rest[0] == ',' {
			rest = afterSpace(rest[1:])
		}
		if !named(key, name) {
			continue
		}
		if value != nil {
			return nil, fmt.Errorf("%q stands there twice", name)
		}
		value = v
	}
	if value == nil {
		return nil, errAbsent
	}
	return value, nil
}

// named reports whether a JSON string is a name.
func named(key []byte, name string) bool {
	if bytes.IndexByte(key, '\\') < 0 {
		return string(key[1:len(key)-1]) == name
	}
	var text string
	return json.Unmarshal(key, &text) == nil && text == name
}

// item is an item of an array, by its number from 0 without leading noughts.
func item(array []byte, token string) ([]byte, error) {
	n, err := strconv.ParseUint(token, 10, 31)
	if err != nil || token[0] == '+' || len(token) > 1 && token[0] == '0' {
		return nil, errAbsent // "-", the item after the last, is none either
	}
	for rest := afterSpace(array[1:]); rest[0] != ']'; n-- {
		var v []byte
		v, rest = firstValue(rest)
		if n == 0 {
			return v, nil
		}
		if rest = afterSpace(rest); rest[0] == ',' {
			rest = afterSpace(rest[1:])
		}
	}
	return nil, errAbsent
}
