package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// Uncompared are runs and hourly sums of a post that are kept and could not be
// compared with samples, or, with neither, a time of which none are made yet.
type Uncompared struct {
	Post  string    `json:"post"`
	From  time.Time `json:"from"`
	To    time.Time `json:"to"`
	Runs  int64     `json:"runs"`
	Hours int64     `json:"hours"`
}

const (
	// relearnt is how long after missing samples a run, or whether an oven emitted, may
	// be found otherwise than from all of them: what rest looks like is learnt anew.
	relearnt = 2 * time.Hour
	// awaySlack is how late a follower may hear that a probe is away.
	awaySlack = time.Minute
	// mostAgain bounds how often hours of a post are made again by other settings.
	mostAgain = 1000
)

// history makes the runs and hourly sums of all posts again, by what made them.
func (v *verifier) history(ctx context.Context, rep *Report) error {
	var posts []string
	err := each(ctx, v.reader.db, "SELECT id FROM posts UNION SELECT post FROM histories UNION SELECT post FROM runs UNION SELECT post FROM hour_sums ORDER BY 1", func(scan func(...any) error) error {
		var id string
		err := scan(&id)
		posts = append(posts, id)
		return err
	})
	for _, post := range posts {
		if err == nil {
			m := &remade{reader: v.reader, rep: rep, post: post, un: Uncompared{Post: post}}
			err = m.all(ctx)
		}
	}
	return err
}

// remade is the record to a follower that begins anew: it gives all samples of a
// post, and compares what the follower would keep with what is kept.
type remade struct {
	reader *Reader
	rep    *Report
	post   string
	ways   []history.Options // by which runs were found, each once
	levels [][]quantity.PowerDensity
	kept   history.State  // how far it is made in the record
	state  history.State  // how far it is made again
	gaps   []stretch      // what lies in them need not come out the same
	known  map[int64]bool // versions of the post that are there
	older  bool           // hours are kept that took what was far below zero as seen
	seq    int64          // of the newest sample
	at     int64
	runs   keptRuns
	hours  keptHours
	told   int
	again  int
	un     Uncompared
}

// all compares what is kept of the post.
func (m *remade) all(ctx context.Context) error {
	if err := m.counted(ctx); err != nil {
		return err
	}
	if m.kept == (history.State{}) {
		return m.none(ctx)
	}
	away, err := m.reader.away(ctx, m.post)
	if err != nil {
		return err
	}
	for _, a := range away {
		for _, at := range []int64{a.from, a.to} {
			if at != math.MaxInt64 {
				m.gap(at-int64(awaySlack), at+int64(awaySlack))
			}
		}
	}
	err = m.reader.db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM hour_sums WHERE post = ? AND substr(sum, 1, 1) < x'02')", m.post).Scan(&m.older)
	if err != nil {
		return err
	}
	versions, err := m.reader.History(ctx, m.post)
	if err != nil {
		return err
	}
	if len(versions) == 0 {
		var there bool
		if err := m.reader.db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM posts WHERE id = ?)", m.post).Scan(&there); err != nil {
			return err
		}
		if !there {
			m.rep.addf("runs and hourly sums are kept of post %s, which there is not", m.post)
			return nil
		}
		m.gap(math.MinInt64, math.MaxInt64) // by what they were made is lost
	}
	m.known = map[int64]bool{}
	for i := range versions {
		m.known[versions[i].Version] = true
	}
	spans := m.waysOf(versions)
	for i := range spans {
		until := time.Unix(0, math.MaxInt64)
		if i+1 < len(spans) {
			until = spans[i+1].from
		}
		// With other settings the daemon started anew, and went on from what was kept.
		if err := history.NewFollower(m, []history.Post{{ID: m.post, Options: m.ways[spans[i].way]}}).Once(ctx, until); err != nil {
			return err
		}
	}
	if err := m.missingEnd(ctx); err != nil {
		return err
	}
	if err := m.rest(ctx); err != nil {
		return err
	}
	if m.un.Runs+m.un.Hours > 0 {
		m.rep.Uncompared = append(m.rep.Uncompared, m.un)
	}
	if newest := instant(m.at); m.kept.Hours.Before(newest) {
		m.rep.Uncompared = append(m.rep.Uncompared, Uncompared{Post: m.post, From: m.kept.Hours, To: newest})
	}
	return nil
}

