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

// public is 1 mW/cm² as a mean over 30 min, for people. Source: 47 CFR
// 1.1310(e)(1) Table 1, 1 500 to 100 000 MHz.
func public() Limit {
	return Limit{ID: "public", Value: 10, Basis: ExposurePublic, Averaging: 30 * time.Minute, Source: "47 CFR 1.1310(e)(1)"}
}

// earnedMean is what a verdict of within on a mean rests on, with nothing missing.
func earnedMean() Circumstances {
	return Circumstances{HasValue: true, Value: 40, U: 4, K: 2, Peak: 45, PeakU: 4.5, Running: true, Calibrated: true, Axes: 3, Distance: 1,
		Response: time.Minute, Certificate: "K-1", Cover: 0.5,
		Mean: Average{To: 30 * time.Minute, Lo: 6, Hi: 7, U: 1, Seen: 29 * time.Minute}}
}

func TestEveryReasonOfAMean(t *testing.T) {
	const (
		spot   = "measured at 50 mm from the oven: the limit is for people where they stand, and a value at one spot this near is not an average over a whole body"
		within = "upper bound of the mean over 30 min plus expanded uncertainty (k = 2) at or below the limit"
	)
	inf := quantity.PowerDensity(math.Inf(1))
	for _, tc := range []struct {
		name string
		set  func(*Limit, *Circumstances)
		want Outcome
		why  []string
	}{
		{"earned, above at this moment", func(*Limit, *Circumstances) {}, Within, []string{within}},
		{"acceptance edge", func(_ *Limit, c *Circumstances) { c.Mean.Hi = 9 }, Within, []string{within}},
		{"guard band", func(_ *Limit, c *Circumstances) { c.Mean.Hi = 9.0001 }, NotDecided, []string{"below the limit by less than the expanded uncertainty"}},
		{"may be above", func(_ *Limit, c *Circumstances) { c.Mean.Hi, c.Mean.Seen = 10.5, 27*time.Minute }, NotDecided,
			[]string{"the mean over 30 min lies between 0.6 mW/cm² and 1.05 mW/cm²: 90 % of the time was seen"}},
		{"over range a while ago", func(_ *Limit, c *Circumstances) { c.Mean.Hi = inf }, NotDecided,
			[]string{"over range within the last 30 min: the mean has no upper bound, and is at least 0.6 mW/cm²"}},
		{"above", func(_ *Limit, c *Circumstances) { c.Mean.Lo, c.Mean.Hi = 10.1, 10.2 }, Exceeds,
			[]string{"the mean over 30 min is above the limit: at least 1.01 mW/cm²"}},
		{"above though nothing is fresh", func(_ *Limit, c *Circumstances) {
			c.Mean.Lo, c.Mean.Hi, c.HasValue, c.Gone, c.Blind = 10.1, 60, false, true, "stale"
		}, Exceeds, []string{"the mean over 30 min is above the limit: at least 1.01 mW/cm²", "stale"}},
		{"over range", func(_ *Limit, c *Circumstances) { c.OverRange, c.HasValue = true, false }, Exceeds, []string{"over the probe's range"}},
		{"time above is another rule's", func(_ *Limit, c *Circumstances) { c.Sustained, c.Above = true, time.Minute }, Within, []string{within}},
		{"no run in the window", func(_ *Limit, c *Circumstances) { c.Running = false }, NotDecided, []string{"the oven is not known to have run in the last 30 min"}},
		{"latched", func(_ *Limit, c *Circumstances) { c.Latched = true }, NotDecided,
			[]string{"an earlier exceedance stands: below the limit now, the cause is not known to be mended"}},
		{"nothing seen", func(_ *Limit, c *Circumstances) { c.Mean = Average{Hi: 8} }, NotDecided, []string{"no valid value"}},
		{"at the oven", func(_ *Limit, c *Circumstances) { c.Distance = 0.05 }, NotDecided, []string{spot}},
		{"at the oven, a part of the body", func(l *Limit, c *Circumstances) { c.Distance, l.Local = 0.05, true }, NotDecided,
			[]string{strings.Replace(spot, "a whole body", "a part of the body", 1)}},
		{"above at the oven", func(_ *Limit, c *Circumstances) { c.Distance, c.Mean.Lo, c.Mean.Hi = 0.05, 20, 20 }, Exceeds,
			[]string{"the mean over 30 min is above the limit: at least 2 mW/cm²", spot}},
		{"uncertainty not known", func(_ *Limit, c *Circumstances) { c.Mean.U = nan() }, NotDecided, []string{"the uncertainty is not known"}},
		{"uncalibrated", func(_ *Limit, c *Circumstances) { c.Calibrated = false }, NotDecided, []string{"not calibrated"}},
		{"an emission limit has no mean", func(l *Limit, c *Circumstances) { l.Basis, l.Distance = EmissionInUse, 2 }, Exceeds,
			[]string{"above the limit at this moment", "the probe is slower than the limit asks (90 % within 3 s)"}},
	} {
		l, c := public(), earnedMean()
		tc.set(&l, &c)
		v := Judge(l, c)
		if v.Outcome != tc.want || !slices.Equal(v.Reasons, tc.why) {
			t.Errorf("%s: %s, %q\nwant %s, %q", tc.name, v.Outcome, v.Reasons, tc.want, tc.why)
		}
		if got := Decide(&l, &c); got != v.Outcome {
			t.Errorf("%s: decided %s, judged %s", tc.name, got, v.Outcome)
		}
	}
}

