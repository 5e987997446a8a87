package remotewrite

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Nothing is sent that lies in the receiver's future, whichever clock is wrong,
// and it is sent as soon as it no longer does.
func TestHeldBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{ahead: -time.Hour} // our clock is an hour ahead of theirs
		rows := rowsFrom(time.Now().Add(-2*time.Minute), 1, 60)
		r.add("pantry-door", rows...)
		w := writer(t, r, s, nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- w.Run(ctx) }()
		time.Sleep(50 * time.Minute)
		if got := s.all(PowerDensity); len(got) != 0 || !w.Stats().HeldBack {
			t.Errorf("sent %d samples of the future; held back: %v", len(got), w.Stats().HeldBack)
		}
		time.Sleep(15 * time.Minute)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if got := numbers(s.all(PowerDensity)); !slices.Equal(got, want(rows)) {
			t.Errorf("%d points, want %d", len(got), len(rows))
		}
		for _, q := range s.requests() {
			for _, p := range q.points {
				if there := q.at.Add(-time.Hour); time.UnixMilli(p.ms).After(there.Add(dateStep)) {
					t.Fatalf("%s at %s came at the receiver's %s", p.series, time.UnixMilli(p.ms), there)
				}
			}
		}
	})
}

// A step of our own clock holds samples back; where the receiver says no time the
// clock is believed after a while.
func TestFaultClockStep(t *testing.T) {
	for _, tt := range []struct {
		noDate bool
		after  time.Duration // until what was stamped after the step is sent
	}{{false, time.Hour}, {true, trustAfter}} {
		synctest.Test(t, func(t *testing.T) {
			r, s := newRecord(), &scripted{noDate: tt.noDate}
			began := time.Now()
			var step atomic.Int64
			clock := func() time.Time { return time.Now().Add(time.Duration(step.Load())) }
			r.now = clock
			w := writer(t, r, s, func(o *Options) {
				o.Now, o.mono = clock, func() time.Duration { return time.Since(began) }
			})
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error)
			go func() { done <- w.Run(ctx) }()
			time.Sleep(time.Minute)
			r.add("pantry-door", rowsFrom(time.Now().Add(-10*time.Second), 1, 5)...)
			time.Sleep(time.Minute)
			synctest.Wait()
			if got := numbers(s.all(PowerDensity)); len(got) != 5 {
				t.Fatalf("%d points before the step, want 5", len(got))
			}
			step.Store(int64(time.Hour))
			stepped := time.Now()
			r.add("pantry-door", rowsFrom(clock(), 6, 5)...)
			time.Sleep(tt.after - time.Minute)
			synctest.Wait()
			if got := numbers(s.all(PowerDensity)); len(got) != 5 || !w.Stats().HeldBack {
				t.Errorf("no Date %v: %d points, held back %v; want none of those after the step", tt.noDate, len(got), w.Stats().HeldBack)
			}
			time.Sleep(3 * time.Minute)
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
			if got := numbers(s.all(PowerDensity)); len(got) != 10 {
				t.Errorf("no Date %v: %d points %v after the step, want 10", tt.noDate, len(got), time.Since(stepped))
			}
		})
	}
}

// A restart goes on from where the record says; what was in flight comes again,
// the same to the last bit, and nothing else does.
func TestRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{}
		rows := rowsFrom(time.Now().Add(-3*time.Hour), 1, 9000)
		r.add("pantry-door", rows...)
		ctx, cancel := context.WithCancel(t.Context())
		s.answer = func(_ request, n int) (int, string, http.Header) {
			if n == 4 {
				cancel() // it was accepted, and nobody lived to hear it
				return 0, "", nil
			}
			return 204, "", nil
		}
		if err := writer(t, r, s, nil).Run(ctx); err != nil {
			t.Fatal(err)
		}
		first := s.requests()
		flying := first[len(first)-1]
		s.answer = nil
		run(t, writer(t, r, s, nil), 5*time.Minute)
		before, values, twice := int64(0), map[string]float64{}, 0
		for i, q := range s.requests() {
			for _, p := range q.points {
				key := fmt.Sprint(p.series, p.ms)
				v, seen := values[key]
				if values[key] = p.value; seen {
					twice++
					if math.Float64bits(v) != math.Float64bits(p.value) || !slices.ContainsFunc(flying.points, func(f got) bool { return f.series == p.series && f.ms == p.ms }) {
						t.Fatalf("%v came twice, first as %v", p, v)
					}
				}
			}
			for _, p := range numbers(q.only(PowerDensity)) {
				if i >= len(first) {
					if p.ms <= before {
						t.Fatalf("%d after %d", p.ms, before)
					}
					before = p.ms
				}
			}
		}
		if twice == 0 || twice > len(flying.points) {
			t.Errorf("%d points came twice, %d were in flight", twice, len(flying.points))
		}
		for _, x := range rows {
			if v, ok := values[fmt.Sprint(PowerDensity+pantry, x.At.UnixMilli())]; !ok || v != x.Value {
				t.Fatalf("sample %d: %v, %v", x.Seq, v, ok)
			}
		}
	})
}

// A probe that falls silent ends its series where its last sample ceases to hold;
// its alarms and counters go on while somebody knows them.
func TestBlind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{}
		from := time.Now().Add(-10 * time.Second)
		rows := rowsFrom(from, 1, 5)
		over := Row{Seq: 6, At: from.Add(5 * time.Second), Value: math.NaN(), Quality: acquire.OverRange, Place: place()}
		r.add("pantry-door", append(append(rows, over), rowsFrom(from.Add(6*time.Second), 8, 3)...)...)
		silent := alarm.Alarm{Post: "pantry-door", Rule: alarm.Silent, State: alarm.Unacknowledged, Changed: from.Add(18 * time.Second)}
		r.say(acquire.Event{At: silent.Changed, Post: silent.Post, Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: silent}})
		run(t, writer(t, r, s, nil), 2*time.Minute)
		points := s.all(PowerDensity)
		if len(points) != 10 {
			t.Fatalf("%d points, want 8 numbers and 2 ends", len(points))
		}
		for i, ms := range map[int]int64{5: over.At.UnixMilli(), 9: from.Add(11 * time.Second).UnixMilli()} {
			if !IsStale(points[i].value) || points[i].ms != ms {
				t.Errorf("point %d: %+v, want an end at %d", i, points[i], ms)
			}
		}
		latest := map[string]got{}
		for _, q := range s.requests() {
			for _, p := range q.points {
				latest[p.series] = p
			}
		}
		labels := strings.TrimSuffix(pantry, "}")
		silentSeries := alarmActive + strings.Replace(labels, ",site", ",rule=silent,site", 1) + "}"
		for series, v := range map[string]float64{
			silentSeries:            1,
			lostTotal + pantry:      1,             // number 7
			observedTotal + pantry:  4 + 1 + 1 + 2, // the last one counts when the next comes
			overRangeTotal + pantry: 1,
			// Values are n/4 W/m², each held for a second; over range counts as the top.
			energyTotal + pantry: (1+2+3+4)/4. + 5/4. + 200 + (8+9)/4.,
		} {
			p, ok := latest[series]
			if !ok || math.Abs(p.value-v) > 1e-9 || time.Since(time.UnixMilli(p.ms)) > 40*time.Second {
				t.Errorf("%s: %+v (%v), want %v and new", series, p, ok, v)
			}
		}
		if p := latest[OverRange+pantry]; !IsStale(p.value) {
			t.Errorf("over range: %+v, want its end", p)
		}
	})
}
