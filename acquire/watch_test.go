package acquire

import (
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/drivers"
)

// quiet is a Recorder for benchmarks: it keeps nothing.
type quiet struct{ memory }

func (*quiet) Append(int, []Sample) {}

func newTestWatch(r Recorder) *watch {
	p := aPost(&fakeProbe{})
	return newWatch(&p, 0, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), r, func(Event) {})
}

// yielding is a record that holds these samples.
func yielding(all ...Sample) iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		for _, s := range all {
			if !yield(s, nil) {
				return
			}
		}
	}
}

func (w *watch) feed(at time.Duration, word string) []Sample {
	r, err := plain{}.parse([]byte(word))
	return w.take([]drivers.Frame{{Bytes: []byte(word), Arrived: w.epoch.Add(at)}}, []Sample{{Reading: r}}, []error{err})
}

func TestEnergyAndObservedTime(t *testing.T) {
	w := newTestWatch(newMemory())
	w.feed(0, "2.000")              // 20 W/m² for 1 s
	w.feed(time.Second, "-0.020")   // negative adds nothing, for 1 s
	w.feed(2*time.Second, "4.000")  // 40 W/m², held for the stale time of 5 s; then unseen for 13 s
	w.feed(20*time.Second, "OVER")  // the range's top, 200 W/m², for 1 s
	w.feed(21*time.Second, "FAULT") // unseen for 1 s
	w.feed(22*time.Second, "0.000")
	c := w.counts
	if want := 20 + 0 + 40*5 + 200.0; math.Abs(float64(c.Energy)-want) > 1e-9 {
		t.Errorf("energy density %v J/m², want %v", float64(c.Energy), want)
	}
	if c.Observed != 8*time.Second || c.OverRange != time.Second {
		t.Errorf("observed %v, over range %v; want 8 s, 1 s", c.Observed, c.OverRange)
	}
}

func TestQualityPrecedenceAndClasses(t *testing.T) {
	for _, tc := range []struct {
		q    Quality
		want string
	}{
		{0, "good"},
		{ClockUnsure, "clock-unsure"},
		{ClockUnsure | UnderFloor, "under-floor"},
		{UnderFloor | Uncalibrated, "uncalibrated"},
		{Uncalibrated | OverRange, "over-range"},
		{Fault | OverRange | Uncalibrated | UnderFloor | ClockUnsure, "fault"},
	} {
		if got := Classes()[tc.q.Class()]; got != tc.want {
			t.Errorf("%05b: %s, want %s", tc.q, got, tc.want)
		}
	}
	w := newTestWatch(newMemory())
	for _, tc := range []struct {
		word string
		want Quality
	}{
		{"0.412", 0}, {"0.004", UnderFloor}, {"OVER", OverRange}, {"FAULT", Fault}, {"20.001", OverRange}, {"20.000", 0}, {"LOBAT 0.412", 0},
	} {
		got := w.feed(time.Second, tc.word)
		if len(got) != 1 || got[0].Quality != tc.want {
			t.Errorf("%s: %v, want %v", tc.word, got, tc.want)
		}
	}
	for _, digits := range []int64{0, -5000, 4} { // the number of a line that says over range
		r := drivers.Reading{Value: drivers.Decimal{Digits: digits, Exp: -3}, HasValue: true, Unit: "mW/cm2", Status: drivers.OverRange}
		if got := w.take([]drivers.Frame{{Arrived: w.epoch.Add(time.Second)}}, []Sample{{Reading: r}}, []error{nil}); len(got) != 1 || got[0].Quality != OverRange || !w.overRange() {
			t.Errorf("over range with %s: %v, want over-range alone", r.Value, got)
		}
	}
	w.correction.Certificate.Due = time.Date(1999, 12, 1, 0, 0, 0, 0, time.UTC)
	w.use(w.correction)
	if got := w.feed(2*time.Second, "0.412"); got[0].Quality != Uncalibrated {
		t.Errorf("overdue: %v, want uncalibrated", got[0].Quality)
	}
}

