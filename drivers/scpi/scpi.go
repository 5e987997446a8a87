// Package scpi reads instruments that speak SCPI-99 over IEEE 488.2 on a byte
// stream: a serial line or raw TCP. A query is sent with a terminator, and the
// answer is a list of numbers in one of the forms NR1, NR2 or NR3, or the same
// within a definite-length block.
//
// Numbers pass through with the digits the instrument said, in the unit that
// the options name; nothing is converted. What SCPI-99 puts in place of a number
// (9.9E37 infinity, −9.9E37, 9.91E37 not a number) is a reading with a status
// and no number, never a value. The package does no input or output, asks no
// clock, and never sends a command that changes an instrument.
package scpi

import (
	"errors"
	"fmt"
	"strings"

	"ovenward/drivers"
)

// Options describe one instrument. The names in the comments are those of the
// configuration, which the errors of New use.
type Options struct {
	Query      string // query: asks for one reading, without terminator; default "READ?"
	Terminator string // terminator: "\n" (default), "\r\n" or "\r"; ends what is sent and what comes

	// Columns count the values of an answer from 1; 0 means that there is none.
	// An answer has exactly Columns of them (columns; default the highest named).
	Columns           int
	ValueColumn       int    // value; default 1
	AxisColumns       [3]int // axes: all three or none
	TemperatureColumn int    // temperature, °C
	BatteryColumn     int    // battery
	BatteryUnit       string // battery_unit: "V" or "%"

	Unit string // unit: of value and axes, for the answer does not say it

	// What stands for a number that cannot be shown. −9.9E37 is always a fault.
	InfinityIsFault  bool // infinity = "fault": +9.9E37; else over-range
	NotANumberFaults bool // not_a_number = "fault": 9.91E37; else over-range

	NoIdentity bool // identify = false: *IDN? is not asked
	NoErrors   bool // errors = false: SYST:ERR? is not asked
}

const (
	identityQuery = "*IDN?"
	troubleQuery  = "SYST:ERR?"

	maxQuery  = 256
	maxColumn = 64
)

// protocol is what Options come to. It is never changed once made.
type protocol struct {
	o       Options
	request []byte
	end     byte     // the last byte of the terminator
	echoes  []string // what may come back of what was sent, without terminator
}

// identity is the part of an instrument that can be asked who it is.
type identity struct{ request []byte }

// trouble is the part of an instrument that keeps a list of its errors.
type trouble struct{ request []byte }

// New returns the protocol that o describes: a drivers.Identified and a
// drivers.Troubled too, unless o says otherwise. Its error joins all that is
// wrong with o, each part naming the option by its name in the configuration.
func New(o Options) (drivers.Protocol, error) {
	if o.Query == "" {
		o.Query = "READ?"
	}
	if o.Terminator == "" {
		o.Terminator = "\n"
	}
	if o.ValueColumn == 0 {
		o.ValueColumn = 1
	}
	if o.Columns == 0 {
		for _, c := range o.named() {
			o.Columns = max(o.Columns, c.column)
		}
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	sent := func(query string) []byte { return []byte(query + o.Terminator) }
	p := &protocol{o: o, request: sent(o.Query), end: o.Terminator[len(o.Terminator)-1],
		echoes: []string{o.Query, identityQuery, troubleQuery}}
	who, what := identity{sent(identityQuery)}, trouble{sent(troubleQuery)}
	switch {
	case o.NoIdentity && o.NoErrors:
		return p, nil
	case o.NoErrors:
		return struct {
			*protocol
			identity
		}{p, who}, nil
	case o.NoIdentity:
		return struct {
			*protocol
			trouble
		}{p, what}, nil
	}
	return struct {
		*protocol
		identity
		trouble
	}{p, who, what}, nil
}

// column is a column and the option that names it.
type column struct {
	option string
	column int
}

func (o Options) named() []column {
	return []column{{"value", o.ValueColumn}, {"axes", o.AxisColumns[0]}, {"axes", o.AxisColumns[1]}, {"axes", o.AxisColumns[2]},
		{"temperature", o.TemperatureColumn}, {"battery", o.BatteryColumn}}
}

func (o Options) check() error {
	var errs []error
	switch {
	case len(o.Query) > maxQuery:
		errs = append(errs, fmt.Errorf("query: %d bytes, want at most %d", len(o.Query), maxQuery))
	case strings.ContainsFunc(o.Query, func(r rune) bool { return r < ' ' || r > '~' }) || strings.TrimSpace(o.Query) != o.Query:
		errs = append(errs, fmt.Errorf(`query: %q is no plain ASCII without blanks at its ends; the terminator is added to it, so write for example "READ?"`, o.Query))
	case !strings.HasSuffix(o.Query, "?") && !strings.Contains(o.Query, "? "):
		errs = append(errs, fmt.Errorf(`query: %q asks nothing, as no "?" ends its header; write for example "READ?"`, o.Query))
	}
	if o.Terminator != "\n" && o.Terminator != "\r\n" && o.Terminator != "\r" {
		errs = append(errs, fmt.Errorf(`terminator: %q, want "\n", "\r\n" or "\r"`, o.Terminator))
	}
	if o.Unit == "" {
		errs = append(errs, errors.New("unit: name the unit, for an answer does not say it"))
	}
	if (o.BatteryColumn > 0) != (o.BatteryUnit != "") || o.BatteryUnit != "" && o.BatteryUnit != "V" && o.BatteryUnit != "%" {
		errs = append(errs, errors.New(`battery: it goes with battery_unit, which is "V" or "%"; set both or none`))
	}
	if n := countSet(o.AxisColumns); n != 0 && n != len(o.AxisColumns) {
		errs = append(errs, fmt.Errorf("axes: %d columns, want three or none", n))
	}
	at := map[int]string{}
	for _, c := range o.named() {
		switch other := at[c.column]; {
		case c.column < 0 || c.column > maxColumn:
			errs = append(errs, fmt.Errorf("%s: column %d, want 1 to %d", c.option, c.column, maxColumn))
		case c.column > 0 && other != "":
			errs = append(errs, fmt.Errorf("%s: column %d is the column of %s", c.option, c.column, other))
		case c.column > o.Columns:
			errs = append(errs, fmt.Errorf("%s: column %d, but columns says that there are %d", c.option, c.column, o.Columns))
		}
		at[c.column] = c.option
		delete(at, 0)
	}
	if o.Columns < 0 || o.Columns > maxColumn {
		errs = append(errs, fmt.Errorf("columns: %d, want 1 to %d", o.Columns, maxColumn))
	}
	return errors.Join(errs...)
}

func countSet(columns [3]int) (n int) {
	for _, c := range columns {
		if c != 0 {
			n++
		}
	}
	return n
}

// Request returns the query with its terminator.
func (p *protocol) Request() []byte { return p.request }

// IdentityRequest returns *IDN? with the terminator.
func (i identity) IdentityRequest() []byte { return i.request }

// TroubleRequest returns SYST:ERR? with the terminator.
func (t trouble) TroubleRequest() []byte { return t.request }
