// Package hidraw is the Link over a USB human interface device as Linux shows it
// raw (/dev/hidrawN): one read is one report, one write is one report to the
// device. Reports travel in the envelopes of package hid, which keeps them apart.
//
// It has been tested over stand-ins for the device file, and has not been tried on
// hardware. Times are instants of the clock in Options. What a report means is not
// its matter. Linux only.
package hidraw

import (
	"time"

	"ovenward/drivers/stream"
)

// Options describe a device. Names in the errors are those of the configuration.
type Options struct {
	Path    string                 // "/dev/hidraw0"
	Resolve func() (string, error) // where set, asked at every opening where the device is; Path is then its name
	Quiet   time.Duration          // silence before a request
	Tap     stream.Tap             // sees the reports in their envelopes
	Now     func() time.Time
}
