package store

import (
	"context"
	"fmt"
)

// Flush commits what was appended and recorded before the call. The error says why
// that cannot be.
func (s *Store) Flush(ctx context.Context) error {
	return s.onWriter(ctx, "commit what waits", func(w *writer) error {
		for w.s.waits() {
			if err := w.attempt(true); err != nil {
				return err
			}
		}
		return nil
	})
}

// Retain changes what is removed, and when, from now on.
func (s *Store) Retain(ctx context.Context, r Retention) error {
	return s.onWriter(ctx, "change the retention", func(w *writer) error {
		w.s.o.Retention = r // the writer alone reads it
		return nil
	})
}

// onWriter runs do on the writer's goroutine, and waits for it.
func (s *Store) onWriter(ctx context.Context, what string, do func(w *writer) error) error {
	done := make(chan error, 1)
	select {
	case s.works <- func(w *writer) { done <- do(w) }:
	case <-s.stop:
		return fmt.Errorf("%s: the record is closed", what)
	case <-ctx.Done():
		return fmt.Errorf("%s: %w", what, ctx.Err())
	}
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		return nil
	case <-ctx.Done(): // a disk that hangs holds nobody beyond their time
		return fmt.Errorf("%s: %w", what, ctx.Err())
	}
}
