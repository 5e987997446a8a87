// Package usbtmc is the Link over a USB test and measurement device as Linux shows
// it (/dev/usbtmcN): one write is one message to the instrument, one read is its
// reply. What the messages mean is a Protocol's matter: lines of text, or SCPI.
//
// It has been tested over stand-ins for the device file, and has not been tried on
// hardware. It reads only after a request, since an instrument that is read
// unasked counts that as an error of ours. Times are instants of the clock in
// Options. Linux only.
package usbtmc

import (
	"time"

	"ovenward/drivers/stream"
)

// Options describe a device. Names in the errors are those of the configuration.
type Options struct {
	Path    string                 // "/dev/usbtmc0"
	Resolve func() (string, error) // where set, asked at every opening where the device is; Path is then its name
	End     string                 // what ends a line; added to a reply that lacks it, since the end of the message is one too
	Settle  time.Duration          // from opening to the first message
	Quiet   time.Duration          // between messages
	Tap     stream.Tap
	Now     func() time.Time
}
