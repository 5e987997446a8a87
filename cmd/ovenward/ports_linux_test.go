package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ovenward/drivers/driverstest"
	"ovenward/drivers/plugged"
)

// aMachine has two adapters of a kind without serial numbers, one with, a HID
// device, and a process that holds the second.
func aMachine(t *testing.T) (machine, *driverstest.USBTree) {
	t.Helper()
	u := driverstest.NewUSBTree(t)
	held := driverstest.OpenPTY(t)
	u.Plug(driverstest.USBAdapter{Class: "tty", Node: "ttyUSB0", Vendor: "1234", Product: "abcd", Serial: "LH0417", Socket: "1-1.4"})
	u.Plug(driverstest.USBAdapter{Class: "tty", Node: "ttyUSB1", Vendor: "0abc", Product: "0001", Socket: "1-2", Leads: held.Path})
	u.Plug(driverstest.USBAdapter{Class: "tty", Node: "ttyUSB2", Vendor: "0abc", Product: "0001", Socket: "1-3"})
	u.Plug(driverstest.USBAdapter{Class: "hidraw", Node: "hidraw0", Vendor: "1234", Product: "abce", Serial: `a"b`, Socket: "1-5"})
	proc := t.TempDir()
	for name, to := range map[string]string{"4711/fd/3": held.Path, "4711/fd/4": held.Path, "4711/fd/5": "socket:[7]", "1/fd/0": "/dev/null", "self/fd/0": held.Path} {
		at := filepath.Join(proc, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(at), 0o755), os.Symlink(to, at)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(proc, "4711/comm"), []byte("other\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	return machine{tree: plugged.Tree{Root: u.Root}, proc: proc}, u
}

func TestPortsText(t *testing.T) {
	m, _ := aMachine(t)
	var stdout, stderr bytes.Buffer
	if code := ports(m, nil, &stdout, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	for _, want := range []string{
		"/dev/ttyUSB0\n    also /dev/serial/by-id/usb-Invented_LH0417-if00\n    USB 1234:abcd, serial number \"LH0417\", in socket 1-1.4",
		`port = "usb:1234:abcd:LH0417"` + "\n",
		`udev rule: SUBSYSTEM=="tty", ATTRS{idVendor}=="1234", ATTRS{idProduct}=="abcd", ATTRS{serial}=="LH0417", SYMLINK+="ovenward/NAME"`,
		`port = "usb:0abc:0001" and usb_path = "1-2"`, `KERNELS=="1-3"`,
		"held by \"other\" (process 4711)\n",
		`port = "hidraw:1234:abce:a\"b"`, `SUBSYSTEM=="hidraw", ATTRS{idVendor}=="1234", ATTRS{idProduct}=="abce", KERNELS=="1-5"`,
	} {
		if !strings.Contains(stdout.String(), want) {
			t.Errorf("want %q in\n%s", want, &stdout)
		}
	}
	if n := strings.Count(stdout.String(), "held by"); n != 1 {
		t.Errorf("%d holders, want 1", n)
	}
}

func TestPortsJSON(t *testing.T) {
	m, u := aMachine(t)
	var stdout, stderr bytes.Buffer
	if code := ports(m, []string{"--format=json"}, &stdout, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	n := 0
	for d := json.NewDecoder(&stdout); d.More(); n++ {
		var p portInfo
		if err := d.Decode(&p); err != nil {
			t.Fatal(err)
		}
		if p.Path == "/dev/ttyUSB1" && (len(p.HeldBy) != 1 || p.USBPath != "1-2" || p.Kind != "serial") {
			t.Errorf("%+v", p)
		}
	}
	if n != 4 {
		t.Errorf("%d devices, want 4", n)
	}
	if err := os.Remove(filepath.Join(u.Root, "dev/ttyUSB2")); err != nil {
		t.Fatal(err)
	}
	stdout.Reset()
	ports(m, nil, &stdout, &stderr)
	if !strings.Contains(stdout.String(), "there is no /dev/ttyUSB2") {
		t.Errorf("a device without a node:\n%s", &stdout)
	}
	if code := ports(m, []string{"--all"}, &stdout, &stderr); code != 1 || !strings.Contains(stderr.String(), `no use for "--all"`) {
		t.Errorf("%d: %s", code, &stderr)
	}
}

// TestAccess holds who may use a device.
func TestAccess(t *testing.T) {
	for _, c := range []struct {
		user account
		mode os.FileMode
		want bool
	}{
		{account{0, nil}, 0, true},
		{account{1000, []uint32{1000, 20}}, 0o660, true},
		{account{1000, []uint32{1000}}, 0o660, false},
		{account{1000, []uint32{20}}, 0o640, false},
		{account{7, []uint32{1000}}, 0o600, true},
		{account{7, []uint32{20}}, 0o060, false}, // the owner's bits count for the owner
		{account{1000, []uint32{1000}}, 0o666, true},
	} {
		if got := c.user.may(6, c.mode, 7, 20); got != c.want {
			t.Errorf("user %+v, mode %s: %v, want %v", c.user, c.mode, got, c.want)
		}
	}
}

func TestTroubleNamesWhatMendsIt(t *testing.T) {
	m, u := aMachine(t)
	node := filepath.Join(u.Root, "dev/ttyUSB0")
	if err := errors.Join(os.MkdirAll(filepath.Join(u.Root, "etc"), 0o755),
		os.WriteFile(filepath.Join(u.Root, "etc/group"), []byte("root:x:0:\ndialout:x:20:\n"), 0o644)); err != nil {
		t.Fatal(err)
	}
	somebody := account{uid: 4000000000, gids: []uint32{4000000000}}
	if os.Geteuid() == 0 {
		if err := errors.Join(os.Chown(node, 0, 20), os.Chmod(node, 0o660)); err != nil {
			t.Fatal(err)
		}
		if got := m.trouble(node, portInfo{Path: "/dev/ttyUSB0"}, somebody); !strings.Contains(got, "usermod -aG dialout USER") {
			t.Errorf("in a group: %q", got)
		}
	}
	chmod(t, node, 0o600)
	if got := m.trouble(node, portInfo{Path: "/dev/ttyUSB0"}, somebody); !strings.Contains(got, "udev rule below") {
		t.Errorf("of its owner alone: %q", got)
	}
}
