//go:build !linux

package usbtmc

import (
	"context"
	"errors"

	"ovenward/drivers"
)

// Dial returns a Dialer that says that this system has no such devices.
func Dial(Options) drivers.Dialer {
	return func(context.Context) (drivers.Link, error) {
		return nil, errors.New("USB test and measurement devices are read on Linux only")
	}
}
