//go:build !linux

package devfile

import (
	"context"
	"fmt"

	"ovenward/drivers"
)

// Dial returns a Dialer that says that this system has no such devices.
func Dial(o Options) drivers.Dialer {
	return func(context.Context) (drivers.Link, error) {
		return nil, fmt.Errorf("open %s: USB measurement devices and raw HID devices are read on Linux only", o.Path)
	}
}
