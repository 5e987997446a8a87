package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
)

// Pace of a stream. Whatever happens in between is told at the next beat.
const (
	liveEvery   = 500 * time.Millisecond // digits that change faster cannot be read, and a page left open costs half as much
	liveSlowest = 4 * time.Second        // to a viewer who takes long to take one
	liveQuiet   = 2 * time.Second        // without news, after which a sign of life goes out
)

// board is the overview in words of one voice, encoded once for all its streams.
type board struct {
	say   voice
	mu    sync.Mutex
	at    time.Time
	rev   uint64
	top   entry
	rows  map[int]*rowEntry
	order []int
	made  map[uint64][]byte // updates from a revision to this one
	walks entry             // surveys under way
}

// entry is an encoded part and the revision that changed it last.
type entry struct {
	body []byte
	rev  uint64
}

// rowEntry is a row with the revisions that changed its fields last.
type rowEntry struct {
	rev uint64 // the newest of its fields
	f   [rowFields]struct {
		text string
		rev  uint64
	}
}

// topJSON is what an update tells of the whole site.
type topJSON struct {
	Headline []segment `json:"headline"`
	Tally    string    `json:"tally"`
	Grounds  []ground  `json:"grounds"`
	Title    string    `json:"title"`
	Order    []int     `json:"order"`  // of the rows, by index
	Alarms   string    `json:"alarms"` // changes when the page of alarms does
}

// since encodes what changed after revision rev, and the revision it shows.
// news is false when nothing did.
func (s *Server) since(b *board, rev uint64) (body []byte, shown uint64, news bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := s.o.Now()
	if d := now.Sub(b.at); d < 0 || d >= liveEvery*4/5 || b.made == nil {
		if err := s.refresh(b, now); err != nil {
			return nil, rev, false, err
		}
	}
	body, ok := b.made[rev]
	if !ok {
		body = b.encode(s.boot, rev)
		b.made[rev] = body
	}
	return body, b.rev, b.newer(rev), nil
}

// newer says whether anything changed after revision rev.
func (b *board) newer(rev uint64) bool {
	for _, e := range b.rows {
		if e.rev > rev {
			return true
		}
	}
	return b.top.rev > rev || b.walks.rev > rev
}

// encode writes what changed after revision rev. A row is its index and, for each
// field that changed, the field's number and its text.
func (b *board) encode(boot string, rev uint64) []byte {
	out := fmt.Appendf(nil, `{"boot":%q,"now":%q`, boot, instant(b.at))
	if b.top.rev > rev {
		out = append(append(out, `,"top":`...), b.top.body...)
	}
	if b.walks.rev > rev {
		out = append(append(out, `,"surveys":`...), b.walks.body...)
	}
	sep := `,"rows":[[`
	for _, i := range b.order {
		e := b.rows[i]
		if e.rev <= rev {
			continue
		}
		out = strconv.AppendInt(append(out, sep...), int64(i), 10)
		for n := range e.f {
			if e.f[n].rev > rev {
				out = strconv.AppendInt(append(out, ','), int64(n), 10)
				out = appendText(append(out, ','), e.f[n].text)
			}
		}
		sep = `],[`
	}
	if sep == `],[` {
		out = append(out, "]]"...)
	}
	return append(out, '}')
}

// appendText appends a text as JSON.
func appendText(out []byte, text string) []byte {
	body, err := json.Marshal(text)
	if err != nil { // a text always marshals
		return append(out, `""`...)
	}
	return append(out, body...)
}

// refresh puts the station's state on the board. The caller holds its lock.
func (s *Server) refresh(b *board, now time.Time) error {
	o := s.overview(b.say, now)
	if b.rows == nil {
		b.rows = map[int]*rowEntry{}
	}
	b.at, b.order, b.made = now, b.order[:0], map[uint64][]byte{}
	b.rev++
	for i := range o.Rows {
		r := &o.Rows[i]
		b.order = append(b.order, r.Index)
		e := b.rows[r.Index]
		if e == nil {
			e = &rowEntry{}
			b.rows[r.Index] = e
		}
		for n, text := range r.F {
			if e.f[n].rev == 0 || e.f[n].text != text {
				e.f[n].text, e.f[n].rev, e.rev = text, b.rev, b.rev
			}
		}
	}
	walks, err := json.Marshal(s.liveSurveys(b.say))
	if err != nil {
		return fmt.Errorf("encode the surveys: %w", err)
	}
	if s.o.Surveys != nil && !bytes.Equal(walks, b.walks.body) {
		b.walks = entry{walks, b.rev}
	}
	top, err := json.Marshal(topJSON{o.Headline, o.Tally, o.Grounds, o.title(s.o.Site), b.order, o.AlarmsTag})
	if err != nil {
		return fmt.Errorf("encode the headline: %w", err)
	}
	if !bytes.Equal(top, b.top.body) {
		b.top = entry{top, b.rev}
	}
	return nil
}

// update tells a stream what is new since the revision it has shown.
type update func(shown uint64) (body []byte, rev uint64, news bool, err error)

const eventStream = "text/event-stream"

