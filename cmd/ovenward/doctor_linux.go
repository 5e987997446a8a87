package main

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// mayWrite asks whether this user may write to a file, or make files in a folder. It
// changes nothing.
func mayWrite(path string) error {
	mode := uint32(unix.W_OK)
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		mode |= unix.X_OK
	}
	return unix.Access(path, mode)
}

// inodes asks how many files the disk of a folder can still take, and how many in all.
func inodes(dir string) (free, all uint64, err error) {
	var s unix.Statfs_t
	err = unix.Statfs(dir, &s)
	return s.Ffree, s.Files, err
}

// usable says why a device cannot be used, or who holds it. asService asks it for a
// user of no rights but the group dialout, which is what the packaged service is.
func (m machine) usable(path string, asService bool) (trouble string, held []string, err error) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", nil, err
	}
	user, err := thisUser()
	if err != nil {
		return "", nil, err
	}
	if asService {
		gid, err := m.groupID("dialout")
		if err != nil {
			return "", nil, err
		}
		user = account{uid: ^uint32(0), gids: []uint32{gid}}
	}
	holders, _ := m.holders("/dev/")
	trouble = strings.Replace(m.trouble(real, portInfo{Path: path}, user), "the udev rule below", "the udev rule that ovenward ports prints", 1)
	if asService {
		trouble = strings.Replace(trouble, "this user", "the service", 1)
	}
	return trouble, holders[real], nil
}

// groupID finds the number of a group.
func (m machine) groupID(name string) (uint32, error) {
	f, err := os.Open(filepath.Join("/", m.tree.Root, "etc/group"))
	if err != nil {
		return 0, fmt.Errorf("look up the group %s: %v", name, err) // not wrapped: what is missing is not the device
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if parts := strings.Split(s.Text(), ":"); len(parts) >= 3 && parts[0] == name {
			gid, err := strconv.ParseUint(parts[2], 10, 32)
			return uint32(gid), err
		}
	}
	return 0, fmt.Errorf("there is no group %s", name)
}
