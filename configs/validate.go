package configs

import (
	"fmt"
	"strings"
	"time"
	"unicode"
)

// validator checks a site that was read, and adds what it finds to the
// reader's problems, at the place of the value in question.
type validator struct {
	*reader
	site    *Site
	purpose Purpose
	notes   []Problem
}

func (v *validator) validate() {
	v.siteAndPage()
	v.devices()
	v.brakes()
	v.addresses()
	v.places()
	v.chains()
	v.outside()
	v.plans()
	v.advise()
}

// given reports whether the file has a value at this path.
func (v *validator) given(path string) bool {
	_, ok := v.at[path]
	return ok
}

// sound reports whether none of the values was complained of so far, nor
// anything that they stand in. A value that isn't sound is not judged again.
func (v *validator) sound(paths ...string) bool {
	for _, path := range paths {
		for {
			if v.spoiled[path] {
				return false
			}
			cut := strings.LastIndexAny(path, ".[")
			if cut < 0 {
				break
			}
			path = path[:cut]
		}
	}
	return true
}

// place is where the value at a path stands, or what it would stand in.
func (v *validator) place(path string) position {
	for {
		if at, ok := v.at[path]; ok {
			return at
		}
		cut := strings.LastIndexAny(path, ".[")
		if cut < 0 {
			return v.at[""]
		}
		path = path[:cut]
	}
}

// wrong notes a problem at a path.
func (v *validator) wrong(path, message, advice string) {
	at := v.place(path)
	v.spoil(path)
	v.problems = append(v.problems, Problem{File: v.file, Line: at.line, Column: at.column, Path: path, Message: message, Advice: advice})
}

// note notes advice on a path.
func (v *validator) note(path, message, advice string) {
	at := v.place(path)
	v.notes = append(v.notes, Problem{File: v.file, Line: at.line, Column: at.column, Path: path, Message: message, Advice: advice})
}

// missing notes that a key is not there, unless it is.
func (v *validator) missing(path, advice string) bool {
	if v.given(path) || !v.sound(path) {
		return false
	}
	v.wrong(path, "is missing", advice)
	return true
}

func (v *validator) siteAndPage() {
	if !v.missing("site", "begin with site: and the site's name") && v.sound("site") {
		name := v.site.Name
		switch {
		case name == "":
			v.wrong("site", "is empty", "write the site's name")
		case len(name) > 100:
			v.wrong("site", "is longer than 100 bytes", "it stands on every page and in every topic: choose a shorter one")
		case strings.ContainsAny(name, "+#") || strings.ContainsFunc(name, unicode.IsControl):
			v.wrong("site", quoted(name)+" has a character that an MQTT topic can't hold", "leave out +, # and control characters")
		case strings.HasPrefix(name, "/") || strings.HasSuffix(name, "/") || strings.Contains(name, "//") || strings.HasPrefix(name, "$"):
			v.wrong("site", quoted(name)+" makes no MQTT topic", "don't begin with $ or /, end with / or put two of these in a row")
		}
	}
	if v.given("data") && v.sound("data") && v.site.Data == "" {
		v.wrong("data", "is empty", "write the path of a directory, or take the line out for "+DefaultData)
	}
	v.page()
}

func isWordRune(r rune) bool {
	return unicode.IsLetter(r) || unicode.IsDigit(r) || r == '-' || r == '_' || r == '.'
}

// brakeNameFault says what is wrong with a brake's name, or is empty.
//
// Brakes' names become MQTT topic levels, label values and file names, so they
// are made of parts between slashes, each of letters, digits, - _ and dots.
func brakeNameFault(name string) string {
	switch {
	case name == "":
		return "is empty"
	case len(name) > 100:
		return "is longer than 100 bytes"
	}
	for part := range strings.SplitSeq(name, "/") {
		switch {
		case part == "":
			return quoted(name) + " begins or ends with a slash, or has two in a row"
		case strings.Trim(part, ".") == "":
			return quoted(name) + " has a part of dots alone"
		}
		if at := strings.IndexFunc(part, func(r rune) bool { return !isWordRune(r) }); at >= 0 {
			r := []rune(part[at:])[0]
			return fmt.Sprintf("%s has the character %q", quoted(name), r)
		}
	}
	return ""
}

// shorter checks that a time is shorter than another, which may be a default.
func (v *validator) shorter(path string, d time.Duration, otherPath, otherName string, other time.Duration, why string) {
	if d == 0 || other == 0 || d < other || !v.sound(path, otherPath) {
		return
	}
	suffix := ""
	if !v.given(otherPath) {
		suffix = " when it isn't given"
	}
	v.wrong(path, fmt.Sprintf("%s is not below %s, which is %s%s", span(d), otherName, span(other), suffix), why)
}
