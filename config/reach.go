package config

import (
	"path"
	"strings"
	"time"

	"ovenward/drivers/plugged"
	"ovenward/drivers/replay"
	"ovenward/drivers/tcplink"
)

// Reach is how a probe is reached.
type Reach string

const (
	ReachSerial    Reach = "serial"   // a terminal, by path or by USB identity
	ReachUSBTMC    Reach = "usbtmc"   // Linux' USB test and measurement device
	ReachHID       Reach = "hidraw"   // Linux' raw HID device
	ReachTCP       Reach = "tcp"      // raw TCP
	ReachReplay    Reach = "replay"   // a recording
	ReachSimulated Reach = "simulate" // the model kitchen
)

const (
	usbPrefix    = "usb:"
	usbtmcPrefix = "usbtmc:"
	hidPrefix    = "hidraw:"
)

// class is the kind of device file that is reached so.
func (r Reach) class() plugged.Class {
	switch r {
	case ReachUSBTMC:
		return plugged.USBTMC
	case ReachHID:
		return plugged.HIDRaw
	}
	return plugged.Serial
}

// Class is the kind of device file in which the probe's USB identity is looked
// for.
func (p Probe) Class() plugged.Class { return p.Reach.class() }

// named says whether a port is named by more than a path.
func named(port string) bool {
	for _, prefix := range []string{usbPrefix, usbtmcPrefix, hidPrefix, tcplink.Prefix, replay.Prefix} {
		if strings.HasPrefix(port, prefix) {
			return true
		}
	}
	return false
}

// readReach reads how the probe is reached, from its port and usb_path.
func readReach(t *table, p *Probe) {
	port, device := p.Port, p.Port
	p.Reach = ReachSerial
	p.USBPath = t.text(ask{"usb_path", `"1-1.4"`, false})
	var err error
	switch {
	case p.Simulated != "":
		p.Reach, device = ReachSimulated, ""
	case strings.HasPrefix(port, tcplink.Prefix):
		p.Reach, device = ReachTCP, ""
		_, err = tcplink.Address(port)
	case strings.HasPrefix(port, replay.Prefix):
		p.Reach, device = ReachReplay, ""
		p.Recording, p.Speed, err = replay.ParsePort(port)
	case strings.HasPrefix(port, usbtmcPrefix):
		p.Reach, device = ReachUSBTMC, port[len(usbtmcPrefix):]
	case strings.HasPrefix(port, hidPrefix):
		p.Reach, device = ReachHID, port[len(hidPrefix):]
	}
	if err != nil {
		t.problem("port", "%v", err)
	}
	switch identity, is := strings.CutPrefix(device, usbPrefix); {
	case is || p.Reach.class() != plugged.Serial && device != "" && device[0] != '/':
		readIdentityOf(t, p, identity)
	case p.Reach.class() != plugged.Serial && path.Clean(device) != device:
		t.problem("port", "%s is not a plain path after %s:", shown(device), string(p.Reach))
	default:
		p.Device = device
	}
	if p.USBPath != "" && p.USB == nil {
		t.problem("usb_path", `it counts only with a port by USB identity, such as "usb:1234:abcd"; remove it`)
	}
	const longest = time.Minute
	p.Quiet = t.duration(ask{"quiet", `"4 ms"`, false}, span[time.Duration]{0, longest, `"0 s" to "1 min"`}, 0)
	p.Identity = t.text(ask{"identity", `"MAKER,MODEL,SERIAL"`, false})
	if p.Identity != "" && strings.Count(p.Identity, ",") != 2 {
		t.problem("identity", `%s is no identity; write maker, model and serial number with commas between, as the instrument says them`, shown(p.Identity))
	}
	if p.Stream && p.Reach == ReachUSBTMC {
		t.problem("stream", "a USB test and measurement device does not talk by itself; write poll in place of stream")
	}
	if (p.Driver == "hid") != (p.Reach == ReachHID) && p.Driver != "" && port != "" && p.Reach != ReachReplay {
		t.problem("port", `the driver hid and a port "hidraw:…" go together only; this is driver %q on %q`, p.Driver, port)
	}
}

func readIdentityOf(t *table, p *Probe, text string) {
	id, err := plugged.ParseIdentity(text)
	if err != nil {
		t.problem("port", "%v", err)
		return
	}
	if p.USBPath != "" && !plugged.ValidSocket(p.USBPath) {
		t.problem("usb_path", `%s is no USB socket; write it as ovenward ports shows it, for example "1-1.4"`, shown(p.USBPath))
	}
	id.Socket = p.USBPath
	p.USB = &id
}
