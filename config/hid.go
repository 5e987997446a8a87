package config

import (
	"encoding/hex"
	"ovenward/acquire/field"
	"slices"
	"strings"

	"ovenward/drivers"
)

// HID is the [probe.hid] of a probe that puts its value into USB HID reports.
type HID struct {
	Line      int
	Request   []byte // report that asks for one; empty when it talks by itself
	Report    int    // -1: reports are not numbered
	Length    int    // 0: any that reaches the value
	Offset    int    // from the report's first byte, its number if it has one
	Width     int    // bytes
	BigEndian bool
	Signed    bool
	Scale     drivers.Decimal // in Unit
	Unit      string
	OverRange []int64
	Fault     []int64
}

// maxReportBytes bounds a report.
const maxReportBytes = 4096

func readHID(t *table, polled, stream bool, z field.Impedance) *HID {
	h := &HID{Line: t.at.line}
	bytes := span[int64]{1, maxReportBytes, "1 to 4096"}
	h.Report = int(t.integer(ask{"report", "3", false}, span[int64]{0, 255, "0 to 255, or leave it out when reports are not numbered"}, -1))
	h.Length = int(t.integer(ask{"length", "8", false}, bytes, 0))
	h.Offset = int(t.integer(ask{"offset", "1", true}, span[int64]{0, maxReportBytes - 8, "0 to 4088"}, 0))
	h.Width = int(t.integer(ask{"width", "2", true}, span[int64]{1, 8, "1 to 8"}, 0))
	h.BigEndian = t.oneOf(ask{"order", `"little"`, true}, "little", "big") == "big"
	signed := t.boolean(ask{"signed", "true", false})
	h.Signed = signed != nil && *signed
	h.Scale = readScale(t)
	if h.Unit = t.raw(ask{"unit", `"mW/cm2"`, true}, maxBytesSent, ""); h.Unit != "" {
		checkUnit(t, "unit", t.line("unit"), h.Unit, z)
	}
	h.OverRange = t.numerals(ask{"over_range", "[65535]", false})
	h.Fault = t.numerals(ask{"fault", "[65534]", false})
	for _, x := range h.OverRange {
		if slices.Contains(h.Fault, x) {
			t.problem("fault", "%d stands in over_range already; keep it in one list", x)
		}
	}
	switch {
	case h.Report >= 0 && h.Offset == 0 && t.has("offset"):
		t.problem("offset", "0 is the place of the report's number; count from it, so that the next byte is 1")
	case h.Length > 0 && h.Width > 0 && h.Offset+h.Width > h.Length:
		t.problem("length", "the value ends at byte %d, after the report; write at least that", h.Offset+h.Width)
	}
	h.readRequest(t, polled, stream)
	t.finish()
	return h
}

func (h *HID) readRequest(t *table, polled, stream bool) {
	s := t.raw(ask{"request", `"01 00"`, polled}, 4*maxBytesSent, "")
	b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
	switch {
	case t.has("request") && stream:
		t.problem("request", "a probe that talks by itself (stream = true) is not asked; remove request, or set poll in place of stream")
	case err != nil || t.has("request") && len(b) == 0:
		t.problem("request", `%s is no report; write its bytes in hexadecimal, the report's number first (00 if none), for example request = "01 00"`, shown(s))
	}
	h.Request = b
}

// readScale reads what one step of the number is, kept as a decimal.
func readScale(t *table) drivers.Decimal {
	s := t.text(ask{"scale", `"0.001"`, true})
	if s == "" {
		return drivers.Decimal{Digits: 1}
	}
	d, err := drivers.ParseDecimal([]byte(s), '.')
	if err != nil || d.Digits <= 0 {
		t.problem("scale", `%s is no scale; write a decimal number above zero in quotes, for example scale = "0.001"`, shown(s))
		return drivers.Decimal{Digits: 1}
	}
	return d
}

// numerals reads a list of whole numbers.
func (t *table) numerals(a ask) []int64 {
	v, ok := t.get(a)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if !ok || len(list) == 0 {
		t.wrongType(a, v, "a list of whole numbers")
		return nil
	}
	var out []int64
	for _, v := range list {
		n, ok := v.(int64)
		if !ok {
			t.problem(a.key, "%s is %s; write whole numbers without quotes, for example %s = %s", shown(v), typeOf(v), a.key, a.example)
			continue
		}
		out = append(out, n)
	}
	return out
}
