package web

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path"
	"regexp"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// fleet is a station of many posts whose values change ten times a second; what
// they read follows from the instant.
type fleet struct {
	*fakeStation
	n   int
	now func() time.Time
}

func newFleet(n int, now func() time.Time) *fleet {
	f := &fleet{newFake(now()), n, now}
	f.stats = nil
	for i := range n {
		p := aPost(fmt.Sprintf("post-%03d", i), fmt.Sprintf("Oven %03d", i), fmt.Sprintf("wing %c, floor %d, kitchen %d", 'A'+i%5, i%7, i))
		f.stats = append(f.stats, seeing(i, p, 1, now()))
		f.traces[i] = acquire.Trace{Width: time.Second, End: now()}
	}
	return f
}

// Stats gives each post another value each 100 ms.
func (f *fleet) Stats() []acquire.Stats {
	now := f.now()
	beat := now.UnixMilli() / 100
	out := f.fakeStation.Stats()
	for i := range out {
		out[i].Last.S = quantity.PowerDensity(2 + 1.5*math.Sin(float64(beat)+float64(i)))
		out[i].Last.At, out[i].Newest.At, out[i].Now = now, now, now
	}
	return out
}

// restless is the busiest last hour there can be.
func restless(o *Options) {
	o.Series = kept(func(at time.Time, p *store.Point) {
		p.Max = 5 + 4*math.Sin(float64(at.Unix()))
		if at.Unix()%7 == 0 {
			p.Sums = store.Sums{}
		}
	})
}

func newFleetServer(f *fleet, change ...func(*Options)) *Server {
	s := newServer(f.fakeStation, append([]func(*Options){restless, func(o *Options) { o.Now, o.Station = f.now, f }}, change...)...)
	s.readSparks(context.Background())
	return s
}

// worst makes each row as long as it gets: it exceeded yesterday and is latched, its
// names are long, two limits apply, and no probe has a certificate.
func worst(f *fleet) {
	for i := range f.stats {
		st := &f.stats[i]
		p := aPost(fmt.Sprintf("ward-kitchen-%03d", i), fmt.Sprintf("Ward kitchen oven %03d", i), fmt.Sprintf("south wing, floor %d, by the lifts", i%9))
		p.Probe.Certificate = nil
		p.More = []limit.Limit{{ID: "staff", Value: 50, Basis: limit.ExposureOccupational, Averaging: 6 * time.Minute, Source: "an invented rule of the house"}}
		*st = seeing(i, p, 14.3, f.now())
		a := stood(p.ID, alarm.Exceeds, alarm.LatchedUnacknowledged, f.now())
		a.Since = f.now().Add(-20 * time.Hour)
		st.Alarms, st.RunPeak, st.RanTo = []alarm.Alarm{a}, 143, f.now()
		st.Verdict.Outcome = limit.Exceeds
	}
}

// The overview of 200 posts at their worst stays light, and its style sheet, script
// and picture with it: 150 kB, nothing compressed; all scripts there are, 40 kB.
func TestWeights(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(*fleet)
		row  string
	}{
		{"seeing", func(*fleet) {}, "Seeing; the oven runs"},
		{"latched", worst, "Was above its limit in this run, not at this moment <i>alarm since 2026-06-02 16:00:00 UTC"},
	} {
		f := newFleet(200, noon)
		c.make(f)
		s := newFleetServer(f)
		page := get(t, s, "/")
		body := page.Body.String()
		if page.Code != http.StatusOK || strings.Count(body, "<svg role=img") != 200 || strings.Count(body, c.row) != 200 {
			t.Fatalf("%s: %d, rows %d of 200: %.3000s", c.name, page.Code, strings.Count(body, c.row), body[strings.Index(body, "<li id=r0"):])
		}
		if c.name == "latched" && !strings.Contains(body, "probe-ward-kitchen-009 and 190 more. What they show is never called within") {
			t.Errorf("the top line does not say how many probes lack a certificate")
		}
		document, rest := len(body), map[string]int{}
		for _, m := range regexp.MustCompile(`(?:href|src)="/static/([^"]+)"`).FindAllStringSubmatch(body, -1) {
			rest[path.Ext(m[1])] += weightOf(s, m[1])
		}
		all := document + rest[".css"] + rest[".js"] + rest[".svg"]
		t.Logf("%s: document %d bytes, style %d, script %d, picture %d: %d", c.name, document, rest[".css"], rest[".js"], rest[".svg"], all)
		if rest[".css"] == 0 || rest[".js"] == 0 || all > 150_000 {
			t.Errorf("%s: the overview of 200 posts has %d bytes, %v beside its document of %d", c.name, all, rest, document)
		}
	}
	script := 0
	for name, a := range newServer(newFake(noon())).static {
		if path.Ext(name) == ".js" {
			script += len(a.body)
		}
	}
	if script == 0 || script > 40_000 {
		t.Errorf("all scripts have %d bytes", script)
	}
}

