package plugged

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"
)

// List returns the devices of the classes, sorted by path. Terminals without a
// device behind them (consoles, ptys) are left out, and so are serial ports of
// the main board that are not there. A device that goes away meanwhile is left
// out.
func (t Tree) List(classes ...Class) ([]Device, error) {
	byID, err := t.links("/dev/serial/by-id")
	if err != nil {
		return nil, err
	}
	var out []Device
	for _, class := range classes {
		dir := t.path("/sys/class/" + string(class))
		entries, err := os.ReadDir(dir)
		if errors.Is(err, fs.ErrNotExist) {
			continue // no driver of this class is loaded
		}
		if err != nil {
			return nil, fmt.Errorf("list what is plugged in: %w", err)
		}
		for _, e := range entries {
			if d, ok := t.device(class, e.Name()); ok {
				d.ByID = byID[d.Path]
				out = append(out, d)
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i].Path, out[j].Path
		return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) < 0
	})
	return out, nil
}

// device reads one entry of a class.
func (t Tree) device(class Class, name string) (Device, bool) {
	entry := filepath.Join(t.path("/sys/class/"+string(class)), name)
	at, err := filepath.EvalSymlinks(filepath.Join(entry, "device"))
	if err != nil {
		return Device{}, false // no device behind it, or just gone
	}
	d := Device{Class: class, Path: t.nodePath(class, name)}
	if class == USBTMC && !strings.HasPrefix(name, "usbtmc") {
		return Device{}, false // printers and others share the class
	}
	// A main board's driver makes a node for each port it could have; those that
	// are not there have type 0 (PORT_UNKNOWN in linux/serial_core.h: from memory).
	if class == Serial && read(filepath.Join(entry, "type")) == "0" {
		return Device{}, false
	}
	top := t.path("/sys")
	for dir, below := at, ""; len(dir) > len(top); dir, below = filepath.Dir(dir), dir {
		if vendor := read(filepath.Join(dir, "idVendor")); vendor != "" {
			d.Vendor, d.Product = strings.ToLower(vendor), strings.ToLower(read(filepath.Join(dir, "idProduct")))
			d.Serial, d.Maker, d.Name = read(filepath.Join(dir, "serial")), read(filepath.Join(dir, "manufacturer")), read(filepath.Join(dir, "product"))
			d.Socket = filepath.Base(dir)
			if below != "" {
				d.Interface = filepath.Base(below)
			}
			break
		}
	}
	return d, true
}

// nodePath is where the device file stands. Some systems keep it in a folder.
func (t Tree) nodePath(class Class, name string) string {
	if class == USBTMC {
		if _, err := os.Lstat(t.path("/dev/usb/" + name)); err == nil {
			return "/dev/usb/" + name
		}
	}
	return "/dev/" + name
}

// links maps what the links in a folder lead to, to the links.
func (t Tree) links(dir string) (map[string][]string, error) {
	entries, err := os.ReadDir(t.path(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil // nothing is plugged in, or there is no udev
	}
	if err != nil {
		return nil, fmt.Errorf("list what is plugged in: %w", err)
	}
	out := map[string][]string{}
	for _, e := range entries {
		link := filepath.Join(dir, e.Name())
		to, err := os.Readlink(t.path(link))
		if err != nil {
			continue
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(dir, to)
		}
		out[to] = append(out[to], link)
	}
	return out, nil
}

// read reads a short attribute without the blanks round it; "" when it is not
// there.
func read(path string) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	return strings.TrimSpace(strings.ToValidUTF8(string(b), "�"))
}
