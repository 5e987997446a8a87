package gather

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// gathered is a post as a report shows it.
type gathered struct {
	report.Watched
	site string
}

// walk goes once through the samples of a post, as the station does: each holds
// until the next, for at most the stale time, and what lies beyond is unseen. Spans
// count from the beginning of the report's time.
type walk struct {
	from, to  time.Time
	versions  map[int64]*store.History
	now       *store.History        // of the newest sample
	lo        quantity.PowerDensity // the least that over-range can be
	top       quantity.PowerDensity
	most      quantity.PowerDensity // that any version could show, and its uncertainty
	mostU     quantity.PowerDensity
	boundless bool // that is not known
	states    states

	stretch limit.Stretch // of the newest sample; To not set
	has     bool
	lost    bool // what the post was for it is
	runs    *cycle.Runs
	counted int           // runs of earlier detections
	goesOn  bool          // a run was under way when this detection began, and is not known to have ended
	shown   time.Duration // when a reading last showed whether the oven emits
	run     int           // the number of the newest run
	on      time.Duration
	mean    *limit.Mean
	days    []*dayOf
	today   int               // the first day that is not over
	lead    time.Duration     // how long before a day its windows begin
	kOf     map[int64]float64 // coverage factors by correction
	out     *report.Watched
	gap     struct {
		from, to time.Duration
		is       bool
	}
	gaps []report.Gap

	digest hashed
}

// hashed is the digest of raw readings under way.
type hashed struct {
	sum  interface{ Write([]byte) (int, error) }
	line []byte
}

// add takes in one reading.
func (h *hashed) add(s *store.StoredSample) {
	b := appendInt(h.line[:0], s.Seq)
	b = append(b, ',')
	b = s.At.UTC().AppendFormat(b, time.RFC3339Nano)
	b = append(b, ',')
	b = hex.AppendEncode(b, s.Said)
	h.line = append(b, '\n')
	_, _ = h.sum.Write(h.line) // a hash never fails
}

func appendInt(b []byte, n int64) []byte {
	if n >= 10 {
		b = appendInt(b, n/10)
	}
	return append(b, byte('0'+n%10))
}

// watched reads one post.
func watched(ctx context.Context, r *store.Reader, id string, from, to time.Time, progress func(float64)) (*gathered, report.Raw, error) {
	raw := report.Raw{Post: id}
	all, err := r.History(ctx, id)
	if err != nil {
		return nil, raw, err
	}
	w := &walk{from: from, to: to, versions: map[int64]*store.History{}, kOf: map[int64]float64{}}
	for i := range all {
		w.versions[all[i].Version] = &all[i]
	}
	past := inForce(all, from, to)
	g := &gathered{}
	g.Post, g.Span = id, to.Sub(from)
	g.Max, g.MaxU = quantity.PowerDensity(math.NaN()), quantity.PowerDensity(math.NaN())
	w.out = &g.Watched
	if w.states, err = stateOf(ctx, r, id, to); err != nil {
		return nil, raw, err
	}
	if len(past) > 0 {
		newest := past[len(past)-1]
		g.site = newest.Site
		if err := w.describe(ctx, r, newest, past); err != nil {
			return nil, raw, err
		}
		w.begin(newest, all)
		if err := w.read(ctx, r, id, &raw, progress); err != nil {
			return nil, raw, err
		}
		w.finish(newest)
	}
	return g, raw, w.chart(ctx, r, id)
}

// begin makes the windows. The limits are those of the newest version in the time; what
// was not seen is bounded by all that any version could show in what is read.
func (w *walk) begin(newest *store.History, all []store.History) {
	w.use(newest)
	w.most, w.mostU, _ = store.TopOf(all, w.from.Add(-w.before()), w.to)
	if !(w.most > 0) || math.IsInf(float64(w.most), 0) {
		w.most, w.boundless = 1e6, true // not known, as of what was imported: a bound that says nothing
	}
	w.mean = limit.NewMean(w.to.Sub(w.from), w.most, w.mostU)
	for _, l := range newest.Limits() {
		if l.Averaged() {
			w.lead = max(w.lead, l.Averaging+time.Minute)
		}
	}
	for at := w.from; at.Before(w.to); {
		end := at.Truncate(24 * time.Hour).Add(24 * time.Hour)
		if end.After(w.to) {
			end = w.to
		}
		w.days = append(w.days, newDay(newest, inForce(all, at, end), at, end, w.from, w.most, w.mostU))
		at = end
	}
}

