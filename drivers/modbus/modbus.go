// Package modbus reads instruments that are Modbus servers, over RTU (a serial
// line) or TCP framing. One request reads a run of registers by function 3
// (holding registers) or 4 (input registers); value, axes, temperature, battery
// and a status word are found in it.
//
// Whole numbers are scaled exactly, in decimal; floating-point ones are said by
// the shortest decimal that is read back as the same bits. Units are those that
// the options name; nothing is converted. The package does no input or output,
// asks no clock, keeps the silence between frames to the link, and never writes
// a register.
package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"sort"
	"time"

	"ovenward/drivers"
)

// Options describe one instrument. The names in the comments are those of the
// configuration, which the errors of New use.
type Options struct {
	Framing  string // framing: "rtu" or "tcp"
	UnitID   int    // unit_id: 1 to 247; with TCP 0 to 255
	Function int    // function: 3 or 4

	// Address and Count (address, count) are the registers asked for, from 0 as
	// on the wire; with Count 0, those from the first named to the last.
	Address, Count int

	Value       Register   // value
	Axes        []Register // axes: three or none
	Temperature *Register  // temperature, °C
	Battery     *Register  // battery
	BatteryUnit string     // battery_unit: "V" or "%"
	Status      *Status    // status

	Unit string // unit: of value and axes
}

// Register is a number in one or more registers.
type Register struct {
	Address int    // register: from 0 as on the wire
	Type    string // type: int16, uint16, int32, uint32, float32, float64
	Order   string // order: see Orders; default ABCD

	// What is said is the number in the register times Scale plus Offset, in
	// exact decimals. A Scale of 0 is 1. Offset is for whole numbers only.
	Scale, Offset drivers.Decimal // scale, offset

	// Numbers in the register that stand for no number (over_range, fault),
	// by their bits, as an unsigned or a signed number. For value and axes only.
	OverRange, Fault []int64
}

// Status is a register that says how the reading is to be taken, either by its
// bits, counted from 0, the least significant, or by its number under Mask. What
// is set and not named here is not understood, and refused.
type Status struct {
	Address int // register

	OverRangeBits, FaultBits, BatteryLowBits []int // over_range_bits, fault_bits, battery_low_bits
	OKBits                                   []int // ok_bits: of no concern

	Mask                                                 int   // mask; 0 is 0xFFFF
	OKCodes, OverRangeCodes, FaultCodes, BatteryLowCodes []int // ok_codes, over_range_codes, fault_codes, battery_low_codes
}

// Orders lists the orders of bytes that an instrument may send a number in, A
// being the most significant byte: ABCD big-endian, as the specification has
// it; CDAB with the registers exchanged; BADC with the bytes in each register
// exchanged; DCBA both. They are names of the trade for 32 bits. Of 16 bits BADC
// and DCBA exchange the two bytes; of 64 bits the same are ABCDEFGH, GHEFCDAB,
// BADCFEHG and HGFEDCBA, which are known by these names too.
func Orders() []string { return []string{"ABCD", "CDAB", "BADC", "DCBA"} }

// Types lists the types of numbers.
func Types() []string { return []string{"int16", "uint16", "int32", "uint32", "float32", "float64"} }

// Silence is how long an RTU line must be silent between frames at a rate in
// baud: 3.5 characters of 11 bits, and 1.75 ms above 19200 baud (MODBUS over
// Serial Line, specification and implementation guide V1.02, 2.5.1.1).
func Silence(baud int) time.Duration {
	if baud > 19200 || baud <= 0 {
		return 1750 * time.Microsecond
	}
	return time.Duration(3.5 * 11 * float64(time.Second) / float64(baud))
}

const (
	maxRegisters = 125 // a frame cannot hold more
	lastRegister = 0xFFFF
)

// protocol is what Options come to. It is never changed once made.
type protocol struct {
	tcp          bool
	unit, fn     byte
	address      int
	bytes        int // of registers in an answer
	request      []byte
	value        number
	axes         []number
	temperature  *number
	battery      *number
	batteryUnit  string
	status       *Status
	powerDensity string // the unit of value and axes
}

