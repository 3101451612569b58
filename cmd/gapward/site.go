package main

import (
	"fmt"
	"io"

	"gapward/configs"
)

// loadSite reads a site file. Its mistakes are printed all at once, each on its
// line, and make an error of wrong usage.
func loadSite(path string, purpose configs.Purpose, errs io.Writer) (*configs.Site, error) {
	site, problems, err := configs.Load(path, purpose)
	if err != nil {
		return nil, usage(err)
	}
	if len(problems) == 0 {
		return site, nil
	}
	for _, p := range problems {
		fmt.Fprintln(errs, p)
	}
	return nil, usage(fmt.Errorf("%s has %s", path, count(len(problems), "mistake")))
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