// weightOf is a file of the page with the scripts that it imports, in bytes.
func weightOf(s *Server, name string) int {
	n := len(s.static[name].body)
	for _, m := range regexp.MustCompile(`from "\./([^"]+)"`).FindAllSubmatch(s.static[name].body, -1) {
		n += weightOf(s, string(m[1]))
	}
	return n
}

// An update of 200 posts that all changed tells little more than their values: at
// four a second less than 60 kB/s.
func TestUpdateWeight(t *testing.T) {
	at := noon()
	f := newFleet(200, func() time.Time { return at })
	s := newFleetServer(f)
	b := s.boards["mw-cm2"]
	_, rev, _, err := s.since(b, 0)
	if err != nil {
		t.Fatal(err)
	}
	at = at.Add(time.Second)
	body, _, news, err := s.since(b, rev)
	if err != nil || !news || len(body) > 15_000 || bytes.Count(body, []byte("],[")) < 150 {
		t.Errorf("%v, news %v: %d bytes: %.300s", err, news, len(body), body)
	}
	t.Logf("an update of 200 posts: %d bytes", len(body))
}

// BenchmarkOverview is the server's time for the page of 200 posts.
func BenchmarkOverview(b *testing.B) { benchmarkOverview(b, newFleetServer(newFleet(200, time.Now))) }

// BenchmarkOverviewInAnotherLanguage is the same where sentences are put into one.
func BenchmarkOverviewInAnotherLanguage(b *testing.B) {
	s := newFleetServer(newFleet(200, time.Now))
	other := newIn(bracketed(b), trial, s.o)
	other.readSparks(context.Background())
	benchmarkOverview(b, other)
}

func benchmarkOverview(b *testing.B, s *Server) {
	h := s.Handler()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500/", nil)
	r.RemoteAddr = "127.0.0.1:50000"
	b.ReportAllocs()
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
	}
}

// BenchmarkHundredViewers is what one beat of half a second costs where 100 viewers look
// at 200 posts: one look at the station, and an update for each.
func BenchmarkHundredViewers(b *testing.B) {
	at := time.Now()
	s := newFleetServer(newFleet(200, func() time.Time { return at }))
	board := s.boards["mw-cm2"]
	var shown [100]uint64
	sent := 0
	begun := time.Now()
	for b.Loop() {
		at = at.Add(liveEvery)
		for i := range shown {
			body, rev, _, err := s.since(board, shown[i])
			if err != nil {
				b.Fatal(err)
			}
			shown[i] = rev
			sent += len(append([]byte("data: "), body...))
		}
	}
	beats := float64(b.N)
	b.ReportMetric(time.Since(begun).Seconds()/(beats*liveEvery.Seconds()), "cores")
	b.ReportMetric(float64(sent)/beats/100/liveEvery.Seconds(), "bytes/s/viewer")
}

// BenchmarkStrip is the server's time for the chart of a post.
func BenchmarkStrip(b *testing.B) {
	h := newFleetServer(newFleet(1, time.Now)).Handler()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500/part/strip/post-000?w=1280", nil)
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
	}
}
