package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"time"

	"ovenward/acquire"
)

// Move is how a post came to where it stands.
type Move struct {
	Since  time.Time // when it was first entered at this place
	Before time.Time // when it was first entered at the place before
}

// stand is where a post stood.
type stand struct {
	oven, probe string
	distance    sql.NullFloat64
}

// Moved returns how the post came to its present oven, probe and distance, by its
// versions in the record; false when it never stood elsewhere.
func (s *Store) Moved(ctx context.Context, postID string) (m Move, moved bool, err error) {
	return s.movedBy(ctx, postID, func(func(time.Time, stand)) {})
}

// MovedTo is what Moved would return if the post were registered now as p is.
func (s *Store) MovedTo(ctx context.Context, p *acquire.Post, now time.Time) (m Move, moved bool, err error) {
	to := stand{oven: p.Oven, probe: p.Probe.ID}
	to.distance.Float64 = float64(p.Distance)
	to.distance.Valid = !math.IsNaN(to.distance.Float64)
	return s.movedBy(ctx, p.ID, func(first func(time.Time, stand)) { first(now, to) })
}

func (s *Store) movedBy(ctx context.Context, postID string, newest func(func(time.Time, stand))) (m Move, moved bool, err error) {
	var here, there stand
	seen := 0 // places, from the newest back
	look := func(from time.Time, p stand) {
		switch {
		case seen == 0:
			here, seen = p, 1
		case seen == 1 && p != here:
			there, seen = p, 2
		case seen == 2 && p != there:
			seen = 3
		}
		switch seen {
		case 1:
			m.Since = from
		case 2:
			m.Before = from
		}
	}
	newest(look)
	err = each(ctx, s.db, `SELECT v.valid_from_ns, v.oven, v.probe, v.distance_m FROM post_versions AS v JOIN posts USING (post)
		WHERE posts.id = ? ORDER BY v.version DESC`, func(scan func(...any) error) error {
		var from int64
		var p stand
		if err := scan(&from, &p.oven, &p.probe, &p.distance); err != nil {
			return err
		}
		look(instant(from), p)
		return nil
	}, postID)
	if err != nil {
		return Move{}, false, fmt.Errorf("read the places of post %s: %w", postID, err)
	}
	return m, seen > 1, nil
}
