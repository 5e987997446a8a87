// Package plugged reads from the system's own tables who is plugged in: the USB
// identity behind each terminal, measurement device and HID device. It opens no
// device: looking must not disturb an instrument that is in use, and listing by
// opening does.
//
// Identities are the words USB uses: vendor and product as four hexadecimal
// digits in small letters, the serial number as the device says it, the socket
// as the system names it ("1-1.4": bus 1, port 1 of it, port 4 of the hub there).
// The package decides nothing about instruments and keeps nothing: identity is
// read anew at every opening, since numbers change while a device is away.
package plugged

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strings"

	"ovenward/drivers"
)

// Class is a kind of device file.
type Class string

const (
	Serial Class = "tty"
	USBTMC Class = "usbmisc"
	HIDRaw Class = "hidraw"
)

// Tree is the file tree in which the system shows its devices. The zero Tree is
// the machine's own.
type Tree struct {
	Root string // "/" when empty; tests give a tree of their own
}

func (t Tree) path(p string) string { return filepath.Join("/", t.Root, p) }

// Device is one device file and what is known of what stands behind it.
type Device struct {
	Class Class
	Path  string   // "/dev/ttyUSB0", as seen in the tree
	ByID  []string // links under /dev/serial/by-id that lead to it

	// Empty when no USB device stands behind it.
	Vendor, Product string // "1234", "abcd"
	Serial          string
	Maker, Name     string // as the device says them
	Socket          string // "1-1.4"
	Interface       string // "1-1.4:1.0"
}

// USB says whether a USB device stands behind it.
func (d Device) USB() bool { return d.Vendor != "" }

// Identity is what a device must be to be meant. Serial and Socket may be
// empty: then they do not matter, as long as only one device fits.
type Identity struct {
	Vendor, Product string
	Serial          string
	Socket          string // a socket "1-1.4", or one of its interfaces "1-1.4:1.0"
}

var (
	hexPattern    = regexp.MustCompile(`^[0-9a-fA-F]{4}$`)
	socketPattern = regexp.MustCompile(`^[0-9]+-[0-9]+(\.[0-9]+)*(:[0-9]+\.[0-9]+)?$`)
)

// ParseIdentity reads "VENDOR:PRODUCT" or "VENDOR:PRODUCT:SERIAL".
func ParseIdentity(s string) (Identity, error) {
	parts := strings.SplitN(s, ":", 3)
	if len(parts) < 2 || !hexPattern.MatchString(parts[0]) || !hexPattern.MatchString(parts[1]) {
		return Identity{}, fmt.Errorf(`%q is no USB identity: write vendor and product as four hexadecimal digits each, `+
			`then the serial number if it has one, as in "1234:abcd:LH0417" (ovenward ports shows them)`, s)
	}
	id := Identity{Vendor: strings.ToLower(parts[0]), Product: strings.ToLower(parts[1])}
	if len(parts) == 3 {
		if id.Serial = parts[2]; strings.TrimSpace(id.Serial) == "" {
			return Identity{}, fmt.Errorf("%q ends with an empty serial number: write it, or leave the last colon out", s)
		}
	}
	return id, nil
}

// ValidSocket says whether s names a USB socket or an interface in one.
func ValidSocket(s string) bool { return socketPattern.MatchString(s) }

// String prints the identity as ParseIdentity reads it, and the socket.
func (id Identity) String() string {
	s := id.Vendor + ":" + id.Product
	if id.Serial != "" {
		s += ":" + id.Serial
	}
	if id.Socket != "" {
		s += " in socket " + id.Socket
	}
	return s
}

func (id Identity) fits(d Device) bool {
	return d.Vendor == id.Vendor && d.Product == id.Product && (id.Serial == "" || d.Serial == id.Serial) &&
		(id.Socket == "" || d.Socket == id.Socket || d.Interface == id.Socket)
}

// ErrAmbiguous says that more than one device fits an identity.
var ErrAmbiguous = errors.New("more than one device fits")

// Find returns the one device of a class that fits id. None is
// drivers.ErrAbsent; several are ErrAmbiguous, with each told, and bind nothing:
// a guess would give one oven's readings another oven's name.
func (t Tree) Find(class Class, id Identity) (Device, error) {
	all, err := t.List(class)
	if err != nil {
		return Device{}, err
	}
	var found []Device
	for _, d := range all {
		if id.fits(d) {
			found = append(found, d)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return Device{}, fmt.Errorf("look for USB device %s: %w; plug the instrument in, or compare with what ovenward ports shows",
			id, drivers.ErrAbsent)
	}
	var each []string
	for _, d := range found {
		at := d.Socket
		for _, other := range found {
			if other.Path != d.Path && other.Socket == d.Socket {
				at = d.Interface // one adapter with several lines
			}
		}
		each = append(each, fmt.Sprintf("%s (usb_path = %q, serial number %q)", d.Path, at, d.Serial))
	}
	return Device{}, fmt.Errorf("look for USB device %s: %w: %s; name one by its serial number or its usb_path",
		id, ErrAmbiguous, strings.Join(each, ", "))
}

// Open returns the path at which the device that fits id can be opened now.
func (t Tree) Open(class Class, id Identity) (string, error) {
	d, err := t.Find(class, id)
	if err != nil {
		return "", err
	}
	return t.path(d.Path), nil
}
