package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"ovenward/acquire"
)

// Pace of a stream. Whatever happens in between is told at the next beat.
const (
	liveEvery = 250 * time.Millisecond // at most four updates a second
	liveQuiet = 8                      // beats without news after which a sign of life goes out
	tailSlots = 16                     // newest slots of a trace in an update; more than liveQuiet beats last
)

// board is the newest state in words of one voice, encoded once for all its
// streams.
type board struct {
	say   voice
	mu    sync.Mutex
	at    time.Time
	rev   uint64
	top   entry
	posts map[string]entry
	order []string
	walks entry // surveys under way
}

// entry is an encoded part and the revision that changed it last.
type entry struct {
	body []byte
	rev  uint64
}

// topJSON is what an update tells of the whole site.
type topJSON struct {
	Headline []segment `json:"headline"`
	Tally    string    `json:"tally"`
	Title    string    `json:"title"`
	Order    []string  `json:"order"`
	Alarms   string    `json:"alarms"` // changes when the alarms part of the page does
}

// updateJSON is one update. Parts that did not change are left out.
type updateJSON struct {
	Boot  string            `json:"boot"`
	Now   string            `json:"now"`
	Top   json.RawMessage   `json:"top,omitempty"`
	Posts []json.RawMessage `json:"posts,omitempty"`

	Surveys json.RawMessage `json:"surveys,omitempty"` // all that are under way
}

// tailOf is the newest part of a trace up to its last slot that holds anything.
func tailOf(t acquire.Trace) traceJSON {
	n := len(t.Slots)
	for n > 0 && t.Slots[n-1].N == 0 && !t.Slots[n-1].OverRange {
		n--
	}
	t.End = t.End.Add(-time.Duration(len(t.Slots)-n) * t.Width)
	t.Slots = t.Slots[max(n-tailSlots, 0):n]
	return traceOf(t)
}

// since encodes what changed after revision rev, and the revision it shows.
// news is false when nothing did.
func (s *Server) since(b *board, rev uint64) (body []byte, shown uint64, news bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := s.o.Now()
	if d := now.Sub(b.at); d < 0 || d >= liveEvery*4/5 || b.posts == nil {
		if err := s.refresh(b, now); err != nil {
			return nil, rev, false, err
		}
	}
	u := updateJSON{Boot: s.boot, Now: instant(now)}
	if b.top.rev > rev {
		u.Top, news = b.top.body, true
	}
	for _, id := range b.order {
		if e := b.posts[id]; e.rev > rev {
			u.Posts, news = append(u.Posts, e.body), true
		}
	}
	if b.walks.rev > rev {
		u.Surveys, news = b.walks.body, true
	}
	if body, err = json.Marshal(u); err != nil {
		return nil, rev, false, fmt.Errorf("encode an update: %w", err)
	}
	return body, b.rev, news, nil
}

// refresh puts the station's state on the board. The caller holds its lock.
func (s *Server) refresh(b *board, now time.Time) error {
	snap := s.overview(b.say, now, false)
	if b.posts == nil {
		b.posts = map[string]entry{}
	}
	b.at, b.order = now, b.order[:0]
	b.rev++
	for i := range snap.Posts {
		v := &snap.Posts[i]
		body, err := json.Marshal(v)
		if err != nil {
			return fmt.Errorf("encode post %s: %w", v.ID, err)
		}
		b.order = append(b.order, v.ID)
		if !bytes.Equal(body, b.posts[v.ID].body) {
			b.posts[v.ID] = entry{body, b.rev}
		}
	}
	walks, err := json.Marshal(s.liveSurveys())
	if err != nil {
		return fmt.Errorf("encode the surveys: %w", err)
	}
	if s.o.Surveys != nil && !bytes.Equal(walks, b.walks.body) {
		b.walks = entry{walks, b.rev}
	}
	top, err := json.Marshal(topJSON{snap.Headline, snap.Tally, snap.title(s.o.Site), b.order, snap.AlarmsTag})
	if err != nil {
		return fmt.Errorf("encode the headline: %w", err)
	}
	if !bytes.Equal(top, b.top.body) {
		b.top = entry{top, b.rev}
	}
	return nil
}

// serveLive streams updates until the client goes, falls behind, or the
// server's context ends.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "30")
		sendProblem(w, r, http.StatusServiceUnavailable,
			fmt.Sprintf("%d viewers follow live already; the page itself still loads as a snapshot", maxStreams))
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodHead {
		return
	}
	out := http.NewResponseController(w)
	err := s.follow(r.Context(), s.boards[unitOf(r).name], func(event []byte) error {
		if err := out.SetWriteDeadline(s.o.Now().Add(s.patient)); err != nil {
			return fmt.Errorf("bound a write: %w", err)
		}
		if _, err := w.Write(event); err != nil {
			return fmt.Errorf("write an update: %w", err)
		}
		return out.Flush()
	})
	if err != nil {
		s.log.Debug("a live stream ended", "from", r.RemoteAddr, "why", err)
	}
}

// follow sends at most one update a beat. It keeps nothing for a client that
// is slow: the next update tells the newest state.
func (s *Server) follow(ctx context.Context, b *board, send func(event []byte) error) error {
	beat := time.NewTicker(liveEvery)
	defer beat.Stop()
	var shown uint64
	for quiet := liveQuiet; ; quiet++ {
		body, rev, news, err := s.since(b, shown)
		if err != nil {
			return err
		}
		if news || quiet >= liveQuiet {
			if err := send(slices.Concat([]byte("data: "), body, []byte("\n\n"))); err != nil {
				return err
			}
			shown, quiet = rev, 0
		}
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
		}
		if ctx.Err() != nil {
			return nil
		}
	}
}