// none says that nothing is made of the post's samples, if it has any.
func (m *remade) none(ctx context.Context) error {
	var from, to sql.NullInt64
	err := m.reader.db.QueryRowContext(ctx, "SELECT min(from_ns) FILTER (WHERE typeof(from_ns) = 'integer'), max(to_ns) FILTER (WHERE typeof(to_ns) = 'integer') FROM chunks WHERE id >> 32 = (SELECT post FROM posts WHERE id = ?)", m.post).Scan(&from, &to)
	if from.Valid && !strings.HasPrefix(m.post, ImportedPrefix) { // of those nobody makes any
		m.rep.Uncompared = append(m.rep.Uncompared, Uncompared{Post: m.post, From: instant(from.Int64), To: instant(to.Int64)})
	}
	return err
}

// wayFrom is by which of the ways runs were found from an instant on.
type wayFrom struct {
	from time.Time
	way  int
}

// waysOf lists by what the versions of the post found runs. All count the levels of
// any of them: which of these an hour counts, it says itself.
func (m *remade) waysOf(versions []History) (spans []wayFrom) {
	var all []quantity.PowerDensity
	for _, h := range versions {
		var levels []quantity.PowerDensity
		for _, l := range h.Limits() {
			levels = append(levels, l.Value)
		}
		m.levels = append(m.levels, levelSet(levels))
		all = append(all, levels...)
	}
	for _, h := range versions {
		o := history.Options{Floor: h.Probe.Floor, Response: h.Probe.Response, Gap: h.RunGap, Stale: h.Stale, Levels: levelSet(all)}
		way := slices.IndexFunc(m.ways, func(w history.Options) bool {
			return cmp.Compare(w.Floor, o.Floor) == 0 && w.Response == o.Response && w.Gap == o.Gap && w.Stale == o.Stale
		})
		if way < 0 {
			way, m.ways = len(m.ways), append(m.ways, o)
		}
		if n := len(spans); n == 0 || spans[n-1].way != way {
			spans = append(spans, wayFrom{h.Entered, way})
		}
	}
	return spans
}

// levelSet sorts levels, each once; what is no number counts nothing.
func levelSet(all []quantity.PowerDensity) []quantity.PowerDensity {
	all = slices.DeleteFunc(slices.Clone(all), func(l quantity.PowerDensity) bool { return l != l })
	slices.Sort(all)
	return slices.Compact(all)
}

// counted reads how far the post is made, and compares it with what is kept.
func (m *remade) counted(ctx context.Context) error {
	tx, err := m.reader.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	var hours, under, ended, runs, last, next int64
	err = tx.QueryRowContext(ctx, `SELECT ifnull(max(hours_ns), 0), ifnull(max(under_ns), 0), ifnull(max(ended_ns), 0), ifnull(max(runs), 0),
		(SELECT ifnull(max(end_ns), 0) FROM runs WHERE post = ?1), (SELECT ifnull(max(hour_ns) + ?2, 0) FROM hour_sums WHERE post = ?1)
		FROM histories WHERE post = ?1`, m.post, int64(time.Hour)).Scan(&hours, &under, &ended, &runs, &last, &next)
	if err != nil {
		return err
	}
	m.kept = history.State{Hours: instant(hours), Under: instant(under), Ended: instant(ended), Runs: runs}
	if last != ended || next != hours {
		m.tell(instant(min(ended, hours)), instant(max(last, next)), "runs end at %s and hourly sums at %s, and the row in table histories says %s and %s",
			stamp(last), stamp(next), stamp(ended), stamp(hours))
		m.kept.Ended, m.kept.Hours = instant(max(last, ended)), instant(max(next, hours))
	}
	return nil
}

func stamp(ns int64) string {
	if ns == 0 {
		return "nothing"
	}
	return instant(ns).Format(time.RFC3339Nano)
}

// HistoryState is how far it is made again.
func (m *remade) HistoryState(context.Context, string) (history.State, error) { return m.state, nil }