func TestNumbersOfAVerdictOnAMean(t *testing.T) {
	v := Judge(public(), earnedMean())
	if !v.Averaged || v.Judged != 7 || v.JudgedU != 1 || v.K != 2 || v.Ratio != 4 || v.Share != 0.7 || v.Rule != GuardedAcceptance ||
		!near(v.Cover, 29./30) || v.Distance != 1 || v.Certificate != "K-1" || !near(v.Wrong, Risk(7, 1, 2, 10)) {
		t.Errorf("%+v", v)
	}
	spot := Judge(inUse(), earned())
	if spot.Averaged || spot.Judged != 30 || spot.JudgedU != 7.5 || spot.Share != 0.6 || !near(spot.Wrong, Risk(30, 7.5, 2, 50)) {
		t.Errorf("%+v", spot)
	}
}

// Farther than its distance an emission limit is never kept, whatever the value:
// no fall-off is assumed.
func TestDistanceTakesAwayWithin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, c := inUse(), earned()
		c.Value = quantity.PowerDensity(rapid.Float64Range(0, 100).Draw(t, "S"))
		c.Peak = c.Value
		c.Distance = quantity.Length(rapid.Float64Range(0.0501, 10).Draw(t, "distance"))
		far := Judge(l, c)
		c.Distance = l.Distance
		if at := Judge(l, c); far.Outcome == Within || (far.Outcome == Exceeds) != (at.Outcome == Exceeds) {
			t.Fatalf("%s far, %s at the distance", far.Outcome, at.Outcome)
		}
		l, c = public(), earnedMean()
		c.Mean.Lo = quantity.PowerDensity(rapid.Float64Range(0, 20).Draw(t, "mean"))
		c.Mean.Hi = c.Mean.Lo
		off := Judge(l, c)
		c.Distance = quantity.Length(rapid.Float64Range(0, 0.2).Draw(t, "near"))
		if near := Judge(l, c); near.Outcome == Within || (near.Outcome == Exceeds) != (off.Outcome == Exceeds) {
			t.Fatalf("%s at %s, %s at 1 m", near.Outcome, c.Distance, off.Outcome)
		}
	})
}

