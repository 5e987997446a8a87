package acquire

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/field"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

func day(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.UTC) }

// watchOf makes a watch of a post after it was changed; its time begins at
// 2000-01-01.
func watchOf(r Recorder, report func(Event), change func(*Post)) *watch {
	p := aPost(&fakeProbe{})
	change(&p)
	return newWatch(&p, 0, day(2000, 1, 1), r, report)
}

// hear takes readings in one batch, one a second from at on.
func (w *watch) hear(at time.Duration, readings ...drivers.Reading) []Sample {
	var frames []drivers.Frame
	var batch []Sample
	for i, r := range readings {
		frames = append(frames, drivers.Frame{Bytes: []byte("x"), Arrived: w.epoch.Add(at + time.Duration(i)*time.Second)})
		batch = append(batch, Sample{Reading: r})
	}
	return w.take(frames, batch, make([]error, len(frames)))
}

func reading(digits int64, exp int8, unit string) drivers.Reading {
	return drivers.Reading{Value: drivers.Decimal{Digits: digits, Exp: exp}, HasValue: true, Unit: unit}
}

// order is a Recorder that keeps the order in which it was told things.
type order struct {
	memory
	told []string
}

func (o *order) Append(_ int, batch []Sample) {
	for _, s := range batch {
		o.told = append(o.told, s.At.Format("15:04:05"))
	}
}

func (o *order) Correction(_ int, c calib.Correction) {
	o.told = append(o.told, "certificate "+c.Certificate.Number)
}

// A certificate dated a thousand years off, as by a slip, is waited for and not looked for at each sample.
func TestCertificateOfAFarYear(t *testing.T) {
	w := watchOf(newMemory(), func(Event) {}, func(p *Post) {
		p.Probe.Certificate = &calib.Certificate{Number: "far", Factor: 2, U: 0.1, K: 2, Date: day(2926, 1, 1), Due: day(2927, 1, 1)}
		p.Probe.Earlier = []*calib.Certificate{{Number: "now", Factor: 1, U: 0.1, K: 2, Date: day(1999, 1, 1), Due: day(2001, 1, 1)}}
	})
	if got := w.hear(0, reading(100, -2, "W/m2")); got[0].S != 1 || got[0].Quality&Uncalibrated != 0 {
		t.Errorf("%+v, want 1 W/m², calibrated", got[0])
	}
	if w.nextCertificate != math.MaxInt64 {
		t.Errorf("certificates are looked for again at %d ns", w.nextCertificate)
	}
}

// A certificate comes into force in the middle of a batch: what was sensed
// before keeps the old one, and the record is told in that order.
func TestCertificateComesIntoForce(t *testing.T) {
	o := &order{}
	var events []Event
	w := watchOf(o, func(e Event) { events = append(events, e) }, func(p *Post) {
		p.Probe.Certificate = &calib.Certificate{Number: "K-2", Laboratory: "bench", Factor: 2, U: 0.2, K: 2, Date: day(2000, 1, 2), Due: day(2000, 1, 4)}
		p.Probe.Earlier = []*calib.Certificate{{Number: "K-1", Factor: 1, U: 0.1, K: 2, Date: day(1999, 1, 1), Due: day(2000, 1, 2)}}
	})
	r := reading(1000, -3, "mW/cm2")
	batch := w.hear(24*time.Hour-2*time.Second, r, r, r, r)
	var got []float64
	for _, s := range batch {
		got = append(got, float64(s.S))
		if s.Quality != 0 {
			t.Errorf("%s: %s, want good", s.At, s.Quality)
		}
	}
	if len(got) != 4 || got[0] != 10 || got[1] != 10 || got[2] != 20 || got[3] != 20 {
		t.Errorf("corrected to %v W/m², want 10, 10, 20, 20", got)
	}
	if told := strings.Join(o.told, " "); told != "23:59:58 23:59:59 certificate K-2 00:00:00 00:00:01" {
		t.Errorf("the record was told %s", told)
	}
	if len(events) == 0 || events[0].Kind != KindCalibration || events[0].Text != "certificate K-2 of bench is in force from now on" || !events[0].At.Equal(day(2000, 1, 2)) {
		t.Errorf("events %+v", events)
	}
	if batch[2].U <= batch[1].U*2 {
		t.Errorf("U goes from %v to %v W/m², though the new certificate is less sure", batch[1].U, batch[2].U)
	}
	late := w.hear(72*time.Hour, r)
	if late[0].Quality != Uncalibrated || late[0].S != 20 || w.uncalibrated() != "certificate K-2 was due on 2000-01-04: have the probe calibrated" {
		t.Errorf("overdue: %v W/m², %s, %q", float64(late[0].S), late[0].Quality, w.uncalibrated())
	}
	if why := strings.Join(w.verdict(&w.held[0], 72*time.Hour).Reasons, "; "); !strings.Contains(why, notCalibrated+": certificate K-2 was due on 2000-01-04") {
		t.Errorf("the verdict says %q", why)
	}
}

