package store

import (
	"context"
	"database/sql"
	"fmt"
	"sort"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// Tenure is the time for which a probe stood at a post with one certificate as its
// newest, beside an oven of one frequency.
type Tenure struct {
	Post, Probe string
	From, To    time.Time          // To is zero for the one that lasts
	Certificate *calib.Certificate // nil: none
	Frequency   quantity.Frequency // of the oven; 0: not known
}

// Tenures lists which probes stood at which posts, by the versions of the posts, in the
// order of posts and time. Imported posts are left out: nothing was judged there.
func (r *Reader) Tenures(ctx context.Context) ([]Tenure, error) {
	var all []Tenure
	last := int64(0) // the certificate of the last one
	err := each(ctx, r.db, `SELECT posts.id, v.probe, v.valid_from_ns, v.oven_frequency_hz, ifnull(v.certificate, 0), `+certificateColumns+`
		FROM post_versions AS v JOIN posts USING (post) LEFT JOIN certificates AS c USING (certificate)
		WHERE posts.id NOT LIKE 'imported/%' ORDER BY posts.post, v.version`, func(scan func(...any) error) error {
		var t Tenure
		var from, certificate int64
		var frequency sql.NullFloat64
		var row certificateRow
		if err := scan(append([]any{&t.Post, &t.Probe, &from, &frequency, &certificate}, row.into()...)...); err != nil {
			return err
		}
		t.From, t.Frequency = instant(from), quantity.Frequency(frequency.Float64)
		if n := len(all); n > 0 && all[n-1].Post == t.Post {
			if before := &all[n-1]; before.Probe == t.Probe && before.Frequency == t.Frequency && last == certificate {
				return nil // another version, of something else
			}
			all[n-1].To = t.From
		}
		last = certificate
		t.Certificate, _ = row.read()
		all = append(all, t)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read which probes stood where: %w", err)
	}
	return all, nil
}

// OfKinds lists the committed events of some kinds with instants from from on and
// before to, in the order of their numbers.
func (r *Reader) OfKinds(ctx context.Context, from, to time.Time, kinds ...acquire.Kind) ([]acquire.Event, error) {
	var all []acquire.Event
	for _, k := range kinds {
		some, err := r.events(ctx, "kind = ? AND at_ns >= ? AND at_ns < ? ORDER BY id", string(k), nanos(from), nanos(to))
		if err != nil {
			return nil, fmt.Errorf("read the events of kind %s: %w", k, err)
		}
		all = append(all, some...)
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].ID < all[j].ID })
	return all, nil
}
