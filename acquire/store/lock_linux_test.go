package store

import (
	"testing"

	"golang.org/x/sys/unix"
)

// Who closes a record lets go of it at once, though a process that was just forked, and is
// not yet another program, holds its lock's file.
func TestCloseLetsGoOfTheLock(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	forked, err := unix.Dup(int(s.lock.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(forked)
	shut(t, s)
	shut(t, open(t, dir, Options{}))
}