// beginStream takes one of the streams that may be open, or refuses. Whoever took
// one calls endStream.
func (s *Server) beginStream(w http.ResponseWriter, r *http.Request) bool {
	select {
	case s.streams <- struct{}{}:
	default:
		w.Header().Set("Retry-After", "30")
		sendProblem(w, r, http.StatusServiceUnavailable,
			fmt.Sprintf("%d viewers follow live already; the page itself still loads as a snapshot", maxStreams))
		return false
	}
	w.Header().Set("Content-Type", eventStream)
	w.Header().Set("X-Accel-Buffering", "no")
	w.WriteHeader(http.StatusOK)
	return true
}

func (s *Server) endStream() { <-s.streams }

// whileServing is the context of a stream: it ends with its request or with the
// server.
func (s *Server) whileServing(r *http.Request) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(r.Context())
	stop := context.AfterFunc(s.life, cancel)
	return ctx, func() { stop(); cancel() }
}

// serveLive streams the overview, or with post=ID one post, until the client
// goes, falls behind, or the server's context ends.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	b := s.boards[unitOf(r).name]
	next := func(shown uint64) ([]byte, uint64, bool, error) { return s.since(b, shown) }
	name := s.boot + "/" + b.say.unit.name + "/" // of the updates, with their revisions
	shown := revisionOf(b, name, r.Header.Get("Last-Event-ID"))
	if id := r.URL.Query().Get("post"); id != "" {
		if _, ok := statsOf(s.o.Station.Stats(), id); !ok {
			sendProblem(w, r, http.StatusNotFound, noSuchPost)
			return
		}
		next = s.postUpdates(s.voiceOf(r), id)
		name, shown = name+id+"/", 0 // each such stream counts for itself
	}
	if !s.beginStream(w, r) {
		return
	}
	defer s.endStream()
	if r.Method == http.MethodHead {
		return
	}
	ctx, cancel := s.whileServing(r)
	defer cancel()
	if err := follow(ctx, s.o.Beat, next, name, shown, s.writer(w)); err != nil {
		s.log.Debug("a live stream ended", "from", r.RemoteAddr, "why", err)
	}
}

// writer returns what writes one event of a stream, in bounded time.
func (s *Server) writer(w http.ResponseWriter) func(event []byte) error {
	out := http.NewResponseController(w)
	return func(event []byte) error {
		if err := out.SetWriteDeadline(s.o.Now().Add(s.patient)); err != nil {
			return fmt.Errorf("bound a write: %w", err)
		}
		if _, err := w.Write(event); err != nil {
			return fmt.Errorf("write an update: %w", err)
		}
		return out.Flush()
	}
}

// revisionOf reads the id of the last update that a client has: its revision, or 0 where
// it is that of another start or another unit.
func revisionOf(b *board, name, id string) uint64 {
	revision, ours := strings.CutPrefix(id, name)
	n, err := strconv.ParseUint(revision, 10, 64)
	if !ours || err != nil {
		return 0
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return min(n, b.rev)
}

// follow sends at most one update a beat. It keeps nothing for a client that is
// slow: the next update tells the newest state, and who takes longer than a beat
// to take one gets them less often, down to one in liveSlowest. Updates bear name and
// revision as their ids; shown is the revision that the client has already.
func follow(ctx context.Context, beat Sleeper, next update, name string, shown uint64, send func(event []byte) error) error {
	every := liveEvery
	for quiet := liveQuiet; ; quiet += every {
		body, rev, news, err := next(shown)
		if err != nil {
			return err
		}
		begun := time.Now()
		if news || quiet >= liveQuiet {
			if err := send(slices.Concat(fmt.Appendf(nil, "id: %s%d\ndata: ", name, rev), body, []byte("\n\n"))); err != nil {
				return err
			}
			shown, quiet = rev, 0
		}
		switch took := time.Since(begun); {
		case took > every:
			every = min(2*every, liveSlowest)
		case took < liveEvery/4:
			every = max(every/2, liveEvery)
		}
		now := time.Now()
		if err := beat.SleepUntil(ctx, now.Add(acquire.UntilBeat(now, every))); err != nil || ctx.Err() != nil {
			return nil
		}
	}
}

// postUpdates tells one post in words.
func (s *Server) postUpdates(v voice, id string) update {
	var last []byte
	rev := uint64(0)
	return func(uint64) ([]byte, uint64, bool, error) {
		now := s.o.Now()
		stats := s.looked.stats(now, s.o.Station)
		st, ok := statsOf(stats, id)
		if !ok {
			return nil, rev, false, fmt.Errorf("post %s is not watched any more", id)
		}
		body, err := json.Marshal(s.postView(v, st, stats, now))
		if err != nil {
			return nil, rev, false, fmt.Errorf("encode post %s: %w", id, err)
		}
		news := !bytes.Equal(body, last)
		if news {
			last = body
			rev++
		}
		return fmt.Appendf(nil, `{"boot":%q,"now":%q,"post":%s}`, s.boot, instant(now), body), rev, news, nil
	}
}

// looked is the newest look at the station, shared by streams of single posts.
type looked struct {
	mu  sync.Mutex
	at  time.Time
	all []acquire.Stats
}

// stats looks at the station, unless somebody has within this beat. What it
// returns is shared, and must not be changed.
func (l *looked) stats(now time.Time, of Station) []acquire.Stats {
	l.mu.Lock()
	defer l.mu.Unlock()
	if d := now.Sub(l.at); l.all == nil || d < 0 || d >= liveEvery*4/5 {
		l.at, l.all = now, of.Stats()
	}
	return l.all
}
