package config

import (
	"fmt"
	"ovenward/acquire/field"
	"slices"

	"ovenward/drivers"
)

// Modbus is the [probe.modbus] of a probe that is a Modbus server: how it is
// asked, and what its registers hold.
type Modbus struct {
	Line           int
	Framing        string // rtu or tcp
	UnitID         int
	Function       int    // 3 or 4
	Address, Count int    // registers asked for; Count 0: those that are named
	Unit           string // of value and axes

	Value                *ModbusNumber
	Axes                 []ModbusNumber // three or none
	Temperature, Battery *ModbusNumber
	BatteryUnit          string
	Status               *ModbusStatus
}

// ModbusNumber is a number in one or more registers.
type ModbusNumber struct {
	Register         int
	Type, Order      string
	Scale, Offset    drivers.Decimal // Scale 0: 1
	OverRange, Fault []int64         // numbers that stand for none
}

// ModbusStatus is what the bits, or else the codes, of a register mean.
type ModbusStatus struct {
	Register, Mask                                       int // Mask 0: all bits
	OverRangeBits, FaultBits, BatteryLowBits, OKBits     []int
	OverRangeCodes, FaultCodes, BatteryLowCodes, OKCodes []int
}

const (
	lastRegister = 0xFFFF
	maxRegisters = 125
)

func readModbus(t *table, stream bool, z field.Impedance) *Modbus {
	x := &Modbus{Line: t.at.line}
	if stream {
		t.r.add(t.at.line, "%s: an instrument of this language is asked; remove stream, and set poll", t.label)
	}
	x.Framing = t.oneOf(ask{"framing", `"rtu"`, true}, "rtu", "tcp")
	unitID := span[int64]{1, 247, "1 to 247"}
	if x.Framing == "tcp" {
		unitID = span[int64]{0, 255, "0 to 255"}
	}
	x.UnitID = int(t.integer(ask{"unit_id", "1", true}, unitID, 1))
	x.Function = int(t.integer(ask{"function", "3", true}, span[int64]{3, 4, "3 (holding registers) or 4 (input registers)"}, 3))
	x.Address = t.register("address", t.has("count"))
	x.Count = int(t.integer(ask{"count", "6", t.has("address")}, span[int64]{1, maxRegisters, fmt.Sprintf("1 to %d", maxRegisters)}, 0))
	x.Unit = readUnit(t, z)
	order := t.order("ABCD")
	number := func(key string, required bool) *ModbusNumber {
		if sub := t.table(key); sub != nil {
			n := readModbusNumber(sub, order, key == "value")
			return &n
		}
		if required && !t.has(key) {
			t.needs(key, `write for example value = { register = 0, type = "float32" }`)
		}
		return nil
	}
	x.Value = number("value", true)
	x.Temperature = number("temperature", false)
	x.Battery = number("battery", false)
	x.BatteryUnit = readBatteryUnit(t)
	x.Axes = t.axes(order)
	if s := t.table("status"); s != nil {
		x.Status = readModbusStatus(s)
	}
	t.finish()
	return x
}

// axes reads the list of the three axes.
func (t *table) axes(order string) []ModbusNumber {
	a := ask{"axes", `[{ register = 2, type = "int16" }, …]`, false}
	v, set := t.get(a)
	_, list := v.([]any)
	_, tables := v.([]map[string]any)
	switch {
	case !set:
		return nil
	case !list && !tables:
		t.wrongType(a, v, "a list of three tables")
		return nil
	}
	var axes []ModbusNumber
	for i, sub := range t.tables("axes") {
		sub.label = fmt.Sprintf("%s, axis %d", t.label, i+1)
		axes = append(axes, readModbusNumber(sub, order, true))
	}
	if len(axes) > 0 && len(axes) != 3 {
		t.problem("axes", "%d are named; write the three of x, y and z, each as { register = 2, type = \"float32\" }", len(axes))
	}
	return axes
}

func (t *table) register(key string, required bool) int {
	return int(t.integer(ask{key, "0", required}, span[int64]{0, lastRegister, fmt.Sprintf("0 to %d, as on the wire: manuals often count from 1, or from 40001 or 30001", lastRegister)}, 0))
}

