// Package store is the record: what the probes said and what happened, in one
// SQLite file that survives kill -9, power cuts and a full disk. It keeps
// readings digit for digit; corrected power densities (W/m²) are derived when
// read, and never stored. Instants are UTC in nanoseconds. See schema1 for the
// tables.
//
// One goroutine writes. Append and Record copy into memory and never wait for
// it: it commits within Options.CommitEvery, and at once when an alarm changes.
// What a failed commit held is tried again until it succeeds. Everybody else
// reads through a pool of their own and holds the writer up nowhere.
//
// Package store judges nothing, and must not wait for a network.
package store

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"ovenward/acquire/alarm"
)

// FileName is the record's file in its folder.
const FileName = "ovenward.db"

// ErrUnfolded is a record that was left with its log, in which all is that was told.
var ErrUnfolded = errors.New("all is recorded, but its log is not folded into its file: the next start does that")

const (
	defaultCommitEvery = time.Second
	checkpointEvery    = 30 * time.Second
	closeWithin        = 1800 * time.Millisecond // of the two seconds a stop may take
	stuckAfter         = 5 * time.Second         // a commit that runs longer is a fault
	firstRetry         = 250 * time.Millisecond
	lastRetry          = 10 * time.Second
)

// Options is how a Store works; the zero value is fit for use.
type Options struct {
	CommitEvery time.Duration    // samples and events are durable within this; 0: 1 s
	Log         *slog.Logger     // nil: none
	Now         func() time.Time // the host's clock, with a monotonic reading; nil: time.Now

	Round func() // called each time the writer came round, at least every 30 s; nil: nobody asks. It must not wait

	Retention Retention // what is removed, and when; the zero value keeps everything

	// SigningKey signs the head of each day; nil: heads are not signed, and show
	// accident and casual edits only.
	SigningKey ed25519.PrivateKey

	// Fault is a seam for tests: an error it returns fails that step of the
	// writer as if the system had. Nil in earnest.
	Fault func(Step) error

	maxRows   int             // samples in memory
	maxBytes  int             // of memory for them
	maxEvents int             // in memory, without alarm
	maxAlarms int             // in memory
	reserve   int64           // bytes kept for alarms
	converts  int             // rows of an older form in one transaction
	steps     []step          // of the schema
	onCommit  func(b *batch)  // after each commit, on the writer's goroutine
	pragmas   func() []string // run on each connection that writes
	vfs       string          // through which SQLite reaches the files; empty: its own
	closes    time.Duration   // within which Close ends
}

// Step is a step of the writer that Options.Fault can fail.
type Step string

const (
	StepBegin       Step = "begin"
	StepWrite       Step = "write"        // before the rows of a transaction
	StepCommit      Step = "commit"       // before the commit
	StepAfterCommit Step = "after commit" // the commit took place, and failed to say so
	StepCheckpoint  Step = "checkpoint"
	StepReserve     Step = "reserve" // before the reserve is made
	StepMerge       Step = "merge"   // before samples are merged into chunks
	StepSidecar     Step = "sidecar" // before the last commit's number is kept beside the record
	StepSwap        Step = "swap"    // before each step by which a rebuilt record takes its place
)

func (o Options) withDefaults() Options {
	if o.CommitEvery <= 0 {
		o.CommitEvery = defaultCommitEvery
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Round == nil {
		o.Round = func() {}
	}
	if o.Fault == nil {
		o.Fault = func(Step) error { return nil }
	}
	if o.steps == nil {
		o.steps = steps()
	}
	if o.onCommit == nil {
		o.onCommit = func(*batch) {}
	}
	if o.pragmas == nil {
		o.pragmas = func() []string { return nil }
	}
	orDefault(&o.maxRows, 200_000)
	orDefault(&o.maxBytes, 64<<20)
	orDefault(&o.maxEvents, 10_000)
	orDefault(&o.maxAlarms, 10_000)
	orDefault(&o.reserve, reserveBytes)
	orDefault(&o.converts, convertRows)
	orDefault(&o.closes, closeWithin)
	return o
}

// commitAfter is how long what is recorded waits for more.
func (o *Options) commitAfter() time.Duration { return o.CommitEvery * 3 / 4 }

func orDefault[T int | int64 | time.Duration](v *T, d T) {
	if *v == 0 {
		*v = d
	}
}

// Store is the open record. All methods may be called from any goroutine.
type Store struct {
	*Reader
	o    Options
	dir  string
	lock *os.File

	mu      sync.Mutex
	queue   queue
	recent  recent
	places  []place
	closed  bool
	scratch []byte
	changed chan struct{}
	raised  chan struct{}
	unheard bool // raised is to be closed: by late, if by nobody else
	late    *time.Timer
	awaited map[int64]chan struct{} // by whom an event is wanted to be durable, by its number
	state   state

	kick     chan struct{} // something waits
	requests chan request
	works    chan func(*writer) // what runs on the writer's goroutine in transactions of its own
	stop     chan struct{}
	done     chan struct{} // the writer has ended
	closing  sync.Once
	closeErr error
}

// state is how the writer fares.
type state struct {
	commits int64
	at      time.Time
	took    time.Duration
	samples uint64
	refused uint64
	since   time.Time // failing since; zero when not
	err     error
	trying  time.Time // start of the attempt under way; zero when none is
	reserve bool
	free    uint64 // of the disk, bytes
	size    uint64 // of the disk, bytes; 0: not known

	link         [sha256.Size]byte // of the last fragment, at the start
	fragmentRows int               // at the start
	sideErr      error             // why the last commit's number is not kept beside the record
	damaged      uint64
	salvaged     uint64
	chain, over  chainEnd // where it stands; the end of the day before
}

// Open opens the record in the folder dir, makes both where they are missing,
// brings an older record to this version, and starts the writer. A folder that
// another process writes to is refused with ErrInUse, a record of a later
// version with ErrNewer. Close it.
func Open(dir string, o Options) (*Store, error) {
	o = o.withDefaults()
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("make the record's folder: %w: create it, or give another --storage.path", err)
	}
	held, err := lock(dir)
	if err != nil {
		return nil, err
	}
	if swapped, err := finishRebuild(dir, o.Fault); err != nil {
		return nil, errors.Join(err, unlock(held))
	} else if swapped {
		o.Log.Warn("the record was being rebuilt when the program ended; the rebuilt one is in its place now", "folder", dir)
	}
	s := &Store{o: o, dir: dir, lock: held, changed: make(chan struct{}), raised: make(chan struct{}), awaited: map[int64]chan struct{}{}, kick: make(chan struct{}, 1),
		requests: make(chan request), works: make(chan func(*writer)), stop: make(chan struct{}), done: make(chan struct{})}
	s.late = time.AfterFunc(time.Hour, s.hear)
	s.late.Stop()
	w, err := s.open()
	if err != nil {
		return nil, errors.Join(err, unlock(held))
	}
	go w.run()
	return s, nil
}

