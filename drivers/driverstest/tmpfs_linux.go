package driverstest

import (
	"testing"

	"golang.org/x/sys/unix"
)

// Tmpfs mounts a file system of its own that holds size, such as "4m", in memory
// until the test ends. That takes root: without it the test misses a peer.
// readOnly mounts it anew for reading only, or for writing again.
func Tmpfs(t testing.TB, size string) (dir string, readOnly func(bool)) {
	t.Helper()
	dir = t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		missing(t, "tmpfs, which root mounts", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Errorf("unmount %s: %v", dir, err)
		}
	})
	return dir, func(on bool) {
		t.Helper()
		flags := uintptr(unix.MS_REMOUNT)
		if on {
			flags |= unix.MS_RDONLY
		}
		if err := unix.Mount("tmpfs", dir, "tmpfs", flags, "size="+size); err != nil {
			t.Fatalf("mount %s anew: %v", dir, err)
		}
	}
}
