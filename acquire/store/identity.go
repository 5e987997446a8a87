package store

import (
	"context"
	"fmt"

	"ovenward/acquire"
)

// Identity returns what the instrument said of itself that was accepted last at
// the post with this index of Register; nil when none was since the probe that
// stands there now was put there.
func (s *Store) Identity(post int) ([]byte, error) {
	ctx := context.Background()
	s.mu.Lock()
	if post < 0 || post >= len(s.places) {
		s.mu.Unlock()
		return nil, fmt.Errorf("read who the instrument was: post %d is not registered", post)
	}
	p := s.places[post]
	s.mu.Unlock()
	since, err := s.probeSince(ctx, p.post)
	if err != nil {
		return nil, fmt.Errorf("read who the instrument of post %s was: %w", p.id, err)
	}
	var said []byte
	err = each(ctx, s.db, "SELECT raw FROM events WHERE post = ? AND kind = ? AND at_ns >= ? ORDER BY id DESC LIMIT 1",
		func(scan func(...any) error) error { return scan(&said) }, p.id, string(acquire.KindIdentity), nanos(since))
	if err != nil {
		return nil, fmt.Errorf("read who the instrument of post %s was: %w", p.id, err)
	}
	return said, nil
}