// ran counts the run under way, once, and in each day that it emitted in.
func (w *walk) ran(day *dayOf) {
	last, _ := w.runs.Last()
	if _, running := w.runs.Running(); !running || last < 0 {
		return
	}
	n, _ := w.runs.Finished()
	if w.goesOn && n == 0 && w.runs.Cut() {
		w.counted-- // the run that was under way before, since no rest was seen between
	}
	w.goesOn = false
	number := w.counted + n + 1
	if number != w.run {
		w.out.Runs, w.run = w.out.Runs+1, number
	}
	if last >= day.from {
		day.ran(number)
	}
}

// before is how long before its time a report begins to read, so that what held,
// ran, or lay in a window then is known.
func (w *walk) before() time.Duration {
	longest := w.now.Stale + w.now.RunGap
	for _, l := range w.now.Limits() {
		if l.Averaged() {
			longest = max(longest, l.Averaging+w.now.Stale)
		}
	}
	return max(longest, 10*time.Minute)
}

func (w *walk) read(ctx context.Context, r *store.Reader, id string, raw *report.Raw, progress func(float64)) error {
	h := sha256.New()
	w.digest.sum = h
	for s, err := range r.Samples(ctx, id, w.from.Add(-w.before()), w.to) {
		var d *store.Damage
		if errors.As(err, &d) {
			raw.Damaged++
			continue
		}
		if err != nil {
			return err
		}
		at := s.At.Sub(w.from)
		w.spend(at)
		v := w.versions[s.Version]
		if lost := v == nil; lost != w.lost {
			w.lost = lost
			w.forget() // where it stood is not known
		}
		if v != nil {
			w.use(v)
		}
		if err := w.factor(ctx, r, s.CorrectionID); err != nil {
			return err
		}
		w.take(&s, at)
		if at < 0 {
			continue
		}
		raw.Samples++
		w.digest.add(&s)
		if raw.Samples%4096 == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
			progress(float64(at) / float64(w.to.Sub(w.from)))
		}
	}
	w.spend(w.to.Sub(w.from))
	w.closeGap()
	raw.SHA256 = hex.EncodeToString(h.Sum(nil))
	return nil
}

// factor looks up the coverage factor of a correction.
func (w *walk) factor(ctx context.Context, r *store.Reader, id int64) error {
	if _, known := w.kOf[id]; known {
		return nil
	}
	c, err := r.CorrectionOf(ctx, id)
	w.kOf[id] = c.Spread.K
	return err
}

// take makes a sample the newest.
func (w *walk) take(s *store.StoredSample, at time.Duration) {
	fault, over := s.Quality&acquire.Fault != 0, s.Quality&acquire.OverRange != 0
	away := w.states.away.at(s.At)
	indicated := s.TakeIndicated()
	known := s.HasValue() && !math.IsNaN(float64(s.S))
	b := &w.stretch
	*b = limit.Stretch{From: at, Lo: s.S, Hi: s.S, U: s.U, Seen: !fault && !away && (over || known), Uncalibrated: s.Quality&acquire.Uncalibrated != 0}
	w.has = true
	if s.Quality&acquire.UnderFloor != 0 {
		b.Lo, b.Hi = 0, w.now.Probe.Floor
		b.Seen = b.Seen && !w.now.Probe.BelowZero(s.S)
	}
	if over && !fault {
		b.Lo, b.Hi = w.lo, quantity.PowerDensity(math.Inf(1))
	}
	switch {
	case fault || away:
	case over:
		w.runs.Observe(at, quantity.PowerDensity(math.Inf(1)))
		w.shown = at
	case indicated: // else rest by the next correction is taken for a run beside it
		w.runs.Observe(at, quantity.PowerDensity(math.NaN()))
		w.goesOn = w.goesOn && at-w.shown <= w.now.RunGap
	case s.HasValue():
		w.runs.Observe(at, s.S)
		w.shown = at
	}
	if at < 0 {
		return
	}
	w.out.Samples++
	w.out.Classes[s.Quality.Class()]++
	day := w.day(at)
	day.sample(s, away, w.lost, indicated)
	w.ran(day)
	switch {
	case away || fault:
	case over:
		if w.out.OverAt.IsZero() {
			w.out.OverAt = s.At
		}
	case known && !(s.S <= w.out.Max):
		w.out.Max, w.out.MaxU, w.out.MaxAt = s.S, s.U, s.At
	}
}

// day is that of an instant; instants never fall.
func (w *walk) day(at time.Duration) *dayOf {
	for w.today < len(w.days)-1 && at >= w.days[w.today].end {
		w.today++
	}
	return w.days[w.today]
}
