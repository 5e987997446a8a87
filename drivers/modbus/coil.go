package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// CoilOptions describe one contact of a Modbus server: a coil, read by function 1,
// or a discrete input, read by function 2.
type CoilOptions struct {
	Framing  string // framing: "rtu" or "tcp"
	UnitID   int    // unit_id: 1 to 247; with TCP 0 to 255
	Function int    // function: 1 or 2
	Address  int    // address: from 0 as on the wire
}

// Coil reads one contact. Like a protocol it does no input or output and keeps no
// state.
type Coil struct{ p protocol }

// NewCoil returns what reads the contact that o describes.
func NewCoil(o CoilOptions) (*Coil, error) {
	lowest, highest := 1, 247
	var errs []error
	switch o.Framing {
	case "tcp":
		lowest, highest = 0, 255
	case "rtu":
	default:
		errs = append(errs, fmt.Errorf("framing: %q, want rtu or tcp", o.Framing))
	}
	if o.UnitID < lowest || o.UnitID > highest {
		errs = append(errs, fmt.Errorf("unit_id: %d, want %d to %d", o.UnitID, lowest, highest))
	}
	if o.Function != 1 && o.Function != 2 {
		errs = append(errs, fmt.Errorf("function: %d, want 1 (coils) or 2 (discrete inputs)", o.Function))
	}
	if o.Address < 0 || o.Address > lastRegister {
		errs = append(errs, fmt.Errorf("address: %d, want 0 to %d", o.Address, lastRegister))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	c := &Coil{protocol{tcp: o.Framing == "tcp", unit: byte(o.UnitID), fn: byte(o.Function), address: o.Address, bytes: 1}}
	c.p.request = c.p.frame(binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16([]byte{c.p.fn}, uint16(o.Address)), 1))
	return c, nil
}

// Request asks for the contact.
func (c *Coil) Request() []byte { return c.p.request }

// Split finds the answer.
func (c *Coil) Split(buf []byte) (advance int, frame []byte) { return c.p.Split(buf) }

// On reads one answer: whether the contact is on.
func (c *Coil) On(frame []byte) (bool, error) {
	b, err := c.p.registers(frame)
	if err != nil {
		return false, err
	}
	return b[0]&1 != 0, nil
}
