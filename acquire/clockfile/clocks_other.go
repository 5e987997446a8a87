//go:build !linux

package clockfile

import "errors"

// SystemClocks fails: here there is no kernel that could be asked on behalf of another program.
func SystemClocks() (Instant, error) {
	return Instant{}, errors.New("this system's clock cannot be asked about; leave --clock.file out")
}
