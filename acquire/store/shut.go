package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"modernc.org/sqlite"
)

// checkpoint folds the log into the file. A failure costs nothing yet, so it is
// told, on change, and commits go on.
func (w *writer) checkpoint(mode string) {
	if !w.unfolded {
		return
	}
	var busy, pages, folded int
	err := w.guard(func() error {
		if err := w.s.o.Fault(StepCheckpoint); err != nil {
			return err
		}
		if err := w.connect(context.Background()); err != nil {
			return err
		}
		return w.conn.QueryRowContext(context.Background(), "PRAGMA wal_checkpoint("+mode+")").Scan(&busy, &pages, &folded)
	})
	if err == nil && folded < pages && pages > 16384 {
		err = fmt.Errorf("the log holds %d pages: a program that reads the record keeps them from being folded in; end its long read", pages)
	}
	before := w.folding
	w.folding = err
	if err != nil && (before == nil || before.Error() != err.Error()) {
		w.s.o.Log.Warn("the record's log could not be folded into its file", "err", err)
	}
	w.unfolded, w.logged = err != nil || folded < pages, 0
}

// longLog is how many pages the log may hold (4 MiB) before it is folded.
const longLog = 256

// foldLong folds a long log, once all that waited is committed and told.
func (w *writer) foldLong() {
	if w.conn == nil {
		return
	}
	err := w.guard(func() error {
		return w.conn.Raw(func(c any) error {
			n, _, err := c.(sqlite.DBStatus).Status(sqlite.DBStatusCacheWrite, true)
			w.logged += n
			return err
		})
	})
	if err == nil && w.logged >= longLog {
		w.checkpoint("PASSIVE")
	}
}

// drain commits what is left, trying for as long as Close waits, and shuts the
// file.
func (w *writer) drain() {
	give := w.s.o.Now().Add(w.s.o.closes * 3 / 4)
	w.giveUp = w.s.o.Now().Add(w.s.o.closes / 2)
	for w.attempt(true) != nil && w.s.o.Now().Before(give) {
		<-time.After(firstRetry / 2)
	}
	for w.s.waits() && w.attempt(true) == nil {
	}
	w.merging(true)
	if w.s.waits() && w.s.o.Now().Before(give) { // damage, told first
		w.attempt(true)
		w.merging(true)
	}
	err := w.guard(func() error {
		if err := w.connect(context.Background()); err != nil {
			return err
		}
		w.s.mu.Lock()
		next := w.s.queue.nextEvent
		w.s.mu.Unlock()
		_, err := w.conn.ExecContext(context.Background(), "UPDATE record SET next_event = ?", next)
		return err
	})
	w.unfolded = true
	w.checkpoint("TRUNCATE")
	// Readers go first: the last to close removes the log, and they may not.
	if err = errors.Join(err, w.s.Reader.Close(), w.shut()); err != nil {
		w.s.o.Log.Warn("the record was not closed cleanly; what is committed stays", "err", err)
	}
}

// shut closes the connection and its pool.
func (w *writer) shut() error {
	all := []error{w.side.close()}
	for _, st := range w.stmts {
		all = append(all, st.Close())
	}
	if w.conn != nil {
		all = append(all, w.conn.Close())
	}
	w.conn, w.stmts = nil, nil
	return errors.Join(append(all, w.db.Close())...)
}
