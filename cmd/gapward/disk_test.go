package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// disk is a small file system of its own, to be filled and emptied.
type disk struct{ dir string }

// smallDisk mounts one on a directory; ok is false where that can't be.
func smallDisk(t *testing.T, dir string) (d disk, ok bool) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=24m", "gapward-test", dir).CombinedOutput(); err != nil {
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("mounting a small file system: %v: %s", err, out)
		}
		t.Logf("a small file system can't be mounted here: %v", err)
		return disk{}, false
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", "-l", dir).CombinedOutput(); err != nil {
			t.Errorf("unmounting: %v: %s", err, out)
		}
	})
	return disk{dir}, true
}

// fill takes all that is left.
func (d disk) fill(t *testing.T) {
	t.Helper()
	f, err := os.Create(filepath.Join(d.dir, "ballast"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, size := range []int{1 << 16, 4096, 64} {
		for block := make([]byte, size); ; {
			if _, err := f.Write(block); err != nil {
				break // it is full
			}
		}
	}
}

// empty gives it back.
func (d disk) empty(t *testing.T) {
	t.Helper()
	if err := os.Remove(filepath.Join(d.dir, "ballast")); err != nil {
		t.Fatal(err)
	}
}
