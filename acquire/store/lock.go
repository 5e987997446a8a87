package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// ErrInUse is a record that another process writes.
var ErrInUse = errors.New("the record is in use")

// lock keeps a second daemon from the record in dir for as long as the file it
// returns is open. The file holds the pid; it is never removed, since a lock on
// a removed file keeps nobody out.
func lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "ovenward.lock"), os.O_RDWR|os.O_CREATE, 0o640)
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
