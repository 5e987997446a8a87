//go:build unix

package driverstest

import (
	"os"
	"path/filepath"
	"testing"
)

// USBTree is a file tree that looks like that of a machine with USB adapters,
// with as much of /sys and /dev as says who is plugged in.
type USBTree struct {
	t    testing.TB
	Root string
}

// USBAdapter is what an adapter says of itself, and where it is plugged in.
type USBAdapter struct {
	Class, Node             string // "tty" and "ttyUSB0"
	Vendor, Product, Serial string
	Socket                  string // "1-1.4"
	Interface               string // "1.0" when empty
	Leads                   string // the device file that the node stands for; may be empty
}

// NewUSBTree returns a tree in which nothing is plugged in.
func NewUSBTree(t testing.TB) *USBTree {
	u := &USBTree{t: t, Root: t.TempDir()}
	for _, dir := range []string{"sys/class/tty", "sys/class/usbmisc", "sys/class/hidraw", "dev/serial/by-id"} {
		u.must(os.MkdirAll(filepath.Join(u.Root, dir), 0o755))
	}
	return u
}

func (u *USBTree) must(err error) {
	if err != nil {
		u.t.Errorf("the tree of devices: %v", err)
	}
}

func (a USBAdapter) dirs(root string) (socket, device string) {
	if a.Interface == "" {
		a.Interface = "1.0"
	}
	socket = filepath.Join(root, "sys/devices/pci0/usb1", a.Socket)
	device = filepath.Join(socket, a.Socket+":"+a.Interface, a.Node)
	return socket, device
}

// Plug adds an adapter, as the system does when one is plugged in.
func (u *USBTree) Plug(a USBAdapter) {
	socket, device := a.dirs(u.Root)
	u.must(os.MkdirAll(device, 0o755))
	for name, text := range map[string]string{"idVendor": a.Vendor, "idProduct": a.Product, "serial": a.Serial,
		"manufacturer": "Invented makers", "product": "Invented adapter"} {
		if text != "" {
			u.must(os.WriteFile(filepath.Join(socket, name), []byte(text+"\n"), 0o644))
		}
	}
	if a.Leads != "" {
		u.must(os.Symlink(a.Leads, filepath.Join(u.Root, "dev", a.Node)))
	} else {
		u.must(os.WriteFile(filepath.Join(u.Root, "dev", a.Node), nil, 0o660))
	}
	if a.Serial != "" && a.Class == "tty" {
		u.must(os.Symlink("../../"+a.Node, filepath.Join(u.Root, "dev/serial/by-id/usb-Invented_"+a.Serial+"-if00")))
	}
	entry := filepath.Join(u.Root, "sys/class", a.Class, a.Node)
	u.must(os.MkdirAll(entry, 0o755))
	to, err := filepath.Rel(entry, device)
	u.must(err)
	u.must(os.Symlink(to, filepath.Join(entry, "device")))
}

// Unplug takes an adapter out of the tree.
func (u *USBTree) Unplug(a USBAdapter) {
	socket, _ := a.dirs(u.Root)
	u.must(os.RemoveAll(filepath.Join(u.Root, "sys/class", a.Class, a.Node)))
	u.must(os.RemoveAll(filepath.Join(u.Root, "dev", a.Node)))
	if a.Serial != "" && a.Class == "tty" {
		u.must(os.RemoveAll(filepath.Join(u.Root, "dev/serial/by-id/usb-Invented_"+a.Serial+"-if00")))
	}
	u.must(os.RemoveAll(socket))
}