// TestOverRangeIsNoIdleOven: a field over range before rest was ever seen begins no run,
// and is not told as an idle oven for that.
func TestOverRangeIsNoIdleOven(t *testing.T) {
	w := newTestWatch(newMemory())
	for i := range 20 {
		at := time.Duration(i) * 100 * time.Millisecond
		w.feed(at, "OVER")
		w.tick(w.epoch.Add(at))
	}
	st := w.stats(w.epoch.Add(2 * time.Second))
	if st.Condition != Seeing || st.Running || st.Verdict.Outcome != limit.Exceeds || slices.Contains(st.Verdict.Reasons, "the oven is not known to run") {
		t.Errorf("%s, running %v, %s: %q", st.Condition, st.Running, st.Verdict.Outcome, st.Verdict.Reasons)
	}
	w.feed(2*time.Second, "0.000")
	st = w.stats(w.epoch.Add(2 * time.Second))
	if n, _ := w.runs.Finished(); st.Condition != Idle || st.Running || n != 0 {
		t.Errorf("at rest: %s, running %v, %d runs", st.Condition, st.Running, n)
	}
	w.feed(3*time.Second, "OVER")
	if st = w.stats(w.epoch.Add(3 * time.Second)); st.Condition != Seeing || !st.Running {
		t.Errorf("over range after rest: %s, running %v", st.Condition, st.Running)
	}
	w.feed(4*time.Second, "FAULT")
	w.tick(w.epoch.Add(time.Minute))
	if w.condition == Seeing || w.condition == Idle {
		t.Errorf("%s long after the last that was seen", w.condition)
	}
}

func TestOverdueProbeStillRaises(t *testing.T) {
	m := newMemory()
	w := newTestWatch(m)
	w.post.Probe.Certificate = nil
	w.use(calib.Correction{})
	for i := range 40 {
		w.feed(time.Duration(i)*100*time.Millisecond, dither(15, time.Duration(i)*100*time.Millisecond))
	}
	if a := w.alarms[0]; a.State != alarm.Unacknowledged {
		t.Errorf("an uncalibrated probe at three times the limit: %s, want an alarm", a.State)
	}
}

func TestWindowsAreRebuiltFromTheRecord(t *testing.T) {
	w := newTestWatch(newMemory())
	past := Past{LastSeq: 140}
	var recent []Sample
	for i := range 140 { // one second above in each two, seven in all, ending one second before the start
		at := w.epoch.Add(-15*time.Second + time.Duration(i)*100*time.Millisecond)
		sample := Sample{Seq: int64(i + 1), At: at, S: 60,
			Reading: drivers.Reading{HasValue: true, Value: drivers.Decimal{Digits: int64(6000 + i%3), Exp: -3}}}
		if i%20 < 10 {
			sample.S = 1
		}
		recent = append(recent, sample)
	}
	past.Recent = yielding(recent...)
	if err := w.restore(past); err != nil {
		t.Fatal(err)
	}
	if _, sum := w.sustained.TimeAbove(); sum < 6900*time.Millisecond || sum > 8*time.Second {
		t.Fatalf("time above after a restart %v, want about 7 to 8 s", sum)
	}
	if w.alarms[0].State != alarm.Normal {
		t.Fatal("an alarm was raised by the past alone")
	}
	for i := range 15 { // 1.4 s above: together with the past, not yet 10 s
		w.feed(time.Second+time.Duration(i)*100*time.Millisecond, dither(6, time.Duration(i)*100*time.Millisecond))
	}
	unbroken, sum := w.sustained.TimeAbove()
	if w.alarms[0].State != alarm.Normal || unbroken > 1500*time.Millisecond {
		t.Errorf("%s after %v unbroken, %v summed: the stop was not seen, and breaks a stretch", w.alarms[0].State, unbroken, sum)
	}
	for i := 15; i < 25; i++ { // 2.4 s above: with the past, 10 s
		w.feed(time.Second+time.Duration(i)*100*time.Millisecond, dither(6, time.Duration(i)*100*time.Millisecond))
	}
	if w.alarms[0].State != alarm.Unacknowledged {
		_, sum := w.sustained.TimeAbove()
		t.Errorf("%s after %v summed over the restart, want an alarm", w.alarms[0].State, sum)
	}
	if w.counts.Energy < 100 || w.counts.Energy > 200 {
		t.Errorf("energy density %v J/m²: counters count from the start of the program", float64(w.counts.Energy))
	}
}