// PastSamples reads samples, and notes where some are missing.
func (m *remade) PastSamples(ctx context.Context, post string, from, to time.Time) iter.Seq2[[]history.Sample, error] {
	all := m.reader.pastSamples(ctx, post, from, to, func(v *Values) {
		for i, seq := range v.Seq {
			if seq <= m.seq {
				continue // a start reads some again
			}
			if seq != m.seq+1 {
				from := m.at
				if m.seq == 0 {
					from = math.MinInt64
				}
				m.gap(from, v.At[i]+int64(relearnt))
			}
			m.seq, m.at = seq, v.At[i]
		}
		for _, l := range v.lost {
			m.gap(v.At[l[0]], v.At[l[1]-1]+int64(relearnt))
		}
		for i, version := range v.Version {
			if (i == 0 || version != v.Version[i-1]) && !m.known[version] {
				m.gap(v.At[i], v.At[len(v.At)-1]+int64(relearnt))
			}
		}
	})
	return func(yield func([]history.Sample, error) bool) {
		for batch, err := range all {
			for i := range batch {
				if at := nanos(batch[i].At); m.older && batch[i].Low {
					m.gap(at, at+int64(relearnt))
				}
			}
			if !yield(batch, err) {
				return
			}
		}
	}
}

// missingEnd notes when the newest samples are gone.
func (m *remade) missingEnd(ctx context.Context) error {
	var last int64
	err := m.reader.db.QueryRowContext(ctx, "SELECT ifnull(max(to_seq), 0) FROM chunks WHERE id >> 32 = (SELECT post FROM posts WHERE id = ?)", m.post).Scan(&last)
	if last > m.seq {
		m.gap(m.at, math.MaxInt64)
	}
	return err
}

// gap notes a stretch; those that touch become one.
func (m *remade) gap(from, to int64) {
	if n := len(m.gaps); n > 0 && m.gaps[n-1].from <= from && from <= m.gaps[n-1].to {
		m.gaps[n-1].to = max(m.gaps[n-1].to, to)
		return
	}
	m.gaps = append(m.gaps, stretch{from, to})
}

// unsure says whether samples are missing that tell of a time.
func (m *remade) unsure(from, to time.Time) bool {
	return slices.ContainsFunc(m.gaps, func(g stretch) bool { return g.from <= nanos(to) && nanos(from) <= g.to })
}

// KeepHistory compares what is made again.
func (m *remade) KeepHistory(ctx context.Context, _ string, st history.State, runs []history.Run, hours []history.Hour) error {
	for i := range runs {
		if err := m.run(ctx, &runs[i]); err != nil {
			return err
		}
	}
	for i := range hours {
		if err := m.hour(ctx, &hours[i]); err != nil {
			return err
		}
	}
	m.state = st
	return nil
}

// rest takes what is kept and was not made again.
func (m *remade) rest(ctx context.Context) error {
	end := time.Unix(0, math.MaxInt64)
	if err := m.runsBefore(ctx, end); err != nil {
		return err
	}
	if left := m.kept.Runs - m.runs.number; left > 0 {
		m.tell(time.Time{}, time.Time{}, "runs %d to %d are missing", m.runs.number+1, m.kept.Runs)
	}
	return m.hoursBefore(ctx, end)
}

// run compares a run that was made again.
func (m *remade) run(ctx context.Context, r *history.Run) error {
	if err := m.runsBefore(ctx, r.Start); err != nil {
		return err
	}
	k, err := m.runs.peek(ctx, m)
	if err != nil {
		return err
	}
	asKept(r)
	if k == nil || !k.Start.Equal(r.Start) {
		if !r.Start.Before(m.kept.Ended) {
			return nil // not kept yet
		}
		return m.differs(ctx, r.Start, r.End, &m.un.Runs, "a run that follows from the samples is not kept", func(all []history.Run, _ []history.Hour) bool {
			return !slices.ContainsFunc(all, func(u history.Run) bool { return u.Start.Before(r.End) && r.Start.Before(u.End) })
		})
	}
	m.runs.take(m)
	what := k.Differs(r)
	if what == "" {
		return nil
	}
	return m.lone(ctx, k, fmt.Sprintf("run %d is not as it follows from the samples: %s", k.Number, what))
}

// runsBefore takes the kept runs that begin before an instant: they were not made again.
func (m *remade) runsBefore(ctx context.Context, at time.Time) error {
	for {
		k, err := m.runs.peek(ctx, m)
		if err != nil || k == nil || !k.Start.Before(at) {
			return err
		}
		m.runs.take(m)
		if err := m.lone(ctx, k, fmt.Sprintf("run %d does not follow from the samples", k.Number)); err != nil {
			return err
		}
	}
}

