package acquire

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
)

// outcome is the verdict against the first limit, an instant after at.
func (w *watch) outcome(at time.Duration) limit.Verdict {
	w.tick(w.epoch.Add(at + time.Millisecond))
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.verdicts(at + time.Millisecond)[0]
}

// TestLosingDataNeverEarnsWithin feeds two posts the same run, of which one loses
// samples to faults and to silences longer than emission limits resolve: it is
// never within where the one that saw everything is not.
func TestLosingDataNeverEarnsWithin(t *testing.T) {
	var decided, within int
	rapid.Check(t, func(t *rapid.T) {
		response := rapid.SampledFrom([]time.Duration{500 * time.Millisecond, 2 * time.Second, 3 * time.Second}).Draw(t, "response")
		post := aPost(&fakeProbe{})
		post.Probe.Response, post.Probe.Period = response, time.Second
		full, lossy := onlyWatch(post), onlyWatch(post)
		silent := 0
		const idle = 95 // longer than the run gap, so that the begin of the run is seen
		from := rapid.SampledFrom([]int{0, 0, 3, 60, idle - 1, idle, idle + 1, idle + 20}).Draw(t, "the other's first sample")
		losses := map[int]bool{} // where something is lost; true: by a fault
		for range rapid.IntRange(0, 4).Draw(t, "losses") {
			losses[rapid.OneOf(rapid.IntRange(0, idle), rapid.IntRange(idle, idle+149)).Draw(t, "lost at")] = rapid.Bool().Draw(t, "by a fault")
		}
		most := rapid.SampledFrom([]float64{4.9, 6}).Draw(t, "most")
		mw := 0.01
		for i := range idle + 150 {
			at := time.Duration(i) * time.Second
			if i >= idle && i%4 == 0 {
				mw = rapid.SampledFrom([]float64{0.5, 0.5, 0.6, 2, 0.01, most}).Draw(t, "mw")
			}
			word := dither(mw, at)
			full.feed(at, word)
			heard := false
			switch fault, lose := losses[i]; {
			case i < from:
			case silent > 0:
				silent--
			case lose && !fault:
				silent = rapid.IntRange(3, 12).Draw(t, "silent")
			case lose:
				lossy.feed(at, "FAULT")
				heard = true
			default:
				lossy.feed(at, word)
				heard = true
			}
			if !heard {
				continue // the last value holds until silence is known
			}
			a, b := full.outcome(at), lossy.outcome(at)
			if b.Outcome == limit.Within {
				within++
				if a.Outcome != limit.Within {
					t.Fatalf("after %v: %s of what was seen whole (%q), and within of what was lost", at, a.Outcome, a.Reasons)
				}
			}
			if a.Outcome == limit.Within {
				decided++
			}
		}
	})
	if decided == 0 || within == 0 {
		t.Errorf("within %d times of the whole and %d times of the rest: nothing was tried", decided, within)
	}
}

func onlyWatch(p Post) *watch {
	return newWatch(&p, 0, time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC), newMemory(), func(Event) {})
}

// TestAPeakBeyondTheTableIsNotForgotten: a value of the run that the certificate
// does not reach keeps the run from being within, though the newest is covered.
func TestAPeakBeyondTheTableIsNotForgotten(t *testing.T) {
	post := aPost(&fakeProbe{})
	post.Probe.Certificate.ByLevel = []calib.LevelPoint{{Level: 0.1, Factor: 1}, {Level: 10, Factor: 1}}
	w := onlyWatch(post)
	const s = time.Second
	w.goOn(0, 95*s, 0.01) // longer than the run gap
	w.goOn(95*s, 110*s, 0.5)
	if v := w.outcome(110 * s); v.Outcome != limit.Within {
		t.Fatalf("%s: %q", v.Outcome, v.Reasons)
	}
	w.goOn(110*s, 112*s, 3) // 30 W/m², the table ends at 10 W/m²
	w.goOn(112*s, 130*s, 0.5)
	if v := w.outcome(130 * s); v.Outcome != limit.NotDecided || !strings.Contains(fmt.Sprint(v.Reasons), "a value of this run lies beyond") {
		t.Errorf("%s: %q", v.Outcome, v.Reasons)
	}
}

