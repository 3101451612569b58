package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

// release is set by the linker for a release.
var release = "development"

type versionCommand struct{}

// Help shows an example.
func (versionCommand) Help() string { return "Example:\n  gapward version" }

// Run prints the version.
func (versionCommand) Run(io streams) error {
	fmt.Fprintf(io.out, "gapward %s, commit %s, %s\n", release, commit(), runtime.Version())
	return nil
}

// commit is the commit that the program was built from, if the build knows it.
func commit() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	revision, dirty := "unknown", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = ", with local changes"
		}
	}
	return revision + dirty
}
