package limit

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

// inUse is 5 mW/cm² at 5 cm through an oven's useful life. Source: 21 CFR
// 1030.10(c)(1).
func inUse() Limit {
	return Limit{ID: "door", Value: 50, Distance: 0.05, Basis: EmissionInUse, Source: "21 CFR 1030.10(c)(1)"}
}

// earned is what a verdict of within rests on, with nothing missing.
func earned() Circumstances {
	return Circumstances{HasValue: true, Value: 20, U: 5, K: 2, Peak: 30, PeakU: 7.5, Running: true, Calibrated: true,
		Axes: 3, Distance: 0.05, Response: time.Second}
}

func nan() quantity.PowerDensity { return quantity.PowerDensity(math.NaN()) }

const (
	withinWords = "highest value of this run plus expanded uncertainty (k = 2) at or below the limit"
	noRun       = "the oven is not known to run"
	axis        = "one axis, not turned for the maximum: a lower bound"
	uncal       = "not calibrated"
	noU         = "the uncertainty is not known"
	tooClose    = "below the limit by less than the expanded uncertainty"
)

// reasoned is a case, and what is judged of it.
type reasoned struct {
	name string
	set  func(*Limit, *Circumstances)
	want Outcome
	why  []string
}

func (tc reasoned) try(t *testing.T) {
	t.Helper()
	l, c := inUse(), earned()
	tc.set(&l, &c)
	v := Judge(l, c)
	if v.Outcome != tc.want || !slices.Equal(v.Reasons, tc.why) {
		t.Errorf("%s: %s, %q\nwant %s, %q", tc.name, v.Outcome, v.Reasons, tc.want, tc.why)
	}
	if v.Limit != l {
		t.Errorf("%s: judged against %+v", tc.name, v.Limit)
	}
}

func TestEveryReasonForWithinAndExceeds(t *testing.T) {
	for _, tc := range []reasoned{
		{"earned", func(*Limit, *Circumstances) {}, Within, []string{withinWords}},
		{"new ovens alike", func(l *Limit, _ *Circumstances) { l.Basis = EmissionNew }, Within, []string{withinWords}},
		{"turned", func(_ *Limit, c *Circumstances) { c.Axes, c.Turned = 1, true }, Within, []string{withinWords}},
		{"closer than asked", func(_ *Limit, c *Circumstances) { c.Distance = 0.04 }, Within, []string{withinWords}},
		{"slowest allowed", func(_ *Limit, c *Circumstances) { c.Response = 3 * time.Second }, Within, []string{withinWords}},
		{"below zero", func(_ *Limit, c *Circumstances) { c.Value = -0.2 }, Within, []string{withinWords}},

		{"over range", func(_ *Limit, c *Circumstances) { c.OverRange, c.HasValue = true, false }, Exceeds, []string{"over the probe's range"}},
		{"over range says no more", func(_ *Limit, c *Circumstances) { c.OverRange, c.Sustained, c.Latched, c.Peak = true, true, true, 200 }, Exceeds, []string{"over the probe's range"}},
		{"sustained", func(_ *Limit, c *Circumstances) {
			c.Sustained, c.Above, c.Latched, c.Peak = true, 10040*time.Millisecond, true, 80
		}, Exceeds,
			[]string{"above the limit for 10.0 s in the window"}},
		{"above now", func(_ *Limit, c *Circumstances) { c.Value = quantity.PowerDensity(math.Nextafter(50, 51)) }, Exceeds, []string{"above the limit at this moment"}},
		{"above, part of the run missed", func(_ *Limit, c *Circumstances) { c.Value, c.RunMissed = 60, true }, Exceeds, []string{"above the limit at this moment"}},
		{"above an exposure limit that states no averaging time", func(l *Limit, c *Circumstances) { l.Basis, c.Value, c.Distance = ExposurePublic, 60, 1 },
			Exceeds, []string{"above the limit at this moment"}},
		{"above with every flaw", func(_ *Limit, c *Circumstances) {
			*c = Circumstances{HasValue: true, Value: 500, U: nan(), Blind: "stuck", Axes: 1, Distance: 1, Response: time.Minute}
		}, Exceeds, []string{"above the limit at this moment", "stuck", noRun, uncal, axis, "measured at 1 m, the limit is for 50 mm",
			"the probe is slower than the limit asks (90 % within 3 s)"}},
	} {
		tc.try(t)
	}
}

