package main

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/metrics/remotewrite"
)

// recordedPost is a post of an invented site.
func recordedPost(id string) acquire.Post {
	return acquire.Post{Site: "Larkfield House", ID: id, Oven: "oven of " + id, OvenPlace: "by the hatch", Distance: 0.05,
		Probe: acquire.Probe{ID: "probe of " + id, Port: "/dev/ttyUSB0", Period: time.Second, Timeout: time.Second, Response: time.Second,
			Range: 200, Floor: 0.1, Axes: 3, Certificate: &calib.Certificate{Number: "LH-17", Laboratory: "County calibration laboratory",
				Date: time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), Due: time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC), Factor: 1.04, U: 0.12, K: 2}},
		Limit: limit.Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "21 CFR 1030.10(c)(1)"},
		Stale: 3 * time.Second}
}

// history is a record of posts read once a second from an instant on: mostly
// numbers, each a few hundred samples over range, a fault, and a minute in which
// nothing was said. It is made, not waited for.
func history(t *testing.T, dir string, from time.Time, n int, posts ...acquire.Post) *store.Store {
	t.Helper()
	s, err := store.Open(dir, store.Options{CommitEvery: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := s.Register(posts, from); err != nil {
		t.Fatal(err)
	}
	for i := range posts {
		s.Correction(i, calib.Correction{Zero: 0.05, ZeroAt: from, ZeroBy: "R. Okafor", Certificate: posts[i].Probe.Certificate})
	}
	s.Record(acquire.Event{At: from, Kind: acquire.KindStation, Text: "watching 2 posts"})
	goOn(s, from, 1, n, len(posts))
	a, reason := alarm.Alarm{Post: posts[0].ID, Rule: alarm.Exceeds, State: alarm.Normal}.Step(alarm.Appears, from.Add(600*time.Second))
	s.Record(acquire.Event{At: a.Changed, Post: a.Post, Kind: acquire.KindAlarm, Text: "61.5 W/m² against 50 W/m²",
		Alarm: &alarm.Change{Alarm: a, From: alarm.Normal, Reason: reason}})
	waitFor(t, 20*time.Second, "the record to be written", func() bool { st := s.Stats(); return st.Pending == 0 && st.PendingEvents == 0 })
	return s
}

// goOn appends samples from number first to last.
func goOn(s *store.Store, from time.Time, first, last, posts int) {
	for post := range posts {
		var batch []acquire.Sample
		for n := first; n <= last; n++ {
			at := from.Add(time.Duration(n)*time.Second + time.Duration(n*7919%1000)*100*time.Microsecond)
			d := drivers.Decimal{Digits: int64(100*(post+1) + n%977), Exp: -3}
			x := acquire.Sample{Seq: int64(n), At: at, AtU: 1500 * time.Microsecond, Said: []byte(d.String() + ",mW/cm2,OK"),
				Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}}
			switch {
			case n%700 >= 640: // nothing was said
				continue
			case n%500 == 100:
				x.Said, x.Reading, x.Quality = []byte("OVER"), drivers.Reading{Unit: "mW/cm2", Status: drivers.OverRange}, acquire.OverRange
			case n%500 == 200:
				x.Said, x.Reading, x.Quality = []byte("ERR"), drivers.Reading{Unit: "mW/cm2", Status: drivers.Fault}, acquire.Fault
			}
			batch = append(batch, x)
		}
		s.Append(post, batch)
	}
}

// sending runs a writer until the function that it returns is called, or the test
// ends.
func sending(t *testing.T, s *store.Store, o remotewrite.Options) (w *remotewrite.Writer, stop func()) {
	t.Helper()
	o.Name, o.Site, o.Every = "fleet", "Larkfield House", 200*time.Millisecond
	o.Record = &outgoing{record: s, now: time.Now, versions: map[int64]placed{}}
	log := &logged{}
	o.Log = slog.New(slog.NewTextHandler(log, nil))
	w, err := remotewrite.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := w.Run(ctx); err != nil {
			t.Error(err)
		}
	}()
	stop = func() {
		cancel()
		<-done
	}
	t.Cleanup(func() {
		stop()
		if t.Failed() {
			t.Logf("%+v\n%s", w.Stats(), log)
		}
	})
	return w, stop
}

// points maps the ms of a series to its value.
type points map[int64]float64

// expected is what a receiver should hold of a post's power density since an
// instant: every sample that has a number, at its own millisecond.
func expected(t *testing.T, s *store.Store, post string, since time.Time) points {
	t.Helper()
	want := points{}
	var ms remotewrite.Millis
	for x, err := range s.Samples(t.Context(), post, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		if !x.HasValue() {
			continue
		}
		at, ok := ms.Next(x.At)
		if !ok {
			t.Fatalf("no millisecond for %v", x.At)
		}
		if !x.At.Before(since) {
			want[at] = float64(x.S)
		}
	}
	return want
}

