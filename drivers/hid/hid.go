// Package hid reads instruments that put their value into a report of a USB human
// interface device: a whole number of a given width at a given offset, which times
// a decimal scale is the value. The number is kept exactly: digits times a power
// of ten, no conversion.
//
// It has been tested with invented reports, and has not been tried on hardware.
// A frame is one report as Linux' hidraw gives it: with the report's number as its
// first byte where reports are numbered. On its way through a stream each report
// is preceded by its length in two bytes, high byte first (Envelope), since
// reports of one device may differ in length. The package does no input or output
// and asks no clock.
package hid

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"ovenward/drivers"
)

// Options describe one instrument's reports. The names in the comments are those
// of the configuration, which the errors of New use.
type Options struct {
	Request []byte // request: the report that asks for one, its number first (0 if none); empty when it talks by itself

	Report    int             // report: the number of the reports that hold the value; -1 when they are not numbered
	Length    int             // length: bytes of such a report, its number included; 0: any that reaches the value
	Offset    int             // offset: where the value begins, in bytes from the report's first
	Width     int             // width: bytes of the value, 1 to 8
	BigEndian bool            // order: the high byte comes first
	Signed    bool            // signed: two's complement
	Scale     drivers.Decimal // scale: what one step of the number is, in Unit

	Unit      string  // unit
	OverRange []int64 // over_range: numbers that say that the field is above the range
	Fault     []int64 // fault: numbers that say that the instrument is unfit
}

const (
	maxReport = 4096 // bytes; HID_MAX_BUFFER_SIZE was 4096 in Linux before 5.11 (from memory)
	maxWidth  = 8
	head      = 2 // bytes of the envelope
)

type protocol struct{ o Options }

// New returns the protocol that o describes. Its error joins all that is wrong
// with o.
func New(o Options) (drivers.Protocol, error) {
	var errs []error
	check := func(wrong bool, format string, args ...any) {
		if wrong {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	check(len(o.Request) > maxReport, "request: %d bytes, want at most %d", len(o.Request), maxReport)
	check(o.Report < -1 || o.Report > 255, "report: %d, want 0 to 255, or none", o.Report)
	check(o.Length < 0 || o.Length > maxReport, "length: %d, want 1 to %d bytes", o.Length, maxReport)
	check(o.Width < 1 || o.Width > maxWidth, "width: %d, want 1 to %d bytes", o.Width, maxWidth)
	check(o.Offset < 0 || o.Offset+o.Width > maxReport, "offset: %d, want 0 to %d", o.Offset, maxReport-maxWidth)
	check(o.Report >= 0 && o.Offset == 0, "offset: 0 is the place of the report's number; count from it, so that the next byte is 1")
	check(o.Length > 0 && o.Offset+o.Width > o.Length, "offset %d and width %d: the value ends after the report, whose length is %d", o.Offset, o.Width, o.Length)
	check(o.Scale.Digits <= 0, "scale: %s, want a decimal number above zero", o.Scale)
	check(o.Unit == "", "unit: name the unit")
	for _, x := range o.OverRange {
		check(slices.Contains(o.Fault, x), "over_range and fault both hold %d", x)
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	o.Request = slices.Clone(o.Request)
	return &protocol{o}, nil
}

// Envelope appends a report, preceded by its length, to dst. A report that is
// longer than any can be is cut.
func Envelope(dst, report []byte) []byte {
	report = report[:min(len(report), maxReport)]
	return append(binary.BigEndian.AppendUint16(dst, uint16(len(report))), report...)
}

// Request returns the report that asks for a value.
func (p *protocol) Request() []byte { return p.o.Request }

// Split takes the first report out of its envelope. Reports of other numbers are
// dropped: a device may send them for what is not a measurement.
func (p *protocol) Split(buf []byte) (advance int, frame []byte) {
	if len(buf) < head {
		return 0, nil
	}
	n := int(binary.BigEndian.Uint16(buf))
	switch {
	case n > maxReport:
		return 1, nil // no envelope of ours
	case n == 0:
		return head, nil
	case len(buf) < head+n:
		return 0, nil
	case p.o.Report >= 0 && int(buf[head]) != p.o.Report:
		return head + n, nil
	}
	return head + n, buf[head : head+n]
}

// Parse reads one report.
func (p *protocol) Parse(frame []byte, r *drivers.Reading) (err error) {
	*r, err = p.parse(frame)
	return err
}

// parse makes a reading of one report, field by field.
func (p *protocol) parse(frame []byte) (drivers.Reading, error) {
	o := &p.o
	switch {
	case o.Length > 0 && len(frame) != o.Length:
		return drivers.Reading{}, fmt.Errorf("the report has %d bytes, want %d: % x", len(frame), o.Length, first(frame))
	case len(frame) < o.Offset+o.Width:
		return drivers.Reading{}, fmt.Errorf("the report ends at byte %d, before the value does: % x", len(frame), first(frame))
	case o.Report >= 0 && int(frame[0]) != o.Report:
		return drivers.Reading{}, fmt.Errorf("report %d, want %d: % x", frame[0], o.Report, first(frame))
	}
	number, ok := p.number(frame[o.Offset : o.Offset+o.Width])
	r := drivers.Reading{Unit: o.Unit}
	if ok {
		switch {
		case slices.Contains(o.OverRange, number):
			r.Status = drivers.OverRange
			return r, nil
		case slices.Contains(o.Fault, number):
			r.Status = drivers.Fault
			return r, nil
		}
		r.Value, ok = times(number, o.Scale)
	}
	if !ok {
		return drivers.Reading{}, fmt.Errorf("the number in % x is too large to be kept exactly", frame[o.Offset:o.Offset+o.Width])
	}
	r.HasValue = true
	return r, nil
}

// number reads a whole number; false when it is beyond an int64.
func (p *protocol) number(b []byte) (int64, bool) {
	var u uint64
	for i := range b {
		c := b[len(b)-1-i]
		if p.o.BigEndian {
			c = b[i]
		}
		u = u<<8 | uint64(c)
	}
	if p.o.Signed {
		unused := 64 - 8*len(b)
		return int64(u<<unused) >> unused, true
	}
	return int64(u), u <= math.MaxInt64
}

// times multiplies exactly; false when the product has more digits than a
// Decimal keeps.
func times(n int64, scale drivers.Decimal) (drivers.Decimal, bool) {
	const most = 1e18
	u := uint64(n)
	if n < 0 {
		u = -u
	}
	hi, lo := bits.Mul64(u, uint64(scale.Digits))
	if hi > 0 || lo >= most {
		return drivers.Decimal{}, false
	}
	d := int64(lo)
	if n < 0 {
		d = -d
	}
	return drivers.Decimal{Digits: d, Exp: scale.Exp}, true
}

// first is as much of a report as is shown in an error.
func first(b []byte) []byte { return b[:min(len(b), 16)] }