// TestFaultProbeThatDiesInALeak: what was seen before the silence is told.
func TestFaultProbeThatDiesInALeak(t *testing.T) {
	for _, silence := range []time.Duration{4 * time.Second, 5500 * time.Millisecond, 20 * time.Second, time.Hour} {
		w := newTestWatch(newMemory())
		for i := range 29 { // 2.8 s above: short of the rule, but the last value holds
			w.feed(time.Duration(i)*100*time.Millisecond, dither(6, time.Duration(i)*100*time.Millisecond))
		}
		if w.alarms[exceedsAt].State != alarm.Normal {
			t.Fatal("raised too early")
		}
		end := 2800*time.Millisecond + silence
		if silence < time.Hour { // the ticker looks in between, or the next sample comes first
			w.tick(w.epoch.Add(end))
		}
		w.feed(end+time.Millisecond, "0.100")
		if w.alarms[exceedsAt].State != alarm.Unacknowledged {
			t.Errorf("after %v of silence: %s, want an alarm", silence, w.alarms[exceedsAt].State)
		}
	}
}

func TestFaultThatComesAndGoesIsOneAlarm(t *testing.T) {
	var changes int
	w := newTestWatch(newMemory())
	w.report = func(e Event) {
		if e.Alarm != nil {
			changes++
		}
	}
	for i := range 600 {
		at := time.Duration(i) * 100 * time.Millisecond
		if i%2 == 0 {
			w.feed(at, "FAULT")
		} else {
			w.feed(at, dither(0.4, at))
		}
	}
	if changes != 1 {
		t.Errorf("%d alarm changes in a minute, want one raise", changes)
	}
}

func TestUnseenTimeDoesNotStandStill(t *testing.T) {
	w := newTestWatch(newMemory())
	w.feed(0, "0.412")
	w.tick(w.epoch.Add(3 * time.Minute))
	w.feed(3*time.Minute, "0.412")
	if w.alarms[stuckAt].State != alarm.Normal || w.condition == StuckNow {
		t.Errorf("%s, %s: the same digits after a silence are not stuck", w.alarms[stuckAt].State, w.condition)
	}
}

func TestCutLineAfterARestartIsNotStale(t *testing.T) {
	w := newTestWatch(newMemory())
	w.restore(Past{LastSeq: 1, LastAt: w.epoch.Add(-time.Minute), Recent: yielding(Sample{Seq: 1, At: w.epoch.Add(-time.Minute), S: 4,
		Reading: drivers.Reading{HasValue: true, Value: drivers.Decimal{Digits: 412, Exp: -3}}})})
	w.begin(time.Second)
	w.feed(1100*time.Millisecond, "12,mW")
	w.tick(w.epoch.Add(1200 * time.Millisecond))
	if w.condition != Starting || w.alarms[staleAt].State != alarm.Normal {
		t.Errorf("%s, stale alarm %s: the last process's value says nothing of this one", w.condition, w.alarms[staleAt].State)
	}
}

// TestCrashBeforeTheAlarm: the record holds an exceedance that nobody was told of.
func TestCrashBeforeTheAlarm(t *testing.T) {
	w := newTestWatch(newMemory())
	w.restore(Past{LastSeq: 1, Recent: yielding(Sample{Seq: 1, At: w.epoch.Add(-time.Minute), Quality: OverRange, Reading: drivers.Reading{Status: drivers.OverRange}})})
	w.tick(w.epoch.Add(time.Second))
	if w.alarms[exceedsAt].State != alarm.Unacknowledged {
		t.Errorf("%s, want the exceedance told", w.alarms[exceedsAt].State)
	}
	told := newTestWatch(newMemory())
	told.restore(Past{LastSeq: 1, Alarms: []alarm.Alarm{{Post: "door", Rule: alarm.Exceeds, State: alarm.Normal, Changed: told.epoch.Add(-time.Second)}},
		Recent: yielding(Sample{Seq: 1, At: told.epoch.Add(-time.Minute), Quality: OverRange, Reading: drivers.Reading{Status: drivers.OverRange}})})
	told.tick(told.epoch.Add(time.Second))
	if told.alarms[exceedsAt].State != alarm.Normal {
		t.Error("an exceedance that was reset is told again after a restart")
	}
}

func BenchmarkTakeOneSample(b *testing.B) {
	w := newTestWatch(&quiet{})
	frames, batch, wrong := []drivers.Frame{{Bytes: []byte("0.412")}}, make([]Sample, 1), []error{nil}
	batch[0].Reading, _ = plain{}.parse(frames[0].Bytes)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		frames[0].Arrived = w.epoch.Add(time.Duration(i) * time.Millisecond)
		batch[0].Reading.Value.Digits = int64(400 + i%9)
		w.take(frames, batch, wrong)
	}
}

