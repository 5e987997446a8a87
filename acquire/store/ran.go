package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Ran is a run of an oven, or some that lie close together.
type Ran struct {
	From, To time.Time // the first one's begin, the last one's end
	Runs     int
	Peak     quantity.PowerDensity // the highest; +Inf: over range, NaN: not known
}

// Ran reads when a post's oven ran between two instants, in order: each run of which
// some part lies between them, or, where more than n columns would be needed to
// draw them apart, those of one column as one.
func (r *Reader) Ran(ctx context.Context, post string, from, to time.Time, n int) ([]Ran, error) {
	var out []Ran
	width := max(to.Sub(from)/time.Duration(max(n, 1)), 1)
	// Runs do not overlap: of those that began before, only the last can reach in.
	err := each(ctx, r.db, `SELECT min(start_ns), max(end_ns), count(*), max(peak_w_per_m2), max(peak_w_per_m2 IS NULL AND over_range_ns > 0)
		FROM runs WHERE post = ?1 AND start_ns >= coalesce((SELECT max(start_ns) FROM runs WHERE post = ?1 AND start_ns < ?2), ?2)
			AND start_ns < ?3 AND end_ns > ?2
		GROUP BY (max(start_ns, ?2) - ?2) / ?4 ORDER BY 1`,
		func(scan func(...any) error) error {
			var u Ran
			var start, end int64
			var peak sql.NullFloat64
			var over bool
			if err := scan(&start, &end, &u.Runs, &peak, &over); err != nil {
				return err
			}
			u.From, u.To, u.Peak = instant(start), instant(end), quantity.PowerDensity(peak.Float64)
			switch {
			case over:
				u.Peak = quantity.PowerDensity(math.Inf(1))
			case !peak.Valid:
				u.Peak = quantity.PowerDensity(math.NaN())
			}
			out = append(out, u)
			return nil
		}, post, nanos(from), nanos(to), int64(width))
	if err != nil {
		return nil, fmt.Errorf("read when the oven of post %s ran: %w", post, err)
	}
	return out, nil
}
