package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"gapward/configs"
	"gapward/gateway/store"
)

type backupCommand struct {
	To     string `arg:"" name:"DIR|FILE" help:"Where to: a directory, in which the file gets the time for its name, or a file that is not there yet."`
	Config string `required:"" placeholder:"SITE.yaml" help:"Site file, which names the data directory."`
}

// Help says what a backup is and how it is put back, and shows an example.
func (backupCommand) Help() string {
	return `Writes a whole, compact copy of the database as it is at this moment; the daemon may go on running. To put it back, stop the daemon, move everything out of the data directory and copy the backup there as gapward.db.

Example:
  gapward backup /mnt/backup --config configs/kestrel-quay.yaml`
}

// Run writes the backup.
func (c *backupCommand) Run(ctx context.Context, io streams) error {
	site, err := loadSite(c.Config, configs.Run, io.err)
	if err != nil {
		return err
	}
	to := c.To
	if info, err := os.Stat(to); err == nil && info.IsDir() {
		to = filepath.Join(to, "gapward-"+time.Now().UTC().Format("20060102T150405Z")+".db")
	}
	db, err := store.OpenReadOnly(ctx, site.Data)
	if errors.Is(err, os.ErrNotExist) {
		return usage(fmt.Errorf("there is no database in %s, the data directory of %s: %w", site.Data, c.Config, err))
	}
	if err != nil {
		return err
	}
	err = db.Backup(ctx, to)
	if e := db.Close(); err == nil {
		err = e
	}
	if errors.Is(err, os.ErrExist) {
		return usage(fmt.Errorf("%s is there already; give another name, or move it away", to))
	}
	if err != nil {
		return err
	}
	info, err := os.Stat(to)
	if err != nil {
		return fmt.Errorf("looking at the backup: %w", err)
	}
	fmt.Fprintf(io.out, "%s, %.1f MB\n", to, float64(info.Size())/1e6)
	return nil
}
