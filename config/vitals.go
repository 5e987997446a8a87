package config

import (
	"strconv"
	"strings"
)

// Vitals bound what a probe says of itself; nil is no bound.
type Vitals struct {
	BatteryVolts     *float64 // below it the battery alarm is raised
	BatteryRatio     *float64 // likewise, where the probe says a share; 1 is full
	TemperatureBelow *float64 // °C; the temperature alarm is raised below it
	TemperatureAbove *float64 // °C; and above it
}

func readVitals(t *table) Vitals {
	var v Vitals
	if s := t.text(ask{"battery_min", `"3.4 V"`, false}); s != "" {
		x, unit, ok := number(s)
		switch {
		case ok && unit == "V" && x > 0 && x <= 1000:
			v.BatteryVolts = &x
		case ok && unit == "%" && x > 0 && x < 100:
			x /= 100
			v.BatteryRatio = &x
		default:
			t.problem("battery_min", `%s is no bound for a battery; write for example "3.4 V", or "20 %%" where the probe says a share`, shown(s))
		}
	}
	celsius := func(key, example string) *float64 {
		s := t.text(ask{key, example, false})
		if s == "" {
			return nil
		}
		x, unit, ok := number(s)
		if !ok || unit != "°C" && unit != "degC" || x < -100 || x > 200 {
			t.problem(key, "%s is no temperature of a probe; write for example %s = %s", shown(s), key, example)
			return nil
		}
		return &x
	}
	v.TemperatureBelow = celsius("temperature_min", `"0 °C"`)
	v.TemperatureAbove = celsius("temperature_max", `"40 °C"`)
	if lo, hi := v.TemperatureBelow, v.TemperatureAbove; lo != nil && hi != nil && *lo >= *hi {
		t.problem("temperature_max", "it is not above temperature_min; write a higher one")
	}
	return v
}

// number cuts a decimal number with its unit apart.
func number(s string) (x float64, unit string, ok bool) {
	n := strings.IndexFunc(s, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	if n < 0 {
		return 0, "", false
	}
	x, err := strconv.ParseFloat(s[:n], 64)
	return x, strings.TrimSpace(s[n:]), err == nil
}

// SaysTemperature says whether each reading carries the instrument's
// temperature.
func (p *Probe) SaysTemperature() bool {
	switch {
	case p.Textline != nil:
		return p.Textline.More.Temperature > 0 || p.Textline.group("temperature")
	case p.SCPI != nil:
		return p.SCPI.Temperature > 0
	case p.Modbus != nil:
		return p.Modbus.Temperature != nil
	}
	return false // HID reports hold a value alone
}

// checkVitals tells bounds that nothing a probe says can ever pass.
func checkVitals(t *table, p *Probe) {
	if (p.Vitals.TemperatureBelow != nil || p.Vitals.TemperatureAbove != nil) && !p.SaysTemperature() {
		key := "temperature_min"
		if !t.has(key) {
			key = "temperature_max"
		}
		if p.HID != nil {
			t.problem(key, "a probe with the driver hid says no temperature; remove %s", key)
		} else {
			t.problem(key, "the probe says no temperature; say in [probe.%s] where it stands, or remove %s", p.Driver, key)
		}
	}
	x := p.Textline
	if x == nil {
		return
	}
	says := x.More.BatteryUnit
	switch {
	case p.Vitals.BatteryVolts == nil && p.Vitals.BatteryRatio == nil:
	case x.More.Battery == 0 && !x.group("battery"):
		t.problem("battery_min", "the probe says nothing of its battery; say in [probe.textline] where it stands, or remove battery_min")
	case says != "" && (says == "%") != (p.Vitals.BatteryRatio != nil):
		t.problem("battery_min", "the probe tells its battery in %s; write the bound in that unit", says)
	}
}
