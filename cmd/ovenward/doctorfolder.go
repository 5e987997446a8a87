package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// folder looks for the folder of the record, and returns it or, where it is still to
// be made, the nearest one above it. ok is false where no record can be in it.
func (d *doctor) folder(running bool) (dir string, ok bool) {
	dir = filepath.Clean(d.storage)
	info, err := os.Stat(dir)
	for errors.Is(err, fs.ErrNotExist) && dir != filepath.Dir(dir) {
		if _, err := os.Lstat(dir); err == nil {
			d.note(toMend, "record", "%s is a link that leads nowhere: remove it, or make the folder that it names", dir)
			return "", false
		}
		dir = filepath.Dir(dir)
		info, err = os.Stat(dir)
	}
	switch {
	case err != nil:
		d.barred(dir, err, running)
		return "", false
	case !info.IsDir():
		d.note(toMend, "record", "%s is no folder, so no record can be in %s: name another one by --storage.path", dir, d.storage)
		return "", false
	}
	return dir, true
}

// writable says whether the daemon could write to a file or folder, and notes what
// keeps it from that.
func (d *doctor) writable(path string, running bool) bool {
	err := d.access(path)
	return err == nil || d.barred(path, err, running)
}

// barred notes why something is not written. passing is whether the daemon may be
// able to all the same.
func (d *doctor) barred(path string, err error, running bool) (passing bool) {
	switch {
	case errors.Is(err, errors.ErrUnsupported):
		d.note(unknown, "record", "whether %s can be written is asked on Linux only", path)
		return true
	case errors.Is(err, syscall.EROFS):
		d.note(toMend, "record", "the disk of %s is mounted for reading only: journalctl -k may say why; then mount it anew (mount -o remount,rw)", path)
	case errors.Is(err, fs.ErrPermission) && (running || d.service):
		d.note(unknown, "record", "this user may not write to %s; whether the daemon, which is another, may is not seen", path)
		return true
	case errors.Is(err, fs.ErrPermission):
		d.note(toMend, "record", "this user may not write to %s: start the daemon as the user who may, or give it to this one (chown), or name another --storage.path", path)
	default:
		d.note(toMend, "record", "%s cannot be written: %v", path, err)
	}
	return false
}
