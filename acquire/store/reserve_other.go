//go:build !linux

package store

import "os"

// allocate takes size bytes of disk for f.
func allocate(f *os.File, size int64) error { return fill(f, size) }
