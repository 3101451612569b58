package configs

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Problem is one mistake in a site file, or one piece of advice on it.
type Problem struct {
	File    string
	Line    int    // from 1; 0 where the file as a whole is meant
	Column  int    // from 1
	Path    string // brakes[2].signals.travel.poll; empty where no key is meant
	Message string // what is wrong
	Advice  string // what to write instead; may be empty
}

// String gives the problem on one line, as compilers do:
// file:line:column: path: message; advice.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	b.WriteByte(':')
	if p.Line > 0 {
		fmt.Fprintf(&b, "%d:%d:", p.Line, p.Column)
	}
	if p.Path != "" {
		fmt.Fprintf(&b, " %s:", p.Path)
	}
	b.WriteByte(' ')
	b.WriteString(p.Message)
	if p.Advice != "" {
		b.WriteString("; ")
		b.WriteString(p.Advice)
	}
	return b.String()
}

// sortProblems puts problems in the order of the file.
func sortProblems(problems []Problem) {
	slices.SortStableFunc(problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column),
			cmp.Compare(a.Path, b.Path), cmp.Compare(a.Message, b.Message))
	})
}

// joinPath adds a key to the path of the mapping that it stands in. A key that
// would not read well in a path is quoted and cut short.
func joinPath(path, key string) string {
	plain := key != "" && len(key) <= 80 && strings.IndexFunc(key, func(r rune) bool {
		return !isWordRune(r) && r != '/'
	}) < 0
	if !plain {
		key = quoted(key)
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

// itemPath is the path of an item of a list, counted from 0.
func itemPath(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// quoted shows text from the file on one line and no longer than a line.
func quoted(text string) string {
	const most = 60
	if runes := []rune(text); len(runes) > most {
		text = string(runes[:most]) + "…"
	}
	return strconv.Quote(text)
}

// number writes a figure as a person would.
func number(v float64) string {
	if size := math.Abs(v); size >= 1e-6 && size < 1e15 {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// listOf joins words as in "a, b or c".
func listOf(words []string, last string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	n := len(words) - 1
	return strings.Join(words[:n], ", ") + " " + last + " " + words[n]
}

// span writes a duration without the noughts that say nothing: 1h, not 1h0m0s.
func span(d time.Duration) string {
	text := d.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}

// mm writes a length.
func mm(v float64) string { return number(v) + " mm" }
