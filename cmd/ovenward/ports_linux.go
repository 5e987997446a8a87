package main

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"ovenward/drivers/plugged"
)

// ports lists the devices of the machine. hidden is which processes do not show what
// they hold, as a word of a sentence; empty: none.
func (m machine) ports() (out []portInfo, hidden string, err error) {
	all, err := m.tree.List(plugged.Serial, plugged.USBTMC, plugged.HIDRaw)
	if err != nil {
		return nil, "", err
	}
	holders, hidden := m.holders("/dev/")
	user, err := thisUser()
	if err != nil {
		return nil, "", err
	}
	for _, d := range all {
		p := describePort(d, all)
		node := filepath.Join("/", m.tree.Root, d.Path)
		if real, err := filepath.EvalSymlinks(node); err == nil {
			p.HeldBy = words(holders[real])
		}
		p.Trouble = m.trouble(node, p, user)
		out = append(out, p)
	}
	return out, hidden, nil
}

// holders maps what processes hold open, of what begins so, to who they are. Process 1
// there always is: where it is not listed, others may not be, either (hidepid= in proc(5)).
func (m machine) holders(what string) (byPath map[string][]holder, hidden string) {
	byPath = map[string][]holder{}
	processes, _ := os.ReadDir(m.proc) // without it nothing is known of holders
	listed, shut := false, 0
	for _, p := range processes {
		pid, err := strconv.Atoi(p.Name())
		if err != nil {
			continue
		}
		listed = listed || pid == 1
		dir := filepath.Join(m.proc, p.Name())
		fds, err := os.ReadDir(filepath.Join(dir, "fd"))
		if errors.Is(err, fs.ErrPermission) {
			shut++
		}
		for _, fd := range fds {
			to, err := os.Readlink(filepath.Join(dir, "fd", fd.Name()))
			if err != nil || !strings.HasPrefix(to, what) {
				continue
			}
			comm, _ := os.ReadFile(filepath.Join(dir, "comm")) // a process without a name is told by its number
			who := holder{strings.TrimSpace(string(comm)), pid}
			if !slices.Contains(byPath[to], who) {
				byPath[to] = append(byPath[to], who)
			}
		}
	}
	switch {
	case !listed:
		hidden = "processes"
	case shut > 0:
		hidden = count(shut, "process")
	}
	return byPath, hidden
}

// account is a user as the system judges access.
type account struct {
	uid  uint32
	gids []uint32
}

func thisUser() (account, error) {
	a := account{uid: uint32(os.Geteuid()), gids: []uint32{uint32(os.Getegid())}}
	groups, err := os.Getgroups()
	if err != nil {
		return a, fmt.Errorf("look up the groups of this user: %w", err)
	}
	for _, g := range groups {
		a.gids = append(a.gids, uint32(g))
	}
	return a, nil
}

// may says whether the user may do what all of want (4 read, 2 write, 1 enter) allows
// with what has this mode and owner.
func (a account) may(want, mode fs.FileMode, uid, gid uint32) bool {
	bits := mode.Perm()
	switch {
	case a.uid == 0:
		return true
	case a.uid == uid:
		bits >>= 6
	case slices.Contains(a.gids, gid):
		bits >>= 3
	}
	return bits&want == want
}

// trouble says why the user cannot use a device, and what mends it; "" when he
// can.
func (m machine) trouble(node string, p portInfo, user account) string {
	info, err := os.Stat(node)
	if err != nil {
		return fmt.Sprintf("the system knows the device, but there is no %s (in a container it must be passed in)", p.Path)
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || user.may(6, info.Mode(), st.Uid, st.Gid) {
		return ""
	}
	group := m.group(st.Gid)
	trouble := fmt.Sprintf("this user may not read and write it (mode %s, group %s): ", info.Mode().Perm(), group)
	if info.Mode().Perm()>>3&6 == 6 && st.Gid != 0 {
		return trouble + fmt.Sprintf("sudo usermod -aG %s USER, then log in anew or restart the service", group)
	}
	return trouble + "put the udev rule below into /etc/udev/rules.d/70-ovenward.rules, then sudo udevadm control --reload && sudo udevadm trigger"
}

// group is the name of a group, or its number.
func (m machine) group(gid uint32) string {
	number := strconv.FormatUint(uint64(gid), 10)
	f, err := os.Open(filepath.Join("/", m.tree.Root, "etc/group"))
	if err != nil {
		return number
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if parts := strings.Split(s.Text(), ":"); len(parts) >= 3 && parts[2] == number {
			return parts[0]
		}
	}
	return number
}
