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

const pantry = "{oven=pantry,post=pantry-door,probe=shelf,site=Larkfield House}"

// want is what a receiver should hold of rows, one point each at its instant.
func want(rows []Row) []got {
	var out []got
	for _, r := range rows {
		out = append(out, got{PowerDensity + pantry, r.At.UnixMilli(), r.Value})
	}
	return out
}

func numbers(all []got) []got {
	return slices.DeleteFunc(all, func(g got) bool { return math.IsNaN(g.value) })
}

// An outage of days is made up for in order, each sample once and at its own
// instant, at a bounded rate, in the form that the specification asks.
func TestBackfill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{}
		rows := rowsFrom(time.Now().Add(-72*time.Hour).Add(437*time.Microsecond), 1, 12_000)
		r.add("pantry-door", rows...)
		w := writer(t, r, s, func(o *Options) { o.Rate = 1000 })
		began := time.Now()
		run(t, w, 5*time.Minute)
		if got := numbers(s.all(PowerDensity)); !slices.Equal(got, want(rows)) {
			t.Fatalf("%d points, want %d as in the record", len(got), len(rows))
		}
		sent, last := 0, time.Time{}
		for _, q := range s.requests() {
			for k, v := range map[string]string{"Content-Type": "application/x-protobuf", "Content-Encoding": "snappy",
				"X-Prometheus-Remote-Write-Version": "0.1.0"} {
				if q.header.Get(k) != v {
					t.Errorf("%s: %q, want %q", k, q.header.Get(k), v)
				}
			}
			if !strings.HasPrefix(q.header.Get("User-Agent"), "ovenward/") || len(q.points) > maxSamples+100 {
				t.Errorf("%q, %d samples", q.header.Get("User-Agent"), len(q.points))
			}
			if len(q.only(PowerDensity)) > 0 {
				last = q.at
			}
			sent += len(q.points)
		}
		if took := last.Sub(began); took < 11*time.Second || took > time.Minute {
			t.Errorf("12 000 samples took %v at 1 000 a second", took)
		}
		if st := w.Stats(); st.Sent != uint64(sent) || st.Refused+st.TooOld+st.Failed+st.Crowded != 0 || st.Behind != 0 {
			t.Errorf("%+v, %d came", st, sent)
		}
	})
}

// A new target gets only so much of the past.
func TestHistory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{}
		rows := rowsFrom(time.Now().Add(-2*time.Hour), 1, 7200)
		r.add("pantry-door", rows...)
		run(t, writer(t, r, s, func(o *Options) { o.History = time.Hour }), time.Minute)
		if got := numbers(s.all(PowerDensity)); !slices.Equal(got, want(rows[3600:])) {
			t.Errorf("%d points, want those of the last hour", len(got))
		}
	})
}