func TestEveryReasonForNotDecided(t *testing.T) {
	for _, tc := range []reasoned{
		{"blind", func(_ *Limit, c *Circumstances) { c.HasValue, c.Blind = false, "the port is gone" }, NotDecided, []string{"the port is gone"}},
		{"stuck", func(_ *Limit, c *Circumstances) { c.Blind = "the reading stands still" }, NotDecided, []string{"the reading stands still"}},
		{"no value", func(_ *Limit, c *Circumstances) { c.HasValue = false }, NotDecided, []string{"no valid value"}},
		{"not a number", func(_ *Limit, c *Circumstances) { c.Value = nan() }, NotDecided, []string{"no valid value"}},
		{"latched", func(_ *Limit, c *Circumstances) { c.Latched = true }, NotDecided,
			[]string{"an earlier exceedance stands: below the limit now, the cause is not known to be mended"}},
		{"latched, below not known", func(_ *Limit, c *Circumstances) { c.Latched, c.HasValue = true, false }, NotDecided,
			[]string{"an earlier exceedance stands: the cause is not known to be mended", "no valid value"}},
		{"idle", func(_ *Limit, c *Circumstances) { c.Running = false }, NotDecided, []string{noRun}},
		{"idle, an earlier run above", func(_ *Limit, c *Circumstances) { c.Running, c.Peak = false, 80 }, NotDecided, []string{noRun}},
		{"above earlier", func(_ *Limit, c *Circumstances) { c.Peak = 51 }, NotDecided, []string{"above the limit earlier in this run"}},
		{"guard band of the peak", func(_ *Limit, c *Circumstances) { c.Peak = 43 }, NotDecided, []string{tooClose}},
		{"guard band of the value", func(_ *Limit, c *Circumstances) { c.U = 31 }, NotDecided, []string{tooClose}},
		{"uncalibrated", func(_ *Limit, c *Circumstances) { c.Calibrated, c.U, c.PeakU = false, nan(), nan() }, NotDecided, []string{uncal}},
		{"uncertainty not known", func(_ *Limit, c *Circumstances) { c.U = nan() }, NotDecided, []string{noU}},
		{"uncertainty of the peak not known", func(_ *Limit, c *Circumstances) { c.PeakU = nan() }, NotDecided, []string{noU}},
		{"peak not known", func(_ *Limit, c *Circumstances) { c.Peak = nan() }, NotDecided, []string{noU}},
		{"uncertainty below zero", func(_ *Limit, c *Circumstances) { c.U = -1 }, NotDecided, []string{noU}},
		{"coverage factor not known", func(_ *Limit, c *Circumstances) { c.K = 0 }, NotDecided, []string{"the coverage factor of the uncertainty is not known"}},
		{"one axis", func(_ *Limit, c *Circumstances) { c.Axes = 1 }, NotDecided, []string{axis}},
		{"farther than asked", func(_ *Limit, c *Circumstances) { c.Distance = 0.06 }, NotDecided, []string{"measured at 60 mm, the limit is for 50 mm"}},
		{"distance not known", func(_ *Limit, c *Circumstances) { c.Distance = 0 }, NotDecided, []string{"the distance from the oven is not known"}},
		{"distance not a number", func(_ *Limit, c *Circumstances) { c.Distance = quantity.Length(math.NaN()) }, NotDecided, []string{"the distance from the oven is not known"}},
		{"slow", func(_ *Limit, c *Circumstances) { c.Response = 3*time.Second + 1 }, NotDecided, []string{"the probe is slower than the limit asks (90 % within 3 s)"}},
		{"response not known", func(_ *Limit, c *Circumstances) { c.Response = 0 }, NotDecided, []string{"the response time of the probe is not known"}},
		{"exposure", func(l *Limit, c *Circumstances) { l.Basis, c.Distance, c.Response = ExposurePublic, 0, 0 }, NotDecided,
			[]string{"the averaging time of this exposure limit is not stated, and only its mean could be within",
				"the distance from the oven is not known: the limit is for people where they stand, and a value at one spot near an oven is not an average over a whole body"}},
		{"part of the run missed", func(_ *Limit, c *Circumstances) { c.RunMissed = true }, NotDecided,
			[]string{"part of this run was not seen, so its highest value is not known: the next run that is seen whole can tell"}},
		{"sum of long ago", func(_ *Limit, c *Circumstances) {
			c.Sustained, c.Gone, c.HasValue, c.Blind = true, true, false, "stale"
		}, NotDecided, []string{"stale"}},
	} {
		tc.try(t)
	}
}

