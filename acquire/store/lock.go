package store

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// ErrInUse is a record that another process writes.
var ErrInUse = errors.New("the record is in use")

const lockName = "ovenward.lock"

// lock keeps a second daemon from the record in dir for as long as the file it
// returns is open. The file holds the pid; it is never removed, since a lock on
// a removed file keeps nobody out.
func lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("open the lock of the record in %s: %w", dir, err)
	}
	held, err := lockFile(f)
	switch {
	case held:
		pid, _ := io.ReadAll(io.LimitReader(f, 32))
		who := strings.TrimSpace(string(pid))
		if who == "" {
			who = "unknown"
		}
		return nil, errors.Join(
			fmt.Errorf("%w: process %s writes to %s: stop it, or give another --storage.path", ErrInUse, who, dir),
			f.Close())
	case err != nil:
		return nil, errors.Join(fmt.Errorf("lock the record in %s: %w: keep it on a local disk", dir, err), f.Close())
	}
	// The lock counts, not the pid: a full disk must not keep the record shut.
	if f.Truncate(0) == nil {
		f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	return f, nil
}

// unlock lets go of a lock at once: a process that was forked meanwhile holds the
// file, too, until it becomes another program.
func unlock(f *os.File) error { return errors.Join(unlockFile(f), f.Close()) }

// keepLock takes the lock anew where somebody removed its file, which would let a second
// daemon in.
func (s *Store) keepLock() error {
	had, err := s.lock.Stat()
	if err != nil {
		return fmt.Errorf("look at the lock of the record: %w", err)
	}
	now, err := os.Stat(filepath.Join(s.dir, lockName))
	if err == nil && os.SameFile(now, had) || err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	f, err := lock(s.dir)
	if err != nil {
		return err
	}
	before := s.lock
	s.lock = f
	return before.Close()
}