// New returns the protocol that o describes. Its error joins all that is wrong
// with o, each part naming the option by its name in the configuration.
func New(o Options) (drivers.Protocol, error) {
	p := &protocol{tcp: o.Framing == "tcp", unit: byte(o.UnitID), fn: byte(o.Function),
		batteryUnit: o.BatteryUnit, powerDensity: o.Unit}
	errs := []error{o.check()}
	read := func(option string, r Register, sentinels bool) number {
		n, err := newNumber(r, sentinels)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", option, err))
		}
		return n
	}
	p.value = read("value", o.Value, true)
	for _, a := range o.Axes {
		p.axes = append(p.axes, read("axes", a, true))
	}
	if o.Temperature != nil {
		n := read("temperature", *o.Temperature, false)
		p.temperature = &n
	}
	if o.Battery != nil {
		n := read("battery", *o.Battery, false)
		p.battery = &n
	}
	if o.Status != nil {
		s, err := newStatus(*o.Status)
		p.status = s
		errs = append(errs, err)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	count, err := p.place(o)
	if err != nil {
		return nil, err
	}
	p.bytes = 2 * count
	p.request = p.frame(binary.BigEndian.AppendUint16(
		binary.BigEndian.AppendUint16([]byte{p.fn}, uint16(p.address)), uint16(count)))
	return p, nil
}

func (o Options) check() error {
	var errs []error
	lowest, highest := 1, 247
	switch o.Framing {
	case "rtu":
	case "tcp":
		lowest, highest = 0, 255
	default:
		errs = append(errs, fmt.Errorf(`framing: %q, want "rtu" or "tcp"`, o.Framing))
	}
	if o.UnitID < lowest || o.UnitID > highest {
		errs = append(errs, fmt.Errorf("unit_id: %d, want %d to %d", o.UnitID, lowest, highest))
	}
	if o.Function != 3 && o.Function != 4 {
		errs = append(errs, fmt.Errorf("function: %d, want 3 (holding registers) or 4 (input registers)", o.Function))
	}
	if len(o.Axes) != 0 && len(o.Axes) != 3 {
		errs = append(errs, fmt.Errorf("axes: %d registers, want three or none", len(o.Axes)))
	}
	if o.Unit == "" {
		errs = append(errs, errors.New("unit: name the unit, for an answer does not say it"))
	}
	if (o.Battery != nil) != (o.BatteryUnit != "") || o.BatteryUnit != "" && o.BatteryUnit != "V" && o.BatteryUnit != "%" {
		errs = append(errs, errors.New(`battery: it goes with battery_unit, which is "V" or "%"; set both or none`))
	}
	return errors.Join(errs...)
}

// place is where an option's registers are.
type place struct {
	option      string
	first, past int
}

// place finds the registers to ask for, and moves all numbers to where they
// stand in the answer. It returns how many registers that are.
func (p *protocol) place(o Options) (count int, err error) {
	var places []place
	add := func(option string, n *number) {
		if n != nil {
			places = append(places, place{option, n.at, n.at + n.size/2})
		}
	}
	add("value", &p.value)
	for i := range p.axes {
		add("axes", &p.axes[i])
	}
	add("temperature", p.temperature)
	add("battery", p.battery)
	if p.status != nil {
		places = append(places, place{"status", p.status.Address, p.status.Address + 1})
	}
	sort.SliceStable(places, func(i, j int) bool { return places[i].first < places[j].first })
	first, past := o.Address, o.Address+o.Count
	if o.Count == 0 {
		first, past = places[0].first, places[len(places)-1].past
	}
	var errs []error
	if first < 0 || past > lastRegister+1 || past-first > maxRegisters || past <= first {
		errs = append(errs, fmt.Errorf("count: registers %d to %d are asked for, want at most %d, from 0 to %d",
			first, past-1, maxRegisters, lastRegister))
	}
	for i, r := range places {
		if i > 0 && r.first < places[i-1].past {
			errs = append(errs, fmt.Errorf("%s: register %d is a part of %s", r.option, r.first, places[i-1].option))
		}
		if r.first < first || r.past > past {
			errs = append(errs, fmt.Errorf("%s: registers %d to %d, but address and count ask for %d to %d",
				r.option, r.first, r.past-1, first, past-1))
		}
	}
	p.address = first
	p.value.at -= first
	for i := range p.axes {
		p.axes[i].at -= first
	}
	for _, n := range []*number{p.temperature, p.battery} {
		if n != nil {
			n.at -= first
		}
	}
	if p.status != nil {
		p.status.Address -= first
	}
	return past - first, errors.Join(errs...)
}

// Request returns the frame that asks for the registers.
func (p *protocol) Request() []byte { return p.request }