// Guarded acceptance with a guard band of the whole expanded uncertainty:
// accepted at value + U = limit, not one unit in the last place above. Source:
// ILAC-G8:09/2019, JCGM 106:2012.
func TestAcceptanceEdge(t *testing.T) {
	for _, tc := range []struct {
		name string
		set  func(*Circumstances, quantity.PowerDensity)
	}{
		{"value", func(c *Circumstances, s quantity.PowerDensity) { c.Value, c.U = s, 10 }},
		{"peak", func(c *Circumstances, s quantity.PowerDensity) { c.Peak, c.PeakU = s, 10 }},
	} {
		c := earned()
		tc.set(&c, 40)
		if v := Judge(inUse(), c); v.Outcome != Within {
			t.Errorf("%s + U = limit: %s, %q", tc.name, v.Outcome, v.Reasons)
		}
		tc.set(&c, quantity.PowerDensity(math.Nextafter(40, 41)))
		if v := Judge(inUse(), c); v.Outcome != NotDecided {
			t.Errorf("%s + U just above the limit: %s, %q", tc.name, v.Outcome, v.Reasons)
		}
	}
	c := earned()
	c.Value, c.U = 50, 0
	if v := Judge(inUse(), c); v.Outcome != Within {
		t.Errorf("the limit itself, known exactly: %s, %q", v.Outcome, v.Reasons)
	}
}

func TestNumbersOfAVerdict(t *testing.T) {
	v := Judge(inUse(), earned())
	if v.Value != 20 || v.U != 5 || v.K != 2 || v.Ratio != 0.4 {
		t.Errorf("%+v", v)
	}
	c := earned()
	c.HasValue = false
	if v = Judge(inUse(), c); !math.IsNaN(float64(v.Value)) || !math.IsNaN(float64(v.U)) || v.K != 0 || !math.IsNaN(v.Ratio) {
		t.Errorf("no value: %+v; unknown is not a number", v)
	}
	c.OverRange = true
	if v = Judge(inUse(), c); !math.IsInf(v.Ratio, 1) || !math.IsNaN(float64(v.Value)) {
		t.Errorf("over range: %+v", v)
	}
}

// drawCircumstances changes a few of the earned ones.
func drawCircumstances(t *rapid.T) Circumstances {
	c := earned()
	changed := func(name string) bool { return rapid.IntRange(0, 9).Draw(t, "change "+name) == 0 }
	s := func(name string, to *quantity.PowerDensity) {
		if rapid.IntRange(0, 3).Draw(t, "change "+name) == 0 {
			*to = quantity.PowerDensity(rapid.OneOf(rapid.Float64Range(-5, 60), rapid.Float64Range(0, 10),
				rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 50, math.Nextafter(50, 51)})).Draw(t, name))
		}
	}
	s("S", &c.Value)
	s("U", &c.U)
	s("peak", &c.Peak)
	s("peak U", &c.PeakU)
	for _, b := range []struct {
		name string
		is   *bool
	}{{"value", &c.HasValue}, {"latched", &c.Latched}, {"over range", &c.OverRange}, {"sustained", &c.Sustained},
		{"gone", &c.Gone}, {"running", &c.Running}, {"calibrated", &c.Calibrated}, {"turned", &c.Turned}} {
		*b.is = *b.is != changed(b.name)
	}
	if changed("words and numbers") {
		c.K = rapid.SampledFrom([]float64{2, 0, -1, math.NaN()}).Draw(t, "k")
		c.Blind = rapid.SampledFrom([]string{"", "stale"}).Draw(t, "blind")
		c.Axes = rapid.SampledFrom([]int{3, 1, 0}).Draw(t, "axes")
		c.Distance = quantity.Length(rapid.SampledFrom([]float64{0.05, 0.02, 0.06, 0, math.NaN()}).Draw(t, "distance"))
		c.Response = rapid.SampledFrom([]time.Duration{time.Second, 3 * time.Second, time.Minute, 0, -1}).Draw(t, "response")
	}
	return c
}

func drawLimit(t *rapid.T) Limit {
	l := inUse()
	l.Basis = rapid.SampledFrom([]Basis{EmissionInUse, EmissionNew, EmissionInUse, EmissionNew, ExposurePublic, ExposureOccupational, ""}).Draw(t, "basis")
	return l
}

// mayBeWithin says it once more, from the rules: unknown is not within, and
// within is earned.
func mayBeWithin(l Limit, c Circumstances) bool {
	ok := func(s, u quantity.PowerDensity) bool { return u >= 0 && s+u <= l.Value }
	return c.HasValue && ok(c.Value, c.U) && c.K > 0 && ok(c.Peak, c.PeakU) && !c.Latched && c.Blind == "" && c.Running &&
		c.Calibrated && (c.Axes == 3 || c.Turned) && l.Basis.Emission() && c.Distance > 0 && c.Distance <= l.Distance &&
		c.Response > 0 && c.Response <= 3*time.Second
}

