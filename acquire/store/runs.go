package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// schemaRuns keeps what the samples of a post come to: its runs, and the sums of
// each hour of UTC in which something was seen (hour_sums.sum, an encoded
// stats.Summary). All of it is derived, and can be derived again. mean, deviation,
// median and p95 are over the time in which the oven emitted; where over_range_ns or
// unseen_ns is not 0, dose, mean and percentiles are lower bounds. peak is NULL where
// it was over the probe's range, deviation where there was one value only. begun is 0
// where the begin of the run was not seen.
const schemaRuns = `
CREATE TABLE runs (
  post               TEXT NOT NULL,
  run                INTEGER NOT NULL,
  start_ns           INTEGER NOT NULL,
  end_ns             INTEGER NOT NULL,
  on_ns              INTEGER NOT NULL,
  over_range_ns      INTEGER NOT NULL,
  unseen_ns          INTEGER NOT NULL,
  begun              INTEGER NOT NULL,
  dose_j_per_m2      REAL NOT NULL,
  mean_w_per_m2      REAL,
  deviation_w_per_m2 REAL,
  median_w_per_m2    REAL,
  p95_w_per_m2       REAL,
  peak_w_per_m2      REAL,
  peak_ns            INTEGER NOT NULL,
  PRIMARY KEY (post, run)
) STRICT, WITHOUT ROWID;
CREATE INDEX runs_start ON runs (post, start_ns);
CREATE TABLE hour_sums (
  post    TEXT NOT NULL,
  hour_ns INTEGER NOT NULL,
  sum     BLOB NOT NULL,
  PRIMARY KEY (post, hour_ns)
) STRICT, WITHOUT ROWID;
CREATE TABLE histories (
  post     TEXT PRIMARY KEY,
  hours_ns INTEGER NOT NULL,
  under_ns INTEGER NOT NULL,
  ended_ns INTEGER NOT NULL,
  runs     INTEGER NOT NULL
) STRICT;
`

// PastSamples reads the samples of a post from an instant up to another, many at a
// time. What cannot be read is left out; while the probe was away nothing was seen
// of its post. What it yields is valid until the next.
func (r *Reader) PastSamples(ctx context.Context, post string, from, to time.Time) iter.Seq2[[]history.Sample, error] {
	return r.pastSamples(ctx, post, from, to, func(*Values) {})
}

// pastSamples calls seen for what it reads.
func (r *Reader) pastSamples(ctx context.Context, post string, from, to time.Time, seen func(*Values)) iter.Seq2[[]history.Sample, error] {
	return func(yield func([]history.Sample, error) bool) {
		away, err := r.away(ctx, post)
		if err != nil {
			yield(nil, err)
			return
		}
		versions := map[int64]PostVersion{}
		var batch []history.Sample
		for v, err := range r.Values(ctx, post, from, to) {
			if d := (*Damage)(nil); errors.As(err, &d) {
				continue
			}
			if err == nil {
				seen(v)
				batch, err = r.pastOf(ctx, v, versions, away, batch[:0])
			}
			if !yield(batch, err) || err != nil {
				return
			}
		}
	}
}

// pastOf appends what a history takes of v. What lies so far below zero that the zero is
// off shows nothing of the field.
func (r *Reader) pastOf(ctx context.Context, v *Values, versions map[int64]PostVersion, away []stretch, batch []history.Sample) ([]history.Sample, error) {
	var p PostVersion // of the sample, mostly that of the one before
	first := len(batch)
	for i, at := range v.At {
		q := v.Quality[i]
		s := history.Sample{At: instant(at), S: quantity.PowerDensity(v.S[i]), Over: q&acquire.OverRange != 0}
		if i == 0 || v.Version[i] != v.Version[i-1] {
			var ok bool
			if p, ok = versions[v.Version[i]]; !ok {
				var err error
				p, err = r.Version(ctx, v.Version[i])
				if errors.Is(err, ErrLost) { // it is lost: what was seen counts all the same
					p, err = PostVersion{Range: quantity.PowerDensity(math.NaN()), Floor: quantity.PowerDensity(math.NaN())}, nil
				}
				if err != nil {
					return batch, err
				}
				versions[v.Version[i]] = p
			}
		}
		s.Valid = q&acquire.Fault == 0 && (s.Over || !math.IsNaN(v.S[i]))
		s.Uncalibrated = q&acquire.Uncalibrated != 0
		for _, a := range away {
			s.Valid = s.Valid && !a.holds(at)
		}
		s.Low = s.Valid && !s.Over && calib.ZeroOff(s.S, p.Floor)
		s.Valid = s.Valid && !s.Low
		if s.Over {
			if s.S = p.Range; math.IsNaN(float64(s.S)) {
				s.S = 0
			}
		}
		batch = append(batch, s)
	}
	for _, l := range v.lost {
		for i := l[0]; i < l[1]; i++ {
			batch[first+i].Indicated = true
		}
	}
	return batch, nil
}

// schemaSumsCalibrated changes no table. From it on hour_sums.sum says what of an hour
// was not covered by a certificate, which a program of before cannot read.
const schemaSumsCalibrated = ""

