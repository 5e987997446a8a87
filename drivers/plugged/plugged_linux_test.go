package plugged

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

func adapter(node, serial, socket string) driverstest.USBAdapter {
	return driverstest.USBAdapter{Class: "tty", Node: node, Vendor: "1234", Product: "ABCD", Serial: serial, Socket: socket}
}

func identity(t *testing.T, s, socket string) Identity {
	t.Helper()
	id, err := ParseIdentity(s)
	if err != nil {
		t.Fatal(err)
	}
	id.Socket = socket
	return id
}

func TestFind(t *testing.T) {
	u := driverstest.NewUSBTree(t)
	u.Plug(adapter("ttyUSB0", "LH0417", "1-1.4"))
	u.Plug(adapter("ttyUSB1", "LH0418", "1-1.3"))
	two := driverstest.USBAdapter{Class: "tty", Node: "ttyUSB2", Vendor: "0abc", Product: "0001", Socket: "2-1"}
	u.Plug(two)
	two.Node, two.Interface = "ttyUSB3", "1.1"
	u.Plug(two)
	u.Plug(driverstest.USBAdapter{Class: "hidraw", Node: "hidraw0", Vendor: "1234", Product: "abcd", Serial: "LH0417", Socket: "1-2"})
	tree := Tree{Root: u.Root}
	for _, c := range []struct {
		class      Class
		id, socket string
		path       string
		err        error
		says       []string
	}{
		{Serial, "1234:abcd:LH0417", "", "/dev/ttyUSB0", nil, nil},
		{Serial, "1234:ABCD:LH0418", "", "/dev/ttyUSB1", nil, nil},
		{Serial, "1234:abcd", "1-1.3", "/dev/ttyUSB1", nil, nil},
		{Serial, "0abc:0001", "2-1:1.1", "/dev/ttyUSB3", nil, nil},
		{HIDRaw, "1234:abcd", "", "/dev/hidraw0", nil, nil},
		{Serial, "1234:abcd", "", "", ErrAmbiguous, []string{`/dev/ttyUSB0 (usb_path = "1-1.4", serial number "LH0417")`, `/dev/ttyUSB1 (usb_path = "1-1.3"`}},
		{Serial, "0abc:0001", "2-1", "", ErrAmbiguous, []string{`usb_path = "2-1:1.0"`, `usb_path = "2-1:1.1"`}},
		{Serial, "1234:abcd:LH0419", "", "", drivers.ErrAbsent, []string{"1234:abcd:LH0419", "plug the instrument in"}},
		{Serial, "1234:abcd:LH0417", "1-1.3", "", drivers.ErrAbsent, []string{"in socket 1-1.3"}},
		{USBTMC, "1234:abcd:LH0417", "", "", drivers.ErrAbsent, nil},
	} {
		d, err := tree.Find(c.class, identity(t, c.id, c.socket))
		if d.Path != c.path || !errors.Is(err, c.err) {
			t.Errorf("Find(%s, %s, %s) = %q, %v, want %q, %v", c.class, c.id, c.socket, d.Path, err, c.path, c.err)
		}
		for _, says := range c.says {
			if !strings.Contains(err.Error(), says) {
				t.Errorf("Find(%s): %v, want %q in it", c.id, err, says)
			}
		}
	}
	path, err := tree.Open(Serial, identity(t, "1234:abcd:LH0417", ""))
	if err != nil || path != filepath.Join(u.Root, "dev/ttyUSB0") {
		t.Errorf("Open: %q, %v", path, err)
	}
}

// TestFindFollowsTheDevice: the same device under another number is the same.
func TestFindFollowsTheDevice(t *testing.T) {
	u := driverstest.NewUSBTree(t)
	a := adapter("ttyUSB0", "LH0417", "1-1.4")
	u.Plug(a)
	u.Unplug(a)
	u.Plug(adapter("ttyUSB0", "OTHER", "1-1.1")) // somebody else got the old number
	a.Node, a.Socket = "ttyUSB7", "1-1.2"
	u.Plug(a)
	d, err := Tree{Root: u.Root}.Find(Serial, identity(t, "1234:abcd:LH0417", ""))
	if err != nil || d.Path != "/dev/ttyUSB7" {
		t.Errorf("Find: %q, %v, want /dev/ttyUSB7", d.Path, err)
	}
}

func TestList(t *testing.T) {
	u := driverstest.NewUSBTree(t)
	u.Plug(adapter("ttyUSB10", "A", "1-1"))
	u.Plug(adapter("ttyUSB9", "B", "1-2"))
	for node, kind := range map[string]string{"ttyS0": "4", "ttyS1": "0"} { // on the main board: there, and not there
		at := filepath.Join(u.Root, "sys/devices/platform", node)
		if err := errors.Join(os.MkdirAll(at, 0o755), os.MkdirAll(filepath.Join(u.Root, "sys/class/tty", node), 0o755),
			os.Symlink("../../../devices/platform/"+node, filepath.Join(u.Root, "sys/class/tty", node, "device")),
			os.WriteFile(filepath.Join(u.Root, "sys/class/tty", node, "type"), []byte(kind+"\n"), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.MkdirAll(filepath.Join(u.Root, "sys/class/tty/tty1"), 0o755); err != nil { // a console
		t.Fatal(err)
	}
	all, err := Tree{Root: u.Root}.List(Serial, USBTMC, HIDRaw)
	if err != nil {
		t.Fatal(err)
	}
	var paths []string
	for _, d := range all {
		paths = append(paths, d.Path)
	}
	if want := []string{"/dev/ttyS0", "/dev/ttyUSB9", "/dev/ttyUSB10"}; !slices.Equal(paths, want) {
		t.Fatalf("List: %q, want %q", paths, want)
	}
	if all[0].USB() || !all[1].USB() {
		t.Errorf("USB: %v, %v, want false, true", all[0].USB(), all[1].USB())
	}
	want := Device{Class: Serial, Path: "/dev/ttyUSB9", ByID: []string{"/dev/serial/by-id/usb-Invented_B-if00"},
		Vendor: "1234", Product: "abcd", Serial: "B", Maker: "Invented makers", Name: "Invented adapter", Socket: "1-2", Interface: "1-2:1.0"}
	if got := all[1]; got.Path != want.Path || !slices.Equal(got.ByID, want.ByID) || got.Product != want.Product ||
		got.Maker != want.Maker || got.Name != want.Name || got.Interface != want.Interface {
		t.Errorf("List: %+v, want %+v", got, want)
	}
}

func TestParseIdentityRefuses(t *testing.T) {
	for _, s := range []string{"", "1234", "1234:xyzt", "12345:abcd", "1234:abcd:", "1234:abcd: "} {
		if id, err := ParseIdentity(s); err == nil {
			t.Errorf("ParseIdentity(%q) = %+v, want a refusal", s, id)
		}
	}
	for s, want := range map[string]bool{"1-1": true, "1-1.4.2": true, "2-1:1.0": true, "": false, "usb1": false, "1-1/../x": false} {
		if ValidSocket(s) != want {
			t.Errorf("ValidSocket(%q) is %v", s, !want)
		}
	}
}