// TestFarBelowZeroIsNotWithin: a zero that is off by five milliwatts hides a
// leak of as much.
func TestFarBelowZeroIsNotWithin(t *testing.T) {
	w := newTestWatch(newMemory())
	w.feed(0, "0.000")
	w.feed(time.Second, "0.400") // a run is seen
	for i := 2; i < 8; i++ {
		got := w.feed(time.Duration(i)*time.Second, "-5.000")
		if got[0].Quality&Uncalibrated == 0 {
			t.Fatalf("%v: a reading far below zero is good", got[0].Quality)
		}
	}
	if v := w.verdicts(8 * time.Second)[0]; v.Outcome != "not decided" {
		t.Errorf("%s, %q", v.Outcome, v.Reasons)
	}
	if w.sustained.Returned() {
		t.Error("it counts as seen below the limit")
	}
	s := w.stats(w.epoch.Add(8 * time.Second))
	if sight := s.Sight(); sight.Regard != IsBlind || !strings.Contains(sight.Words(), "-5 mW/cm² is far below zero") {
		t.Errorf("it counts as %s", sight.Words())
	}
	w = newTestWatch(newMemory())
	w.feed(time.Second, "-5.000")
	if s := w.stats(w.epoch.Add(time.Second)); s.Counts.HasPeak || !s.Blind() {
		t.Errorf("the peak of a field that is not known is %s", s.Counts.Peak)
	}
}

// readings is an Observer that keeps what samples say.
type readings struct{ got []string }

func (r *readings) Observe(_ int, batch []Sample) {
	for _, s := range batch {
		r.got = append(r.got, fmt.Sprintf("%s: %d, status %d", s.Said, s.Reading.Value.Digits, s.Reading.Status))
	}
}

// A batch keeps what was read of each frame, whichever of the others held nothing.
func TestBatchWithRefusedFrames(t *testing.T) {
	said := []string{"junk", "LOBAT 0.401", "OVER", "", "0.402", "junk", "0.403", "junk"}
	all := []string{"LOBAT 0.401: 401, status 4", "OVER: 0, status 1", "0.402: 402, status 0", "0.403: 403, status 0"}
	for one, want := range map[bool][]string{everyReading: all, firstReading: all[:1]} {
		w := newTestWatch(newMemory())
		p, heard := &poller{watch: w}, &readings{}
		p.hearers.Store(&audience{observers: []Observer{heard}})
		for turn := range 3 { // into what the last one left
			heard.got, p.frames = nil, p.frames[:0]
			for i, s := range said {
				p.frames = append(p.frames, drivers.Frame{Bytes: []byte(s), Arrived: w.epoch.Add(time.Duration(10*turn+i) * time.Second)})
			}
			if n := p.handOn(one); n != len(want) || !slices.Equal(heard.got, want) {
				t.Errorf("%d samples, %q, want %q", n, heard.got, want)
			}
		}
	}
}

// A probe that was unplugged for a survey has the time to come back that any probe
// has at a start; one that does not come is silent then.
func TestBackFromASurveyIsNotSilentAtOnce(t *testing.T) {
	watching(t, func(d time.Duration) string {
		if d > 2*time.Second && d < 28*time.Second || d > 31*time.Second {
			return ""
		}
		return dither(0.1, d)
	}, Past{}, func(t *testing.T, s *Station, m *memory) {
		at(time.Second)
		if err := s.Announce(0, alarm.Away, "J. Hale", "yearly survey", 20*time.Second); err != nil {
			t.Fatal(err)
		}
		at(30 * time.Second)
		if got := m.changes(alarm.Silent); len(got) != 0 {
			t.Errorf("it came back 7 s after the survey, and is told as silent: %v", got)
		}
		if err := s.Announce(0, alarm.Away, "J. Hale", "yearly survey", 20*time.Second); err != nil {
			t.Fatal(err)
		}
		at(59 * time.Second)
		if got := m.changes(alarm.Silent); len(got) != 0 {
			t.Errorf("silent at once: %v", got)
		}
		at(61 * time.Second)
		if got := m.changes(alarm.Silent); !slices.Equal(got, []alarm.Reason{alarm.Raised}) {
			t.Errorf("it did not come back within 10 s, and that is told as %v", got)
		}
	})
}