// What the receiver answers decides what is sent again.
func TestAnswers(t *testing.T) {
	for _, tt := range []struct {
		name        string
		status      int
		text, after string
		again       bool          // the same request
		first       time.Duration // from the first answer to the next request
	}{
		{"400", 400, "bad request", "", false, 0},
		{"401", 401, "", "", false, 0},
		{"403", 403, "", "", false, 0},
		{"404", 404, "page not found", "", false, 0},
		{"413", 413, "", "", false, 0},
		{"415", 415, "", "", false, 0},
		{"429", 429, "slow down", "", true, time.Second},
		{"429 with seconds", 429, "", "7", true, 7 * time.Second},
		{"500", 500, "oops", "", true, time.Second},
		{"502", 502, "", "", true, time.Second},
		{"503 with seconds", 503, "", "90", true, 90 * time.Second},
		{"503 with a date", 503, "", "Sat, 01 Jan 2000 00:02:00 GMT", true, 2 * time.Minute},
		{"a redirect", 302, "", "", true, time.Second},
		{"nobody", 0, "", "", true, time.Second},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, s, failed := newRecord(), &scripted{}, 0
				rows := rowsFrom(time.Now().Add(-time.Hour), 1, 2500)
				r.add("pantry-door", rows...)
				s.answer = func(q request, _ int) (int, string, http.Header) {
					if len(q.points) > 0 && failed < 3 {
						failed++
						if !tt.again {
							failed = 3
						}
						return tt.status, tt.text, http.Header{"Retry-After": {tt.after}}
					}
					return 204, "", nil
				}
				w := writer(t, r, s, nil)
				run(t, w, 10*time.Minute)
				all, data := s.requests(), []request{}
				for _, q := range all {
					if len(q.points) > 0 {
						data = append(data, q)
					}
				}
				again := data[1].body == data[0].body
				if again != tt.again {
					t.Fatalf("sent again: %v, want %v", again, tt.again)
				}
				st := w.Stats()
				if !tt.again {
					for _, q := range all[2:] {
						if q.body == data[0].body {
							t.Error("a refused request came again")
						}
					}
					if len(all[2].points) != 0 {
						t.Error("after a refusal no empty request asked whether the receiver lets anything in")
					}
					if int(st.Refused) != len(data[0].points) || st.Failed != 0 {
						t.Errorf("%+v, want %d refused", st, len(data[0].points))
					}
					return
				}
				if d := data[1].at.Sub(data[0].at); d < tt.first || d > tt.first+time.Second {
					t.Errorf("came again after %v, want %v", d, tt.first)
				}
				if d1, d2 := data[2].at.Sub(data[1].at), data[3].at.Sub(data[2].at); tt.after == "" && d2 < 2*d1-time.Millisecond {
					t.Errorf("waits of %v and %v do not grow", d1, d2)
				}
				if st.Failed != 3 || st.Refused != 0 {
					t.Errorf("%+v, want 3 failed attempts", st)
				}
			})
		})
	}
}

// A receiver that lets nobody in costs one batch, and the rest waits.
func TestShutDoor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{}
		rows := rowsFrom(time.Now().Add(-2*time.Hour), 1, 7000)
		r.add("pantry-door", rows...)
		opens := time.Now().Add(20 * time.Minute)
		shut := false
		s.answer = func(q request, _ int) (int, string, http.Header) {
			if shut = shut || len(q.points) > 0; shut && time.Now().Before(opens) {
				return 401, "token expired", nil
			}
			return 204, "", nil
		}
		w := writer(t, r, s, nil)
		run(t, w, 40*time.Minute)
		first := s.requests()[1]
		lost := len(numbers(first.only(PowerDensity)))
		seen := numbers(s.all(PowerDensity))[lost:]
		if lost == 0 || lost > maxSamples || !slices.Equal(seen, want(rows[lost:])) {
			t.Errorf("%d lost and %d came of %d", lost, len(seen), len(rows))
		}
		if st := w.Stats(); int(st.Refused) != len(first.points) || st.Failed < 10 || st.Failed > 60 {
			t.Errorf("%+v", st)
		}
	})
}

// What the receiver calls too old is passed over, to the millisecond, whatever
// status it says so with; everything else arrives.
func TestTooOld(t *testing.T) {
	for status, text := range map[int]string{400: "out of bounds", 500: "too old sample"} {
		for _, all := range []bool{false, true} {
			t.Run(fmt.Sprint(status, all), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r, s := newRecord(), &scripted{}
					rows := rowsFrom(time.Now().Add(-48*time.Hour).Add(123*time.Millisecond), 1, 9000)
					r.add("pantry-door", rows...)
					bound := rows[4321].At.UnixMilli()
					if all {
						bound = time.Now().Add(-time.Minute).UnixMilli()
					}
					accepted := map[int64]float64{}
					s.answer = func(q request, _ int) (int, string, http.Header) {
						for _, p := range q.points {
							if p.ms < bound {
								return status, text, nil
							}
						}
						for _, p := range q.only(PowerDensity) {
							accepted[p.ms] = p.value
						}
						return 204, "", nil
					}
					w := writer(t, r, s, nil)
					run(t, w, 10*time.Minute)
					n := 0
					for _, x := range rows {
						if v, ok := accepted[x.At.UnixMilli()]; ok != (x.At.UnixMilli() >= bound) || ok && v != x.Value {
							t.Fatalf("sample %d: %v, %v", x.Seq, v, ok)
						} else if !ok {
							n++
						}
					}
					st := w.Stats()
					if st.TooOld < uint64(n) || st.Refused != 0 || st.Failed != 0 {
						t.Errorf("%+v, %d samples are too old", st, n)
					}
					if len(s.requests()) > 200 {
						t.Errorf("%d requests", len(s.requests()))
					}
				})
			})
		}
	}
}