// lone tells of a kept run, unless another start makes it so.
func (m *remade) lone(ctx context.Context, k *history.Run, text string) error {
	return m.differs(ctx, k.Start, k.End, &m.un.Runs, text, func(all []history.Run, _ []history.Hour) bool {
		return slices.ContainsFunc(all, func(u history.Run) bool { asKept(&u); return k.Differs(&u) == "" })
	})
}

// hour compares an hour that was made again.
func (m *remade) hour(ctx context.Context, h *history.Hour) error {
	if err := m.hoursBefore(ctx, h.From); err != nil {
		return err
	}
	k, err := m.hours.peek(ctx, m)
	if err != nil {
		return err
	}
	end := h.From.Add(time.Hour)
	if k == nil || !k.From.Equal(h.From) {
		if !h.From.Before(m.kept.Hours) {
			return nil // not kept yet
		}
		return m.differs(ctx, h.From, end, &m.un.Hours, "the sum of the hour is missing", nil)
	}
	m.hours.take()
	what := m.hourDiffers(k, h)
	if what == "" {
		return nil
	}
	return m.differs(ctx, h.From, end, &m.un.Hours, "the sum of the hour is not that of its samples: "+what, func(_ []history.Run, all []history.Hour) bool {
		return slices.ContainsFunc(all, func(a history.Hour) bool { return a.From.Equal(k.From) && m.hourDiffers(k, &a) == "" })
	})
}

func (m *remade) hourDiffers(k *keptHour, h *history.Hour) string {
	if k.bad != nil {
		return k.bad.Error()
	}
	if what := k.Sum.Differs(&h.Sum); what != "" {
		return what
	}
	var levels []quantity.PowerDensity
	for _, e := range k.Sum.Levels {
		levels = append(levels, e.Level)
	}
	levels = levelSet(levels)
	if !slices.ContainsFunc(m.levels, func(l []quantity.PowerDensity) bool { return slices.Equal(l, levels) }) {
		return "the levels that it counts"
	}
	return ""
}

// hoursBefore takes the kept hours that begin before an instant: they were not made again.
func (m *remade) hoursBefore(ctx context.Context, at time.Time) error {
	for {
		k, err := m.hours.peek(ctx, m)
		if err != nil || k == nil || !k.From.Before(at) {
			return err
		}
		m.hours.take()
		if err := m.differs(ctx, k.From, k.From.Add(time.Hour), &m.un.Hours, "the sum of the hour does not follow from the samples", nil); err != nil {
			return err
		}
	}
}

// differs tells of what is kept otherwise, or counts it as not compared. fits says of
// what another start of a daemon makes whether it is that: one that began there, or
// by the settings of another version. It may be nil.
func (m *remade) differs(ctx context.Context, from, to time.Time, n *int64, text string, fits func([]history.Run, []history.Hour) bool) error {
	unsure := m.unsure(from, to)
	if !unsure && fits != nil {
		if m.again++; m.again <= mostAgain {
			if ok, err := m.otherwise(ctx, from, to, fits); ok || err != nil {
				return err
			}
		}
		unsure = m.again > mostAgain && m.told == 0 // all that were tried were made by other settings
	}
	if !unsure {
		m.tell(from, to, "%s", text)
		return nil
	}
	if *n++; m.un.From.IsZero() || from.Before(m.un.From) {
		m.un.From = from
	}
	if m.un.To.Before(to) {
		m.un.To = to
	}
	return nil
}

func (m *remade) otherwise(ctx context.Context, from, to time.Time, fits func([]history.Run, []history.Hour) bool) (bool, error) {
	hour := from.Truncate(time.Hour)
	for _, o := range m.ways {
		for _, begin := range []time.Time{hour, hour.Add(-time.Hour)} {
			s := &started{Query: m.reader, state: history.State{Hours: begin}}
			err := history.NewFollower(s, []history.Post{{ID: m.post, Options: o}}).Once(ctx, to.Add(2*o.Gap+2*o.Stale+time.Hour))
			if err != nil || fits(s.runs, s.hours) {
				return err == nil, err
			}
		}
	}
	return false, nil
}

// tell tells of what differs, some times a post.
func (m *remade) tell(from, to time.Time, format string, args ...any) {
	if m.told++; m.told > 20 {
		m.rep.More++
		return
	}
	m.rep.add(Problem{Post: m.post, From: from, To: to, Text: fmt.Sprintf(format, args...)})
}

