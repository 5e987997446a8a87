package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/devfile"
	"ovenward/drivers/hid"
	"ovenward/drivers/hidraw"
	"ovenward/drivers/modbus"
	"ovenward/drivers/plugged"
	"ovenward/drivers/replay"
	"ovenward/drivers/serialport"
	"ovenward/drivers/stream"
	"ovenward/drivers/tcplink"
	"ovenward/drivers/usbtmc"
	"ovenward/drivers/wire"
)

func newHID(p config.Probe) (drivers.Protocol, error) {
	h := p.HID
	return hid.New(hid.Options{
		Request: h.Request, Report: h.Report, Length: h.Length, Offset: h.Offset, Width: h.Width,
		BigEndian: h.BigEndian, Signed: h.Signed, Scale: h.Scale, Unit: h.Unit, OverRange: h.OverRange, Fault: h.Fault,
	})
}

// dialer opens a probe the way its port says; path is where a simulated one is
// served. tree is where USB identities are looked up; tap may be nil.
func dialer(c config.Probe, path string, tree plugged.Tree, tap stream.Tap) drivers.Dialer {
	name, resolve := c.Device, func() (string, error) { return tree.Open(c.Class(), *c.USB) }
	if c.USB == nil {
		resolve = nil
	} else {
		name = c.Port
	}
	s := c.Serial
	switch c.Reach {
	case config.ReachTCP:
		return tcplink.Dial(tcplink.Options{Port: c.Port, Settle: s.Settle, Quiet: c.Quiet, Tap: tap})
	case config.ReachReplay:
		return replay.Dial(replay.Options{File: c.Recording, Speed: c.Speed})
	case config.ReachUSBTMC:
		return usbtmc.Dial(devfile.Options{Path: name, Resolve: resolve, Settle: s.Settle, Quiet: c.Quiet, Tap: tap}, lineEnd(c))
	case config.ReachHID:
		return hidraw.Dial(devfile.Options{Path: name, Resolve: resolve, Settle: s.Settle, Quiet: c.Quiet, Tap: tap})
	case config.ReachSimulated:
		name = path
	}
	return serialport.Dial(serialport.Options{
		Path: name, Resolve: resolve, Baud: s.Baud, DataBits: s.DataBits, Parity: s.Parity, StopBits: s.StopBits,
		DTR: s.DTR, RTS: s.RTS, Settle: s.Settle, Quiet: quietOf(c), Tap: tap,
	})
}

// lineEnd is what ends a line of the probe's language.
func lineEnd(c config.Probe) string {
	if c.Textline != nil {
		return c.Textline.Terminator
	}
	return "\n"
}

// pace sets how often a probe is asked. A recording is asked as much faster as it
// is played; played as fast as it is taken, it is not asked but listened to.
func pace(p *acquire.Probe, c config.Probe) {
	p.Identity = c.Identity
	if c.Reach != config.ReachReplay {
		return
	}
	p.Simulated = true
	if c.Speed == replay.AsFastAsTaken {
		p.Period = 0
		return
	}
	p.Period = time.Duration(float64(p.Period) / c.Speed)
	p.Timeout = max(time.Duration(float64(p.Timeout)/c.Speed), time.Millisecond)
}

// wires keeps what passes on the lines of probes in files, one each.
type wires struct {
	path  string // with several probes, an id goes in before its extension
	many  bool
	now   func() time.Time
	files []*wire.Recorder
}

// tap opens the file of a probe and returns what fills it; nil when nothing is
// kept. An earlier file is not overwritten: a recording is evidence.
func (w *wires) tap(c config.Probe, command string) (stream.Tap, error) {
	if w == nil || w.path == "" {
		return nil, nil
	}
	path := w.path
	if w.many {
		ext := filepath.Ext(path)
		path = strings.TrimSuffix(path, ext) + "." + c.ID + ext
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return nil, fmt.Errorf("recording what passes on the line: %w; name a file that is not there yet", err)
	}
	r, err := wire.NewRecorder(f, wire.Header{Name: "probe " + c.ID + " on " + c.Port, Obtained: "recorded by ovenward " + command,
		Begun: w.now(), Driver: c.Driver, Set: c.Set})
	if err != nil {
		return nil, err
	}
	w.files = append(w.files, r)
	return r.Tap, nil
}

// Close ends the recordings.
func (w *wires) Close() error {
	var errs []error
	for _, r := range w.files {
		errs = append(errs, r.Close())
	}
	return errors.Join(errs...)
}

// quietOf is the silence that a request waits for: what the configuration says,
// or what Modbus RTU asks between frames at the line's speed.
func quietOf(c config.Probe) time.Duration {
	if c.Quiet == 0 && c.Modbus != nil && c.Modbus.Framing == "rtu" {
		return modbus.Silence(c.Serial.Baud)
	}
	return c.Quiet
}
