package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// A rebuilt record takes the place of the broken one in steps, each of which may
// be the last before a crash: so it is first made whole in a folder of its own,
// with a file that says so and how the broken one shall be called; what is left to
// do is then done by whoever opens the record next.
const (
	rebuildingDir = "rebuilding"
	rebuiltMark   = "whole" // in that folder: the name that the broken record gets
)

// markRebuilt says that the record in dir/rebuilding is whole.
func markRebuilt(dir, kept string, fault func(Step) error) error {
	to := filepath.Join(dir, rebuildingDir)
	if err := fault(StepSwap); err != nil {
		return err
	}
	partial := filepath.Join(to, "."+rebuiltMark)
	f, err := os.OpenFile(partial, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.WriteString(kept)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(partial, filepath.Join(to, rebuiltMark)); err != nil {
		return err
	}
	return errors.Join(syncDir(to), syncDir(dir))
}

// finishRebuild goes on with a rebuilding that was broken off after the new record
// was whole, and does away with one that was not. It says whether the new record
// took its place now. The caller holds the lock.
func finishRebuild(dir string, fault func(Step) error) (swapped bool, err error) {
	to := filepath.Join(dir, rebuildingDir)
	kept, err := os.ReadFile(filepath.Join(to, rebuiltMark))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, os.RemoveAll(to)
	case err != nil:
		return false, fmt.Errorf("finish the rebuilding of the record: %w", err)
	}
	name := filepath.Base(strings.TrimSpace(string(kept)))
	if swapped, err = swap(dir, to, filepath.Join(dir, name), fault); err != nil {
		return false, fmt.Errorf("put the rebuilt record in its place: %w; it is tried again at the next start", err)
	}
	return swapped, nil
}

// swap does the steps that are not done.
func swap(dir, to, kept string, fault func(Step) error) (swapped bool, err error) {
	record := filepath.Join(dir, FileName)
	if _, err := os.Lstat(filepath.Join(to, FileName)); err == nil {
		// The broken record gets its second name first, with its log, so that it
		// is never without one; then the log must go, for it is none of the new one's.
		for _, end := range []string{"", "-wal"} {
			if err := alsoAs(record+end, kept+end, fault); err != nil {
				return false, err
			}
		}
		for _, end := range []string{"-shm", "-wal"} {
			if err := dropped(record+end, fault); err != nil {
				return false, err
			}
		}
		for _, name := range []string{sidecarName, FileName} {
			if err := moved(filepath.Join(to, name), filepath.Join(dir, name), fault); err != nil {
				return false, err
			}
		}
		swapped = true
	} else if !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	if err := fault(StepSwap); err != nil {
		return false, err
	}
	return swapped, errors.Join(syncDir(dir), os.RemoveAll(to))
}

// alsoAs gives a file a second name; where the file system has none, it is renamed.
func alsoAs(file, name string, fault func(Step) error) error {
	if err := fault(StepSwap); err != nil {
		return err
	}
	err := os.Link(file, name)
	if err == nil || errors.Is(err, fs.ErrExist) || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := os.Rename(file, name); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// dropped removes a file that may be gone.
func dropped(file string, fault func(Step) error) error {
	if err := fault(StepSwap); err != nil {
		return err
	}
	if err := os.Remove(file); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// moved moves a file that may be moved already.
func moved(file, to string, fault func(Step) error) error {
	if err := fault(StepSwap); err != nil {
		return err
	}
	if err := os.Rename(file, to); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
