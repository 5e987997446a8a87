package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// TestReadsThatBeginBehindTheGrowingChunkEnd, by number and by instant.
func TestReadsThatBeginBehindTheGrowingChunkEnd(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	recorded(t, s, 20*time.Minute, 3, "fryer")
	var all []StoredSample
	for x, err := range s.Samples(t.Context(), "fryer", time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, x)
	}
	newest := all[len(all)-1]
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second) // against a reading without end
	defer cancel()
	n := 0
	for x, err := range s.SamplesFrom(ctx, "fryer", newest.Seq-99) {
		if err != nil || x.Seq != newest.Seq-99+int64(n) {
			t.Fatalf("row %d is number %d, %v", n, x.Seq, err)
		}
		n++
	}
	if n != 100 {
		t.Errorf("%d samples from the hundredth last on", n)
	}
	n = 0
	for x, err := range s.Samples(ctx, "fryer", newest.At.Add(-time.Second), time.Time{}) {
		if err != nil || x.At.Before(newest.At.Add(-time.Second)) {
			t.Fatal(x.At, err)
		}
		n++
	}
	if n < 10 || n > 12 {
		t.Errorf("%d samples of the last second at 10 Hz", n)
	}
	if seq, at, err := s.Newest(ctx, "fryer"); err != nil || seq != newest.Seq || !at.Equal(newest.At) {
		t.Errorf("the newest is %d at %s, %v; want %d at %s", seq, at, err, newest.Seq, newest.At)
	}
	for x, err := range s.SamplesFrom(ctx, "fryer", newest.Seq+1) {
		t.Errorf("beyond the end: %d, %v", x.Seq, err)
	}
}

// TestADamagedGrowingChunkIsToldOnce, and what lies behind it is read.
func TestADamagedGrowingChunkIsToldOnce(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("fryer"))
	recorded(t, s, 20*time.Minute, 3, "fryer")
	byHand(t, s, "UPDATE chunks SET data = zeroblob(9000) WHERE state = 0")
	n, damage := readAll(t, s.Reader, 1<<20)
	if damage == 0 || damage > 3 || n < 600 {
		t.Errorf("%d samples and %d damages; want the commits behind it, and one damage or two", n, damage)
	}
	byHand(t, s, "DELETE FROM chunks WHERE state = 0") // for the end of the test: it cannot be merged
	if err := s.Close(); err != nil {
		t.Log(err)
	}
}

func byHand(t *testing.T, s *Store, sql string) {
	t.Helper()
	done := make(chan error)
	s.works <- func(w *writer) { _, err := w.conn.ExecContext(context.Background(), sql); done <- err }
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// readAll counts samples and damages; it fails on samples out of order, and on
// more than there can be.
func readAll(t *testing.T, r *Reader, most int) (n, damage int) {
	t.Helper()
	var last int64
	for x, err := range r.Samples(t.Context(), "fryer", time.Time{}, time.Time{}) {
		switch d := (*Damage)(nil); {
		case errors.As(err, &d):
			damage++
		case err != nil:
			t.Fatal(err)
		default:
			if x.Seq <= last {
				t.Fatalf("number %d comes after %d", x.Seq, last)
			}
			last = x.Seq
			n++
		}
		if n > most || damage > 200 {
			t.Fatalf("%d samples, %d damages: it goes on and on", n, damage)
		}
	}
	return n, damage
}

// TestAMissingFirstChunkIsTold, though nothing before it shows a gap.
func TestAMissingFirstChunkIsTold(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	recorded(t, s, 2*time.Hour, 3, "fryer")
	byHand(t, s, "DELETE FROM chunks WHERE id = (SELECT min(id) FROM chunks)")
	if n, damage := readAll(t, s.Reader, 2*36000); damage == 0 || n == 0 {
		t.Errorf("%d samples, %d damages", n, damage)
	}
}

// What is missing behind samples that were removed begins behind those, and not at the post's first.
func TestDamageBeginsBehindWhatWasRemoved(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	for i := range int64(4) {
		chunked(t, s, 2000*i+1, 2000*i+2000)
	}
	byHand(t, s, "UPDATE chunks SET state = 2, data = NULL WHERE id <= (SELECT min(id) + 1 FROM chunks); DELETE FROM chunks WHERE id = (SELECT min(id) + 2 FROM chunks)")
	var told []int64
	for _, err := range s.Samples(t.Context(), "fryer", time.Time{}, time.Time{}) {
		if d := (*Damage)(nil); errors.As(err, &d) {
			told = append(told, d.FromSeq, d.ToSeq)
		}
	}
	if !slices.Equal(told, []int64{4000, 6001}) {
		t.Errorf("damaged are %v", told)
	}
}

// TestFaultCorruptPagesEndNoReading spoils the type byte of each leaf page of the
// database in turn: reading ends, in order, and tells what is missing.
func TestFaultCorruptPagesEndNoReading(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	recorded(t, s, time.Hour, 3, "fryer")
	left := crashed(t, dir)
	shut(t, s)
	file := filepath.Join(left, FileName)
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	passed := 0
	for at := chunkPage; at < len(whole); at += chunkPage {
		const leaf = 13 // SQLite file format, 1.6: a leaf of a table
		if whole[at] != leaf || raced && at/chunkPage%4 != 0 {
			continue
		}
		to := crashed(t, left)
		b := append([]byte(nil), whole...)
		b[at] = 77
		if err := os.WriteFile(filepath.Join(to, FileName), b, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := OpenReadOnly(to)
		if err != nil {
			continue // a page without which nothing opens: it is told
		}
		for _, err := range r.Samples(t.Context(), "fryer", time.Time{}, time.Time{}) {
			if d := (*Damage)(nil); err != nil && !errors.As(err, &d) {
				break // no way to the samples at all
			}
			passed++
			if passed > 100*36000 {
				t.Fatalf("page %d: reading does not end", at/chunkPage)
			}
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if passed == 0 {
		t.Error("nothing was tried")
	}
}
