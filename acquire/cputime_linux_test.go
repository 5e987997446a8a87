package acquire

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// cpuTime is what this process has used of the processor.
func cpuTime(t testing.TB) time.Duration {
	t.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