// Three limits, each with its own rule: what each says as the value rises.
func TestRulesByName(t *testing.T) {
	for _, tc := range []struct {
		rule                Rule
		belowBand, inBand   Outcome // S + U < limit; S < limit < S + U
		aboveBand, wellOver Outcome // S - U < limit < S; S - U > limit
	}{
		{"", Within, NotDecided, Exceeds, Exceeds},
		{GuardedAcceptance, Within, NotDecided, Exceeds, Exceeds},
		{SimpleAcceptance, Within, Within, Exceeds, Exceeds},
		{GuardedRejection, Within, Within, NotDecided, Exceeds},
	} {
		for _, averaged := range []bool{false, true} {
			for i, s := range []quantity.PowerDensity{40, 46, 54, 60} {
				l, c := inUse(), earned()
				c.Value, c.Peak, c.U, c.PeakU = s, s, 5, 5
				if averaged {
					l, c = public(), earnedMean()
					l.Value = 50
					c.Mean.Lo, c.Mean.Hi, c.Mean.U = s, s, 5
				}
				l.Rule = tc.rule
				want := []Outcome{tc.belowBand, tc.inBand, tc.aboveBand, tc.wellOver}[i]
				if v := Judge(l, c); v.Outcome != want || len(v.Reasons) == 0 || v.Rule != l.rule() {
					t.Errorf("%s, averaged %v, %v W/m²: %s, %q; want %s", l.rule(), averaged, float64(s), v.Outcome, v.Reasons, want)
				}
			}
		}
	}
	// An unknown uncertainty takes nothing away from exceeds, and gives no within.
	for _, r := range Rules() {
		l, c := inUse(), earned()
		l.Rule = r
		c.Value, c.U = 51, nan()
		if v := Judge(l, c); v.Outcome != Exceeds {
			t.Errorf("%s without a known uncertainty, above: %s", r, v.Outcome)
		}
		if c.Value = 1; Judge(l, c).Outcome != NotDecided {
			t.Errorf("%s without a known uncertainty, below: within", r)
		}
	}
}

// By every rule, a higher value or a wider mean never makes a milder verdict, and
// no flaw makes it within.
func TestEveryRuleIsMonotone(t *testing.T) {
	rank := map[Outcome]int{Within: 0, NotDecided: 1, Exceeds: 2}
	rapid.Check(t, func(t *rapid.T) {
		l, c := public(), earnedMean()
		if rapid.Bool().Draw(t, "spot") {
			l, c = inUse(), earned()
		}
		l.Rule = rapid.SampledFrom(Rules()).Draw(t, "rule")
		c.Value = quantity.PowerDensity(rapid.Float64Range(0, 100).Draw(t, "S"))
		c.U = quantity.PowerDensity(rapid.Float64Range(0, 20).Draw(t, "U"))
		c.Peak, c.PeakU = max(c.Value, 20), c.U
		c.Mean.Lo = quantity.PowerDensity(rapid.Float64Range(0, 20).Draw(t, "mean"))
		c.Mean.Hi = c.Mean.Lo + quantity.PowerDensity(rapid.Float64Range(0, 5).Draw(t, "width"))
		before := Judge(l, c)
		more := quantity.PowerDensity(rapid.Float64Range(0, 30).Draw(t, "more"))
		h := c
		h.Value, h.Peak, h.Mean.Lo, h.Mean.Hi = c.Value+more, max(c.Peak, c.Value+more), c.Mean.Lo+more, c.Mean.Hi+more
		if after := Judge(l, h); rank[after.Outcome] < rank[before.Outcome] {
			t.Fatalf("%v more made %s of %s", float64(more), after.Outcome, before.Outcome)
		}
		for name, flaw := range map[string]func(*Circumstances){
			"less sure":     func(c *Circumstances) { c.U, c.PeakU, c.Mean.U = c.U+more, c.PeakU+more, c.Mean.U+more },
			"wider mean":    func(c *Circumstances) { c.Mean.Lo, c.Mean.Hi = max(c.Mean.Lo-more, 0), c.Mean.Hi+more },
			"uncalibrated":  func(c *Circumstances) { c.Calibrated = false },
			"idle":          func(c *Circumstances) { c.Running = false },
			"nothing fresh": func(c *Circumstances) { c.HasValue, c.Blind = false, "stale" },
			"one axis":      func(c *Circumstances) { c.Axes = 1 },
			"latched":       func(c *Circumstances) { c.Latched = true },
		} {
			worse := c
			flaw(&worse)
			if after := Judge(l, worse); after.Outcome == Within && before.Outcome != Within {
				t.Fatalf("%s: %s became within", name, before.Outcome)
			}
		}
	})
}

