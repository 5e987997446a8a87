package config

import (
	"fmt"
	"ovenward/acquire/field"
	"slices"
	"strings"
)

// SCPI is the [probe.scpi] of a probe that speaks SCPI-99: what is asked, and
// which value of the answer is which.
type SCPI struct {
	Line       int
	Query      string // without terminator
	Terminator string // "\n", "\r\n" or "\r"
	Unit       string // of value and axes

	Columns, Value, Temperature, Battery int   // from 1; 0: none. Columns 0: the highest named
	Axes                                 []int // three columns or none
	BatteryUnit                          string

	InfinityIsFault, NotANumberIsFault bool
	Identity, Errors                   bool // *IDN? and SYST:ERR? are asked
}

func readSCPI(t *table, stream bool, z field.Impedance) *SCPI {
	x := &SCPI{Line: t.at.line}
	if stream {
		t.r.add(t.at.line, "%s: an instrument of this language is asked; remove stream, and set poll", t.label)
	}
	x.Query = t.raw(ask{"query", `"READ?"`, false}, maxBytesSent, "READ?")
	switch {
	case strings.TrimSpace(x.Query) != x.Query || strings.ContainsFunc(x.Query, func(r rune) bool { return r < ' ' || r > '~' }):
		t.problem("query", `%s is to be plain ASCII without a line end, which terminator adds; write for example "READ?"`, shown(x.Query))
	case !strings.HasSuffix(x.Query, "?") && !strings.Contains(x.Query, "? "):
		t.problem("query", `%s asks nothing, as no "?" ends its header; write for example "READ?"`, shown(x.Query))
	}
	x.Terminator = t.raw(ask{"terminator", `"\r\n"`, false}, maxTerminator, "\n")
	if !slices.Contains([]string{"\n", "\r\n", "\r"}, x.Terminator) {
		t.problem("terminator", `%s ends no line of this language; write "\n", "\r\n" or "\r"`, shown(x.Terminator))
	}
	x.Unit = readUnit(t, z)
	column := span[int64]{1, maxColumn, fmt.Sprintf("a column from 1 to %d", maxColumn)}
	x.Value = int(t.integer(ask{"value", "1", false}, column, 1))
	x.Columns = int(t.integer(ask{"columns", "4", false}, column, 0))
	x.Axes = t.integers(ask{"axes", "[2, 3, 4]", false}, column)
	if t.has("axes") && x.Axes != nil && len(x.Axes) != 3 {
		t.problem("axes", "%d columns are named; write the three of x, y and z, for example axes = [2, 3, 4]", len(x.Axes))
	}
	x.Temperature = int(t.integer(ask{"temperature", "5", false}, column, 0))
	x.Battery = int(t.integer(ask{"battery", "6", false}, column, 0))
	x.BatteryUnit = readBatteryUnit(t)
	checkColumns(t, x)
	meaning := func(key string) bool {
		return t.oneOf(ask{key, `"fault"`, false}, "over-range", "fault") == "fault"
	}
	x.InfinityIsFault, x.NotANumberIsFault = meaning("infinity"), meaning("not_a_number")
	x.Identity, x.Errors = t.yes("identify"), t.yes("errors")
	t.finish()
	return x
}

// checkColumns tells columns that are two things, or beyond the last.
func checkColumns(t *table, x *SCPI) {
	at := map[int]string{x.Value: "value"}
	check := func(key string, column int) {
		switch other := at[column]; {
		case column == 0:
		case other != "":
			t.problem(key, "%d is the column of %s already; write another column", column, other)
		case x.Columns > 0 && column > x.Columns:
			t.problem(key, "%d is beyond the last column, as columns = %d; write a smaller one, or more columns", column, x.Columns)
		}
		at[column] = key
	}
	if x.Columns > 0 && x.Value > x.Columns {
		t.problem("value", "%d is beyond the last column, as columns = %d; write a smaller one, or more columns", x.Value, x.Columns)
	}
	for _, c := range x.Axes {
		check("axes", c)
	}
	check("temperature", x.Temperature)
	check("battery", x.Battery)
}

// readUnit reads the unit of all readings of a language that says none.
func readUnit(t *table, z field.Impedance) string {
	unit := t.text(ask{"unit", `"mW/cm2"`, true})
	if unit != "" {
		checkUnit(t, "unit", t.line("unit"), unit, z)
	}
	return unit
}

// readBatteryUnit reads what the battery's number counts.
func readBatteryUnit(t *table) string {
	unit := t.oneOf(ask{"battery_unit", `"%"`, t.has("battery")}, "V", "%")
	if t.has("battery_unit") && !t.has("battery") {
		t.problem("battery_unit", "nothing says where the battery's number stands; set battery, or remove battery_unit")
	}
	return unit
}

// yes reads true or false, and is true when it is not set.
func (t *table) yes(key string) bool {
	b := t.boolean(ask{key, "false", false})
	return b == nil || *b
}

// integers reads a list of whole numbers; nil when it is not set.
func (t *table) integers(a ask, in span[int64]) []int {
	var out []int
	for _, n := range t.longs(a, in) {
		out = append(out, int(n))
	}
	return out
}

// longs reads a list of whole numbers, each once; nil when it is not set.
func (t *table) longs(a ask, in span[int64]) []int64 {
	v, ok := t.get(a)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		t.wrongType(a, v, "a list of whole numbers")
		return nil
	}
	if len(list) == 0 {
		t.problem(a.key, "the list is empty; name a number, or leave %s out", a.key)
	}
	var out []int64
	for i, v := range list {
		n, ok := v.(int64)
		var what string
		switch {
		case !ok:
			what = fmt.Sprintf("%s is %s; write whole numbers without quotes, for example %s = %s", shown(v), typeOf(v), a.key, a.example)
		case !in.holds(n):
			what = fmt.Sprintf("%d is out of range; write %s", n, in.words)
		case slices.Contains(out, n):
			what = fmt.Sprintf("%d stands there already; keep it once", n)
		default:
			out = append(out, n)
			continue
		}
		t.r.add(t.at.key(a.key).item(i).line, "%s: %s: %s", t.label, a.key, what)
	}
	return out
}
