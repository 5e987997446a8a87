package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/cycle/history"
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
	if err := m.wentAway(ctx); err != nil {
		return err
	}
	err := m.reader.db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM hour_sums WHERE post = ? AND substr(sum, 1, 1) < x'02')", m.post).Scan(&m.older)
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
	if err := m.follow(ctx, versions); err != nil {
		return err
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

// wentAway notes when the probe went away and came back: a follower may have heard of it late.
func (m *remade) wentAway(ctx context.Context) error {
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
	return nil
}

// follow makes all again that follows from the samples, by the versions of the post.
func (m *remade) follow(ctx context.Context, versions []History) error {
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
	var hours, under, ended, runs, last, next, highest int64
	err = loosely(tx.QueryRowContext(ctx, `SELECT ifnull(max(hours_ns), 0), ifnull(max(under_ns), 0), ifnull(max(ended_ns), 0), ifnull(max(runs), 0),
		(SELECT ifnull(max(end_ns), 0) FROM runs WHERE post = ?1 AND typeof(end_ns) = 'integer'),
		(SELECT ifnull(max(hour_ns) + ?2, 0) FROM hour_sums WHERE post = ?1 AND typeof(hour_ns) = 'integer'),
		(SELECT ifnull(max(run), 0) FROM runs WHERE post = ?1 AND typeof(run) = 'integer')
		FROM histories WHERE post = ?1`, m.post, int64(time.Hour)).Scan, &hours, &under, &ended, &runs, &last, &next, &highest)
	if errors.Is(err, ErrLost) {
		m.tell(time.Time{}, time.Time{}, "the row in table histories that says how far runs and hourly sums are kept is damaged")
	} else if err != nil {
		return err
	} else if runs < highest {
		m.tell(time.Time{}, time.Time{}, "run %d is kept, and the row in table histories says that there are %d", highest, runs)
	}
	m.kept = history.State{Hours: instant(hours), Under: instant(under), Ended: instant(ended), Runs: max(runs, highest)}
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

// join takes what was found beside.
func (r *Report) join(o *Report) {
	for _, p := range o.Problems {
		r.add(p)
	}
	r.More += o.More
	r.Uncompared = append(r.Uncompared, o.Uncompared...)
}
