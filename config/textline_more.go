package config

import "slices"

// TextlineMore is what a line can say beside value, unit and status, and how
// its numbers are written. Columns count from 1; 0 is none, or found by the
// pattern's groups x, y, z, temperature, battery.
type TextlineMore struct {
	Axes                 [3]int // x, y, z
	Temperature, Battery int
	TemperatureUnit      string // as written: °C, °F or K; empty: °C
	BatteryUnit          string // V, mV or %

	Number                                string // decimal, hex or signed hex; empty: decimal
	Scale, TemperatureScale, BatteryScale string // decimals; empty: 1

	Checksum, ChecksumMark, ChecksumFrom string
	ChecksumWithMark, ChecksumLowFirst   bool
}

// readTextlineMore reads the keys by themselves; whether they fit together is
// the driver's to say.
func readTextlineMore(t *table) TextlineMore {
	column := span[int64]{1, maxColumn, "a column from 1 to 64"}
	m := TextlineMore{
		Axes:            t.axisColumns(ask{"axes", "[1, 2, 3]", false}, column),
		Temperature:     int(t.integer(ask{"temperature", "5", false}, column, 0)),
		Battery:         int(t.integer(ask{"battery", "6", false}, column, 0)),
		TemperatureUnit: t.oneOf(ask{"temperature_unit", `"°C"`, false}, "°C", "degC", "°F", "degF", "K"),
		BatteryUnit:     t.oneOf(ask{"battery_unit", `"V"`, false}, "V", "mV", "%"),
		Number:          t.oneOf(ask{"number", `"hex"`, false}, "decimal", "hex", "signed hex"),
		Checksum: t.oneOf(ask{"checksum", `"xor"`, false},
			"sum", "xor", "crc-16/modbus", "crc-16/arc", "crc-16/kermit", "crc-16/xmodem", "crc-16/ibm-3740"),
		ChecksumMark: t.raw(ask{"checksum_mark", `"*"`, false}, maxTerminator, ""),
		ChecksumFrom: t.raw(ask{"checksum_from", `"$"`, false}, maxTerminator, ""),
	}
	for _, s := range []struct {
		key string
		to  *string
	}{{"scale", &m.Scale}, {"temperature_scale", &m.TemperatureScale}, {"battery_scale", &m.BatteryScale}} {
		*s.to = t.text(ask{s.key, `"0.001"`, false})
	}
	for _, b := range []struct {
		key string
		to  *bool
	}{{"checksum_with_mark", &m.ChecksumWithMark}, {"checksum_low_first", &m.ChecksumLowFirst}} {
		if said := t.boolean(ask{b.key, "true", false}); said != nil {
			*b.to = *said
		}
	}
	return m
}

// axisColumns reads three columns.
func (t *table) axisColumns(a ask, in span[int64]) (columns [3]int) {
	v, ok := t.get(a)
	if !ok {
		return columns
	}
	list, ok := v.([]any)
	if !ok || len(list) != len(columns) {
		t.problem(a.key, "it wants the columns of x, y and z; write for example %s = %s", a.key, a.example)
		return columns
	}
	for i, v := range list {
		n, ok := v.(int64)
		if !ok || !in.holds(n) || slices.Contains(columns[:], int(n)) {
			t.problem(a.key, "%s is none; write three columns from 1 to %d, each once, for example %s = %s", shown(v), maxColumn, a.key, a.example)
			return [3]int{}
		}
		columns[i] = int(n)
	}
	return columns
}
