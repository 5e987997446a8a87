package acquire

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/drivers"
)

// toldVitals runs readings through a watch, one a second, and returns what was
// said of a rule. before were recorded, one a second, until it began.
func toldVitals(t *testing.T, rule alarm.Rule, bounds VitalBounds, standing []alarm.Alarm, before, said []drivers.Reading) (*watch, []string) {
	t.Helper()
	p := aPost(&fakeProbe{})
	p.Probe.Vitals = bounds
	epoch := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	m := newMemory()
	w := newWatch(&p, 0, epoch, m, m.Record)
	past := Past{Alarms: standing, LastSeq: int64(len(before)), LastAt: epoch, Recent: func(yield func(Sample, error) bool) {
		for i, r := range before {
			if !yield(Sample{Seq: int64(i + 1), At: epoch.Add(time.Duration(i-len(before)) * time.Second), Reading: r}, nil) {
				return
			}
		}
	}}
	if err := w.restore(past); err != nil {
		t.Fatal(err)
	}
	for i, r := range said {
		if r.Status&(drivers.OverRange|drivers.Fault) == 0 {
			r.Value, r.HasValue = drivers.Decimal{Digits: int64(400 + i%3), Exp: -3}, true
		}
		r.Unit = "mW/cm2"
		at := epoch.Add(time.Duration(i+1) * time.Second)
		w.take([]drivers.Frame{{Arrived: at}}, []Sample{{Reading: r}}, []error{nil})
	}
	var told []string
	for _, e := range m.events {
		if e.Alarm != nil && e.Alarm.Rule == rule {
			told = append(told, e.Text)
		}
	}
	return w, told
}

func TestBatteryAlarm(t *testing.T) {
	volts := func(mV int64) drivers.Reading {
		return drivers.Reading{Battery: drivers.Decimal{Digits: mV, Exp: -3}, BatteryUnit: "V"}
	}
	share := func(p int64) drivers.Reading {
		return drivers.Reading{Battery: drivers.Decimal{Digits: p}, BatteryUnit: "%"}
	}
	says := func(s drivers.Status) drivers.Reading { return drivers.Reading{Status: s} }
	with := func(r drivers.Reading, s drivers.Status) drivers.Reading { r.Status |= s; return r }
	v34, r20 := VitalBounds{BatteryVolts: new(3.4)}, VitalBounds{BatteryRatio: new(0.2)}
	standing := []alarm.Alarm{{Post: "door", Rule: alarm.Battery, State: alarm.Unacknowledged, ID: "door.battery.1"}}
	for name, c := range map[string]struct {
		bounds   VitalBounds
		standing []alarm.Alarm
		before   []drivers.Reading
		said     []drivers.Reading
		want     []string // beginnings
	}{
		"status":               {VitalBounds{}, nil, nil, []drivers.Reading{says(0), says(drivers.BatteryLow), says(drivers.BatteryLow), says(0)}, []string{"raised: the probe calls", "returned"}},
		"hidden by over":       {VitalBounds{}, nil, nil, []drivers.Reading{says(drivers.BatteryLow), says(drivers.OverRange), says(drivers.Fault), says(drivers.BatteryLow)}, []string{"raised"}},
		"below its bound":      {v34, nil, nil, []drivers.Reading{volts(3500), volts(3390), volts(3410), volts(3390), volts(3500)}, []string{"raised: the probe's battery is at 3.39 V, below 3.4 V", "returned"}},
		"a share":              {r20, nil, nil, []drivers.Reading{share(21), share(19), share(20), share(25)}, []string{"raised: the probe's battery is at 19 %, below 20 %", "returned"}},
		"no bound for it":      {r20, nil, nil, []drivers.Reading{volts(1)}, nil},
		"value says nothing":   {v34, nil, nil, []drivers.Reading{volts(3300), says(0), says(0)}, []string{"raised"}},
		"bound, never a value": {v34, nil, nil, []drivers.Reading{says(drivers.BatteryLow), says(0)}, []string{"raised", "returned"}},
		"both":                 {v34, nil, nil, []drivers.Reading{with(volts(3600), drivers.BatteryLow), volts(3600)}, []string{"raised: the probe calls", "returned"}},
		"bound taken away":     {VitalBounds{}, standing, nil, []drivers.Reading{volts(3300)}, []string{"returned: the probe calls for no new battery, and nothing that it says"}},
		"bound in another":     {r20, standing, nil, []drivers.Reading{volts(3300), volts(3300)}, []string{"returned: the probe calls for no new battery, and nothing that it says"}},
		"in another, reversed": {v34, standing, nil, []drivers.Reading{share(90)}, []string{"returned: the probe calls for no new battery, and nothing that it says"}},
		"in another, and low":  {r20, standing, nil, []drivers.Reading{with(volts(3300), drivers.BatteryLow), says(0)}, []string{"returned"}},
		"from the record":      {v34, standing, []drivers.Reading{volts(3600), volts(3300), says(0)}, []drivers.Reading{says(0), volts(3300), volts(3600)}, []string{"returned"}},
		"low when it stopped":  {v34, standing, []drivers.Reading{volts(3300)}, []drivers.Reading{says(0), says(0)}, nil},
		"changed while nobody looked, no value": {v34, standing, []drivers.Reading{says(drivers.BatteryLow)}, []drivers.Reading{says(0)},
			[]string{"returned: the probe calls for no new battery, and says no value of it: how much is left is not known"}},
		"well, then called without a value": {v34, nil, nil, []drivers.Reading{volts(3600), says(drivers.BatteryLow), says(0)},
			[]string{"raised: the probe calls", "returned: the probe calls for no new battery, and last said that it is at 3.6 V, which is not low"}},
		"low, then called without a value": {v34, nil, nil, []drivers.Reading{volts(3300), says(drivers.BatteryLow), says(0)}, []string{"raised"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, told := toldVitals(t, alarm.Battery, c.bounds, c.standing, c.before, c.said)
			if !slices.EqualFunc(told, c.want, strings.HasPrefix) {
				t.Errorf("told %q, want %q", told, c.want)
			}
		})
	}
}

