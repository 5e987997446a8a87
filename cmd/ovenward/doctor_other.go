//go:build !linux

package main

import (
	"errors"
	"io/fs"
)

func (m machine) ours(h holder) bool { return h.name == "ovenward" }

func (m machine) rivals(held []holder) []holder { return held }

func (m machine) usable(string, bool) (string, []holder, string, error) {
	return "", nil, "", errors.New("who may use a device, and who holds it, is looked up on Linux only")
}

func ownerOf(fs.FileInfo) (uid int, known bool) { return 0, false }

func mayWrite(string) error { return errors.ErrUnsupported }

func inodes(string) (free, all uint64, err error) { return 0, 0, errors.ErrUnsupported }

func (m machine) shutToService(string) (string, error) {
	return "", errors.New("the service is one of systemd, which is on Linux only")
}
