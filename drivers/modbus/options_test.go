package modbus_test

import (
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/modbus"
)

// TestStatus holds what a status register makes of a reading, by bits and codes.
func TestStatus(t *testing.T) {
	over, fault, low := drivers.OverRange, drivers.Fault, drivers.BatteryLow
	nan, infinity, one := "7FC00000", "7F800000", "3F800000"
	for _, c := range []struct {
		name, value, status string
		codes               bool
		is                  drivers.Status
		number              bool
		refused             string
	}{
		{"plain", one, "0000", false, 0, true, ""},
		{"of no concern", one, "0008", false, 0, true, ""},
		{"over range, with the number", one, "0001", false, over, true, ""},
		{"over range, without", infinity, "0001", false, over, false, ""},
		{"over range, not a number", nan, "0001", false, over, false, ""},
		{"fault", nan, "8000", false, fault, false, ""},
		{"all at once", one, "8007", false, over | fault | low, true, ""},
		{"battery, not a number", nan, "0004", false, low | fault, false, ""},
		{"not a number, unexplained", nan, "0000", false, fault, false, ""},
		{"unknown bit", one, "0010", false, 0, false, "bit 4 of the status register is set (0x0010)"},
		{"unknown bit beside over range", one, "0011", false, 0, false, "bit 4"},
		{"ok code", one, "0001", true, 0, true, ""},
		{"masked", one, "FF00", true, 0, true, ""},
		{"over-range code", nan, "0002", true, over, false, ""},
		{"fault code", one, "0003", true, fault, true, ""},
		{"low code", one, "AB04", true, low, true, ""},
		{"unknown code", one, "0005", true, 0, false, "the status register says 5, which is in none of"},
	} {
		s := &modbus.Status{Address: 2, OverRangeBits: []int{0}, FaultBits: []int{1, 15}, BatteryLowBits: []int{2}, OKBits: []int{3}}
		if c.codes {
			s = &modbus.Status{Address: 2, Mask: 0xFF, OKCodes: []int{0, 1}, OverRangeCodes: []int{2}, FaultCodes: []int{3}, BatteryLowCodes: []int{4}}
		}
		p := made(t, modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Unit: "W/m2", Value: modbus.Register{Type: "float32"}, Status: s})
		r, err := driverstest.Parse(p, answer(1, 3, unhex(t, c.value+c.status)))
		switch {
		case c.refused != "" && (err == nil || !strings.Contains(err.Error(), c.refused)):
			t.Errorf("%s: %+v, %v, want an error with %q", c.name, r, err, c.refused)
		case c.refused == "" && (err != nil || r.Status != c.is || r.HasValue != c.number):
			t.Errorf("%s: %+v, %v, want status %d, a number: %t", c.name, r, err, c.is, c.number)
		}
	}
}

// TestAFaultThatIsNamedStays holds that a number listed in fault is a fault,
// whatever the status register says.
func TestAFaultThatIsNamedStays(t *testing.T) {
	p := made(t, modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Unit: "W/m2",
		Value: modbus.Register{Type: "int16", Fault: []int64{-1}}, Status: &modbus.Status{Address: 1, OverRangeBits: []int{0}}})
	if r, err := driverstest.Parse(p, answer(1, 3, []byte{0xFF, 0xFF, 0, 1})); err != nil || r.Status != drivers.Fault|drivers.OverRange || r.HasValue {
		t.Errorf("%+v, %v, want fault and over-range without a number", r, err)
	}
}