// KeepHistory keeps runs and hours of a post and how far it has come, durably when it
// returns, all or nothing. What is there already stays.
func (s *Store) KeepHistory(ctx context.Context, post string, st history.State, runs []history.Run, hours []history.Hour) error {
	runs, hours = slices.Clone(runs), slices.Clone(hours)
	return s.ask(ctx, "keep runs and sums", func(ctx context.Context, w *writer) error {
		for _, r := range runs {
			if _, err := w.exec(ctx, `INSERT INTO runs (post, run, start_ns, end_ns, on_ns, over_range_ns, unseen_ns, begun, dose_j_per_m2,
				mean_w_per_m2, deviation_w_per_m2, median_w_per_m2, p95_w_per_m2, peak_w_per_m2, peak_ns)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
				post, r.Number, nanos(r.Start), nanos(r.End), int64(r.On), int64(r.OverRange), int64(r.Unseen), r.Begun, float64(r.Dose),
				finite(r.Mean), finite(r.Deviation), finite(r.Median), finite(r.P95), finite(r.Peak), nanos(r.PeakAt)); err != nil {
				return err
			}
		}
		for _, h := range hours {
			sum, err := h.Sum.MarshalBinary()
			if err != nil {
				return err
			}
			if _, err := w.exec(ctx, "INSERT INTO hour_sums (post, hour_ns, sum) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", post, nanos(h.From), sum); err != nil {
				return err
			}
		}
		return w.putHowFar(ctx, post, st)
	})
}

// finite is NULL for what is no number.
func finite(s quantity.PowerDensity) any {
	if x := float64(s); !math.IsNaN(x) && !math.IsInf(x, 0) {
		return x
	}
	return nil
}

// PastHours reads the kept hours of a post that begin in [from, to).
func (r *Reader) PastHours(ctx context.Context, post string, from, to time.Time) iter.Seq2[history.Hour, error] {
	return func(yield func(history.Hour, error) bool) {
		stop := errors.New("enough")
		err := each(ctx, r.db, "SELECT hour_ns, sum FROM hour_sums WHERE post = ? AND hour_ns >= ? AND hour_ns < ? ORDER BY hour_ns",
			func(scan func(...any) error) error {
				var at int64
				var sum sql.RawBytes // holds until the next row
				if err := scan(&at, &sum); err != nil {
					return err
				}
				h := history.Hour{From: instant(at)}
				if h.Sum.UnmarshalBinary(sum) != nil {
					h.Sum, h.Lost = stats.Summary{}, true
				}
				if !yield(h, nil) {
					return stop
				}
				return nil
			}, post, nanos(from), nanos(to))
		if err != nil && !errors.Is(err, stop) {
			yield(history.Hour{}, fmt.Errorf("read the hourly sums of post %s: %w", post, err))
		}
	}
}

const selectRuns = `SELECT run, start_ns, end_ns, on_ns, over_range_ns, unseen_ns, begun, dose_j_per_m2,
	mean_w_per_m2, deviation_w_per_m2, median_w_per_m2, p95_w_per_m2, peak_w_per_m2, peak_ns FROM runs `

// PastRuns reads the runs of a post that begin in [from, to), in order.
func (r *Reader) PastRuns(ctx context.Context, post string, from, to time.Time) iter.Seq2[history.Run, error] {
	return func(yield func(history.Run, error) bool) {
		stop := errors.New("enough")
		var row runRow // one for all, for a long soak test has 100 000
		into := row.places()
		err := each(ctx, r.db, selectRuns+"WHERE post = ? AND start_ns >= ? AND start_ns < ? ORDER BY start_ns",
			func(scan func(...any) error) error {
				if err := scan(into...); err != nil {
					return err
				}
				if !yield(row.run(), nil) {
					return stop
				}
				return nil
			}, post, nanos(from), nanos(to))
		if err != nil && !errors.Is(err, stop) {
			yield(history.Run{}, fmt.Errorf("read the runs of post %s: %w", post, err))
		}
	}
}

// runRow is a row of runs as it is read.
type runRow struct {
	of               history.Run
	start, end, peak int64
	levels           [5]sql.NullFloat64 // mean, deviation, median, p95, peak
}

func (w *runRow) places() []any {
	u, n := &w.of, &w.levels
	return []any{&u.Number, &w.start, &w.end, &u.On, &u.OverRange, &u.Unseen, &u.Begun, &u.Dose, &n[0], &n[1], &n[2], &n[3], &n[4], &w.peak}
}

func (w *runRow) run() history.Run {
	u, n := w.of, &w.levels
	u.Start, u.End, u.PeakAt = instant(w.start), instant(w.end), instant(w.peak)
	for i, to := range []*quantity.PowerDensity{&u.Mean, &u.Deviation, &u.Median, &u.P95, &u.Peak} {
		if *to = quantity.PowerDensity(n[i].Float64); !n[i].Valid {
			*to = quantity.PowerDensity(math.NaN())
		}
	}
	if u.OverRange > 0 && !n[4].Valid {
		u.Peak = quantity.PowerDensity(math.Inf(1))
	}
	return u
}

// Runs reads them all at once.
func (r *Reader) Runs(ctx context.Context, post string, from, to time.Time) (out []history.Run, err error) {
	for u, err := range r.PastRuns(ctx, post, from, to) {
		if err != nil {
			return nil, err
		}
		out = append(out, u)
	}
	return out, nil
}