// TestOverRangeInTheRunIsNotFiltered: no filter, and no reset, takes back that the
// run went over range.
func TestOverRangeInTheRunIsNotFiltered(t *testing.T) {
	post := aPost(&fakeProbe{})
	post.Probe.Response = 500 * time.Millisecond
	w := onlyWatch(post)
	const s = time.Second
	w.goOn(0, 5*s, 0.01)
	w.goOn(5*s, 10*s, 0.5)
	w.feed(10*s, "OVER")
	w.goOn(10*s+100*time.Millisecond, 130*s, 0.5)
	w.alarms[exceedsAt].State = "normal" // as after a reset
	if v := w.outcome(130 * s); v.Outcome != limit.NotDecided || !strings.Contains(fmt.Sprint(v.Reasons), "earlier in this run") {
		t.Errorf("%s: %q", v.Outcome, v.Reasons)
	}
}

// TestTheTopIsCorrected: bounds of what was not seen reach as high as the probe
// can show, corrected.
func TestTheTopIsCorrected(t *testing.T) {
	post := aPost(&fakeProbe{})
	post.Probe.Certificate.Factor = 2
	if top, _, least := post.top(); top != 400 || least != 200 {
		t.Errorf("of a factor of 2 the top is %v, over-range at least %v; want 400, 200 W/m²", top, least)
	}
	post.Probe.Certificate.Factor = 0.5
	if top, _, least := post.top(); top != 200 || least != 100 {
		t.Errorf("of a factor of 0.5 the top is %v, over-range at least %v; want 200, 100 W/m²", top, least)
	}
}

// TestAnOverdueCertificateIsTold: that its successor is entered already, for a later
// day, hides nothing; and a lead of 0 keeps only the notice beforehand away.
func TestAnOverdueCertificateIsTold(t *testing.T) {
	w, told := ruledWatch(t, func(p *Post) {
		p.Upkeep.Certificate = 0
		now, next := *p.Probe.Certificate, *p.Probe.Certificate
		now.Number, now.Due = "K-1", time.Date(2000, 1, 1, 12, 0, 10, 0, time.UTC)
		next.Number, next.Date = "K-2", time.Date(2000, 3, 1, 0, 0, 0, 0, time.UTC)
		p.Probe.Certificate, p.Probe.Earlier = &next, []*calib.Certificate{&now}
	})
	w.goOn(0, 9*time.Second, 0.01)
	told.want(t, alarm.CertificateOverdue)
	w.goOn(9*time.Second, 12*time.Second, 0.01)
	told.want(t, alarm.CertificateOverdue, alarm.Raised)
	told.want(t, alarm.CertificateDue)
	if text := w.systemText(certificateOverdueAt); !strings.Contains(text, "certificate K-1 of") {
		t.Error(text)
	}
}

// TestARunBegunBeforeTheStartIsCut: a daemon that starts while the oven emits, or rests
// for less than the run gap, has not seen how high that run went.
func TestARunBegunBeforeTheStartIsCut(t *testing.T) {
	const s = time.Second
	for _, tc := range []struct {
		name        string
		rest, pause time.Duration
		cut         bool
	}{
		{"in the middle of a run, at part power", 0, 12 * s, true},
		{"in a pause of a run", 20 * s, 0, true},
		{"in a pause, and later in another", 20 * s, 40 * s, true},
		{"rest for the whole gap", 91 * s, 0, false},
		{"in the middle of a run, then rest for the whole gap", 0, 95 * s, false},
	} {
		w := onlyWatch(aPost(&fakeProbe{}))
		at := tc.rest
		w.goOn(0, at, 0.01)
		if tc.rest == 0 || tc.pause > 0 {
			w.goOn(at, at+10*s, 0.5)
			at += 10 * s
		}
		w.goOn(at, at+tc.pause, 0.01)
		at += tc.pause
		w.goOn(at, at+20*s, 0.5)
		at += 20 * s
		v, st := w.outcome(at), w.stats(w.epoch.Add(at))
		if !st.Running || st.RunCut != tc.cut {
			t.Errorf("%s: running %v, cut %v", tc.name, st.Running, st.RunCut)
		}
		if ended := w.epoch.Add(at); !st.RanFrom.Equal(st.RunningSince) || ended.Sub(st.RanTo) > s || ended.Before(st.RanTo) {
			t.Errorf("%s: it ran from %v to %v, and runs since %v", tc.name, st.RanFrom, st.RanTo, st.RunningSince)
		}
		if missed := strings.Contains(fmt.Sprint(v.Reasons), "part of this run was not seen"); missed != tc.cut || (v.Outcome == limit.Within) == tc.cut {
			t.Errorf("%s: %s, %q", tc.name, v.Outcome, v.Reasons)
		}
		// The next run is seen whole.
		w.goOn(at, at+92*s, 0.01)
		if after := w.stats(w.epoch.Add(at + 92*s)); after.Running || !after.RanFrom.Equal(st.RanFrom) || !after.RanTo.Equal(st.RanTo) || after.RunPeak != st.RunPeak {
			t.Errorf("%s: after its end it ran from %v to %v with a peak of %v", tc.name, after.RanFrom, after.RanTo, after.RunPeak)
		}
		w.goOn(at+92*s, at+100*s, 0.5)
		if v := w.outcome(at + 100*s); v.Outcome != limit.Within {
			t.Errorf("%s, the next run: %s, %q", tc.name, v.Outcome, v.Reasons)
		}
	}
}