// same compares two series, each value to a part in itself.
func same(t *testing.T, what string, got, want points, within float64) {
	t.Helper()
	wrong := 0
	for ms, v := range want {
		if g, ok := got[ms]; (!ok || math.Abs(g-v) > within*math.Abs(v)) && wrong < 5 {
			wrong++
			t.Errorf("%s: at %s got %v (%v), want %v", what, time.UnixMilli(ms).UTC(), g, ok, v)
		}
	}
	if len(got) != len(want) {
		t.Errorf("%s: %d points, want %d", what, len(got), len(want))
	}
}

// promSeries reads a series' raw points back from Prometheus.
func promSeries(t *testing.T, addr, selector string) points {
	t.Helper()
	var got struct {
		Data struct {
			Result []struct {
				Values [][2]any `json:"values"`
			} `json:"result"`
		} `json:"data"`
	}
	q := url.Values{"query": {selector + "[30d]"}, "time": {strconv.FormatInt(time.Now().Unix()+10, 10)}}
	if !ask("http://"+addr+"/api/v1/query?"+q.Encode(), &got) || len(got.Data.Result) > 1 {
		return nil
	}
	out := points{}
	for _, r := range got.Data.Result {
		for _, v := range r.Values {
			x, err := strconv.ParseFloat(v[1].(string), 64)
			if err != nil {
				t.Fatal(err)
			}
			out[int64(math.Round(v[0].(float64)*1000))] = x
		}
	}
	return out
}

