package acquire

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// plainly is take without short ways: each sample is made and corrected as any is, and
// judged by itself.
func (w *watch) plainly(frames []drivers.Frame, batch []Sample, errs []error) []Sample {
	n := 0
	for i := range frames {
		s := &batch[n]
		s.Reading = batch[i].Reading
		if err := w.sample(&frames[i], s, errs[i]); err != nil {
			w.unparsed(&frames[i], err)
			continue
		}
		if w.certify(s.At) {
			w.recertify(s.At)
		}
		w.correct(s)
		w.up = true
		w.record.Append(w.index, batch[n:n+1])
		n++
	}
	for i := range batch[:n] {
		w.judge(&batch[i])
	}
	return batch[:n]
}

// What is taken by calm leaves everything as if it had been judged sample by sample:
// windows, runs, alarms, totals, traces. And what is made as usual is as any other.
func TestCalmIsAsJudge(t *testing.T) {
	calm, rough, told := 0, 0, 0
	for seed := range uint64(80) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			a, b, c := calmly(t, rand.New(rand.NewPCG(seed, 1)))
			calm, rough, told = calm+a, rough+b, told+c
		})
	}
	t.Logf("%d calm, %d not, %d told", calm, rough, told)
	if calm < 10_000 || rough < 10_000 || told < 500 {
		t.Errorf("%d samples calm, %d not, %d events: the test looks at nothing", calm, rough, told)
	}
}

