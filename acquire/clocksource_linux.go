package acquire

import (
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// SystemClock asks the kernel by adjtimex, which needs no privilege while it
// sets nothing. A time service (chrony, ntpd, systemd-timesyncd, ptp4l with
// phc2sys) clears STA_UNSYNC and states maxerror in µs; the kernel lets it
// grow by 500 µs each second, and sets STA_UNSYNC when it reaches 16 s
// (Linux kernel/time/ntp.c: MAXFREQ, NTP_PHASE_LIMIT; from memory).
// It is nil where the system cannot be asked.
func SystemClock() ClockSource {
	return func() (ClockState, error) {
		var t unix.Timex // Modes 0: only read
		state, err := unix.Adjtimex(&t)
		if err != nil {
			return ClockState{}, fmt.Errorf("asking the kernel whether the wall clock is synchronised: %w", err)
		}
		return clockState(state, t.Status, int64(t.Maxerror)), nil
	}
}

// clockState reads an answer of adjtimex: its return value, the status word,
// and maxerror in µs.
func clockState(state int, status int32, maxError int64) ClockState {
	return ClockState{
		Synchronised: state != unix.TIME_ERROR && status&(unix.STA_UNSYNC|unix.STA_CLOCKERR) == 0,
		MaxError:     time.Duration(maxError) * time.Microsecond,
	}
}
