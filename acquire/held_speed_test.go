package acquire

import (
	"math"
	"testing"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/store/storetest"
	"ovenward/drivers"
)

// hourOfReadings is what a probe says in an hour, ten times a second: the oven 15 s on,
// where the field passes the value of the limits on means to and fro, and 15 s
// off; and each 90 s two seconds near the emission limit, some of them above
// it. Noise, ripple, quantisation and the jitter of the instants are those of storetest's signal. The
// temperature goes to and fro by 4 K in 40 min, as the model's does.
func hourOfReadings() (values, temperatures []drivers.Decimal, steps []time.Duration) {
	signal := storetest.New(1, 3, time.Unix(0, 0))
	before := int64(-100e6)
	for i := range 36_000 {
		at, digits := signal.Next()
		// Whole ms are the record's; an instant has µs too.
		steps = append(steps, time.Duration(at-before)+time.Duration(digits%97)*time.Microsecond)
		before = at
		if i%900 >= 50 && i%900 < 70 {
			digits = digits * 9 / 2
		}
		values = append(values, drivers.Decimal{Digits: digits, Exp: -3})
		temperatures = append(temperatures, drivers.Decimal{Digits: int64(220 + 40*math.Sin(float64(i)*math.Pi/12_000)), Exp: -1})
	}
	return values, temperatures, steps
}

// oneByOne corrects and judges readings of a post about 100 ms apart, as take does
// with each that it has stamped. The hour's readings come again and again, and time
// runs on.
func oneByOne(w *watch) func() {
	w.post.Probe.Certificate.ByLevel = []calib.LevelPoint{{Level: 1, Factor: 1.1}, {Level: 10, Factor: 1}, {Level: 90, Factor: 0.95}}
	w.post.Probe.Certificate.PerKelvin, w.post.Probe.Certificate.Reference, w.post.Probe.SaysTemperature = 0.002, 23, true
	w.certified = false
	w.certify(w.epoch)
	values, temperatures, steps := hourOfReadings()
	one := []Sample{{At: w.epoch.Round(0), Reading: drivers.Reading{HasValue: true, Unit: "mW/cm2", HasTemp: true}}}
	s := &one[0]
	next := 0
	return func() {
		s.Reading.Value, s.Reading.Temperature = values[next], temperatures[next]
		step := steps[next]
		if next++; next == len(values) {
			next = 0
		}
		s.Seq++
		s.Mono += step
		s.At = s.At.Add(step)
		w.heard, w.wasHeard = s.Mono, true
		raw, err := w.read(&s.Reading)
		if err != nil {
			panic(err)
		}
		if s.At.UnixNano() >= w.nextCertificate {
			w.certify(s.At)
		}
		s.S, s.Quality = raw, 0
		w.correct(s)
		w.judgeAll(one)
	}
}

// threeLimits are posts that the correcting and judging of one sample is counted at:
// each with three limits and three windows.
func threeLimits(report func(Event)) map[string]*watch {
	inUse := aPost(&fakeProbe{}).Limit
	six, thirty, day := onPeople("six", 10, 6*time.Minute), onPeople("thirty", 10, 30*time.Minute), onPeople("day", 10, 24*time.Hour)
	return map[string]*watch{
		"means":    peopleWatch(&quiet{}, report, six, thirty, day),
		"emission": peopleWatch(&quiet{}, report, inUse, six, thirty),
		// Above the limit, with all alarms standing.
		"above": peopleWatch(&quiet{}, report, onPeople("six", 3, 6*time.Minute), onPeople("thirty", 3, 30*time.Minute), onPeople("day", 0.05, 24*time.Hour)),
	}
}

// Correcting a sample and judging it against three limits with three windows.
func BenchmarkCorrectAndJudge(b *testing.B) {
	for name := range threeLimits(func(Event) {}) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			// A new one each time: a clock that began anew would leave nothing to do.
			step := oneByOne(threeLimits(func(Event) {})[name])
			for range 20_000 { // until the half-hour is full
				step()
			}
			for b.Loop() {
				step()
			}
		})
	}
}

// The same for the windows and the decisions alone, as the limits' package does it.
func BenchmarkDecideThreeLimitsThreeWindows(b *testing.B) {
	limits := []limit.Limit{onPeople("six", 10, 6*time.Minute), onPeople("thirty", 10, 30*time.Minute), onPeople("day", 10, 24*time.Hour)}
	var means []*limit.Mean
	for _, l := range limits {
		means = append(means, limit.NewMean(l.Averaging, 200, 20))
	}
	c := limit.Circumstances{HasValue: true, Value: 4, U: 0.4, K: 2, Running: true, Calibrated: true, Axes: 3, Distance: 1}
	var now time.Duration
	b.ReportAllocs()
	for b.Loop() {
		st := limit.Stretch{From: now, To: now + 100*time.Millisecond, Lo: 4, Hi: 4, U: 0.4, Seen: true}
		now = st.To
		for i := range limits {
			means[i].Observe(st)
			c.Mean = means[i].Read()
			limit.Decide(&limits[i], &c)
		}
	}
}

// What the benchmark runs through is judged: alarms stand where the means are
// above, and nowhere else; and nothing is allocated.
func TestCorrectingAndJudgingAllocatesNothing(t *testing.T) {
	for name, w := range threeLimits(func(Event) {}) {
		step := oneByOne(w)
		var seen [6]uint64
		above := 0 // of the values, the limit of the emission or of most of the means
		for range 40_000 {
			if step(); w.last.S > w.held[0].limit.Value {
				above++
			}
		}
		if seen = w.counts.Samples; w.condition != Seeing || seen[5] < 10_000 || seen[3] < 10_000 || seen[3]+seen[5] != 40_000 || above < 100 {
			t.Errorf("%s: the post is %s, the samples %v, %d of them above the limit", name, w.condition, seen, above)
		}
		for i := range w.held {
			a := w.alarms[w.held[i].alarm]
			if a.State.Present() != (name == "above") {
				t.Errorf("%s: alarm %s is %s", name, a.Rule, a.State)
			}
			if m := w.held[i].mean; m != nil {
				// Half of the time under the floor, which is 0.1 W/m².
				if a := m.Read(); a.From > 10*time.Second && !(a.Lo > 4 && a.Lo < 9 && a.Hi > a.Lo+0.04 && a.Hi < a.Lo+0.06) {
					t.Errorf("%s, %s: %+v", name, w.held[i].limit.ID, a)
				}
			}
		}
		if n := testing.AllocsPerRun(1000, step); n != 0 {
			t.Errorf("%s: %v allocations a sample", name, n)
		}
	}
}