func calmly(t *testing.T, r *rand.Rand) (calm, rough, told int) {
	pick := func(all ...time.Duration) time.Duration { return all[r.IntN(len(all))] }
	p := aPost(&fakeProbe{})
	p.Probe.Response = pick(0, time.Second, 4*time.Second)
	p.Stuck, p.RunGap, p.Stale = pick(10*time.Second, 2*time.Minute), pick(5*time.Second, 90*time.Second), pick(time.Second, 5*time.Second, 20*time.Second)
	p.Sustained.Clear = 10 * time.Second
	p.Probe.Offset = pick(0, 0, 0, -250*time.Millisecond, p.Silent+time.Second)
	if r.IntN(3) == 0 {
		p.Probe.Earlier = []*calib.Certificate{p.Probe.Certificate}
		next := *p.Probe.Certificate
		next.Number, next.Factor, next.Date = "K-2", 1.1, newTestWatch(nil).epoch.Add(pick(time.Second, time.Minute))
		p.Probe.Certificate = &next
	}
	if r.IntN(8) == 0 {
		later := *p.Probe.Certificate
		later.Date, later.PerKelvin = newTestWatch(nil).epoch.Add(pick(0, 2*time.Second, time.Minute)), []float64{0, 0.002}[r.IntN(2)]
		p.Probe.Certificate, p.Probe.SaysTemperature = &later, true
	}
	if r.IntN(4) == 0 {
		hot := 19.5
		p.Probe.Vitals.TemperatureAbove = &hot
	}
	if r.IntN(3) == 0 {
		short := *p.Probe.Certificate
		short.ByLevel = []calib.LevelPoint{{Level: 1, Factor: 1}, {Level: 22, Factor: 1.1}}
		p.Probe.Certificate = &short
	}
	people := []limit.Limit{onPeople("minute", 20, time.Minute), onPeople("second", 30, time.Second), onPeople("quarter", 10, 15*time.Minute)}
	switch r.IntN(4) {
	case 0: // one spot
	case 1:
		p.Limit, p.More, p.Distance = people[0], people[1:], 1
	default:
		p.More, p.Distance = people, 1
	}
	var heard, wanted []Event
	one, other := newMemory(), newMemory()
	w := newWatch(&p, 0, newTestWatch(nil).epoch, one, func(e Event) { heard = append(heard, e) })
	plain := newWatch(&p, 0, newTestWatch(nil).epoch, other, func(e Event) { wanted = append(wanted, e) })
	both := func(do func(w *watch)) { do(w); do(plain) }
	behind, timing := r.IntN(2), drivers.Timing{ByteTime: pick(0, time.Millisecond), Latency: pick(0, 16*time.Millisecond)}
	both(func(w *watch) { w.timing = timing })

	words := []string{"0.000", "0.005", "0.500", "0.500", "0.500", "0.502", "2.000", "3.001", "4.999", "5.001", "9.000", "25.000", "-0.002", "-0.090", "OVER", "FAULT", "LOBAT 0.500", "junk"}
	at := time.Duration(0)
	for range 1 + r.IntN(25) {
		step, word, noisy := pick(1e8, 1e8, 2.5e8, 1e9, 7e9), words[r.IntN(7)], r.IntN(2) == 0
		if r.IntN(4) == 0 {
			word = words[r.IntN(len(words))]
		}
		for range 1 + r.IntN(8) {
			var frames []drivers.Frame
			for range 1 + r.IntN(40) {
				if r.IntN(50) > 0 { // else two at one instant
					at += step
				}
				said := word
				if x, err := strconv.ParseFloat(word, 64); err == nil && noisy {
					said = fmt.Sprintf("%.3f", x+0.001*float64(r.IntN(4)))
				}
				if r.IntN(120) == 0 {
					said = words[r.IntN(len(words))]
				}
				f := drivers.Frame{Bytes: []byte(said), Arrived: w.epoch.Add(at).In(time.FixedZone("there", 3600)), Behind: behind * r.IntN(40)}
				if r.IntN(200) == 0 {
					f.Departed = f.Arrived.Add(-time.Millisecond)
				}
				frames = append(frames, f)
			}
			batch, errs := make([]Sample, len(frames)), make([]error, len(frames))
			other, from := []string{"dBm/m2", "V/m", "A/m", "furlong"}[r.IntN(4)], len(frames)
			if r.IntN(60) == 0 { // from here on, of what a read brought
				from = r.IntN(len(frames)) * r.IntN(2)
			}
			for i := range frames {
				errs[i] = plain.post.Probe.Protocol.Parse(frames[i].Bytes, &batch[i].Reading)
				if i >= from {
					batch[i].Reading.Unit = other
				}
				switch r.IntN(700) {
				case 0:
					batch[i].Reading.Axes[1].Digits = at.Microseconds()
				case 1:
					batch[i].Reading.Battery, batch[i].Reading.BatteryUnit = drivers.Decimal{Digits: 9}, "V"
				case 3:
					batch[i].Reading.Status |= drivers.OverRange
				case 4:
					batch[i].Reading.HasValue = false
				case 5:
					batch[i].Reading.HasAxes = true
				case 6:
					batch[i].Reading.Unit = []string{"W/m2", "dBm/m2", "furlong"}[r.IntN(3)]
				case 2:
					batch[i].Reading.HasTemp, batch[i].Reading.Temperature = true, drivers.Decimal{Digits: 18 + r.Int64N(4)}
				}
			}
			if w.atEase() {
				calm += len(frames)
			} else {
				rough += len(frames)
			}
			want := plain.plainly(frames, slices.Clone(batch), errs)
			for i := range batch {
				batch[i].U, batch[i].Quality = 9, Fault // whatever was there
			}
			sameSamples(t, w.take(frames, batch, errs), want)
			if r.IntN(4) == 0 {
				later := at + pick(0, 1e8, 3e9, 30e9)
				both(func(w *watch) { w.tick(w.epoch.Add(later)) })
				if r.IntN(2) == 0 {
					at = later
				}
			}
			if r.IntN(30) == 0 {
				rule, what := []int{awayAt, testAt}[r.IntN(2)], []alarm.Happening{alarm.Announce, alarm.Conclude}[r.IntN(2)]
				both(func(w *watch) {
					w.apply(rule, alarm.Act{What: what, At: w.epoch.Add(at), Who: "Ada", Until: w.epoch.Add(at + time.Hour)}, "", nil)
					w.step(at, w.epoch.Add(at))
				})
			}
			switch r.IntN(40) {
			case 0: // the wall clock is set, as far as the next sample sees
				by := pick(stepBound+1, -stepBound-1, stepBound, time.Hour, -2*time.Second)
				both(func(w *watch) { w.line.wall = w.line.wall.Add(-by) })
			case 1:
				clock := wallClock{asked: r.IntN(3) > 0, state: ClockState{Synchronised: r.IntN(4) > 0, MaxError: pick(0, 3*time.Millisecond)}}
				both(func(w *watch) { w.clock = clock })
			}
			if r.IntN(3) == 0 {
				same(t, w, plain)
			}
			if !reflect.DeepEqual(heard, wanted) {
				t.Fatalf("told %+v\nwant %+v", heard, wanted)
			}
		}
	}
	return calm, rough, len(heard)
}

