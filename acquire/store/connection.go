package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
)

// guard runs f on a connection. A panic, in the driver or in ours, is an error
// like others: the daemon goes on, tells, and tries again. After an error the
// connection is thrown away.
func (w *writer) guard(f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the writer panicked: %v", r)
			w.s.o.Log.Error("the record's writer panicked; it goes on", "panic", r, "stack", string(debug.Stack()))
		}
		if err != nil && !errors.Is(err, errGone) { // what is gone is there for as long as it is open
			w.drop()
		}
	}()
	return f()
}

// connect makes sure of a connection, and of what became of a doubtful commit.
func (w *writer) connect(ctx context.Context) error {
	if err := w.there(); err != nil {
		return err
	}
	if w.conn == nil {
		if err := w.reconnect(ctx); err != nil {
			return err
		}
	}
	return w.reread(ctx)
}

// errGone is a record whose file is not in its place any more.
var errGone = errors.New("its file " + FileName + " was removed, moved or replaced while in use")

// there says whether the file that was opened is the one that stands in its place, and
// still ours alone. SQLite does not look, and goes on in a file that nobody will find.
func (w *writer) there() error {
	now, err := os.Stat(filepath.Join(w.s.dir, FileName))
	if errors.Is(err, fs.ErrNotExist) || err == nil && !os.SameFile(now, w.file) {
		return errGone
	}
	return w.s.keepLock() // what else may be wrong the file itself will tell
}

// reconnect takes a new connection.
func (w *writer) reconnect(ctx context.Context) error {
	c, err := w.db.Conn(ctx)
	if err != nil {
		return fmt.Errorf("open the record: %w", err)
	}
	w.conn, w.stmts = c, map[string]*sql.Stmt{}
	return prepare(ctx, c, w.s.o.pragmas()...)
}

// reread takes note, on a new connection, of how far the record is: the last
// commit may have failed to say that it took place.
func (w *writer) reread(ctx context.Context) error {
	if !w.stale {
		return nil
	}
	if w.doubt == nil {
		if err := w.loadChain(ctx, w.conn); err != nil {
			return err
		}
	}
	commits, link, err := lastCommit(ctx, w.conn)
	if corrupt(err) {
		if w.doubt != nil { // two faults at once: what it held is written again
			w.s.restore(w.doubt)
			if w.doubt = nil; w.loadChain(ctx, w.conn) != nil {
				return err
			}
		}
		if m, merr := w.mend(ctx, w.lastKnown()); merr == nil && m.pages > 0 {
			w.tellMended(m)
			commits, link, err = lastCommit(ctx, w.conn)
		}
	}
	if err != nil {
		return fmt.Errorf("look whether the last commit took place: %w", err)
	}
	w.stale = false
	if b := w.doubt; b != nil {
		w.doubt = nil
		if commits >= b.no {
			w.settled(b, 0)
			return nil
		}
		w.s.restore(b)
		if err := w.loadChain(ctx, w.conn); err != nil {
			return err
		}
	}
	w.link = link
	w.s.mu.Lock()
	w.s.state.commits = max(w.s.state.commits, commits)
	w.s.mu.Unlock()
	return nil
}

// lastCommit returns the number of the last commit, and the link of the last
// fragment.
func lastCommit(ctx context.Context, q querier) (commits int64, link [sha256.Size]byte, err error) {
	var merged, last []byte
	err = q.QueryRowContext(ctx, "SELECT max(commits, ifnull((SELECT max(id) FROM fragments) / 65536, 0)), link, (SELECT data FROM fragments ORDER BY id DESC LIMIT 1) FROM record").
		Scan(&commits, &merged, &last)
	copy(link[:], merged)
	if f, _, ferr := readFragment(last); ferr == nil {
		link = f.link
	}
	return commits, link, err
}

// drop throws the connection away.
func (w *writer) drop() {
	if w.conn == nil {
		return
	}
	for _, st := range w.stmts {
		st.Close()
	}
	// ErrBadConn keeps the pool from handing it out again.
	w.conn.Raw(func(any) error { return driver.ErrBadConn })
	w.conn.Close()
	w.conn, w.stmts, w.stale = nil, nil, true
	// What was read in a transaction that came to nothing may be of other rows now.
	w.holds, w.reader = nil, nil
	if len(w.entered) > 0 {
		w.s.forget()
	}
}

// stmt returns q prepared on the connection.
func (w *writer) stmt(ctx context.Context, q string) (*sql.Stmt, error) {
	if st, ok := w.stmts[q]; ok {
		return st, nil
	}
	st, err := w.conn.PrepareContext(ctx, q)
	if err == nil {
		w.stmts[q] = st
	}
	return st, err
}

// exec runs q, prepared.
func (w *writer) exec(ctx context.Context, q string, args ...any) (sql.Result, error) {
	st, err := w.stmt(ctx, q)
	if err != nil {
		return nil, err
	}
	return st.ExecContext(ctx, args...)
}
