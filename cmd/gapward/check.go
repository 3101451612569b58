package main

import (
	"fmt"

	"gapward/configs"
)

type checkCommand struct {
	Site string `arg:"" placeholder:"SITE.yaml" help:"Site file."`
}

// Help says what is looked at, and shows an example.
func (checkCommand) Help() string {
	return `Reads the site file strictly and tells every mistake with its line and column. Of a file in order it shows how each bus will be read, how fast that could be and how late it gets, how far apart drive and travel of each brake are read, and what resolution its release time gets. No hardware is touched.

Exit codes: 0 all is well, 2 the file has mistakes, 3 it works but there is advice to look at.

Example:
  gapward check configs/kestrel-quay.yaml`
}

// Run checks a site file.
func (c *checkCommand) Run(io streams) error {
	site, err := loadSite(c.Site, configs.Run, io.err)
	if err != nil {
		return err
	}
	if err := configs.Report(io.out, site); err != nil {
		return fmt.Errorf("reporting on %s: %w", c.Site, err)
	}
	if len(site.Notes()) > 0 {
		return &coded{code: exitAct}
	}
	return nil
}
