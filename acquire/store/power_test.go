package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	sqlite3 "modernc.org/sqlite/lib"
)

// powerCut is what a power cut at some operation leaves.
type powerCut struct {
	where        string
	files        map[string][]byte
	acknowledged int64
}

// Power fails before any write, sync, truncation or deletion, from the first one
// of a new record on. Of what was not synced the disk keeps nothing, all, or
// some, in any order and cut off at any sector: all that was acknowledged is
// there, and nothing that was not recorded.
func TestFaultPowerCut(t *testing.T) {
	every, hows := 23, 1
	switch {
	case fullCounts():
		every, hows = 1, 4
	case raced:
		every = 67
	}
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	random := rand.New(rand.NewPCG(seed, 5))
	keep := [4]func(op) int{
		func(op) int { return leftNothing },
		func(op) int { return random.IntN(3) },
		func(op) int { return leftWhole },
		func(op) int { return random.IntN(8) / 7 * leftTorn },
	}
	first := random.IntN(every)
	dir := t.TempDir()
	d := newDisk(t)
	var acknowledged atomic.Int64
	var cuts []powerCut
	d.at = func(o op) int32 {
		if o.n%every != first {
			return 0
		}
		for how := range hows {
			c := powerCut{fmt.Sprintf("before operation %d, to %s %s", o.n, o.what, o.file), d.left(keep[(o.n/every+how)%4]), acknowledged.Load()}
			if b, err := os.ReadFile(filepath.Join(dir, sidecarName)); err == nil {
				c.files[sidecarName] = b
			}
			cuts = append(cuts, c)
		}
		return 0
	}
	s := open(t, dir, Options{vfs: d.name, CommitEvery: time.Hour, onCommit: func(b *batch) {
		if m, ok := b.last[1]; ok {
			acknowledged.Store(m.seq)
		}
	}})
	register(t, s, post("fryer"))
	for n := int64(1); n <= 500; n += 10 {
		s.Append(0, samples(n, n+9))
		flushed(t, s)
		if n%100 == 51 {
			merged(t, s, n > 400)
			done := make(chan struct{})
			s.works <- func(w *writer) { w.checkpoint("PASSIVE"); w.side.sync(); close(done) }
			<-done
		}
	}
	shut(t, s)
	if len(cuts) < 300/every*hows {
		t.Errorf("only %d cuts", len(cuts))
	}
	t.Logf("%d operations, %d cuts", d.n, len(cuts))
	for _, c := range cuts {
		checkCut(t, c)
	}
}

func checkCut(t *testing.T, c powerCut) {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "cut")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	put(t, dir, c.files)
	s, err := Open(dir, Options{reserve: testReserve, closes: deadline})
	if err != nil {
		t.Errorf("%s: %v", c.where, err)
		return
	}
	defer shut(t, s)
	var verdict string
	if err := s.db.QueryRow("PRAGMA integrity_check").Scan(&verdict); err != nil || verdict != "ok" {
		t.Errorf("%s: integrity_check says %q (%v)", c.where, verdict, err)
	}
	got := int64(0)
	for x, err := range s.SamplesFrom(context.Background(), "fryer", 0) {
		if err != nil {
			t.Errorf("%s: after sample %d: %v", c.where, got, err)
			return
		}
		got++
		if want := sample(got); x.Seq != got || string(x.Said) != string(want.Said) || !x.At.Equal(want.At.Truncate(time.Millisecond)) {
			t.Errorf("%s: sample %d comes back as number %d, %q", c.where, got, x.Seq, x.Said)
			return
		}
	}
	if got < c.acknowledged {
		t.Errorf("%s: %d samples are there, acknowledged were %d", c.where, got, c.acknowledged)
	}
	if st := s.Stats(); st.Damaged != 0 {
		t.Errorf("%s: a power cut is told as damage", c.where)
	}
}

// Any operation of SQLite on its files fails, and those behind it for a while:
// the writer says so, and in the end all is there, once.
func TestFaultFailingOperations(t *testing.T) {
	every := 61
	switch {
	case fullCounts():
		every = 1
	case raced:
		every = 181
	}
	first := rand.IntN(every)
	for i, how := range []struct {
		name string
		rc   int32
		ops  int
		span time.Duration // instead of a number of operations
	}{
		{"EIO", sqlite3.SQLITE_IOERR_WRITE, 5, 0},
		{"ENOSPC", sqlite3.SQLITE_FULL, 5, 0},
		{"a short write", shortWrite, 5, 0},
		{"mounted read-only", sqlite3.SQLITE_READONLY, 0, 5 * time.Second},
	} {
		for from := 1 + (first+every/4*i)%every; ; from += every {
			n, told := 0, ""
			t.Run(fmt.Sprintf("%s from operation %d on", how.name, from), func(t *testing.T) {
				dir := t.TempDir()
				synctest.Test(t, func(t *testing.T) {
					d := newDisk(t)
					log, said := logger()
					var until time.Time
					recordOn(t, dir, Options{vfs: d.name, Log: log}, func() {
						d.mu.Lock()
						defer d.mu.Unlock()
						d.n = 0
						d.at = func(o op) int32 {
							if o.n == from {
								until = time.Now().Add(how.span)
							}
							if o.n >= from && (o.n < from+how.ops || time.Now().Before(until)) {
								return how.rc
							}
							return 0
						}
					})
					n, told = d.n, said.String()
				})
				checkThrough(t, dir)
			})
			if t.Failed() || n < from {
				break
			}
			if n >= from+5 && told == "" {
				t.Errorf("%s from operation %d of %d on was told nowhere", how.name, from, n)
			}
		}
	}
}