// One sample that the receiver refuses takes no other with it.
func TestOneBadSample(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{}
		rows := rowsFrom(time.Now().Add(-time.Hour), 1, 3000)
		r.add("pantry-door", rows...)
		bad := rows[777].At.UnixMilli()
		accepted := 0
		bodies := map[string]bool{}
		s.answer = func(q request, _ int) (int, string, http.Header) {
			for _, p := range q.only(PowerDensity) {
				if p.ms == bad {
					if bodies[q.body] {
						t.Error("a refused request came again")
					}
					bodies[q.body] = true
					return 400, "out of order sample", nil
				}
			}
			accepted += len(numbers(q.only(PowerDensity)))
			return 204, "", nil
		}
		w := writer(t, r, s, nil)
		run(t, w, 10*time.Minute)
		if accepted != len(rows)-1 || w.Stats().Refused != 1 {
			t.Errorf("%d of %d accepted, %+v", accepted, len(rows), w.Stats())
		}
	})
}

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
func TestClockStep(t *testing.T) {
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

// Of more than a thousand samples a second some have no place; up to a thousand
// all have one.
func TestMillis(t *testing.T) {
	base := time.UnixMilli(1_800_000_000_000)
	var m Millis
	for i := range 2000 { // 1 kHz with jitter of 0.4 ms
		at := base.Add(time.Duration(i)*time.Millisecond + time.Duration(i*7919%801)*time.Microsecond)
		if ms, ok := m.Next(at); !ok || ms < at.UnixMilli() || ms > at.UnixMilli()+1 {
			t.Fatalf("sample %d at %v: %d, %v", i, at, ms, ok)
		}
	}
	m, placed := Millis{}, 0
	for i := range 4000 { // 4 kHz
		if _, ok := m.Next(base.Add(time.Duration(i) * 250 * time.Microsecond)); ok {
			placed++
		}
	}
	if placed < 1000 || placed > 1001 {
		t.Errorf("%d of 4 000 samples in a second have a place", placed)
	}
}

// A record that does not read is tried again, and loses nothing.
func TestRecordTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := newRecord(), &scripted{}
		rows := rowsFrom(time.Now().Add(-time.Hour), 1, 100)
		r.add("pantry-door", rows...)
		r.fail = fmt.Errorf("the disk does not answer")
		w := writer(t, r, s, nil)
		stop := time.AfterFunc(30*time.Second, func() {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.fail = nil
		})
		defer stop.Stop()
		run(t, w, 2*time.Minute)
		if got := numbers(s.all(PowerDensity)); !slices.Equal(got, want(rows)) {
			t.Errorf("%d points, want %d", len(got), len(rows))
		}
	})
}

// A dead target holds up no other.
func TestTargetsAreIndependent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, dead, good := newRecord(), &scripted{}, &scripted{}
		rows := rowsFrom(time.Now().Add(-time.Hour), 1, 100)
		r.add("pantry-door", rows...)
		dead.answer = func(request, int) (int, string, http.Header) { return 0, "", nil }
		go run(t, writer(t, r, dead, func(o *Options) { o.Name = "dead" }), time.Minute)
		run(t, writer(t, r, good, nil), time.Minute)
		synctest.Wait()
		if got := numbers(good.all(PowerDensity)); !slices.Equal(got, want(rows)) {
			t.Errorf("%d points, want %d", len(got), len(rows))
		}
	})
}
