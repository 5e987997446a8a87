//go:build !linux

package serialport

// waited leaves the waiting to the library.
func (h *hold) waited(p port) (port, error) { return p, nil }
