package store

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
)

// reserveBytes is what 1 000 alarm records need when each is committed by
// itself: 8 KiB in the file for each, once as a fragment and once among the events
// (an alarm event is about 1 KiB; one of 4 KiB still fits), 4 MiB for the log until
// it is folded into the file, and a third on top.
const reserveBytes = (1000*2*4096 + 4<<20) * 4 / 3

const reserveName = "reserve"

// reserve is space kept for alarms: a file that is removed when the disk is
// full. Only the writer touches it.
type reserve struct {
	path string
	size int64
	held bool
}

// take makes the file, whole or not at all.
func (r *reserve) take() error {
	if r.held {
		return nil
	}
	if st, err := os.Stat(r.path); err == nil && st.Size() == r.size {
		r.held = true
		return nil
	}
	f, err := os.OpenFile(r.path, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return fmt.Errorf("make the reserve: %w", err)
	}
	err = errors.Join(allocate(f, r.size), f.Sync())
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(fmt.Errorf("reserve %d bytes for alarms in %s: %w", r.size, r.path, err), os.Remove(r.path))
	}
	r.held = true
	return nil
}

// release gives the space to whoever writes next.
func (r *reserve) release() error {
	r.held = false
	if err := os.Remove(r.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("release the reserve: %w", err)
	}
	return nil
}

// fill writes size bytes that no file system can shrink.
func fill(f *os.File, size int64) error {
	noise := rand.NewChaCha8([32]byte{})
	buf := make([]byte, 1<<16)
	for size > 0 {
		noise.Read(buf) // never fails
		n, err := f.Write(buf[:min(size, int64(len(buf)))])
		if err != nil {
			return err
		}
		size -= int64(n)
	}
	return nil
}
