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

// inForce are the versions of a post that held within a time; the first one of all where
// none did yet.
func inForce(all []store.History, from, to time.Time) (held []*store.History) {
	for i := range all {
		if !all[i].ValidFrom.Before(to) {
			continue
		}
		if !all[i].ValidFrom.After(from) {
			held = held[:0] // those before were over by then
		}
		held = append(held, &all[i])
	}
	if len(held) == 0 && len(all) > 0 {
		held = append(held, &all[0])
	}
	return held
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

// use takes up a version of the post. Runs are told on where it says nothing new of what
// the probe sees; else what rest looks like is not known any more.
func (w *walk) use(h *store.History) {
	if w.now == h {
		return
	}
	before := w.now
	w.now = h
	w.top, _, w.lo = h.Top()
	if before != nil && !h.StandsAs(before) {
		w.forget()
	}
	if before != nil && seesAs(before) == seesAs(h) {
		return
	}
	was := w.runs
	w.runs = cycle.NewRuns(seesAs(h).Options)
	if was == nil {
		return
	}
	n, _ := was.Finished()
	w.goesOn = w.goesOn && n == 0 // else it has ended
	if _, running := was.Running(); running {
		n++
		w.goesOn = true
	}
	w.counted += n
	if w.goesOn = w.goesOn && before.Oven == h.Oven; w.goesOn {
		w.runs.GoOn(was)
	}
}

// forget begins the windows of means anew that have begun: what they hold is the field of
// another place.
func (w *walk) forget() {
	for i := w.today; i < len(w.days) && w.days[i].from-w.lead < w.stretch.From; i++ {
		for _, a := range w.days[i].limits {
			if a.window != nil {
				a.window = limit.NewMean(a.limit.Averaging, w.most, w.mostU)
			}
		}
	}
}

// sees is what a version of a post says of what its probe sees of an oven's runs.
type sees struct {
	cycle.Options
	oven, place, probe, port string
	distance                 quantity.Length
}

func seesAs(h *store.History) sees {
	p := &h.Probe
	return sees{cycle.Options{Floor: p.Floor, Gap: h.RunGap, Response: p.Response, Stale: h.Stale}, h.Oven, h.OvenPlace, p.ID, p.Port, h.Distance}
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

// spend accounts for the time up to now.
func (w *walk) spend(now time.Duration) {
	if w.runs != nil {
		w.runs.Advance(now)
	}
	if !w.has {
		w.observe(limit.Stretch{From: min(0, now), To: now})
		return
	}
	b := w.stretch
	if b.From >= now {
		return
	}
	held := min(now, b.From+w.now.Stale)
	if b.Seen && held > b.From {
		b.To = held
		w.observe(b)
	} else {
		held = b.From
	}
	if held < now {
		w.observe(limit.Stretch{From: held, To: now})
	}
	w.stretch.From = now
	w.stretch.Seen = false // what held was given out
}

// observe hands a stretch to the windows, day by day.
func (w *walk) observe(st limit.Stretch) {
	for i := w.today; i < len(w.days) && w.days[i].from-w.lead < st.To; i++ {
		w.days[i].observe(st)
	}
	st.From = max(st.From, 0)
	if st.To <= st.From {
		return
	}
	w.mean.Observe(st)
	long := st.To - st.From
	_, running := w.runs.Running()
	switch {
	case !st.Seen:
		w.missed(st.From, st.To)
		return
	case math.IsInf(float64(st.Hi), 1):
		w.out.OverRange += long
	default:
		w.out.Seen += long
	}
	if last, _ := w.runs.Last(); running && last == st.From {
		w.on += long // the newest sample is emission
	}
}

// missed notes what was not seen; neighbours are one gap.
func (w *walk) missed(from, to time.Duration) {
	w.out.GapsSum += to - from
	if !w.gap.is || w.gap.to != from {
		w.closeGap()
		w.gap.from, w.gap.is = from, true
	}
	w.gap.to = to
	w.goesOn = w.goesOn && to-w.gap.from <= w.now.RunGap
}

func (w *walk) closeGap() {
	if w.gap.is {
		w.gaps = append(w.gaps, report.Gap{From: w.from.Add(w.gap.from), To: w.from.Add(w.gap.to)})
		w.gap.is = false
	}
}