func (t *table) order(otherwise string) string {
	names := []string{"ABCD", "CDAB", "BADC", "DCBA", "ABCDEFGH", "GHEFCDAB", "BADCFEHG", "HGFEDCBA"}
	return orElse(t.oneOf(ask{"order", `"CDAB"`, false}, names...), otherwise)
}

func readModbusNumber(t *table, order string, sentinels bool) ModbusNumber {
	n := ModbusNumber{
		Register: t.register("register", true),
		Type:     t.oneOf(ask{"type", `"float32"`, true}, "int16", "uint16", "int32", "uint32", "float32", "float64"),
		Order:    t.order(order),
		Scale:    t.decimal(ask{"scale", `"0.001"`, false}),
		Offset:   t.decimal(ask{"offset", `"-40"`, false}),
	}
	if len(n.Order) == 8 && n.Type != "float64" && n.Type != "" {
		if t.has("order") {
			t.problem("order", "%s is an order of 8 bytes, and %s has fewer; write one of 4, for example \"CDAB\"", n.Order, n.Type)
		}
		n.Order = map[string]string{"ABCDEFGH": "ABCD", "GHEFCDAB": "CDAB", "BADCFEHG": "BADC", "HGFEDCBA": "DCBA"}[n.Order]
	}
	if isZero(t.values["scale"]) {
		t.problem("scale", `it makes every number 0; write for example scale = "0.001"`)
	}
	if sentinels {
		bits := span[int64]{-1 << 63, 1<<63 - 1, ""}
		n.OverRange = t.longs(ask{"over_range", "[0xFFFF]", false}, bits)
		n.Fault = t.longs(ask{"fault", "[0xFFFE]", false}, bits)
		for _, s := range n.Fault {
			if slices.Contains(n.OverRange, s) {
				t.problem("fault", "%d stands in over_range already; keep it in one list", s)
			}
		}
	}
	t.finish()
	return n
}

// isZero says whether a decoded value is a number that decimal takes for 0.
func isZero(v any) bool {
	s, _ := v.(string)
	d, err := drivers.ParseNRf([]byte(s))
	return v == int64(0) || err == nil && d.Digits == 0
}

// decimal reads an exact number: a whole one, or any in quotes, since TOML's
// numbers with a fraction are binary.
func (t *table) decimal(a ask) drivers.Decimal {
	v, ok := t.get(a)
	if !ok {
		return drivers.Decimal{}
	}
	switch v := v.(type) {
	case int64:
		if v > -1e15 && v < 1e15 {
			return drivers.Decimal{Digits: v}
		}
		t.problem(a.key, "%d is out of range; write a number of at most 15 digits", v)
	case string:
		d, err := drivers.ParseNRf([]byte(v))
		if err == nil && d.Exp >= -18 && d.Exp <= 18 {
			return d
		}
		t.problem(a.key, "%s is no decimal number within 18 places; write for example %s = %s", shown(v), a.key, a.example)
	case float64:
		t.problem(a.key, "%s would not be taken exactly; write it in quotes, for example %s = %s", shown(v), a.key, a.example)
	default:
		t.wrongType(a, v, "a number in quotes")
	}
	return drivers.Decimal{}
}

func readModbusStatus(t *table) *ModbusStatus {
	bit, code := span[int64]{0, 15, "a bit from 0, the least significant, to 15"}, span[int64]{0, 0xFFFF, "0 to 65535"}
	s := &ModbusStatus{
		Register:       t.register("register", true),
		OverRangeBits:  t.integers(ask{"over_range_bits", "[0]", false}, bit),
		FaultBits:      t.integers(ask{"fault_bits", "[1]", false}, bit),
		BatteryLowBits: t.integers(ask{"battery_low_bits", "[2]", false}, bit),
		OKBits:         t.integers(ask{"ok_bits", "[3]", false}, bit),
		Mask:           int(t.integer(ask{"mask", "0xFF", false}, span[int64]{1, 0xFFFF, "1 to 65535"}, 0)),
		OKCodes:        t.integers(ask{"ok_codes", "[0]", false}, code),
		OverRangeCodes: t.integers(ask{"over_range_codes", "[1]", false}, code),
		FaultCodes:     t.integers(ask{"fault_codes", "[2]", false}, code),
	}
	s.BatteryLowCodes = t.integers(ask{"battery_low_codes", "[3]", false}, code)
	t.finish()
	return s
}
