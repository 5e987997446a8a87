package main

import (
	"bufio"
	_ "embed"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

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

// usable says why a device cannot be used, or who holds it. hidden is which processes
// do not show what they hold. asService asks it for a user of no rights but the group
// dialout, which is what the packaged service is.
func (m machine) usable(path string, asService bool) (trouble string, held []holder, hidden string, err error) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", nil, "", err
	}
	user, err := thisUser()
	if err != nil {
		return "", nil, "", err
	}
	if asService {
		if user, err = m.service(); err != nil {
			return "", nil, "", err
		}
	}
	holders, hidden := m.holders("/dev/")
	trouble = strings.Replace(m.trouble(real, portInfo{Path: path}, user), "the udev rule below", "the udev rule that ovenward ports prints", 1)
	if asService {
		trouble = strings.Replace(trouble, "this user", "the service", 1)
		kept, err := m.keptOut(real)
		switch {
		case trouble == "" && err != nil:
			return "", nil, "", err
		case trouble == "":
			trouble = kept
		case kept != "":
			trouble += ". And " + kept
		}
	}
	return trouble, holders[real], hidden, nil
}

// ours says whether a holder is an Ovenward: by its name, or as the program that asks,
// whatever its file is called.
func (m machine) ours(h holder) bool {
	if h.name == "ovenward" {
		return true
	}
	self, err := os.Executable()
	if err != nil {
		return false
	}
	asks, err := os.Stat(self)
	if err != nil {
		return false
	}
	runs, err := os.Stat(filepath.Join(m.proc, strconv.Itoa(h.pid), "exe"))
	return err == nil && os.SameFile(asks, runs)
}

// rivals are those holders that each read what the others are answered: not a program
// that serves a simulated probe, nor one that another of them started.
func (m machine) rivals(held []holder) (all []holder) {
	for _, h := range held {
		args, _ := os.ReadFile(filepath.Join(m.proc, strconv.Itoa(h.pid), "cmdline"))
		if words := strings.Split(string(args), "\x00"); len(words) > 1 && words[1] == "simulate" {
			continue
		}
		parent := m.parent(h.pid)
		if !slices.ContainsFunc(held, func(o holder) bool { return o.pid == parent }) {
			all = append(all, h)
		}
	}
	return all
}

// parent is the number of the process that started another; 0 where it is not shown.
func (m machine) parent(pid int) (parent int) {
	status, _ := os.ReadFile(filepath.Join(m.proc, strconv.Itoa(pid), "status"))
	for line := range strings.Lines(string(status)) {
		if number, is := strings.CutPrefix(line, "PPid:"); is {
			parent, _ = strconv.Atoi(strings.TrimSpace(number))
		}
	}
	return parent
}

// service is the user that the packaged service is.
func (m machine) service() (account, error) {
	gid, err := m.groupID("dialout")
	return account{uid: ^uint32(0), gids: []uint32{gid}}, err
}

// shutToService returns what keeps the service from reading a file: the file itself or
// a folder above it; "" where nothing does.
func (m machine) shutToService(path string) (string, error) {
	user, err := m.service()
	if err != nil {
		return "", err
	}
	at, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", err
	}
	if at, err = filepath.Abs(at); err != nil {
		return "", err
	}
	for name, want := at, fs.FileMode(4); ; name, want = filepath.Dir(name), 1 {
		info, err := os.Stat(name)
		if err != nil {
			return "", err
		}
		st, ok := info.Sys().(*syscall.Stat_t)
		switch {
		case !ok:
			return "", fmt.Errorf("the system does not say who owns %s", name)
		case user.may(want, info.Mode(), st.Uid, st.Gid) && name == "/":
			return "", nil
		case user.may(want, info.Mode(), st.Uid, st.Gid):
		case want == 4:
			return path, nil
		default:
			return name, nil
		}
	}
}

// serviceUnit is the packaged service.
//
//go:embed package/ovenward.service
var serviceUnit string

// letIn lists what the DeviceAllow= lines of the service let in, the site's own drop-ins
// included.
func (m machine) letIn() (devices []string, err error) {
	texts := []string{serviceUnit}
	for _, dir := range []string{"usr/lib", "run", "etc"} {
		unit := filepath.Join("/", m.tree.Root, dir, "systemd/system/ovenward.service")
		if text, err := os.ReadFile(unit); err == nil {
			texts[0] = string(text) // the last one counts
		}
		all, err := filepath.Glob(unit + ".d/*.conf")
		if err != nil {
			return nil, err
		}
		for _, name := range all {
			text, err := os.ReadFile(name)
			if err != nil {
				return nil, err
			}
			texts = append(texts, string(text))
		}
	}
	devices = []string{"char-pts"} // by DevicePolicy=closed (systemd.resource-control(5))
	for line := range strings.Lines(strings.Join(texts, "\n")) {
		what, is := strings.CutPrefix(strings.TrimSpace(line), "DeviceAllow=")
		if words := strings.Fields(what); is && len(words) == 0 {
			devices = devices[:1] // an empty one takes back those before it
		} else if is && (len(words) == 1 || strings.Contains(words[1], "r") && strings.Contains(words[1], "w")) {
			devices = append(devices, words[0])
		}
	}
	return devices, nil
}

// ownerOf is whose file it is.
func ownerOf(info fs.FileInfo) (uid int, known bool) {
	st, known := info.Sys().(*syscall.Stat_t)
	if !known {
		return 0, false
	}
	return int(st.Uid), true
}

// keptOut says that the unit of the service does not let a device in, and what does.
func (m machine) keptOut(node string) (trouble string, err error) {
	info, err := os.Stat(node)
	if err != nil || info.Mode()&fs.ModeCharDevice == 0 {
		return "", err
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "", fmt.Errorf("the system does not say what kind of device %s is", node)
	}
	classes, err := m.classes(node, unix.Major(uint64(st.Rdev)))
	if err != nil {
		return "", err
	}
	devices, err := m.letIn()
	if err != nil {
		return "", err
	}
	for _, d := range devices {
		if other, err := os.Stat(d); err == nil && os.SameFile(other, info) {
			return "", nil
		}
		pattern, _ := strings.CutPrefix(d, "char-")
		for _, c := range classes {
			if fits, err := filepath.Match(pattern, c); err == nil && fits {
				return "", nil
			}
		}
	}
	return fmt.Sprintf("the service is not let at devices of the class %s: add DeviceAllow=char-%s rw below [Service] in systemctl edit ovenward, then restart it", classes[0], classes[0]), nil
}

// classes names the classes that a device is of, by which a unit lets it in: those of its
// major number, the one that it is called after first.
func (m machine) classes(node string, major uint32) (all []string, err error) {
	text, err := os.ReadFile(filepath.Join(m.proc, "devices"))
	if err != nil {
		return nil, fmt.Errorf("look up the class of %s: %v", node, err) // not wrapped: what is missing is not the device
	}
	called := strings.TrimRight(filepath.Base(node), "0123456789")
	chars, _, _ := strings.Cut(string(text), "Block devices:")
	for line := range strings.Lines(chars) {
		words := strings.Fields(line)
		if len(words) != 2 || words[0] != strconv.FormatUint(uint64(major), 10) {
			continue
		}
		if words[1] == called {
			all = append([]string{called}, all...)
		} else {
			all = append(all, words[1])
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s/devices names no class of %s (%d)", m.proc, node, major)
	}
	return all, nil
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
