package store

import (
	"errors"
	"math"
	"os"

	"golang.org/x/sys/windows"
)

// lockFile locks one byte far behind the end, since a lock on Windows keeps
// others from reading what it covers, and they shall read the holder's pid.
func lockFile(f *os.File) (held bool, err error) {
	at := lockedAt()
	err = windows.LockFileEx(windows.Handle(f.Fd()),
		windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return true, nil
	}
	return false, err
}

func unlockFile(f *os.File) error {
	at := lockedAt()
	return windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, &at)
}

func lockedAt() windows.Overlapped { return windows.Overlapped{OffsetHigh: math.MaxInt32} }

// syncDir does nothing: Windows keeps names durable by itself.
func syncDir(string) error { return nil }

func overQuota(err error) bool { return errors.Is(err, windows.ERROR_DISK_FULL) }