// open makes file, writer and readers.
func (s *Store) open() (*writer, error) {
	path := filepath.Join(s.dir, FileName)
	if err := create(path); err != nil {
		return nil, err
	}
	file, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("open the record: %w", err)
	}
	db, err := openWriter(path, s.o.vfs)
	if err != nil {
		return nil, err
	}
	w := &writer{s: s, db: db, file: file, retry: firstRetry,
		reserve: reserve{path: filepath.Join(s.dir, reserveName), size: s.o.reserve}}
	if err := w.begin(path); err != nil {
		return nil, errors.Join(fmt.Errorf("open the record %s: %w", path, err), w.shut())
	}
	readers, err := openReadersOn(path, s.o.vfs)
	if err != nil {
		return nil, errors.Join(err, w.shut())
	}
	s.Reader = newReader(readers, s.dir)
	return w, nil
}

// create makes an empty file that only its owner writes and its group reads.
func create(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("make the record: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("make the record: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

// load reads what the store keeps in memory.
func (s *Store) load(ctx context.Context, c *sql.Conn) error {
	q := &s.queue
	*q = queue{tail: tail{maxRows: s.o.maxRows, maxBytes: s.o.maxBytes}, maxEvents: s.o.maxEvents, maxAlarms: s.o.maxAlarms,
		names: map[int32]string{}, pens: map[int32]*pen{}, last: map[int32]mark{},
		alarms: map[alarmKey]alarm.Alarm{}}
	var committed int64
	s.recent = recent{}
	err := c.QueryRowContext(ctx, `SELECT commits, committed_ns, next_event, (SELECT ifnull(max(id), 0) FROM events),
		max(next_correction, (SELECT ifnull(max(correction), 0) + 1 FROM corrections)) FROM record`).
		Scan(&s.state.commits, &committed, &q.nextEvent, &s.recent.after, &q.nextCorrection)
	if err != nil {
		return fmt.Errorf("read the record's counters: %w", err)
	}
	s.state.at, q.nextEvent = instant(committed), max(q.nextEvent, s.recent.after+1)
	if err := each(ctx, c, "SELECT post, id FROM posts", func(scan func(...any) error) error {
		var post int32
		var id string
		err := scan(&post, &id)
		q.names[post] = id
		return err
	}); err != nil {
		return fmt.Errorf("read the posts: %w", err)
	}
	if err := s.loadLast(ctx, c); err != nil {
		return err
	}
	alarms, err := readAlarms(ctx, c)
	if err != nil {
		return err
	}
	for _, a := range alarms {
		q.alarms[alarmKey{a.Post, a.Rule}] = a
	}
	recallWaits(ctx, c, q.alarms)
	return nil
}

// Close commits what waits, folds the log into the file and gives the folder
// free, within 2 s. Samples that cannot be committed by then are named in the
// error; it is ErrUnfolded where only the folding takes longer. What is appended after Close is lost and counted.
func (s *Store) Close() error {
	s.closing.Do(func() { s.closeErr = s.close() })
	return s.closeErr
}

func (s *Store) close() error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.hear()
	close(s.stop)
	limit := time.NewTimer(s.o.closes)
	defer limit.Stop()
	select {
	case <-s.done:
	case <-limit.C:
		// A write that the system does not return from cannot be ended; the
		// process ends it. The lock is kept till then.
		s.mu.Lock()
		defer s.mu.Unlock()
		left := ErrUnfolded
		if !s.state.trying.IsZero() || !s.queue.firstAt.IsZero() {
			left = fmt.Errorf("%d samples and %d events are not recorded", s.queue.tail.rows, len(s.queue.events))
		}
		return fmt.Errorf("close the record in %s: not done within %s, for the disk does not answer or the machine is too busy; %w", s.dir, s.o.closes, left)
	}
	s.mu.Lock()
	rows, events, cause := s.queue.tail.rows, len(s.queue.events), s.state.err
	s.mu.Unlock()
	var err error
	if rows > 0 || events > 0 {
		err = fmt.Errorf("close the record in %s: %d samples and %d events are not recorded: %w", s.dir, rows, events, cause)
	}
	return errors.Join(err, s.Reader.Close(), unlock(s.lock))
}