func TestJudgeAgainstTheRules(t *testing.T) {
	seen := map[Outcome]int{}
	rapid.Check(t, func(t *rapid.T) {
		l, c := drawLimit(t), drawCircumstances(t)
		v := Judge(l, c)
		seen[v.Outcome]++
		exceeds := c.OverRange || c.Sustained && !c.Gone || c.HasValue && c.Value > l.Value
		want := NotDecided
		switch {
		case exceeds:
			want = Exceeds
		case mayBeWithin(l, c):
			want = Within
		}
		if v.Outcome != want {
			t.Fatalf("%s, %q; want %s", v.Outcome, v.Reasons, want)
		}
		if got := Decide(&l, &c); got != v.Outcome {
			t.Fatalf("decided %s, judged %s", got, v.Outcome)
		}
		if len(v.Reasons) == 0 || slices.Contains(v.Reasons, "") {
			t.Fatalf("%s with the reasons %q", v.Outcome, v.Reasons)
		}
		if all := strings.ToLower(strings.Join(v.Reasons, " ")); strings.Contains(all, "safe") || strings.Contains(all, "all is well") {
			t.Fatalf("the reasons reassure: %q", v.Reasons)
		}
		if c.OverRange != math.IsInf(v.Ratio, 1) && !math.IsInf(float64(c.Value), 1) {
			t.Fatalf("ratio %v", v.Ratio)
		}
	})
	for _, o := range []Outcome{Within, Exceeds, NotDecided} {
		if seen[o] == 0 {
			t.Errorf("no random case gave %q: %v", o, seen)
		}
	}
}

// A higher value never makes a milder verdict.
func TestJudgeIsMonotone(t *testing.T) {
	rank := map[Outcome]int{Within: 0, NotDecided: 1, Exceeds: 2}
	rapid.Check(t, func(t *rapid.T) {
		l, c := inUse(), drawCircumstances(t)
		if rapid.Bool().Draw(t, "earned") {
			c = earned()
		}
		c.Value = quantity.PowerDensity(rapid.Float64Range(-10, 100).Draw(t, "lower"))
		higher := c
		higher.Value += quantity.PowerDensity(rapid.Float64Range(0, 100).Draw(t, "more"))
		a, b := Judge(l, c), Judge(l, higher)
		if rank[a.Outcome] > rank[b.Outcome] {
			t.Fatalf("%v: %s, %v: %s", c.Value, a.Outcome, higher.Value, b.Outcome)
		}
	})
}

// Quality can take away within, never exceeds.
func TestFlawsTakeAwayWithinOnly(t *testing.T) {
	flaws := map[string]func(*Circumstances){
		"uncalibrated":     func(c *Circumstances) { c.Calibrated = false },
		"no uncertainty":   func(c *Circumstances) { c.U, c.PeakU = nan(), nan() },
		"not running":      func(c *Circumstances) { c.Running = false },
		"not turned":       func(c *Circumstances) { c.Axes, c.Turned = 1, false },
		"stuck":            func(c *Circumstances) { c.Blind = "stuck" },
		"far":              func(c *Circumstances) { c.Distance = 0.3 },
		"slow":             func(c *Circumstances) { c.Response = 5 * time.Second },
		"latched":          func(c *Circumstances) { c.Latched = true },
		"no coverage":      func(c *Circumstances) { c.K = 0 },
		"unknown distance": func(c *Circumstances) { c.Distance = 0 },
		"unknown response": func(c *Circumstances) { c.Response = 0 },
	}
	for name, flaw := range flaws {
		c := earned()
		if flaw(&c); Judge(inUse(), c).Outcome != NotDecided {
			t.Errorf("%s: %s", name, Judge(inUse(), c).Outcome)
		}
		rapid.Check(t, func(t *rapid.T) {
			l, c := drawLimit(t), drawCircumstances(t)
			before := Judge(l, c).Outcome
			flaw(&c)
			if after := Judge(l, c); after.Outcome == Within || (before == Exceeds) != (after.Outcome == Exceeds) {
				t.Fatalf("%s made %s of %s", name, after.Outcome, before)
			}
		})
	}
	stale := earned()
	if stale.HasValue = false; Judge(inUse(), stale).Outcome != NotDecided {
		t.Error("within without a fresh value")
	}
}
