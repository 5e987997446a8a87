package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"os"
	"runtime"
	"slices"
	"time"
)

// writer is the one goroutine that writes, and all that only it touches.
type writer struct {
	s       *Store
	db      *sql.DB
	file    os.FileInfo          // of what was opened
	conn    *sql.Conn            // nil after a failure, until the next try
	stmts   map[string]*sql.Stmt // prepared on conn
	reserve reserve

	stale    bool   // the connection is new: how far the record is must be read again
	doubt    *batch // a commit that failed, and may have taken place all the same
	noSpace  bool   // since the disk was full, not everything was committed again
	full     bool   // the newest failure came of a full disk
	retry    time.Duration
	retryAt  time.Time // host time; zero while commits succeed
	unfolded bool      // commits since the last checkpoint
	logged   int       // pages written to the log since then
	folding  error     // why the last checkpoint failed

	page         int // bytes of a page of the file
	pack         packer
	link         [sha256.Size]byte // of the last fragment
	fragmentRows int               // samples in fragments, about
	unmerged     error             // why the last merge failed
	told         map[string]bool   // damage, by its text
	unmendable   map[string]bool   // errors of damage that mending did not end
	side         sidecar
	chain        chainEnd   // as committed
	pending      chainEnd   // with the open transaction
	today        int64      // UTC day of the open transaction
	entered      []eventRow // events in the open transaction
	removals     []removal  // what the next commit takes away
	retainedAt   time.Time
	reader       *Reader         // on the writer's connection
	holds        map[int64]int64 // how long samples hold, by the version of their post, in ns
	added        []added         // samples that the request under way brought in
	sealedDay    int64           // the last day whose samples were sealed at its end
	giveUp       time.Time       // host time after which a stop begins nothing more; zero before the stop
}

// request is work that somebody waits for, in a transaction of its own.
type request struct {
	what string
	do   func(ctx context.Context, w *writer) error
	done chan error
}

// begin opens, checks, migrates and loads.
func (w *writer) begin(path string) error {
	ctx := context.Background()
	behind, err := w.brought(ctx, path)
	if err != nil {
		return err
	}
	counters, err := w.mendCounters(ctx, behind)
	if err != nil {
		return err
	}
	posts, err := w.mendPosts(ctx)
	if err != nil {
		return err
	}
	m, err := w.loadMended(ctx)
	if err != nil {
		return err
	}
	m.events = slices.Concat(counters, posts, m.events)
	w.link, w.fragmentRows = w.s.state.link, w.s.state.fragmentRows
	if err := w.loadChain(ctx, w.conn); err != nil {
		return err
	}
	if err := w.chainBefore(ctx, w.conn); err != nil {
		return err
	}
	if err := w.openSidecar(ctx, behind); err != nil {
		return err
	}
	if err := w.keepSigning(ctx); err != nil && !wantsSpace(err) {
		return err
	} else if err != nil {
		w.s.o.Log.Warn("the record does not say yet who signs it; it is tried again at the next start", "err", err)
	}
	w.raise(m.last)
	if err := w.alarmEvents(ctx); err != nil && !wantsSpace(err) {
		return err
	}
	// Numbers of events that this process tells before they are durable must not
	// come again after a crash, so the first commit sets room aside.
	if _, err := w.conn.ExecContext(ctx, "UPDATE record SET next_event = ?", w.s.queue.nextEvent+eventRoom); err != nil {
		err = fmt.Errorf("set event numbers aside: %w", err)
		if !wantsSpace(err) {
			return err
		}
		w.failed(err, true)
	}
	w.takeReserve()
	w.tellMended(m)
	return nil
}

// brought opens the record and brings it to the newest form. It returns what
// SQLite dropped of its log.
func (w *writer) brought(ctx context.Context, path string) (behind map[int64][]byte, err error) {
	c, err := w.db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	w.conn, w.stmts = c, map[string]*sql.Stmt{}
	all := w.s.o.steps
	v, err := version(ctx, c, all[len(all)-1].version)
	if err != nil {
		return nil, err
	}
	if v == 0 {
		err = sized(ctx, c)
	} else if v >= 7 { // it has commits that say by themselves what they are
		behind, err = fragmentsBehind(ctx, c, path)
	}
	if err != nil {
		return nil, err
	}
	if err := prepare(ctx, c, w.s.o.pragmas()...); err != nil {
		return nil, err
	}
	from, to, err := migrate(ctx, c, all)
	if err != nil {
		return nil, err
	}
	if from != to && from != 0 {
		w.s.o.Log.Info("the record was brought to a newer form", "from", from, "to", to)
	}
	return behind, w.fit(ctx, c)
}

// run commits what is due until the store is closed.
func (w *writer) run() {
	defer close(w.s.done)
	due := time.NewTimer(time.Hour)
	defer due.Stop()
	fold := time.NewTicker(checkpointEvery)
	defer fold.Stop()
	w.measure()
	for {
		select {
		case <-w.s.kick:
		case <-due.C:
		case r := <-w.s.requests:
			r.done <- w.guard(func() error { return w.serve(r) })
		case work := <-w.s.works:
			work(w)
		case <-fold.C:
			w.merging(false)
			w.retaining()
			w.giveBack()
			w.checkpoint("PASSIVE")
			w.measure()
			w.syncSidecar()
		case <-w.s.stop:
			w.drain()
			return
		}
		due.Reset(w.turn())
		w.foldLong()
		w.s.o.Round()
	}
}