// What a certificate does not cover is uncalibrated, with the reason.
// warm adds a temperature to a reading.
func warm(r drivers.Reading, t float64, unit string) drivers.Reading {
	r.HasTemp, r.Temperature, r.TemperatureUnit = true, drivers.Decimal{Digits: int64(math.Round(t * 100)), Exp: -2}, unit
	return r
}

func TestOutsideTheCertificate(t *testing.T) {
	table := func(p *Post) {
		p.Probe.Certificate.ByFrequency = []calib.FrequencyPoint{{Frequency: 915e6, Factor: 1.1}, {Frequency: 1.5e9, Factor: 1.2}}
	}
	for _, tc := range []struct {
		name   string
		change func(*Post)
		r      drivers.Reading
		s      float64
		why    string
	}{
		{"within the table", func(p *Post) { table(p); p.Frequency = 915e6 }, reading(1, 0, "mW/cm2"), 11, ""},
		{"outside it", func(p *Post) { table(p); p.Frequency = 2.45e9 }, reading(1, 0, "mW/cm2"), 12, "2450 MHz lies outside the table of certificate K-1"},
		{"no frequency", table, reading(1, 0, "mW/cm2"), 11, "the oven's frequency is not known"},
		{"above the linearity table", func(p *Post) {
			p.Probe.Certificate.ByLevel = []calib.LevelPoint{{Level: 1, Factor: 1}, {Level: 5, Factor: 1.5}}
		},
			reading(1, 0, "mW/cm2"), 15, "the level lies above the linearity table of certificate K-1"},
		{"no temperature", func(p *Post) { p.Probe.SaysTemperature, p.Probe.Certificate.PerKelvin = true, 0.01 },
			reading(1, 0, "mW/cm2"), 10, "the reading carries no temperature, and certificate K-1 corrects by it"},
		{"a thermometer that is broken", func(p *Post) { p.Probe.SaysTemperature, p.Probe.Certificate.PerKelvin = true, 0.01 },
			warm(reading(1, 0, "mW/cm2"), 850, "°C"), 10, "the probe says that it is at 850 °C, which cannot be"},
		{"a temperature in °F", func(p *Post) {
			p.Probe.SaysTemperature, p.Probe.Certificate.PerKelvin, p.Probe.Certificate.Reference = true, 0.01, 23
		}, warm(reading(1, 0, "mW/cm2"), 82.4, "°F"), 10 / 1.05, ""}, // 28 °C
		{"a temperature in K", func(p *Post) {
			p.Probe.SaysTemperature, p.Probe.Certificate.PerKelvin, p.Probe.Certificate.Reference = true, 0.01, 23
		}, warm(reading(1, 0, "mW/cm2"), 301.15, "K"), 10 / 1.05, ""},
		{"far below zero", func(*Post) {}, reading(-1, 0, "mW/cm2"), -10, "-1 mW/cm² is far below zero, so that the zero is off"},
	} {
		w := watchOf(newMemory(), func(Event) {}, tc.change)
		s := w.hear(time.Second, tc.r)[0]
		if math.Abs(float64(s.S)-tc.s) > 1e-12 || (s.Quality&Uncalibrated != 0) != (tc.why != "") || !strings.Contains(w.uncalibrated(), tc.why) {
			t.Errorf("%s: %v W/m², %s, %q; want %v and %q", tc.name, float64(s.S), s.Quality, w.uncalibrated(), tc.s, tc.why)
		}
		if got := w.stats(w.epoch.Add(time.Second)).Uncalibrated; got != w.uncalibrated() {
			t.Errorf("%s: shown as %q", tc.name, got)
		}
	}
}

