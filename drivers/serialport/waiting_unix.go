//go:build unix && !linux

package serialport

import "golang.org/x/sys/unix"

// writeAtOnce writes what fd, which does not block, takes.
func writeAtOnce(fd int, p []byte) (int, error) { return unix.Write(fd, p) }