// receiver starts Debian's Prometheus as a remote-write receiver.
func receiver(t *testing.T, window string, more string) (addr string) {
	t.Helper()
	program := driverstest.Program(t, "prometheus")
	dir, addr := t.TempDir(), freePort(t)
	path := filepath.Join(dir, "prometheus.yml")
	text := strings.ReplaceAll("storage: {tsdb: {out_of_order_time_window: "+window+"}}\n"+more, "REPLACED", strconv.Quote(addr))
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	background(t, program, "--config.file="+path, "--storage.tsdb.path="+filepath.Join(dir, "tsdb"), "--web.listen-address="+addr,
		"--web.enable-remote-write-receiver")
	waitFor(t, 30*time.Second, "Prometheus to be ready", func() bool {
		resp, err := http.Get("http://" + addr + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
	return addr
}

func value(post string) string {
	return fmt.Sprintf(`%s{site="Larkfield House",post=%q,oven=%q,probe=%q}`, remotewrite.PowerDensity, post, "oven of "+post, "probe of "+post)
}

// TestPrometheusGetsEverySample: an outage of three hours is made up for in
// Debian's Prometheus, sample by sample, and a restart goes on where it was.
func TestPrometheusGetsEverySample(t *testing.T) {
	t.Parallel()
	addr := receiver(t, "6h", "")
	from := time.Now().Add(-3 * time.Hour).Truncate(time.Second)
	s := history(t, t.TempDir(), from, 5000, recordedPost("hatch-door"), recordedPost("pantry-door"))
	write := "http://" + addr + "/api/v1/write"
	o := remotewrite.Options{URL: write, History: 24 * time.Hour, Posts: []acquire.Post{recordedPost("hatch-door"), recordedPost("pantry-door")}}
	w, stop := sending(t, s, o)
	for _, post := range []string{"hatch-door", "pantry-door"} {
		want := expected(t, s, post, time.Time{})
		waitFor(t, 60*time.Second, "all samples in Prometheus", func() bool { return len(promSeries(t, addr, value(post))) >= len(want) })
		same(t, post, promSeries(t, addr, value(post)), want, 0)
		waitFor(t, 60*time.Second, "how its alarm stood, up to the end", func() bool {
			for ms := range promSeries(t, addr, fmt.Sprintf(`ovenward_recorded_alarm_active{post=%q,rule="exceeds"}`, post)) {
				if ms >= from.Add(4890*time.Second).UnixMilli() {
					return true
				}
			}
			return false
		})
	}
	stop()
	sent := w.Stats()
	if sent.Refused+sent.TooOld+sent.Crowded+sent.Failed != 0 {
		t.Errorf("%+v", sent)
	}
	for query, want := range map[string]float64{
		// The alarm was raised 600 s on, and stands. Ticks of 15 s.
		fmt.Sprintf(`min_over_time(ovenward_recorded_alarm_active{post="hatch-door",rule="exceeds"}[1h] @ %d)`, from.Unix()+598): 0,
		fmt.Sprintf(`ovenward_recorded_alarm_active{post="hatch-door",rule="exceeds"} @ %d`, from.Unix()+601):                    1,
		fmt.Sprintf(`ovenward_recorded_alarm_active{post="pantry-door",rule="exceeds"} @ %d`, from.Unix()+4800):                  0,
		fmt.Sprintf(`count(%s @ %d)`, value("hatch-door"), from.Unix()+639):                                                      1,
		fmt.Sprintf(`count(%s @ %d) or vector(0)`, value("hatch-door"), from.Unix()+645):                                         0, // blind, at once
		fmt.Sprintf(`max_over_time(ovenward_recorded_over_range{post="hatch-door"}[10s] @ %d)`, from.Unix()+102):                 1,
		`count(ovenward_remote_write_probe) or vector(0)`:                                                                        0,
	} {
		if got := queried(t, addr, query); got != want {
			t.Errorf("%s is %v, want %v", query, got, want)
		}
	}
	checkCounters(t, s, addr, from.Add(5002*time.Second))

	goOn(s, from, 5100, 6000, 2)
	waitFor(t, 20*time.Second, "the record to be written", func() bool { return s.Stats().Pending == 0 })
	w, _ = sending(t, s, o)
	want := expected(t, s, "hatch-door", time.Time{})
	waitFor(t, 60*time.Second, "the rest in Prometheus", func() bool { return len(promSeries(t, addr, value("hatch-door"))) >= len(want) })
	same(t, "after a restart", promSeries(t, addr, value("hatch-door")), want, 0)
	if again := w.Stats(); again.Refused+again.TooOld+again.Crowded != 0 || again.Sent > sent.Sent/2 {
		t.Errorf("after a restart: %+v; before: %+v", again, sent)
	}
}

// checkCounters compares the counters at an instant with the record.
func checkCounters(t *testing.T, s *store.Store, addr string, at time.Time) {
	t.Helper()
	classes := map[string]float64{}
	for x, err := range s.Samples(t.Context(), "hatch-door", time.Time{}, at) {
		if err != nil {
			t.Fatal(err)
		}
		classes[acquire.Classes()[x.Quality.Class()]]++
	}
	for class, want := range classes {
		q := fmt.Sprintf(`max_over_time(ovenward_recorded_samples_total{post="hatch-door",quality=%q}[2m] @ %d)`, class, at.Unix()+60)
		if got := queried(t, addr, q); got != want {
			t.Errorf("%s is %v, want %v as in the record", q, got, want)
		}
	}
	if classes["good"] < 4000 || classes["fault"] < 5 || classes["over-range"] < 5 {
		t.Errorf("the record holds %v", classes)
	}
}

// TestPrometheusCallsSamplesTooOld: what Debian's Prometheus does not take any
// more is counted and passed over, to the millisecond, and the rest arrives.
func TestPrometheusCallsSamplesTooOld(t *testing.T) {
	t.Parallel()
	for name, window := range map[string]string{"with a window": "30m", "without": "0s"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			addr := receiver(t, window, "global: {scrape_interval: 1s}\nscrape_configs: [{job_name: itself, static_configs: [{targets: [REPLACED]}]}]\n")
			waitFor(t, 30*time.Second, "a scrape", func() bool { return len(promSeries(t, addr, "up")) > 0 })
			from := time.Now().Add(-2 * time.Hour).Truncate(time.Second)
			s := history(t, t.TempDir(), from, 2*3600-5, recordedPost("hatch-door"))
			w, _ := sending(t, s, remotewrite.Options{URL: "http://" + addr + "/api/v1/write", History: 24 * time.Hour})
			all := expected(t, s, "hatch-door", time.Time{})
			waitFor(t, 60*time.Second, "everything to be gone through", func() bool {
				st := w.Stats()
				return st.TooOld > 0 && len(promSeries(t, addr, value("hatch-door"))) > 0 && st.Behind == 0
			})
			got := promSeries(t, addr, value("hatch-door"))
			oldest := int64(math.MaxInt64)
			for ms := range got {
				oldest = min(oldest, ms)
			}
			// Debian's 2.42 takes an hour (half a block) without a window, and the window with one.
			span := time.Since(time.UnixMilli(oldest))
			if want := map[string]time.Duration{"30m": 30 * time.Minute, "0s": time.Hour}[window]; span < want-15*time.Second || span > want+15*time.Second {
				t.Errorf("the oldest sample is %v old, want about %v", span, want)
			}
			want := points{}
			for ms, v := range all {
				if ms >= oldest {
					want[ms] = v
				}
			}
			same(t, "hatch-door", got, want, 0)
			if st := w.Stats(); st.Refused != 0 || int(st.TooOld) < len(all)-len(want) || st.Failed > 5 {
				t.Errorf("%+v; %d samples are older", st, len(all)-len(want))
			}
		})
	}
}