func TestAxesAndFieldStrengths(t *testing.T) {
	axes := func(unit string, x, y, z int64) drivers.Reading {
		return drivers.Reading{HasAxes: true, Unit: unit, Axes: [3]drivers.Decimal{{Digits: x, Exp: -1}, {Digits: y, Exp: -1}, {Digits: z, Exp: -1}}}
	}
	w := watchOf(newMemory(), func(Event) {}, func(p *Post) { p.Probe.Impedance = field.Standard377 })
	for i, tc := range []struct {
		r drivers.Reading
		s float64
	}{
		{axes("mW/cm2", 1, 2, 3), 6},
		{axes("V/m", 300, 400, 0), 2500. / 377}, // 30 and 40 V/m
		{reading(614, -1, "V/m"), 61.4 * 61.4 / 377},
	} {
		s := w.hear(time.Duration(i)*time.Second, tc.r)[0]
		if math.Abs(float64(s.S)-tc.s) > 1e-12 || !s.HasValue() || s.Quality != 0 {
			t.Errorf("%+v: %v W/m², %s, want %v", tc.r, float64(s.S), s.Quality, tc.s)
		}
	}
	// Axes that move are no stuck probe, though no total was said.
	before := w.still
	w.hear(10*time.Second, axes("mW/cm2", 1, 2, 4))
	if w.still == before {
		t.Error("axes that move are taken for a probe that stands still")
	}
	m := newMemory()
	w = watchOf(m, func(e Event) { m.Record(e) }, func(*Post) {})
	if got := w.hear(0, reading(614, -1, "V/m")); len(got) != 0 {
		t.Errorf("a field strength without an impedance became %+v", got)
	}
	if text := strings.Join(m.texts(KindUnparsed), ""); !strings.Contains(text, "state impedance") {
		t.Errorf("told as %q", text)
	}
}

// Steps worked by hand: a first-order filter behind a fast probe has a time
// constant of 3 s/ln 10 (21 CFR 1030.10(c)(3)(i)), so that after 1 s of a step
// from 0 to 60 W/m² it shows 60·(1 - 10^(-1/3)) = 32.2 W/m².
func TestVerdictIsFilteredAndAlarmIsNot(t *testing.T) {
	w := watchOf(newMemory(), func(Event) {}, func(p *Post) { p.Probe.Response = time.Millisecond })
	w.hear(0, reading(2, -2, "mW/cm2"))
	for i := range 11 {
		w.hear(time.Second+time.Duration(i)*100*time.Millisecond, reading(6000+int64(i%3), -3, "mW/cm2"))
	}
	v := w.verdict(&w.held[0], 2*time.Second)
	if v.Outcome == limit.Exceeds || math.Abs(float64(v.Judged)-32.2) > 0.3 || v.Filtered != 3*time.Second {
		t.Errorf("after 1 s of a step: %s at %v W/m², filtered to %s", v.Outcome, float64(v.Judged), v.Filtered)
	}
	if math.Abs(float64(v.Value)-60) > 0.1 || math.Abs(v.Ratio-1.2) > 0.01 {
		t.Errorf("the value shown is %v, %v times the limit: it is as measured", v.Value, v.Ratio)
	}
	if a := w.alarmVerdict(&w.held[0], 2*time.Second); a.Outcome != limit.Exceeds {
		t.Errorf("the alarm judges %s", a.Outcome)
	}
	if len(v.Notes) != 1 || !strings.Contains(v.Notes[0], "3 s to 90 %") {
		t.Errorf("notes %q", v.Notes)
	}
	for i := 11; i < 40; i++ {
		w.hear(time.Second+time.Duration(i)*100*time.Millisecond, reading(6000+int64(i%3), -3, "mW/cm2"))
	}
	if v := w.verdict(&w.held[0], 5*time.Second); v.Outcome != limit.Exceeds || math.Abs(float64(v.Judged)-57.2) > 0.2 { // 1 - 10^(-4/3)
		t.Errorf("after 4 s: %s at %v W/m²", v.Outcome, float64(v.Judged))
	}

	slow := watchOf(newMemory(), func(Event) {}, func(p *Post) { p.Probe.Response = 3 * time.Second })
	slow.hear(0, reading(2, -2, "mW/cm2"), reading(6, 0, "mW/cm2"))
	if v := slow.verdict(&slow.held[0], time.Second); v.Filtered != 0 || v.Judged != 60 || v.Outcome != limit.Exceeds {
		t.Errorf("a probe of 3 s is filtered: %s at %v W/m²", v.Outcome, float64(v.Judged))
	}
	unasked := watchOf(newMemory(), func(Event) {}, func(p *Post) { p.Limit.Slowest, p.Probe.Response = 0, time.Millisecond })
	unasked.hear(0, reading(2, -2, "mW/cm2"), reading(6, 0, "mW/cm2"))
	if v := unasked.verdict(&unasked.held[0], time.Second); v.Filtered != 0 || v.Judged != 60 {
		t.Errorf("a limit whose document states no response is judged at %v W/m², filtered to %s", float64(v.Judged), v.Filtered)
	}
	both := watchOf(newMemory(), func(Event) {}, func(p *Post) {
		p.Probe.Response = time.Millisecond
		p.More = []limit.Limit{{ID: "quick", Value: 50, Distance: 0.05, Basis: limit.EmissionNew, Slowest: time.Second}}
	})
	both.hear(0, reading(2, -2, "mW/cm2"), reading(6, 0, "mW/cm2"))
	if v := both.verdict(&both.held[0], time.Second); v.Filtered != time.Second {
		t.Errorf("of two responses asked the faster counts, and it is filtered to %s", v.Filtered)
	}
	exposure := watchOf(newMemory(), func(Event) {}, func(p *Post) { p.Limit.Basis, p.Probe.Response = limit.ExposurePublic, time.Millisecond })
	exposure.hear(0, reading(2, -2, "mW/cm2"), reading(6, 0, "mW/cm2"))
	if v := exposure.verdict(&exposure.held[0], time.Second); v.Filtered != 0 || v.Outcome != limit.Exceeds {
		t.Errorf("an exposure limit asks for no response, and is judged %s, filtered to %s", v.Outcome, v.Filtered)
	}
}

