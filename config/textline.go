package config

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
)

// Textline is the [probe.textline] of a probe that speaks in lines of text:
// what is sent, and where in the answer value, unit and status stand.
type Textline struct {
	Line       int
	Query      string // sent as it stands; empty when the probe talks by itself
	Terminator string
	Decimal    string // "." or ","
	Separator  string // between columns; empty: runs of blanks, or a Pattern instead

	Value, Unit, Status int // columns from 1; 0: none, or found by Pattern

	FixedUnit string   // the unit of every reading when the line says none
	Units     []string // spellings accepted where the line says one
	Pattern   string   // a Go regular expression with a group named value; empty: columns

	OK, OverRange, BatteryLow, Fault []string // the words a status can be

	More TextlineMore // several values in a line, other numbers, a checksum
}

// maxColumn bounds the columns of a line, maxTerminator a line end in bytes.
const (
	maxColumn     = 64
	maxTerminator = 8
)

func readTextline(t *table, polled, stream bool, z field.Impedance) *Textline {
	x := &Textline{Line: t.at.line}
	x.Query = t.raw(ask{"query", `"READ?\r\n"`, polled}, maxBytesSent, "")
	switch {
	case t.has("query") && stream:
		t.problem("query", "a probe that talks by itself (stream = true) is not asked; remove query, or set poll in place of stream")
	case t.has("query") && polled && x.Query == "":
		t.problem("query", `it sends nothing, and the probe is polled; write for example query = "READ?\r\n"`)
	}
	x.Terminator = t.raw(ask{"terminator", `"\r\n"`, false}, maxTerminator, "\n")
	if x.Terminator == "" || strings.ContainsFunc(x.Terminator, inNumber) {
		t.problem("terminator", `%s cannot end a line, as it is empty or can stand in a number or a word; write for example "\r\n"`, shown(x.Terminator))
	}
	x.More = readTextlineMore(t)
	x.Decimal = orElse(t.oneOf(ask{"decimal", `"."`, false}, ".", ","), ".")
	x.Pattern = t.raw(ask{"pattern", `'(?P<value>\S+) (?P<unit>\S+)'`, false}, maxPattern, "")
	if t.has("pattern") {
		readPattern(t, x)
	} else {
		readColumns(t, x)
	}
	readUnits(t, x, z)
	readWords(t, x)
	t.finish()
	return x
}

// inNumber tells what a number, a word or the room between them is made of.
func inNumber(r rune) bool {
	return r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || strings.ContainsRune("+-., \t", r)
}

// readColumns reads where in a line of columns things stand.
func readColumns(t *table, x *Textline) {
	x.Separator = t.raw(ask{"separator", `","`, false}, maxTerminator, ",")
	switch {
	case strings.Contains(x.Separator, x.Decimal):
		t.problem("separator", `%s holds the decimal mark, %q, so a number would fall apart; write another, for example separator = ";"`,
			shown(x.Separator), x.Decimal)
	case x.Separator != "" && strings.Trim(x.Separator, " \t") == "":
		t.problem("separator", `columns apart by blanks are written separator = ""`)
	case strings.ContainsAny(x.Separator, "0123456789+-"):
		t.problem("separator", `%s can stand in a number; write another, for example separator = ";"`, shown(x.Separator))
	case x.Separator != "" && (strings.Contains(x.Separator, x.Terminator) || strings.Contains(x.Terminator, x.Separator)):
		t.problem("separator", "%s and the terminator %s hold one another; write another", shown(x.Separator), shown(x.Terminator))
	}
	column := span[int64]{1, maxColumn, fmt.Sprintf("a column from 1 to %d", maxColumn)}
	x.Value = int(t.integer(ask{"value", "1", !t.has("axes")}, column, 0))
	x.Status = int(t.integer(ask{"status", "3", false}, column, 0))
	unit := ask{"unit", `2, or unit = "mW/cm2"`, true}
	if fixed, ok := t.values[unit.key].(string); ok {
		t.get(unit)
		x.FixedUnit = fixed
	} else {
		x.Unit = int(t.integer(unit, column, 0))
	}
	at := map[int]string{}
	for _, c := range []struct {
		key    string
		column int
	}{{"value", x.Value}, {"unit", x.Unit}, {"status", x.Status}, {"axes", x.More.Axes[0]}, {"axes", x.More.Axes[1]},
		{"axes", x.More.Axes[2]}, {"temperature", x.More.Temperature}, {"battery", x.More.Battery}} {
		if other := at[c.column]; c.column > 0 && other != "" {
			t.problem(c.key, "%d is the column of %s already; write another column", c.column, other)
		}
		at[c.column] = c.key
	}
}

// maxPattern bounds a pattern, in bytes.
const maxPattern = 1000

// readPattern reads where things stand by the groups of a regular expression.
func readPattern(t *table, x *Textline) {
	for _, key := range []string{"separator", "value", "status", "axes", "temperature", "battery"} {
		if _, set := t.get(ask{key: key}); set {
			t.problem(key, "a pattern takes the place of columns; remove %s, or remove pattern", key)
		}
	}
	x.FixedUnit = t.raw(ask{"unit", `"mW/cm2"`, false}, maxBytesSent, "")
	re, err := regexp.Compile(x.Pattern)
	if err != nil {
		t.problem("pattern", `%v; write a Go regular expression in '…', for example '(?P<value>\S+) (?P<unit>\S+)'`, err)
		return
	}
	seen := map[string]bool{}
	for _, name := range re.SubexpNames() {
		if name != "" && !slices.Contains([]string{"value", "unit", "status", "x", "y", "z", "temperature", "battery"}, name) {
			t.problem("pattern", "it names a group %q; the groups are value, unit, status, x, y, z, temperature and battery", name)
		}
		seen[name] = true
	}
	if !seen["value"] && !seen["x"] {
		t.problem("pattern", "it has no group named value; write (?P<value>…) around the number")
	}
	if !seen["unit"] && !t.has("unit") {
		t.problem("pattern", `no unit is known; write (?P<unit>…) around it, or for example unit = "mW/cm2"`)
	}
}

