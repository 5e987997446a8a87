package web

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path"
	"testing"
	"time"

	"ovenward/acquire"
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

// Page and script stay light: 150 kB for 200 posts, 40 kB of script, nothing
// compressed.
func TestWeights(t *testing.T) {
	s := newFleetServer(newFleet(200, noon))
	page := get(t, s, "/")
	if n := page.Body.Len(); page.Code != http.StatusOK || n > 150_000 || bytes.Count(page.Body.Bytes(), []byte(`class="spark"`)) != 200 {
		t.Errorf("the overview of 200 posts has %d bytes: %d", n, page.Code)
	}
	script, style := 0, 0
	for name, a := range s.static {
		switch path.Ext(name) {
		case ".js":
			script += len(a.body)
		case ".css":
			style += len(a.body)
		}
	}
	if script == 0 || script > 40_000 {
		t.Errorf("all scripts have %d bytes", script)
	}
	t.Logf("overview of 200 posts %d bytes, all scripts %d, style %d", page.Body.Len(), script, style)
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

// BenchmarkHundredViewers is what one beat of 250 ms costs where 100 viewers look
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