// The filtered peak is that of the run, and starts anew with the next one; over
// range and a gap break the filter.
func TestFilteredPeakIsThatOfTheRun(t *testing.T) {
	m := newSmooth(&Post{Stale: 5 * time.Second, Limit: limit.Limit{Basis: limit.EmissionInUse, Slowest: 3 * time.Second}, Probe: Probe{Response: time.Millisecond}})
	m.observe(0, 0, 0, false)
	m.observe(time.Second, 40, time.Second, true)
	m.observe(4*time.Second, 0, time.Second, true)
	if math.Abs(float64(m.peak)-36) > 0.1 { // 90 % of 40 after 3 s
		t.Errorf("peak %v", float64(m.peak))
	}
	m.observe(5*time.Second, 1, 5*time.Second, true)
	if m.peak > 20 {
		t.Errorf("a new run begins with a peak of %v", float64(m.peak))
	}
	m.overRange(6 * time.Second)
	m.observe(7*time.Second, 2, 5*time.Second, true)
	if got := m.filter.Read(7 * time.Second); got != 2 {
		t.Errorf("after over-range the filter begins at %v", float64(got))
	}
	m.observe(13*time.Second, 30, 5*time.Second, true)
	if got := m.filter.Read(13 * time.Second); got != 30 {
		t.Errorf("after a gap the filter begins at %v", float64(got))
	}
}

func TestUncertaintyIsThatOfTheBudget(t *testing.T) {
	w := watchOf(newMemory(), func(Event) {}, func(*Post) {})
	total := calib.ProbeBudget(w.post.Nature(), w.post.Probe.Certificate, nil).At(w.post.Limit.Value)
	s := w.hear(0, reading(5, 0, "mW/cm2"))[0]
	if math.Abs(float64(s.U)-total.U) > 1e-9 || total.U < 5 {
		t.Errorf("U = %v W/m², by the budget %v", float64(s.U), total.U)
	}
	if v := w.verdict(&w.held[0], 0); v.K != total.K || v.U != s.U {
		t.Errorf("the verdict has U = %v at k = %v; the budget has k = %v", float64(v.U), v.K, total.K)
	}
	var none quantity.PowerDensity
	w.use(calib.Correction{})
	if s := w.hear(time.Second, reading(5, 0, "mW/cm2"))[0]; !math.IsNaN(float64(s.U)) || s.U == none {
		t.Errorf("without a certificate U = %v", float64(s.U))
	}
}
