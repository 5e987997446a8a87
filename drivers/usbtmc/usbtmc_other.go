//go:build !linux

package usbtmc

import "os"

// boundWait has nothing to tell: devfile opens no device here.
func boundWait(*os.File) {}
