// Package devfile opens Linux' device files that keep messages apart, such as those
// of USB test and measurement devices and of raw HID devices, for a stream.Line that
// knows what one read and one write of them are.
//
// Times are instants of the clock in Options. What passes is not its matter. Linux
// only.
package devfile

import (
	"os"
	"time"

	"ovenward/drivers/stream"
)

// Options describe a device. Names in the errors are those of the configuration.
type Options struct {
	Path    string                 // "/dev/usbtmc0"
	Resolve func() (string, error) // where set, asked at every opening where the device is; Path is then its name
	Settle  time.Duration          // from opening to the first message
	Quiet   time.Duration          // silence before a message
	Tap     stream.Tap             // may be nil
	Now     func() time.Time       // default time.Now

	// Waits says that reads and writes wait in the kernel, for a device that knows
	// no other way; else the file takes deadlines.
	Waits bool

	// Line makes the line over the opened device, which it owns from then on.
	Line func(f *os.File) stream.Line
}