// turn commits until nothing is due, and says how long that will be so. A commit
// begins after three quarters of CommitEvery, so that it ends within it: with the next
// samples that come then, and after seven eighths where none do.
func (w *writer) turn() time.Duration {
	for {
		w.s.mu.Lock()
		now, first, urgent := w.s.o.Now(), w.s.queue.firstAt, w.s.queue.urgent
		w.s.mu.Unlock()
		wait := first.Add(w.s.o.commitAfter()).Sub(now)
		if !w.retryAt.IsZero() {
			wait = w.retryAt.Sub(now)
		} else if first.IsZero() {
			return time.Hour
		}
		if wait > 0 && !urgent {
			if w.retryAt.IsZero() {
				wait += w.s.o.CommitEvery / 8
			}
			return wait
		}
		w.attempt(wait <= 0)
	}
}

// attempt tries to commit once. On a full disk alarms go first and alone, and
// for them the space set aside is given up; everything else is tried only when
// due, and only while that space is, or could again be, set aside.
func (w *writer) attempt(due bool) error {
	w.trying(true)
	defer w.trying(false)
	if over := w.dayOver(); over && !w.noSpace && w.sealedDay < w.chain.day {
		w.sealedDay = w.chain.day // once: a failure must not hold up each commit
		w.merging(true)
	} else if w.fragmentRows >= waitRows {
		w.merging(false)
	}
	if w.noSpace {
		w.alarmsAlone()
		if !due {
			return nil
		}
		if err := w.guard(w.reserveAgain); err != nil {
			w.failed(err, wantsSpace(err))
			return err
		}
	}
	err := w.guard(func() error { return w.commit(false) })
	if err == nil {
		w.recovered()
		return nil
	}
	if w.mending(err) {
		return w.attempt(due)
	}
	w.failed(err, wantsSpace(err))
	if w.noSpace {
		w.alarmsAlone()
	}
	return err
}

// alarmsAlone commits waiting alarms in the space set aside for them.
func (w *writer) alarmsAlone() {
	w.s.mu.Lock()
	waits := w.s.queue.alarmsWait()
	w.s.mu.Unlock()
	if !waits {
		return
	}
	alone := func() error { return w.commit(true) }
	err := w.guard(alone)
	if err != nil && wantsSpace(err) && w.reserve.held {
		if err = w.guard(w.reserve.release); err == nil {
			err = w.guard(alone)
		}
	}
	if err != nil {
		w.failed(err, wantsSpace(err))
		return
	}
	// Folded at once the log stays short, so the space lasts for more alarms.
	w.checkpoint("PASSIVE")
}

// reserveAgain sets space aside for alarms, unless it is.
func (w *writer) reserveAgain() error {
	if w.reserve.held {
		return nil
	}
	if err := w.s.o.Fault(StepReserve); err != nil {
		return err
	}
	return w.reserve.take()
}

// takeReserve sets space aside where it is not. Where the disk is too full for
// that, it is too full to record anything but alarms.
func (w *writer) takeReserve() {
	if err := w.guard(w.reserveAgain); err != nil {
		if wantsSpace(err) {
			w.failed(err, true)
			return
		}
		w.s.o.Log.Warn("no space is set aside for alarms; the record goes on without", "err", err)
	}
	w.trying(false)
}

// trying tells others that a commit is under way, or not, and what is set aside.
func (w *writer) trying(on bool) {
	w.s.mu.Lock()
	defer w.s.mu.Unlock()
	w.s.state.trying = time.Time{}
	if on {
		w.s.state.trying = w.s.o.Now()
		w.s.queue.urgent = false // one that comes during the attempt asks for another
	}
	w.s.state.reserve = w.reserve.held
}

// failed notes that the record cannot be written, and when to try again. It is
// logged when it begins, and when its cause changes; all that a full disk
// refuses is one cause.
func (w *writer) failed(cause error, noSpace bool) {
	now := w.s.o.Now()
	w.noSpace = w.noSpace || noSpace
	w.retryAt = now.Add(w.retry)
	w.retry = min(2*w.retry, lastRetry)
	err := fmt.Errorf("the record cannot be written: %w: %s; it is tried again by itself", cause, advice(cause, w.s.dir))
	w.s.mu.Lock()
	st := &w.s.state
	told := st.err != nil && (st.err.Error() == err.Error() || w.full && noSpace)
	w.full = noSpace
	if st.since.IsZero() {
		st.since = now
	}
	st.err = err
	waiting := w.s.queue.tail.rows
	w.s.mu.Unlock()
	if !told {
		w.s.o.Log.Error("the record cannot be written", "err", cause, "do", advice(cause, w.s.dir), "samples waiting", waiting)
	}
}

// recovered notes that everything is written again.
func (w *writer) recovered() {
	w.noSpace, w.retry, w.retryAt = false, firstRetry, time.Time{}
	w.s.mu.Lock()
	failing, since := w.s.state.err != nil, w.s.state.since
	lost := w.s.queue.lost
	w.s.state.err, w.s.state.since = nil, time.Time{}
	w.s.mu.Unlock()
	if failing {
		w.s.o.Log.Info("the record is written again", "failed for", w.s.o.Now().Sub(since).Round(time.Millisecond), "samples lost since start", lost)
	}
}

// settled takes note of a batch that is durable.
func (w *writer) settled(b *batch, took time.Duration) {
	w.unfolded, w.link = true, b.link
	w.fragmentRows += b.samples
	w.chained()
	if len(b.removals) > 0 {
		w.removals = nil
	}
	w.s.committed(b, took)
	// Alarms are sent now: who waited for them goes first, and on this processor, not
	// when another is free, for the write that follows may hold this one up.
	runtime.Gosched()
	w.side.note(b)
	w.sideChecked()
}

// dayOver says whether what is sealed still goes into the chain of a day that is
// over.
func (w *writer) dayOver() bool { return w.chain.day != 0 && utcDay(w.s.o.Now()) > w.chain.day }
