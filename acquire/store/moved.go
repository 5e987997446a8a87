package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Move is how a post came to where it stands.
type Move struct {
	Since  time.Time // when it was first entered at this place
	Before time.Time // when it was first entered at the place before
}

// Moved returns how the post came to its present oven, probe and distance, by its
// versions in the record; false when it never stood elsewhere.
func (s *Store) Moved(ctx context.Context, postID string) (m Move, moved bool, err error) {
	type place struct {
		oven, probe string
		distance    sql.NullFloat64
	}
	var here, there place
	seen := 0 // places, from the newest back
	err = each(ctx, s.db, `SELECT v.valid_from_ns, v.oven, v.probe, v.distance_m FROM post_versions AS v JOIN posts USING (post)
		WHERE posts.id = ? ORDER BY v.version DESC`, func(scan func(...any) error) error {
		var from int64
		var p place
		if err := scan(&from, &p.oven, &p.probe, &p.distance); err != nil {
			return err
		}
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
			m.Since = instant(from)
		case 2:
			m.Before = instant(from)
		}
		return nil
	}, postID)
	if err != nil {
		return Move{}, false, fmt.Errorf("read the places of post %s: %w", postID, err)
	}
	return m, seen > 1, nil
}