func TestTemperatureAlarm(t *testing.T) {
	tenths := func(d int64, unit string) drivers.Reading {
		return drivers.Reading{Temperature: drivers.Decimal{Digits: d, Exp: -1}, HasTemp: true, TemperatureUnit: unit}
	}
	both := VitalBounds{TemperatureBelow: new(0.0), TemperatureAbove: new(40.0)}
	for name, c := range map[string]struct {
		bounds VitalBounds
		said   []drivers.Reading
		want   []string
	}{
		"too warm":        {both, []drivers.Reading{tenths(395, ""), tenths(401, ""), tenths(396, ""), tenths(402, ""), tenths(390, "")}, []string{"raised: the probe is at 40.1 °C, above the 40 °C", "returned"}},
		"too cold":        {both, []drivers.Reading{tenths(-1, "°C"), tenths(5, "°C"), tenths(10, "°C")}, []string{"raised: the probe is at -0.1 °C, below the 0 °C", "returned"}},
		"in fahrenheit":   {both, []drivers.Reading{tenths(1039, "°F"), tenths(1041, "°F")}, []string{"raised: the probe is at 40.1 °C"}},
		"in kelvin":       {both, []drivers.Reading{tenths(3131, "K"), tenths(3132, "K")}, []string{"raised: the probe is at 40.1 °C"}},
		"no bounds":       {VitalBounds{}, []drivers.Reading{tenths(999, "")}, nil},
		"nothing is said": {both, []drivers.Reading{{}, {}}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			w, told := toldVitals(t, alarm.Temperature, c.bounds, nil, nil, c.said)
			if !slices.EqualFunc(told, c.want, strings.HasPrefix) {
				t.Errorf("told %q, want %q", told, c.want)
			}
			if v := w.stats(w.epoch.Add(5 * time.Second)).Vitals; v.TemperatureAt.IsZero() != (name == "nothing is said") {
				t.Errorf("vitals %+v", v)
			}
		})
	}
}