// group says whether the pattern has a group so named.
func (x *Textline) group(name string) bool {
	re, err := regexp.Compile(x.Pattern)
	return err == nil && re.SubexpIndex(name) >= 0
}

// readUnits reads the units the line can say: of power density, and of field
// strength where the probe's impedance says how one is turned into the other.
func readUnits(t *table, x *Textline, z field.Impedance) {
	if _, fixed := t.values["unit"].(string); fixed {
		checkUnit(t, "unit", t.line("unit"), x.FixedUnit, z)
	}
	x.Units = t.words(ask{"units", `["mW/cm2", "W/m2"]`, false})
	inLine := x.Unit > 0 || x.group("unit")
	switch {
	case t.has("units") && !inLine && x.FixedUnit != "":
		t.problem("units", "the line says no unit; remove units, or say in unit where it stands")
	case !t.has("units") && inLine:
		x.Units = slices.DeleteFunc(allUnits(z), func(u string) bool { return !x.canHold(u) })
		if len(x.Units) == 0 {
			t.problem("units", "no unit known here can stand between separator and terminator; set another separator")
		}
	}
	if t.has("units") {
		for i, u := range x.Units {
			if checkUnit(t, "units", t.at.key("units").item(i).line, u, z) {
				checkWord(t, x, "units", i, u)
			}
		}
	}
}

// checkUnit tells a unit that no power density can be made of.
func checkUnit(t *table, key string, line int, spelling string, z field.Impedance) bool {
	u, ok := quantity.LookupUnit(spelling)
	switch {
	case !ok:
		t.r.add(line, `%s: %s: %s is no unit known here; write for example "mW/cm2" or "W/m2"`, t.label, key, shown(spelling))
	case u.Kind() != quantity.KindPowerDensity && z == 0:
		t.r.add(line, `%s: %s: %s is a unit of %s; state impedance = "377" (as the oven standard does) or "codata" for this probe, or write a unit of power density, for example "mW/cm2"`,
			t.label, key, shown(spelling), u.Kind())
	default:
		return true
	}
	return false
}

// canHold says whether a column can hold a word without falling apart.
func (x *Textline) canHold(w string) bool {
	return (x.Separator == "" || !strings.Contains(w, x.Separator)) && (x.Terminator == "" || !strings.Contains(w, x.Terminator))
}

// allUnits returns the spellings known of all units that a power density can be
// made of.
func allUnits(z field.Impedance) []string {
	return slices.DeleteFunc(quantity.UnitSpellings(), func(s string) bool {
		u, _ := quantity.LookupUnit(s)
		return u.Kind() != quantity.KindPowerDensity && z == 0
	})
}

// readWords reads the status words.
func readWords(t *table, x *Textline) {
	status := x.Status > 0 || x.group("status")
	x.OK = t.words(ask{"ok", `["OK"]`, status})
	x.OverRange = t.words(ask{"over_range", `["OVER"]`, false})
	x.BatteryLow = t.words(ask{"battery_low", `["BAT"]`, false})
	x.Fault = t.words(ask{"fault", `["ERR"]`, false})
	seen := map[string]string{}
	for _, list := range []struct {
		key   string
		words []string
	}{{"ok", x.OK}, {"over_range", x.OverRange}, {"battery_low", x.BatteryLow}, {"fault", x.Fault}} {
		for i, w := range list.words {
			if other, twice := seen[w]; twice {
				t.problem(list.key, "%s stands in %s already; keep it in one list, once", shown(w), other)
			}
			seen[w] = list.key
			// An empty status can be one of the spellings of a plain reading.
			if w != "" || list.key != "ok" || x.Pattern == "" && x.Separator == "" {
				checkWord(t, x, list.key, i, w)
			}
		}
	}
	for _, key := range []string{"ok", "battery_low"} {
		if t.has(key) && !status && !t.has("status") {
			t.problem(key, "nothing says where a status stands; set status, or remove %s", key)
		}
	}
}

// checkWord tells a word that no column and no group can ever hold.
func checkWord(t *table, x *Textline, key string, i int, w string) {
	var what string
	switch {
	case w == "":
		what = "matches nothing; write a word"
	case !utf8.ValidString(w) || strings.Trim(w, " \t") != w:
		what = "has blanks at its ends, which are cut off what is read; remove them"
	case x.Pattern == "" && x.Separator == "" && strings.ContainsAny(w, " \t"):
		what = "holds a blank, and blanks part the columns; set separator"
	case x.Pattern == "" && x.Separator != "" && strings.Contains(w, x.Separator):
		what = "holds the separator; set another separator, or remove the word"
	case x.Terminator != "" && strings.Contains(w, x.Terminator):
		what = "holds the terminator; remove the word"
	default:
		return
	}
	t.r.add(t.at.key(key).item(i).line, "%s: %s: %s %s", t.label, key, shown(w), what)
}