// Losing what was seen never turns a mean to within. Over-range is left out of
// the history: what nobody was told of has the range's top as its bound.
func TestLosingDataNeverGivesWithin(t *testing.T) {
	within := 0
	rapid.Check(t, func(t *rapid.T) {
		const span = time.Minute
		l := public()
		l.Averaging, l.Rule = span, rapid.SampledFrom(Rules()).Draw(t, "rule")
		l.Value = quantity.PowerDensity(rapid.SampledFrom([]float64{1, 10, 40}).Draw(t, "limit"))
		full, thinned := NewMean(span, aTop, aTopU), NewMean(span, aTop, aTopU)
		base := rapid.Float64Range(0, 12).Draw(t, "level")
		for i := range 70 {
			from := time.Duration(i) * time.Second
			v := quantity.PowerDensity(base)
			if rapid.IntRange(0, 19).Draw(t, "spike") == 0 {
				v = quantity.PowerDensity(rapid.Float64Range(0, 200).Draw(t, "to"))
			}
			st := seenAs(from, from+time.Second, v, v)
			st.Uncalibrated = rapid.IntRange(0, 60).Draw(t, "uncalibrated") == 0
			full.Observe(st)
			st.Seen = rapid.IntRange(0, 29).Draw(t, "lost") != 0
			thinned.Observe(st)
		}
		c := earnedMean()
		c.Mean = full.Read()
		before := Judge(l, c)
		c.Mean = thinned.Read()
		after := Judge(l, c)
		if before.Outcome == Within {
			within++
		}
		if after.Outcome == Within && before.Outcome != Within || after.Outcome == Exceeds && before.Outcome != Exceeds {
			t.Fatalf("%s over %+v became %s over %+v", before.Outcome, full.Read(), after.Outcome, c.Mean)
		}
	})
	if within == 0 {
		t.Error("no history was within")
	}
}

// What a regulator's published practice would do stands beside the verdict and
// never changes it. Source: HEW Publication (FDA) 77-8037, App. I A-1: cited only
// above 1.25 and 6.25 mW/cm².
func TestRegulatorsPracticeIsANote(t *testing.T) {
	for _, tc := range []struct {
		id      string
		s       quantity.PowerDensity
		outcome Outcome
		note    string
	}{
		{"us-emission-in-use", 62.5, Exceeds, "6.25 mW/cm²: the highest value, 6.25 mW/cm², is not above that"},
		{"us-emission-in-use", 62.6, Exceeds, "6.25 mW/cm²: the highest value, 6.26 mW/cm², is above that"},
		{"us-emission-new", 12.5, Exceeds, "1.25 mW/cm²: the highest value, 1.25 mW/cm², is not above that"},
		{"us-emission-new", 5, Within, "1.25 mW/cm²: the highest value, 0.5 mW/cm², is not above that"},
		{"ca-emission", 12.5, Exceeds, ""},
	} {
		e, _ := Lookup(tc.id)
		l, err := e.Limit("door", 2450e6)
		if err != nil {
			t.Fatal(err)
		}
		c := earned()
		c.Value, c.Peak, c.U, c.PeakU = tc.s, tc.s, 1, 1
		v := Judge(l, c)
		plain := l
		plain.CitedAbove = 0
		notes := strings.Join(v.Notes, "; ")
		if v.Outcome != tc.outcome || !strings.Contains(notes, tc.note) || (tc.note == "") != (notes == "") || Judge(plain, c).Outcome != v.Outcome {
			t.Errorf("%s at %v: %s, %q", tc.id, float64(tc.s), v.Outcome, v.Notes)
		}
	}
	e, _ := Lookup("iec-emission-commercial")
	l, _ := e.Limit("door", 2450e6)
	if v := Judge(l, earned()); len(v.Notes) != 1 || v.Notes[0] != "not confirmed: the value of this limit" {
		t.Errorf("a limit that is not confirmed has the notes %q", v.Notes)
	}
}

func TestBinding(t *testing.T) {
	v := func(o Outcome, share float64) Verdict { return Verdict{Outcome: o, Share: share} }
	for _, tc := range []struct {
		all  []Verdict
		want int
	}{
		{nil, -1},
		{[]Verdict{v(Within, 0.2), v(Within, 0.7), v(Within, 0.1)}, 1},
		{[]Verdict{v(Within, 0.9), v(NotDecided, 0.1)}, 1},
		{[]Verdict{v(NotDecided, 0.9), v(Exceeds, 1.1), v(Exceeds, 3)}, 2},
		{[]Verdict{v(NotDecided, math.NaN()), v(NotDecided, 0.1)}, 1},
		{[]Verdict{v(NotDecided, 0.1), v(NotDecided, 0.1)}, 0},
	} {
		if got := Binding(tc.all); got != tc.want {
			t.Errorf("%v: %d, want %d", tc.all, got, tc.want)
		}
	}
}
