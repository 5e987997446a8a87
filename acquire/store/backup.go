package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// ErrExists is a file that a copy would overwrite.
var ErrExists = errors.New("the file is there already")

// mayCopyTo refuses what a copy must never take the place of: a file of this record, a
// file with a log beside it, which SQLite would take for the copy's, and a folder.
func (r *Reader) mayCopyTo(file string) error {
	if st, err := os.Stat(file); err == nil && st.IsDir() {
		return errors.New("it is a folder: name a file in it")
	}
	name := filepath.Base(file)
	here, err := os.Stat(r.dir)
	if err != nil {
		return err
	}
	// A folder that is not there is told by who writes into it.
	if there, err := os.Stat(filepath.Dir(file)); err == nil && os.SameFile(here, there) && (strings.HasPrefix(name, "ovenward.") || name == reserveName) {
		return errors.New("the record itself lies there: name a file in another folder")
	}
	if _, err := os.Lstat(file + "-wal"); err == nil {
		return fmt.Errorf("%s lies beside it, so that a record is or was in use there: name another file", name+"-wal")
	}
	return nil
}

// Backup copies the record to file, as it is at one instant, beside a running
// daemon, and returns the size of the copy in bytes. The copy appears whole and
// synced, or not at all. A file that is there is refused with ErrExists, unless
// replace is set.
func (r *Reader) Backup(ctx context.Context, file string, replace bool) (size int64, err error) {
	fail := func(err error) (int64, error) {
		return 0, fmt.Errorf("copy the record to %s: %w", file, err)
	}
	if err := r.mayCopyTo(file); err != nil {
		return fail(err)
	}
	if _, err := os.Lstat(file); err == nil && !replace {
		return fail(ErrExists)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fail(err)
	}
	dir := filepath.Dir(file)
	if st, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) || err == nil && !st.IsDir() {
		return fail(fmt.Errorf("there is no folder %s: make it, or name a file in another", dir))
	}
	partial := filepath.Join(filepath.Dir(file), "."+filepath.Base(file)+".partial")
	if err := os.Remove(partial); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fail(err)
	}
	defer func() {
		if err != nil {
			os.Remove(partial)
		}
	}()
	// The file is made first, so that nobody else may read it on the way.
	f, err := os.OpenFile(partial, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) {
		return fail(fmt.Errorf("this user may make no file in %s (%w): name a file in another folder", dir, err))
	}
	if err != nil {
		return fail(err)
	}
	defer f.Close()
	// The pool of the readers refuses every write, to another file too.
	db, err := openDB(filepath.Join(r.dir, FileName), url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(1000)"}})
	if err != nil {
		return fail(err)
	}
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", partial)
	if err = errors.Join(err, db.Close()); err != nil {
		return fail(err)
	}
	if err = f.Sync(); err != nil {
		return fail(err)
	}
	st, err := f.Stat()
	if err != nil {
		return fail(err)
	}
	if err = giveName(partial, file, replace); err != nil {
		return fail(err)
	}
	return st.Size(), nil
}

// giveName gives a whole copy the name that it was asked for, durably.
func giveName(partial, file string, replace bool) (err error) {
	if replace {
		err = os.Rename(partial, file)
	} else if err = os.Link(partial, file); err == nil { // which refuses a file that came meanwhile
		err = os.Remove(partial)
	} else if errors.Is(err, fs.ErrExist) {
		err = ErrExists
	} else {
		err = os.Rename(partial, file) // a file system without hard links
	}
	if err == nil {
		err = syncDir(filepath.Dir(file))
	}
	return err
}
