package acquire

import (
	"fmt"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/drivers"
)

// Vitals are what a probe last said of itself. Each holds until it says another,
// so look at its instant.
type Vitals struct {
	Temperature   float64   // °C
	TemperatureAt time.Time // zero: it never said one
	Battery       float64   // V, or a share of 1 when BatteryUnit is "%"
	BatteryUnit   string    // as said: "V" or "%"
	BatteryAt     time.Time // zero: it never said one
}

// VitalBounds say from when on what a probe says of itself is an alarm; nil is
// no bound.
type VitalBounds struct {
	BatteryVolts     *float64 // V; low below it
	BatteryRatio     *float64 // share of 1; low below it
	TemperatureBelow *float64 // °C
	TemperatureAbove *float64 // °C
}

// An alarm that a bound raised ends only some way inside it, so that it does
// not come and go with noise (common practice, no source).
const (
	batteryBack     = 1.02 // times the bound
	temperatureBack = 1.0  // °C
)

// vital follows what a sample says of the probe itself. What it does not say
// changes nothing: a low battery stays low while the status is taken up by an
// over-range.
func (w *watch) vital(s *Sample) {
	r := &s.Reading
	if w.warm(s) {
		w.vitalTemperature(w.vitals.Temperature, s.At)
	}
	if r.BatteryUnit != "" {
		w.vitals.Battery, w.vitals.BatteryUnit, w.vitals.BatteryAt = r.Battery.Float(), r.BatteryUnit, s.At
		if r.BatteryUnit == "%" {
			w.vitals.Battery /= 100
		}
	}
	if r.BatteryUnit != "" || r.Status&drivers.BatteryLow != 0 || w.battery || w.alarms[batteryAt].State.Present() {
		w.vitalBattery(r, s.At)
	}
}

// warm takes what a sample says of the probe's temperature, if it does.
func (w *watch) warm(s *Sample) bool {
	c, ok := w.warmth.of(&s.Reading)
	if ok {
		w.vitals.Temperature, w.vitals.TemperatureAt = c, s.At
	}
	return ok
}

// heedsWarmth says whether a temperature can begin or end an alarm.
func (w *watch) heedsWarmth() bool {
	v := &w.post.Probe.Vitals
	return v.TemperatureBelow != nil || v.TemperatureAbove != nil || w.alarms[temperatureAt].State.Present()
}

// warmth is the temperature that a probe said last. It is asked for twice a sample,
// and seldom another one.
type warmth struct {
	said    drivers.Decimal
	unit    string
	celsius float64
	known   bool // in a unit known here
}

// of is Reading.Celsius.
func (h *warmth) of(r *drivers.Reading) (celsius float64, ok bool) {
	if !r.HasTemp {
		return 0, false
	}
	if r.Temperature != h.said || r.TemperatureUnit != h.unit {
		h.said, h.unit = r.Temperature, r.TemperatureUnit
		h.celsius, h.known = r.Celsius()
	}
	return h.celsius, h.known
}

func (w *watch) vitalBattery(r *drivers.Reading, at time.Time) {
	said := r.Status&drivers.BatteryLow != 0
	plain := r.Status&(drivers.OverRange|drivers.Fault) == 0
	if said || plain && w.battery {
		if said != w.battery {
			w.battery = said
			text := "the probe no longer calls for a new battery"
			if said {
				text = "the probe calls for a new battery: change it soon"
			}
			w.report(Event{At: at, Post: w.post.ID, Kind: KindBattery, Text: text})
		}
	}
	bound, low := w.heedBattery(r)
	switch {
	case w.battery:
		w.moveVital(batteryAt, alarm.Appears, at, func() string { return "the probe calls for a new battery: change it soon" })
	case low:
		v := w.vitals
		w.moveVital(batteryAt, alarm.Appears, at, func() string {
			return fmt.Sprintf("the probe's battery is at %s, below %s: change it soon", batteryWords(v.Battery, v.BatteryUnit), batteryWords(*bound, v.BatteryUnit))
		})
	case plain && !w.lowByValue:
		w.moveVital(batteryAt, alarm.Disappears, at, func() string {
			switch {
			case bound != nil:
				return "the probe's battery is no longer low"
			case !w.vitals.BatteryAt.IsZero() && w.post.Probe.Vitals.BatteryIn(w.vitals.BatteryUnit) != nil:
				return fmt.Sprintf("the probe calls for no new battery, and last said that it is at %s, which is not low", w.vitals.BatteryWords())
			case r.BatteryUnit == "" && w.post.Probe.Vitals.battery():
				return "the probe calls for no new battery, and says no value of it: how much is left is not known"
			}
			return "the probe calls for no new battery, and nothing that it says of its battery is bounded"
		})
	}
}