// started is the record to a follower that starts somewhere.
type started struct {
	history.Query
	state history.State
	runs  []history.Run
	hours []history.Hour
}

func (s *started) HistoryState(context.Context, string) (history.State, error) { return s.state, nil }

func (s *started) KeepHistory(_ context.Context, _ string, _ history.State, runs []history.Run, hours []history.Hour) error {
	s.runs, s.hours = append(s.runs, runs...), append(s.hours, hours...)
	return nil
}

// asKept makes of a run what is read back of it.
func asKept(r *history.Run) {
	for _, s := range []*quantity.PowerDensity{&r.Mean, &r.Deviation, &r.Median, &r.P95, &r.Peak} {
		if finite(*s) == nil {
			*s = quantity.PowerDensity(math.NaN())
		}
	}
	if r.OverRange > 0 && finite(r.Peak) == nil {
		r.Peak = quantity.PowerDensity(math.Inf(1))
	}
}

// keptAtOnce is how many kept rows are read at once, so that no read is held for long.
const keptAtOnce = 256

// pages are rows that are read some at a time, in order.
type pages[T any] struct {
	page []T
	over bool // the last page is read
}

// peek is the next row; nil: there is none. more appends the rows of the next page.
func (p *pages[T]) peek(more func([]T) ([]T, error)) (*T, error) {
	if len(p.page) == 0 && !p.over {
		page, err := more(p.page)
		if err != nil {
			return nil, err
		}
		p.page, p.over = page, len(page) < keptAtOnce
	}
	if len(p.page) == 0 {
		return nil, nil
	}
	return &p.page[0], nil
}

// keptRuns are the kept runs of a post.
type keptRuns struct {
	pages[history.Run]
	after  runRow
	number int64 // of the one before
}

// peek is the next one; nil: there is none.
func (k *keptRuns) peek(ctx context.Context, m *remade) (*history.Run, error) {
	return k.pages.peek(func(page []history.Run) ([]history.Run, error) {
		row := &k.after
		begin, number := row.start, row.of.Number
		if number == 0 {
			begin = math.MinInt64
		}
		err := each(ctx, m.reader.db, selectRuns+"WHERE post = ? AND (start_ns, run) > (?, ?) AND end_ns <= ? ORDER BY start_ns, run LIMIT ?",
			func(scan func(...any) error) error {
				err := scan(row.places()...)
				page = append(page, row.run())
				return err
			}, m.post, begin, number, nanos(m.kept.Ended), keptAtOnce)
		return page, err
	})
}

// take passes the next one, whose number must be the next, too.
func (k *keptRuns) take(m *remade) {
	r := &k.page[0]
	k.page = k.page[1:]
	switch {
	case r.Number > k.number+1:
		m.tell(r.Start, r.Start, "runs %d to %d are missing", k.number+1, r.Number-1)
	case r.Number <= k.number:
		m.tell(r.Start, r.End, "run %d stands behind run %d", r.Number, k.number)
	}
	k.number = max(k.number, r.Number)
}

// keptHour is an hour as it is kept.
type keptHour struct {
	history.Hour
	bad error
}

// keptHours are the kept hours of a post.
type keptHours struct {
	pages[keptHour]
	next int64
}

func (k *keptHours) peek(ctx context.Context, m *remade) (*keptHour, error) {
	return k.pages.peek(func(page []keptHour) ([]keptHour, error) {
		from := k.next
		if from == 0 {
			from = math.MinInt64
		}
		err := each(ctx, m.reader.db, "SELECT hour_ns, sum FROM hour_sums WHERE post = ? AND hour_ns >= ? AND hour_ns < ? ORDER BY hour_ns LIMIT ?",
			func(scan func(...any) error) error {
				var at int64
				var sum sql.RawBytes
				err := scan(&at, &sum)
				h := keptHour{Hour: history.Hour{From: instant(at)}}
				if h.bad = h.Sum.UnmarshalBinary(sum); h.bad != nil {
					h.Sum = stats.Summary{}
				}
				page, k.next = append(page, h), at+1
				return err
			}, m.post, from, nanos(m.kept.Hours), keptAtOnce)
		return page, err
	})
}

func (k *keptHours) take() { k.page = k.page[1:] }

// join takes what was found beside.
func (r *Report) join(o *Report) {
	for _, p := range o.Problems {
		r.add(p)
	}
	r.More += o.More
	r.Uncompared = append(r.Uncompared, o.Uncompared...)
}
