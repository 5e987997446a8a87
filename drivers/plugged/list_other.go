//go:build !linux

package plugged

import "errors"

// List tells that this system's tables are not read.
func (t Tree) List(...Class) ([]Device, error) {
	return nil, errors.New("USB identities are read on Linux only: name the port by its path here")
}