// A unit that is known and no power density is refused each time it comes, whatever came before it in one read.
func TestUnitOfNoPowerDensityIsNoZero(t *testing.T) {
	w := newTestWatch(newMemory())
	frames, batch := make([]drivers.Frame, 6), make([]Sample, 6)
	for i, unit := range []string{"mW/cm2", "mW/cm2", "V/m", "V/m", "V/m", "mW/cm2"} {
		frames[i] = drivers.Frame{Bytes: []byte("2.000 " + unit), Arrived: w.epoch.Add(time.Duration(i) * time.Second)}
		batch[i].Reading = drivers.Reading{Value: drivers.Decimal{Digits: 2000, Exp: -3}, HasValue: true, Unit: unit}
	}
	got := w.take(frames, batch, make([]error, 6))
	for _, s := range got {
		if s.S != 20 || s.Quality != 0 {
			t.Errorf("%q is %v, quality %v", s.Said, s.S, s.Quality)
		}
	}
	if len(got) != 3 || w.counts.Unparsed != 3 {
		t.Errorf("%d samples and %d refused, want 3 and 3", len(got), w.counts.Unparsed)
	}
}

func sameSamples(t *testing.T, got, want []Sample) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d samples, want %d", len(got), len(want))
	}
	for i := range got {
		g, w := got[i], want[i]
		for _, x := range []*quantity.PowerDensity{&g.S, &g.U, &w.S, &w.U} {
			if *x != *x {
				*x = -1e9
			}
		}
		if !reflect.DeepEqual(g, w) {
			t.Fatalf("sample %+v\nwant %+v", g, w)
		}
	}
}

// same compares all that two watches know.
func same(t *testing.T, got, want *watch) {
	t.Helper()
	for _, w := range []*watch{got, want} {
		defer w.bare()()
	}
	if reflect.DeepEqual(got, want) {
		return
	}
	for i := range reflect.TypeFor[watch]().NumField() {
		a, b := fmt.Sprintf("%+v", reflect.ValueOf(got).Elem().Field(i)), fmt.Sprintf("%+v", reflect.ValueOf(want).Elem().Field(i))
		if a != b {
			t.Errorf("%s: %.2000s\nwant %.2000s", reflect.TypeFor[watch]().Field(i).Name, a, b)
		}
	}
	t.Fatal("they differ")
}

// bare makes a watch comparable, and returns what undoes that.
func (w *watch) bare() (undo func()) {
	for _, h := range w.held {
		h.sustained.Cover() // brings its window up to date, which is else done when it is needed
	}
	before := []any{w.report, w.record, w.tense}
	w.report, w.record, w.tense = nil, nil, false // tense: only how soon to look
	var unknown []*quantity.PowerDensity          // which are not even equal to themselves
	for _, s := range []*quantity.PowerDensity{&w.room[0].S, &w.room[0].U, &w.room[1].S, &w.room[1].U, &w.bounds.Lo, &w.bounds.Hi, &w.bounds.U, &w.runPeakU} {
		if *s != *s {
			unknown, *s = append(unknown, s), -1e9
		}
	}
	return func() {
		w.report, w.record, w.tense = before[0].(func(Event)), before[1].(Recorder), before[2].(bool)
		for _, s := range unknown {
			*s = quantity.PowerDensity(math.NaN())
		}
	}
}
