package store

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// allocate takes size bytes of disk for f.
func allocate(f *os.File, size int64) error {
	err := unix.Fallocate(int(f.Fd()), 0, 0, size)
	if errors.Is(err, unix.EOPNOTSUPP) || errors.Is(err, unix.ENOSYS) {
		return fill(f, size)
	}
	return err
}