// heedBattery takes what a reading says of the battery's value, if it does, and notes
// whether that is low: so it stands until another one is said. It returns the bound of
// the value, nil for none, and whether it is below it.
func (w *watch) heedBattery(r *drivers.Reading) (bound *float64, low bool) {
	if r.BatteryUnit == "" {
		return nil, false
	}
	value := r.Battery.Float()
	if r.BatteryUnit == "%" {
		value /= 100
	}
	bound = w.post.Probe.Vitals.BatteryIn(r.BatteryUnit)
	low = bound != nil && value < *bound
	w.lowByValue = low || w.lowByValue && bound != nil && value < *bound*batteryBack
	return bound, low
}

// battery says whether a bound for the battery is set.
func (b VitalBounds) battery() bool { return b.BatteryVolts != nil || b.BatteryRatio != nil }

// BatteryIn is the bound of a battery's value that is said in a unit; nil: none.
func (b VitalBounds) BatteryIn(unit string) *float64 {
	if unit == "V" {
		return b.BatteryVolts
	}
	return b.BatteryRatio
}

// BatteryWords is the battery's value as people read it.
func (v Vitals) BatteryWords() string { return batteryWords(v.Battery, v.BatteryUnit) }

func batteryWords(x float64, unit string) string {
	if unit == "%" {
		return fmt.Sprintf("%.3g %%", 100*x)
	}
	return fmt.Sprintf("%.3g V", x)
}

func (w *watch) vitalTemperature(c float64, at time.Time) {
	lo, hi := w.post.Probe.Vitals.TemperatureBelow, w.post.Probe.Vitals.TemperatureAbove
	switch {
	case lo == nil && hi == nil && !w.alarms[temperatureAt].State.Present():
	case lo != nil && c < *lo:
		w.moveVital(temperatureAt, alarm.Appears, at, func() string {
			return fmt.Sprintf("the probe is at %.1f °C, below the %.3g °C it is meant for: its readings may be off", c, *lo)
		})
	case hi != nil && c > *hi:
		w.moveVital(temperatureAt, alarm.Appears, at, func() string {
			return fmt.Sprintf("the probe is at %.1f °C, above the %.3g °C it is meant for: its readings may be off", c, *hi)
		})
	case (lo == nil || c >= *lo+temperatureBack) && (hi == nil || c <= *hi-temperatureBack):
		w.moveVital(temperatureAt, alarm.Disappears, at, func() string {
			return fmt.Sprintf("the probe is at %.1f °C, within its bounds again", c)
		})
	}
}

// lookWarmth drops the alarm about the temperature of a probe that says none any more: how
// warm it was says nothing of how warm it is, and nothing else would ever end it.
func (w *watch) lookWarmth(mono time.Duration, at time.Time) {
	is, said := alarm.Unknown, w.vitals.TemperatureAt
	switch {
	case !w.alarms[temperatureAt].State.Present(), !said.Equal(w.system.told): // said since the last look, however long ago
		is = alarm.Absent
	case w.wasValid && mono-w.valid <= w.post.Stale:
		is = alarm.PresentIf(at.Sub(said) > w.post.Stale)
	}
	w.system.told = said
	g, h, tell := w.system.untold.Look(is, mono)
	if w.system.untold = g; tell && h == alarm.Appears {
		w.apply(temperatureAt, alarm.Act{What: alarm.Drop, At: at}, "the probe says no temperature any more: how warm it is is not known", nil)
	}
}

// moveVital steps an alarm about the probe itself, and reports a change; only
// then text is made.
func (w *watch) moveVital(i int, h alarm.Happening, at time.Time, text func() string) {
	if present := w.alarms[i].State.Present(); present == (h == alarm.Appears) {
		return
	}
	w.apply(i, alarm.Act{What: h, At: at}, text(), nil)
}
