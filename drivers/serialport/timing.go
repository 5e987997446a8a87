package serialport

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"

	"ovenward/drivers"
)

// timingOf is what the line at path does to instants. A pty has no speed, and a
// ttyACM is a USB device that mostly ignores the speed it is set to (common
// practice, no source): they have no byte time.
func timingOf(path, sysfs string, m *serial.Mode) drivers.Timing {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	t := drivers.Timing{Latency: latencyTimer(sysfs, filepath.Base(path))}
	if !strings.HasPrefix(path, "/dev/pts/") && !strings.HasPrefix(filepath.Base(path), "ttyACM") {
		t.ByteTime = byteTime(m)
	}
	return t
}

// byteTime is how long a byte is on a line: start bit, data bits, parity, stop
// bits.
func byteTime(m *serial.Mode) time.Duration {
	if m.BaudRate <= 0 {
		return 0
	}
	halfBits := 2 * (1 + m.DataBits)
	if m.Parity != serial.NoParity {
		halfBits += 2
	}
	switch m.StopBits {
	case serial.OnePointFiveStopBits:
		halfBits += 3
	case serial.TwoStopBits:
		halfBits += 4
	default:
		halfBits += 2
	}
	return time.Duration(math.Round(float64(halfBits) / 2 * float64(time.Second) / float64(m.BaudRate)))
}

// latencyTimer reads how long a USB adapter holds bytes back, a whole number of
// milliseconds where its driver tells it (Linux ftdi_sio: attribute
// latency_timer of the port's device, 1 to 255 ms, 16 by default; from memory).
// It is 0 where nothing is told.
func latencyTimer(sysfs, tty string) time.Duration {
	if sysfs == "" {
		sysfs = "/sys"
	}
	device := filepath.Join(sysfs, "class", "tty", tty, "device")
	for _, path := range []string{device + "/latency_timer", device + "/../latency_timer"} {
		data, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		if ms, err := strconv.Atoi(strings.TrimSpace(string(data))); err == nil && ms >= 0 && ms <= 255 {
			return time.Duration(ms) * time.Millisecond
		}
	}
	return 0
}
