package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"

	"ovenward/drivers/plugged"
)

const portsHelp = `ovenward ports lists what is plugged in: the device file, its names, the USB
identity, how to name it in the configuration, whether this user may use it, who
holds it, and a udev rule for a name of its own. It opens no device.

Usage: ovenward ports [--format=text|json]

With --format=json each device is one object on a line of its own.
`

// portInfo is one device with all that is told of it. What is not known is
// absent.
type portInfo struct {
	Path     string   `json:"path"`
	Kind     string   `json:"kind"` // serial, usbtmc or hidraw
	ByID     []string `json:"by_id,omitempty"`
	Vendor   string   `json:"usb_vendor,omitempty"`
	Product  string   `json:"usb_product,omitempty"`
	Serial   string   `json:"usb_serial,omitempty"`
	Maker    string   `json:"usb_maker,omitempty"`
	Name     string   `json:"usb_name,omitempty"`
	Socket   string   `json:"usb_socket,omitempty"`
	Port     string   `json:"port"`               // for the configuration
	USBPath  string   `json:"usb_path,omitempty"` // beside it, where needed
	Trouble  string   `json:"trouble,omitempty"`  // with permissions, and what mends it
	HeldBy   []string `json:"held_by,omitempty"`
	UdevRule string   `json:"udev_rule,omitempty"`
}

// holder is a process that holds a device open.
type holder struct {
	name string
	pid  int
}

func (h holder) String() string { return fmt.Sprintf("%q (process %d)", h.name, h.pid) }

func words(held []holder) (all []string) {
	for _, h := range held {
		all = append(all, h.String())
	}
	return all
}

// machine is where devices and processes are looked up.
type machine struct {
	tree plugged.Tree
	proc string // "/proc"
}

func portsCommand(args []string, stdout, stderr io.Writer) int {
	return ports(machine{proc: "/proc"}, args, stdout, stderr)
}

func ports(m machine, args []string, stdout, stderr io.Writer) int {
	format := "text"
	for _, a := range args {
		value, isFormat := strings.CutPrefix(strings.TrimPrefix(a, "-"), "-format=")
		switch {
		case a == "--help" || a == "-help" || a == "-h":
			fmt.Fprint(stdout, portsHelp)
			return 0
		case isFormat && (value == "text" || value == "json"):
			format = value
		default:
			fmt.Fprintf(stderr, "ovenward ports: there is no use for %q; see ovenward ports --help\n", a)
			return 1
		}
	}
	all, hidden, err := m.ports()
	if err != nil {
		fmt.Fprintf(stderr, "ovenward ports: %v\n", err)
		return 1
	}
	for _, p := range all {
		if format == "json" {
			err = errors.Join(err, json.NewEncoder(stdout).Encode(p))
		} else {
			_, failed := io.WriteString(stdout, p.text())
			err = errors.Join(err, failed)
		}
	}
	switch {
	case err != nil:
		fmt.Fprintf(stderr, "ovenward ports: print the list: %v\n", err)
		return 1
	case len(all) == 0:
		fmt.Fprintln(stderr, "nothing is plugged in that an instrument could be")
	case hidden != "":
		fmt.Fprintf(stderr, "which devices are held by %s of other users is not shown to this user\n", hidden)
	}
	return 0
}

// kindOf names a class as the configuration does.
func kindOf(c plugged.Class) string {
	switch c {
	case plugged.USBTMC:
		return "usbtmc"
	case plugged.HIDRaw:
		return "hidraw"
	}
	return "serial"
}

// describePort puts together what the tables say of a device among all.
func describePort(d plugged.Device, all []plugged.Device) portInfo {
	p := portInfo{Path: d.Path, Kind: kindOf(d.Class), ByID: d.ByID, Vendor: d.Vendor, Product: d.Product, Serial: d.Serial,
		Maker: d.Maker, Name: d.Name, Socket: d.Socket, Port: d.Path}
	prefix := map[plugged.Class]string{plugged.Serial: "usb:", plugged.USBTMC: "usbtmc:", plugged.HIDRaw: "hidraw:"}[d.Class]
	if !d.USB() {
		if d.Class != plugged.Serial {
			p.Port = prefix + d.Path
		}
		return p
	}
	p.Port = prefix + d.Vendor + ":" + d.Product
	usable := d.Serial != "" && !strings.ContainsFunc(d.Serial, unicode.IsControl)
	if usable {
		p.Port += ":" + d.Serial
	}
	p.USBPath = d.Socket
	if usable && unique(d, all, func(o plugged.Device) bool { return o.Serial == d.Serial }) {
		p.USBPath = ""
	} else if !unique(d, all, func(o plugged.Device) bool { return o.Socket == d.Socket }) {
		p.USBPath = d.Interface
	}
	p.UdevRule = udevRule(d, usable)
	return p
}

// unique says whether no other device of the same kind, vendor and product is
// like d.
func unique(d plugged.Device, all []plugged.Device, like func(plugged.Device) bool) bool {
	return !slices.ContainsFunc(all, func(o plugged.Device) bool {
		return o.Path != d.Path && o.Class == d.Class && o.Vendor == d.Vendor && o.Product == d.Product && like(o)
	})
}

// udevRule proposes a rule that gives a device a name of its own and lets the
// group dialout use it.
func udevRule(d plugged.Device, bySerial bool) string {
	rule := fmt.Sprintf(`SUBSYSTEM=="%s", ATTRS{idVendor}=="%s", ATTRS{idProduct}=="%s", `, d.Class, d.Vendor, d.Product)
	if bySerial && !strings.ContainsAny(d.Serial, `"\*?[]|`) {
		rule += fmt.Sprintf(`ATTRS{serial}=="%s", `, d.Serial)
	} else {
		rule += fmt.Sprintf(`KERNELS=="%s", `, d.Socket)
	}
	rule += `SYMLINK+="ovenward/NAME", GROUP="dialout", MODE="0660"`
	if d.Class == plugged.Serial {
		rule += `, ENV{ID_MM_DEVICE_IGNORE}="1"`
	}
	return rule
}

// text is what people read of one device.
func (p portInfo) text() string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, "    "+format+"\n", args...) }
	fmt.Fprintln(&b, p.Path)
	for _, link := range p.ByID {
		line("also %s", link)
	}
	if p.Vendor != "" {
		serial := "no serial number"
		if p.Serial != "" {
			serial = fmt.Sprintf("serial number %q", p.Serial)
		}
		line("USB %s:%s, %s, in socket %s, which calls itself %q by %q", p.Vendor, p.Product, serial, p.Socket, p.Name, p.Maker)
	} else {
		line("no USB device")
	}
	port := fmt.Sprintf("port = %q", p.Port)
	if p.USBPath != "" {
		port += fmt.Sprintf(" and usb_path = %q", p.USBPath)
	}
	line("in the configuration: %s", port)
	for _, h := range p.HeldBy {
		line("held by %s", h)
	}
	if p.Trouble != "" {
		line("%s", p.Trouble)
	}
	if p.UdevRule != "" {
		line("udev rule: %s", p.UdevRule)
	}
	return b.String()
}
