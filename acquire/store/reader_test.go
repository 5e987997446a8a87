package store

import (
	"context"
	"database/sql"
	"errors"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// pageRows is many samples: more than a chunk holds.
const pageRows = 4096

func TestSamplesInARange(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("fryer"), post("new"))
	s.Append(0, samples(1, 100))
	s.Append(0, samples(201, 3*pageRows)) // 101 to 200 were lost
	twice := sample(3*pageRows + 1)
	twice.At = sample(3 * pageRows).At // two in one instant
	s.Append(0, []acquire.Sample{twice})
	drained(t, s)
	at := func(n int64) time.Time { return sample(n).At }
	last := int64(3 * pageRows)
	for _, tc := range []struct {
		name, post string
		from, to   time.Time
		want       string
	}{
		{"all", "fryer", time.Time{}, time.Time{}, "1-100 201-12289"},
		{"half open", "fryer", at(10), at(20), "10-19"},
		{"between two", "fryer", at(10).Add(1), at(20).Add(1), "11-20"},
		{"from a hole", "fryer", at(150), at(203), "201-202"},
		{"up to a hole", "fryer", at(99), at(150), "99-100"},
		{"within a hole", "fryer", at(150), at(160), "none"},
		{"before all", "fryer", time.Time{}, at(1), "none"},
		{"after all", "fryer", at(last + 1), time.Time{}, "none"},
		{"one instant", "fryer", at(last), at(last).Add(1), "12288-12289"},
		{"a whole page", "fryer", at(4000), at(4000 + pageRows), "4000-8095"},
		{"backwards", "fryer", at(20), at(10), "none"},
		{"a post without samples", "new", at(1), time.Time{}, "none"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := numbers(collect(t, s.Samples(context.Background(), tc.post, tc.from, tc.to))); got != tc.want {
				t.Errorf("samples %s, want %s", got, tc.want)
			}
		})
	}
	for g, err := range s.Samples(context.Background(), "nobody", time.Time{}, time.Time{}) {
		if err == nil || !strings.Contains(err.Error(), "fryer, new") {
			t.Errorf("a post that is none gives %+v, %v; want an error that names those that are", g, err)
		}
	}
	ended, end := context.WithCancel(context.Background())
	end()
	for _, err := range s.Samples(ended, "fryer", time.Time{}, time.Time{}) {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("an ended context gives %v", err)
		}
	}
}

// Readers see whole prefixes while the writer goes on, and do not hold it up.
func TestReaderBesideWriter(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: 4 * time.Millisecond})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 2*pageRows))
	drained(t, s)

	// One reader stops in the middle, for ever; the log is folded in all the same.
	next, stop := iter.Pull2(s.Samples(context.Background(), "fryer", time.Time{}, time.Time{}))
	defer stop()
	if _, err, ok := next(); err != nil || !ok {
		t.Fatal(err)
	}

	const last = 20_000
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			r, err := OpenReadOnly(dir)
			if err != nil {
				t.Error(err)
				return
			}
			defer r.Close()
			for seen := int64(0); seen < last; {
				n := int64(0)
				for g, err := range r.Samples(context.Background(), "fryer", time.Time{}, time.Time{}) {
					if n++; err != nil || g.Seq != n {
						t.Errorf("sample %d is %d (%v)", n, g.Seq, err)
						return
					}
				}
				if n < seen {
					t.Errorf("a reader saw %d samples after %d", n, seen)
					return
				}
				seen = n
			}
		})
	}
	for n := int64(2*pageRows + 1); n <= last; n += 16 {
		s.Append(0, samples(n, min(n+15, last)))
	}
	wg.Wait()
	drained(t, s)
	if st := s.Stats(); st.Lost != 0 || st.Err != nil {
		t.Errorf("beside readers %+v", st)
	}
	if st, err := os.Stat(filepath.Join(dir, FileName+"-wal")); err != nil || st.Size() > 64<<20 {
		t.Errorf("the log has %d bytes (%v)", st.Size(), err)
	}
}

// A courier that follows the events by Changed misses none and sees none twice.
func TestFollowingEvents(t *testing.T) {
	s := open(t, t.TempDir(), Options{CommitEvery: time.Millisecond})
	register(t, s, post("fryer"))
	const all = 200
	go func() {
		for i := range all {
			if i%3 == 0 {
				s.Record(raise("fryer", alarm.Exceeds, noon().Add(time.Duration(i)*time.Second)))
			} else {
				s.Record(note("something"))
			}
		}
	}()
	end := time.After(deadline)
	seen, after := 0, int64(0)
	for seen < all {
		changed := s.Changed()
		got, err := s.Events(context.Background(), after, 7)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range got {
			if e.ID <= after {
				t.Fatalf("event %d after %d", e.ID, after)
			}
			after = e.ID
		}
		seen += len(got)
		if len(got) > 0 {
			continue
		}
		select {
		case <-changed:
		case <-end:
			t.Fatalf("%d events seen, want %d", seen, all)
		}
	}
	if seen != all {
		t.Errorf("%d events seen, want %d", seen, all)
	}
}

// A person's tool finds the views.
func TestViews(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("fryer"))
	b := sample(3)
	b.Quality = acquire.Uncalibrated | acquire.UnderFloor
	s.Append(0, []acquire.Sample{b})
	drained(t, s)
	merged(t, s, true)
	var p, from, state string
	var seq int64
	if err := s.db.QueryRow("SELECT post, from_seq, from_utc, state FROM chunks_read").Scan(&p, &seq, &from, &state); err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join([]string{p, from, state}, "|"), "fryer|2031-05-20T12:00:00.423Z|sealed"; got != want || seq != 3 {
		t.Errorf("the view shows %d|%s, want 3|%s", seq, got, want)
	}
}

// asked counts what is asked for.
type asked struct {
	querier
	n int
}

func (a *asked) QueryContext(ctx context.Context, q string, args ...any) (*sql.Rows, error) {
	a.n++
	return a.querier.QueryContext(ctx, q, args...)
}

// TestALostCorrectionIsAskedForOnce: and not for each of its samples.
func TestALostCorrectionIsAskedForOnce(t *testing.T) {
	dir := damagedRecord(t, "DELETE FROM corrections", func(s *Store) {
		s.Correction(0, v1Correction())
		s.Append(0, samples(1, 600))
		flushed(t, s)
	})
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	count := &asked{querier: r.from}
	r.from = count
	if n := len(everything(t, r, "fryer")); n != 600 || count.n != 1 {
		t.Errorf("of %d samples their correction is asked for %d times", n, count.n)
	}
}
