package web

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
)

// A client that comes back with the id of the last event it has misses none and
// gets none twice; one that brings none hears what happens from now on.
func TestEventStreamGoesOnWhereItEnded(t *testing.T) {
	for _, tc := range []struct{ query, id, want string }{
		{"", "", "id: 4"},
		{"?after=0", "", "id: 1 id: 2 id: 3 id: 4"},
		{"?after=0", "2", "id: 3 id: 4"},
		{"", "3", "id: 4"},
		{"", "4", ""},
	} {
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			s := newServer(newFake(time.Now()), func(o *Options) {
				o.Now = time.Now
				o.Newest = func(context.Context) (int64, error) { return 3, nil }
				o.Events = func(_ context.Context, after int64, n int) ([]acquire.Event, error) {
					last := int64(3)
					if time.Since(began) > 2*time.Second {
						last = 4
					}
					var all []acquire.Event
					for id := after + 1; id <= last && len(all) < n; id++ {
						all = append(all, acquire.Event{ID: id, At: began, Kind: acquire.KindStation})
					}
					return all, nil
				}
			})
			ctx, cancel := context.WithTimeout(t.Context(), 40*time.Second)
			defer cancel()
			r := httptest.NewRequestWithContext(ctx, http.MethodGet, "/api/v1/events/stream"+tc.query, nil)
			if tc.id != "" {
				r.Header.Set("Last-Event-ID", tc.id)
			}
			w := &patientWriter{ResponseRecorder: httptest.NewRecorder()}
			s.Handler().ServeHTTP(w, r)
			var got []string
			for line := range strings.Lines(w.Body.String()) {
				if strings.HasPrefix(line, "id: ") {
					got = append(got, strings.TrimSpace(line))
				}
			}
			if strings.Join(got, " ") != tc.want || w.Header().Get("Content-Type") != eventStream {
				t.Errorf("%q, Last-Event-ID %q: %v, want %s", tc.query, tc.id, got, tc.want)
			}
			if n := strings.Count(w.Body.String(), ": nothing new\n\n"); n < 1 || n > 4 {
				t.Errorf("%d signs of life in 40 s", n)
			}
		})
	}
}

// patientWriter takes deadlines, which a recorder does not.
type patientWriter struct{ *httptest.ResponseRecorder }

func (patientWriter) SetWriteDeadline(time.Time) error { return nil }

func TestEventStreamRefusals(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) {
		o.Newest = func(context.Context) (int64, error) { return 0, errors.New("disk") }
	})
	if p := asProblem(t, get(t, s, "/api/v1/events/stream?after=x"), 400); !strings.Contains(p.Detail, "Last-Event-ID") {
		t.Error(p.Detail)
	}
	r := httptest.NewRequest(http.MethodGet, "/api/v1/events/stream", nil)
	r.Header.Set("Last-Event-ID", "seven")
	asProblem(t, send(s, r), 400)
	asProblem(t, get(t, s, "/api/v1/events/stream"), 503)
	if len(s.streams) != 0 {
		t.Error("a refused stream is still counted")
	}
}

// A page that comes back is told what changed meanwhile, and all of it by another
// start of the daemon.
func TestLiveGoesOnByID(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(time.Now())
		s := newServer(f, func(o *Options) { o.Now = time.Now })
		ask := func(id string) (string, int) {
			ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
			defer cancel()
			r := httptest.NewRequestWithContext(ctx, http.MethodGet, "/api/v1/live", nil)
			r.Header.Set("Last-Event-ID", id)
			w := &patientWriter{ResponseRecorder: httptest.NewRecorder()}
			s.Handler().ServeHTTP(w, r)
			first, _, _ := strings.Cut(w.Body.String(), "\n\n")
			line, _, _ := strings.Cut(first, "\n")
			return strings.TrimPrefix(line, "id: "), len(live(t, []byte(first+"\n\n")).Rows)
		}
		id, n := ask("")
		if n != 3 || id == "" {
			t.Fatalf("first: id %q, %d posts", id, n)
		}
		time.Sleep(time.Second) // the bubble's clock
		f.set(func(f *fakeStation) { f.stats[1] = seeing(1, f.stats[1].Post, 3, time.Now()) })
		if _, n := ask(id); n != 1 {
			t.Errorf("back with %s: %d posts, want the one that changed", id, n)
		}
		for _, old := range []string{"another start/5", "5", s.boot + "/x"} {
			if _, n := ask(old); n != 3 {
				t.Errorf("back with %q: %d posts, want all", old, n)
			}
		}
	})
}
