package simulate

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
)

// LinkTTY makes path a symbolic link to a tty, so that a simulated probe has a
// name that stays. It replaces a link that leads to a device, as an earlier run
// leaves it, and nothing else. The function it returns takes the link away if
// it still leads to that tty.
func LinkTTY(tty, path string) (remove func() error, err error) {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("linking the simulated probe's tty: %w", err)
	case info.Mode()&fs.ModeSymlink == 0:
		return nil, fmt.Errorf("linking the simulated probe's tty as %s: something that is not a link is there; it stays, so name another path", path)
	default:
		to, err := os.Readlink(path)
		if err != nil {
			return nil, fmt.Errorf("linking the simulated probe's tty: %w", err)
		}
		if !strings.HasPrefix(to, "/dev/") {
			return nil, fmt.Errorf("linking the simulated probe's tty as %s: a link to %s is there, which is no device; it stays, so name another path", path, to)
		}
		if err := os.Remove(path); err != nil {
			return nil, fmt.Errorf("replacing an earlier link to a tty: %w", err)
		}
	}
	if err := os.Symlink(tty, path); err != nil {
		return nil, fmt.Errorf("linking the simulated probe's tty: %w", err)
	}
	return func() error {
		if to, err := os.Readlink(path); err != nil || to != tty {
			return nil // it is gone, or another's by now
		}
		if err := os.Remove(path); err != nil {
			return fmt.Errorf("removing the link to the simulated probe's tty: %w", err)
		}
		return nil
	}, nil
}
