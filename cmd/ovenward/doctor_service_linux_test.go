package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// The service is a user of its own: what root may use, it may not.
func TestDoctorAsksForTheService(t *testing.T) {
	dialout := os.Getgid()
	if os.Getuid() == 0 {
		dialout = 4242
	}
	for _, c := range []struct {
		mode os.FileMode
		gid  int // of the device
		want string
	}{
		{0o660, dialout + 1, "the service may not read and write it"},
		{0o660, dialout, "is there, and may be used"},
		{0o600, dialout, "the service may not read and write it"},
		{0o640, dialout, "the udev rule that ovenward ports prints"},
	} {
		p := wellPatient(t)
		p.service = true
		root := t.TempDir()
		p.machine.tree.Root = root
		groups := filepath.Join(root, "etc/group")
		if err := errors.Join(os.MkdirAll(filepath.Dir(groups), 0o755),
			os.WriteFile(groups, []byte(fmt.Sprintf("root:x:0:\ndialout:x:%d:\n", dialout)), 0o644)); err != nil {
			t.Fatal(err)
		}
		node := filepath.Join(t.TempDir(), "tty")
		if err := errors.Join(os.WriteFile(node, nil, c.mode), os.Chmod(node, c.mode)); err != nil {
			t.Fatal(err)
		}
		if c.gid != os.Getgid() {
			if err := os.Chown(node, -1, c.gid); err != nil {
				t.Logf("only root can give a file to another group: %v", err)
				continue
			}
		}
		p.edit(t, p.port, node)
		if _, out := p.lookAt(t); !strings.Contains(out, c.want) {
			t.Errorf("mode %s, group %d: want %q in\n%s", c.mode, c.gid, c.want, out)
		}
	}
}

// asService has a patient looked at for the service: everybody may come to its files,
// and the port is of the class that is given.
func (p *patient) asService(t *testing.T, class string) {
	t.Helper()
	root := p.machine.tree.Root
	p.service, p.healthErr = true, errors.New("refused")
	info, err := os.Stat(p.port)
	if err != nil {
		t.Fatal(err)
	}
	major := unix.Major(uint64(info.Sys().(*syscall.Stat_t).Rdev))
	if err := errors.Join(os.MkdirAll(root+"/etc/systemd/system/ovenward.service.d", 0o755), os.Chmod(p.port, 0o666), os.Chmod(p.file, 0o644),
		os.Chmod(filepath.Dir(filepath.Dir(p.file)), 0o755), os.Chmod(filepath.Dir(p.file), 0o755), os.Chmod(p.dir, 0o755)); err != nil {
		t.Fatal(err)
	}
	write(t, root+"/etc/group", fmt.Sprintf("root:x:0:\ndialout:x:%d:\n", dialoutOfTests))
	write(t, p.machine.proc+"/devices", fmt.Sprintf("Character devices:\n  1 mem\n%3d %s\n\nBlock devices:\n%3d sd\n", major, class, major))
}

const dialoutOfTests = 4242

// What root may read, the service need not, nor is it let at each device.
func TestDoctorLooksAsTheServiceAtFilesAndDevices(t *testing.T) {
	const dropIn = "/etc/systemd/system/ovenward.service.d/x.conf"
	for name, c := range map[string]struct {
		class string
		harm  func(t *testing.T, p *patient)
		want  []string
	}{
		"closed configuration": {"pts", func(t *testing.T, p *patient) { chmod(t, p.file, 0o600) }, []string{"mend     permissions  the service may not read", "larkfield.toml: chmod o+r"}},
		"closed folder":        {"pts", func(t *testing.T, p *patient) { chmod(t, filepath.Dir(p.file), 0o700) }, []string{"mend     permissions  the service may not enter"}},
		"open configuration":   {"pts", func(*testing.T, *patient) {}, []string{"!larkfield.toml: chmod", "!class"}},
		"closed secret": {"pts", func(*testing.T, *patient) {},
			[]string{"mend     permissions  the service may not read", "add LoadCredential=desk.token:", `write token_credential = "desk.token" in place of token_file`}},
		"open secret": {"pts", func(t *testing.T, p *patient) { chmod(t, p.dir+"/desk.token", 0o644) }, []string{"mend     permissions  everybody on this machine may use", "add LoadCredential=desk.token:"}},
		"credential": {"pts", func(t *testing.T, p *patient) { p.edit(t, p.dir+"/desk.token", serviceCredentials+"desk.token") },
			[]string{"unknown  permissions  credential desk.token", "!mend     permissions"}},
		"secret gone":      {"pts", func(_ *testing.T, p *patient) { os.Remove(p.dir + "/desk.token") }, []string{"mend     permissions", "no such file"}},
		"class let in":     {"ttyACM", func(*testing.T, *patient) {}, []string{"fine     port"}},
		"class not let in": {"ttymxc", func(*testing.T, *patient) {}, []string{"mend     port", "add DeviceAllow=char-ttymxc rw"}},
		"class of a like":  {"ttyUSBX", func(*testing.T, *patient) {}, []string{"mend     port", "DeviceAllow=char-ttyUSBX rw"}},
		"let in by drop-in": {"ttymxc", func(t *testing.T, p *patient) {
			write(t, p.machine.tree.Root+dropIn, "[Service]\nDeviceAllow=char-ttymxc rw\n")
		}, []string{"fine     port"}},
		"let in by its name": {"ttymxc", func(t *testing.T, p *patient) {
			write(t, p.machine.tree.Root+dropIn, "[Service]\nDeviceAllow="+p.port+" rw\n")
		}, []string{"fine     port"}},
		"read only": {"ttymxc", func(t *testing.T, p *patient) {
			write(t, p.machine.tree.Root+dropIn, "[Service]\nDeviceAllow=char-ttymxc r\n")
		}, []string{"mend     port"}},
		"taken back": {"ttyUSB", func(t *testing.T, p *patient) {
			write(t, p.machine.tree.Root+dropIn, "[Service]\nDeviceAllow=\n")
		}, []string{"mend     port"}},
		"another unit": {"ttyUSB", func(t *testing.T, p *patient) {
			write(t, p.machine.tree.Root+"/etc/systemd/system/ovenward.service", "[Service]\nDeviceAllow=char-hidraw rw\n")
		}, []string{"mend     port"}},
		"class unknown": {"ttyUSB", func(t *testing.T, p *patient) { write(t, p.machine.proc+"/devices", "") }, []string{"unknown  port"}},
	} {
		t.Run(name, func(t *testing.T) {
			p := wellPatient(t)
			p.asService(t, c.class)
			c.harm(t, p)
			_, out := p.lookAt(t)
			for _, want := range c.want {
				if want, no := strings.CutPrefix(want, "!"); strings.Contains(out, want) == no {
					t.Errorf("%q: %v in\n%s", want, no, out)
				}
			}
			if strings.Contains(out, "desk.token, the secret of webhook desk, is there") {
				t.Errorf("a secret that the service may not read is fine:\n%s", out)
			}
		})
	}
}