func TestNewRefuses(t *testing.T) {
	d := func(digits int64, exp int8) drivers.Decimal { return drivers.Decimal{Digits: digits, Exp: exp} }
	for name, c := range map[string]struct {
		change func(o *modbus.Options)
		want   string
	}{
		"framing":          {func(o *modbus.Options) { o.Framing = "ascii" }, `framing: "ascii"`},
		"unit 0":           {func(o *modbus.Options) { o.UnitID = 0 }, "unit_id: 0, want 1 to 247"},
		"unit 248":         {func(o *modbus.Options) { o.UnitID = 248 }, "unit_id: 248"},
		"tcp unit":         {func(o *modbus.Options) { o.Framing, o.UnitID = "tcp", 256 }, "unit_id: 256, want 0 to 255"},
		"function":         {func(o *modbus.Options) { o.Function = 6 }, "function: 6"},
		"no unit":          {func(o *modbus.Options) { o.Unit = "" }, "unit: name"},
		"type":             {func(o *modbus.Options) { o.Value.Type = "int8" }, `value: type "int8"`},
		"order":            {func(o *modbus.Options) { o.Value.Order = "ACBD" }, `value: order "ACBD"`},
		"order of 64 bits": {func(o *modbus.Options) { o.Value.Order = "ABCDEFGH" }, `order "ABCDEFGH"`},
		"register":         {func(o *modbus.Options) { o.Value.Address = 65536 }, "value: register 65536"},
		"beyond the last":  {func(o *modbus.Options) { o.Value = modbus.Register{Address: 65535, Type: "int32"} }, "count: registers 65535 to 65536"},
		"too many":         {func(o *modbus.Options) { o.Count = 126 }, "at most 125"},
		"too far":          {func(o *modbus.Options) { o.Temperature = &modbus.Register{Address: 125, Type: "int16"} }, "at most 125"},
		"not asked for":    {func(o *modbus.Options) { o.Address, o.Count = 1, 4 }, "value: registers 0 to 0, but address and count ask for 1 to 4"},
		"overlap": {func(o *modbus.Options) {
			o.Value.Type = "int32"
			o.Status = &modbus.Status{Address: 1, OKBits: []int{0}}
		}, "status: register 1 is a part of value"},
		"two axes":         {func(o *modbus.Options) { o.Axes = make([]modbus.Register, 2) }, "axes: 2 registers"},
		"battery, no unit": {func(o *modbus.Options) { o.Battery = &modbus.Register{Address: 3, Type: "int16"} }, "battery_unit"},
		"scale, too fine":  {func(o *modbus.Options) { o.Value.Scale = d(123456789012345678, -18) }, "too many digits"},
		"offset, too fine": {func(o *modbus.Options) { o.Value.Offset = d(1, -18) }, "too many digits"},
		"scale's exponent": {func(o *modbus.Options) { o.Value.Scale = d(1, -19) }, "exponent -19"},
		"float offset":     {func(o *modbus.Options) { o.Value = modbus.Register{Type: "float32", Offset: d(1, 0)} }, "offset is for whole numbers"},
		"double scale":     {func(o *modbus.Options) { o.Value = modbus.Register{Type: "float64", Scale: d(12, 0)} }, "too many digits for float64"},
		"sentinel, width":  {func(o *modbus.Options) { o.Value.OverRange = []int64{0x10000} }, "value: 65536 is no number of 16 bits"},
		"sentinel, both":   {func(o *modbus.Options) { o.Value.OverRange, o.Value.Fault = []int64{1}, []int64{1} }, "twice"},
		"sentinel, elsewhere": {func(o *modbus.Options) {
			o.Temperature = &modbus.Register{Address: 1, Type: "int16", Fault: []int64{1}}
		}, "temperature: over_range and fault are for value and axes"},
		"status, nothing":    {func(o *modbus.Options) { o.Status = &modbus.Status{Address: 1} }, "status: say what it means"},
		"status, both":       {func(o *modbus.Options) { o.Status = &modbus.Status{Address: 1, OKBits: []int{1}, OKCodes: []int{1}} }, "keep one of the two"},
		"status, no ok":      {func(o *modbus.Options) { o.Status = &modbus.Status{Address: 1, FaultCodes: []int{1}} }, "ok_codes: list"},
		"status, bit":        {func(o *modbus.Options) { o.Status = &modbus.Status{Address: 1, FaultBits: []int{16}} }, "bit 16"},
		"status, bit twice":  {func(o *modbus.Options) { o.Status = &modbus.Status{Address: 1, FaultBits: []int{1}, OKBits: []int{1}} }, "bit 1"},
		"status, masked out": {func(o *modbus.Options) { o.Status = &modbus.Status{Address: 1, Mask: 1, OKCodes: []int{0, 2}} }, "code 2"},
		"status, idle mask":  {func(o *modbus.Options) { o.Status = &modbus.Status{Address: 1, Mask: 1, OKBits: []int{2}} }, "mask goes with codes"},
	} {
		o := modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Unit: "W/m2", Value: modbus.Register{Type: "int16"}}
		c.change(&o)
		if _, err := modbus.New(o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want an error with %q", name, err, c.want)
		}
	}
}

// TestOptionsAreCopied holds that a protocol does not change when the options
// it was made of do.
func TestOptionsAreCopied(t *testing.T) {
	o := instruments()["rtu-whole"]
	p := made(t, o)
	registers := make([]byte, 16)
	registers[0], registers[1] = 0xFF, 0xFF
	o.Value.OverRange[0], o.Status.OKCodes[0] = 5, 5
	if r, err := driverstest.Parse(p, answer(17, 4, registers)); err != nil || r.Status != drivers.OverRange {
		t.Errorf("%+v, %v, want over-range", r, err)
	}
}

func TestReadingDoesNotAllocate(t *testing.T) {
	for name, stream := range map[string][]byte{
		"rtu-float": answer(1, 3, []byte{0x3F, 0x9E, 0x04, 0x19, 0, 4}), "rtu-whole": answer(17, 4, make([]byte, 16)),
	} {
		p := instrument(t, name)
		var r drivers.Reading
		if allocs := testing.AllocsPerRun(1000, func() {
			_, frame := p.Split(stream)
			if err := p.Parse(frame, &r); err != nil || !r.HasValue {
				t.Fatalf("Parse(% X) = %+v, %v", frame, r, err)
			}
		}); allocs != 0 {
			t.Errorf("%s: %v allocations a reading, want none", name, allocs)
		}
	}
}