// TestTemperatureThatIsSaidNoMore: the alarm that a start finds would stand for good, for
// nothing but a temperature ends it. A probe that is not read at all says nothing of that.
func TestTemperatureThatIsSaidNoMore(t *testing.T) {
	hot := drivers.Reading{Temperature: drivers.Decimal{Digits: 41}, HasTemp: true}
	const gone = "no longer watched: the probe says no temperature any more: how warm it is is not known"
	for name, c := range map[string]struct {
		says func(second int) *drivers.Reading // nil: nothing
		want []string
	}{
		"never":           {func(int) *drivers.Reading { return &drivers.Reading{} }, []string{gone}},
		"now and then":    {func(n int) *drivers.Reading { return map[bool]*drivers.Reading{true: &hot, false: {}}[n%300 == 0] }, nil},
		"not read at all": {func(int) *drivers.Reading { return nil }, nil},
		"until then": {func(n int) *drivers.Reading { return map[bool]*drivers.Reading{true: &hot, false: {}}[n < 300] },
			[]string{gone}},
		"and again": {func(n int) *drivers.Reading { return map[bool]*drivers.Reading{true: &hot, false: {}}[n > 900] },
			[]string{gone, "raised: the probe is at 41.0 °C"}},
	} {
		t.Run(name, func(t *testing.T) {
			p := aPost(&fakeProbe{})
			p.Probe.Vitals.TemperatureAbove = new(40.0)
			epoch := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
			m := newMemory()
			w := newWatch(&p, 0, epoch, m, m.Record)
			if err := w.restore(Past{Alarms: []alarm.Alarm{{Post: "door", Rule: alarm.Temperature, State: alarm.Acknowledged, ID: "door.temperature.1"}}}); err != nil {
				t.Fatal(err)
			}
			for n := 1; n <= 1000; n++ {
				at := epoch.Add(time.Duration(n) * time.Second)
				if r := c.says(n); r != nil {
					said := *r
					said.Value, said.HasValue, said.Unit = drivers.Decimal{Digits: int64(400 + n%3), Exp: -3}, true, "mW/cm2"
					w.take([]drivers.Frame{{Arrived: at}}, []Sample{{Reading: said}}, []error{nil})
				}
				w.tick(at)
			}
			var told []string
			for _, e := range m.events {
				if e.Alarm != nil && e.Alarm.Rule == alarm.Temperature {
					told = append(told, e.Text)
				}
			}
			if !slices.EqualFunc(told, c.want, strings.HasPrefix) {
				t.Errorf("told %q, want %q", told, c.want)
			}
		})
	}
}

// A probe that reads fast, and says once a minute how warm it is, says so; looks fall when that
// is older than its readings may be.
func TestTemperatureThatIsSaidNowAndThenBetweenLooks(t *testing.T) {
	p := aPost(&fakeProbe{})
	p.Stale, p.Probe.Vitals.TemperatureAbove = 100*time.Millisecond, new(40.0)
	epoch := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	m := newMemory()
	w := newWatch(&p, 0, epoch, m, m.Record)
	for n := 1; n <= 20*60*10; n++ {
		at := epoch.Add(time.Duration(n) * 100 * time.Millisecond)
		said := drivers.Reading{Value: drivers.Decimal{Digits: int64(400 + n%3), Exp: -3}, HasValue: true, Unit: "mW/cm2"}
		if n%600 == 1 {
			said.Temperature, said.HasTemp = drivers.Decimal{Digits: 41}, true
		}
		w.take([]drivers.Frame{{Arrived: at}}, []Sample{{Reading: said}}, []error{nil})
		if n%10 == 3 {
			w.tick(at.Add(10 * time.Millisecond))
		}
	}
	for _, e := range m.events {
		if e.Alarm != nil && e.Alarm.Rule == alarm.Temperature && e.Alarm.Reason != alarm.Raised {
			t.Errorf("told %q", e.Text)
		}
	}
	if !w.alarms[temperatureAt].State.Present() {
		t.Error("its alarm does not stand")
	}
}

func TestVitalsTouchNoVerdict(t *testing.T) {
	hot := drivers.Reading{Temperature: drivers.Decimal{Digits: 90}, HasTemp: true, Battery: drivers.Decimal{Digits: 1}, BatteryUnit: "%"}
	w, _ := toldVitals(t, alarm.Exceeds, VitalBounds{BatteryRatio: new(0.5), TemperatureAbove: new(40.0)}, nil, nil, []drivers.Reading{hot, hot, hot})
	st := w.stats(w.epoch.Add(3 * time.Second))
	if st.Condition.Blind() || st.Newest.Quality != 0 || st.Vitals.Battery != 0.01 || st.Vitals.Temperature != 90 {
		t.Errorf("%v, %v, %+v", st.Condition, st.Newest.Quality, st.Vitals)
	}
	for _, a := range st.Alarms {
		if a.State.Standing() != (a.Rule == alarm.Battery || a.Rule == alarm.Temperature) {
			t.Errorf("%s: %s", a.Rule, a.State)
		}
	}
}
