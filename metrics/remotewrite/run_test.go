package remotewrite

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
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
				if !tt.again {
					checkRefused(t, all, data[0], w.Stats())
					return
				}
				checkAgain(t, data, w.Stats(), tt.first, tt.after == "")
			})
		})
	}
}

// checkAgain: a request that fails three times is made again after the wait first, and
// waits grow unless the receiver says how long.
func checkAgain(t *testing.T, data []request, st Stats, first time.Duration, grows bool) {
	t.Helper()
	if d := data[1].at.Sub(data[0].at); d < first || d > first+time.Second {
		t.Errorf("came again after %v, want %v", d, first)
	}
	if d1, d2 := data[2].at.Sub(data[1].at), data[3].at.Sub(data[2].at); grows && d2 < 2*d1-time.Millisecond {
		t.Errorf("waits of %v and %v do not grow", d1, d2)
	}
	if st.Failed != 3 || st.Refused != 0 {
		t.Errorf("%+v, want 3 failed attempts", st)
	}
}

// checkRefused: the first request with samples was refused for good.
func checkRefused(t *testing.T, all []request, refused request, st Stats) {
	t.Helper()
	for _, q := range all[2:] {
		if q.body == refused.body {
			t.Error("a refused request came again")
		}
	}
	if len(all[2].points) != 0 {
		t.Error("after a refusal no empty request asked whether the receiver lets anything in")
	}
	if int(st.Refused) != len(refused.points) || st.Failed != 0 {
		t.Errorf("%+v, want %d refused", st, len(refused.points))
	}
}

// A receiver that lets nobody in costs one batch, and the rest waits.
func TestFaultShutDoor(t *testing.T) {
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
func TestFaultRecordTrouble(t *testing.T) {
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
