//go:build !linux

package simulate

import (
	"fmt"
	"os"
	"runtime"
)

// breakable refuses: whether a pty's reads keep to deadlines was seen on Linux
// only, and known to be in doubt on darwin. Pipe stands in.
func breakable(*os.File) (*os.File, error) {
	return nil, fmt.Errorf("ptys are not used on %s", runtime.GOOS)
}

// shareTTY is never called without a pty.
func shareTTY(uintptr) error { return nil }

// dropUnread is never called without a pty.
func dropUnread(uintptr, int) error { return nil }