// TestARunOfAnotherPlaceEarnsNothing: where the post moved, that an oven ran before says
// nothing of the one there now, nor how high it goes from there.
func TestARunOfAnotherPlaceEarnsNothing(t *testing.T) {
	const s = time.Second
	w, m := onlyWatch(aPost(&fakeProbe{})), newMemory()
	w.record = m
	w.goOn(0, 100*s, 0.01)
	w.goOn(100*s, 130*s, 0.5)
	last := m.samples[0][len(m.samples[0])-1]
	for moved, within := range map[time.Duration]bool{-time.Hour: true, 0: false, -10 * s: false} {
		for now, mw := range map[string]float64{"at rest": 0.01, "emitting": 0.5} {
			next := newWatch(w.post, 0, last.At.Add(s/5), newMemory(), func(Event) {})
			if err := next.restore(Past{LastSeq: last.Seq, LastAt: last.At, Recent: yielding(m.samples[0]...), Moved: last.At.Add(s/5 + moved)}); err != nil {
				t.Fatal(err)
			}
			next.goOn(0, 5*s, mw)
			if v := next.outcome(5 * s); (v.Outcome == limit.Within) != within {
				t.Errorf("moved %s ago, now %s: %s, %q", -moved, now, v.Outcome, v.Reasons)
			}
		}
	}
}

// A start in the middle of a run earns no cover: what was before it was not seen.
func TestNothingIsCoveredBeforeTheStart(t *testing.T) {
	w := peopleWatch(newMemory(), func(Event) {}, onPeople("minute", 10, time.Minute), aPost(&fakeProbe{}).Limit)
	const s = time.Second
	w.goOn(0, 15*s, 0.3)
	for i, v := range w.verdicts(15 * s) {
		if v.Cover > 0.26 || v.Outcome == limit.Within {
			t.Errorf("limit %d after 15 s of a minute: cover %v, %s", i, v.Cover, v.Outcome)
		}
	}
}

// The text of an exceedance tells nothing that would only keep a lower field from
// being within.
func TestAnExceedanceSaysNothingOfWhatWasMissed(t *testing.T) {
	var told []Event
	p := aPost(&fakeProbe{})
	w := newWatch(&p, 0, time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC), newMemory(), func(e Event) { told = append(told, e) })
	const s = time.Second
	w.goOn(0, 5*s, 0.01)
	w.goOn(5*s, 10*s, 6)
	if n := len(told); n != 1 || told[0].Alarm == nil || !w.flaws.missed {
		t.Fatalf("%d events, run missed %v", n, w.flaws.missed)
	}
	if text := told[0].Text; !strings.Contains(text, "above the limit") || strings.Contains(text, "not seen") {
		t.Errorf("told %q", text)
	}
	for _, why := range told[0].Alarm.Verdict.Reasons {
		if strings.Contains(why, "not seen") {
			t.Errorf("the verdict behind it gives %q as a reason", why)
		}
	}
}
