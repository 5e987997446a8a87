package clockfile

import (
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// SystemClocks reads the kernel's clocks, which needs no privilege.
func SystemClocks() (Instant, error) {
	boot, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return Instant{}, fmt.Errorf("which start of the machine this is: %w", err)
	}
	var since, wall unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &since); err != nil {
		return Instant{}, fmt.Errorf("the time since the start of the machine: %w", err)
	}
	if err := unix.ClockGettime(unix.CLOCK_REALTIME, &wall); err != nil {
		return Instant{}, fmt.Errorf("the wall clock: %w", err)
	}
	return Instant{Boot: strings.TrimSpace(string(boot)), Since: time.Duration(since.Nano()), Wall: time.Unix(wall.Unix()).UTC()}, nil
}
