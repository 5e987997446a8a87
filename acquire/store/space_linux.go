package store

import "syscall"

// space asks how much of the disk of a folder is free for us, and how much there
// is, in bytes.
func space(dir string) (free, size uint64, err error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return 0, 0, err
	}
	block := uint64(s.Bsize)
	return s.Bavail * block, s.Blocks * block, nil
}
