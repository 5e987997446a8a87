package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
)

// spoilt are ways in which a page may go wrong: a byte of its head, of the place of
// its first row, of a row's head, and all of it.
func spoilt() map[string]func(page []byte) {
	return map[string]func([]byte){
		"its type":    func(p []byte) { p[0] = 77 },
		"its counter": func(p []byte) { p[3] = 0xff },
		"a row's place": func(p []byte) {
			p[8], p[9] = 0, 1
		},
		"all of it": func(p []byte) {
			for i := range p {
				p[i] = 0xa5
			}
		},
	}
}

// lastLeaf returns the number of the last leaf of a table in the file in dir.
func lastLeaf(t *testing.T, dir, table string) int64 {
	t.Helper()
	var page int64
	err := outside(t, dir).QueryRow("SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY path DESC LIMIT 1", table).Scan(&page)
	if err != nil {
		t.Fatal(err)
	}
	return page
}

// spoil changes a page of the file in dir.
func spoil(t *testing.T, dir string, page int64, how func([]byte)) {
	t.Helper()
	file := filepath.Join(dir, FileName)
	b := must(os.ReadFile(file))
	how(b[(page-1)*chunkPage : page*chunkPage])
	if err := os.WriteFile(file, b, 0o640); err != nil {
		t.Fatal(err)
	}
}

// A record whose last page of chunks, or of commits, is damaged opens; what is
// missing is named; what is not is read, before and after; new samples are committed
// and merged; the page is kept, and SQLite finds no fault with the rest.
func TestFaultDamagedLastPages(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: time.Hour})
	register(t, s, post("fryer"), post("combi"))
	recorded(t, s, 20*time.Minute, 3, "fryer", "combi")
	for i := range int64(40) {
		s.Append(0, later(samples(i*50+12_001, i*50+12_050)))
		worked(s, func(w *writer) {
			if err := w.attempt(true); err != nil {
				t.Error(err)
			}
		})
	}
	worked(s, func(w *writer) { w.unfolded = true; w.checkpoint("TRUNCATE") })
	left := crashed(t, dir)
	shut(t, s)
	all := 2*12_000 + 2_000
	for _, table := range []string{"chunks", "fragments"} {
		page := lastLeaf(t, left, table)
		for name, how := range spoilt() {
			if raced && table == "chunks" && name != "all of it" {
				continue
			}
			t.Run(table+", "+name, func(t *testing.T) {
				to := copyOf(t, left)
				spoil(t, to, page, how)
				checkMended(t, to, all, name == "all of it")
			})
		}
	}
}

func checkMended(t *testing.T, dir string, all int, lossy bool) {
	t.Helper()
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	before, damage := both(t, r)
	if damage == 0 || before < 1_000 {
		t.Errorf("read as it is it gives %d samples, %d damages", before, damage)
	}
	if v, err := r.Verify(t.Context()); err != nil || v.Intact() {
		t.Errorf("as it is verify says %v, %+v", err, v)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := Open(dir, Options{reserve: testReserve, CommitEvery: time.Hour})
	if err != nil {
		t.Fatal("it does not open:", err)
	}
	register(t, s, post("fryer"), post("combi"))
	x := samples(200_001, 200_010)
	for k := range x {
		x[k].At = x[k].At.Add(100 * time.Hour)
	}
	for i := range 2 { // the second post's chunks stand last
		s.Append(i, x)
	}
	flushed(t, s)
	merged(t, s, true)
	if n := len(fragmentsIn(t, s)); n != 0 {
		t.Errorf("%d commits are not merged", n)
	}
	n, _ := both(t, s.Reader)
	if lossless := n == all+20; lossless == lossy || n < before {
		t.Errorf("%d samples are there, %d before, want %d unless all of the page is gone", n, before, all+20)
	}
	texts := eventTexts(t, s)
	if !strings.Contains(texts, "was damaged and is set aside") || s.Stats().Damaged == 0 {
		t.Errorf("the events are %s", texts)
	}
	var pages int
	if err := s.db.QueryRow("SELECT count(*) FROM set_aside").Scan(&pages); err != nil || pages == 0 {
		t.Errorf("%d pages are kept, %v", pages, err)
	}
	if v, err := s.Verify(t.Context()); err != nil || !v.Intact() { // what is lost is named by events
		t.Errorf("verify says %+v, %v", v.Problems, err)
	}
	shut(t, s)
	debianSays(t, filepath.Join(dir, FileName))
	t.Log(fmt.Sprint(n, " samples; ", texts))
}

// both counts the samples and the damages of both posts.
func both(t *testing.T, r *Reader) (n, damage int) {
	t.Helper()
	for _, name := range []string{"fryer", "combi"} {
		last := int64(0)
		for v, err := range r.Values(t.Context(), name, time.Time{}, time.Time{}) {
			if d := (*Damage)(nil); errors.As(err, &d) {
				damage++
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			if v.Seq[0] <= last {
				t.Fatalf("%s: number %d comes after %d", name, v.Seq[0], last)
			}
			last = v.Seq[len(v.Seq)-1]
			n += len(v.Seq)
		}
	}
	return n, damage
}

func fragmentsIn(t *testing.T, s *Store) []committed {
	t.Helper()
	all, err := fragmentsOf(t.Context(), s.db, "")
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// Pages that go wrong under a running writer hold up neither commits nor merges.
func TestFaultPagesDamagedWhileRunning(t *testing.T) {
	for _, table := range []string{"chunks", "fragments"} {
		t.Run(table, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir, Options{CommitEvery: time.Hour})
			register(t, s, post("fryer"))
			recorded(t, s, 10*time.Minute, 3, "fryer")
			for i := range int64(30) {
				s.Append(0, later(samples(i*50+6_001, i*50+6_050)))
				flushed(t, s)
			}
			worked(s, func(w *writer) { w.unfolded = true; w.checkpoint("TRUNCATE") })
			spoil(t, dir, lastLeaf(t, dir, table), spoilt()["its type"])
			worked(s, func(w *writer) { w.drop() }) // with what it read of the file
			s.Append(0, later(samples(7_501, 7_600)))
			flushed(t, s)
			worked(s, func(w *writer) {
				w.merging(true)
				if w.unmerged != nil {
					t.Error(w.unmerged)
				}
				if err := w.attempt(true); err != nil {
					t.Error(err)
				}
			})
			if n, damage := readAll(t, s.Reader, 100_000); n != 7_600 || damage != 0 {
				t.Errorf("%d samples, %d damages", n, damage)
			}
			if texts := eventTexts(t, s); !strings.Contains(texts, "was damaged and is set aside") {
				t.Errorf("the events are %s", texts)
			}
			if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
				t.Errorf("verify says %+v, %v", v.Problems, err)
			}
		})
	}
}

// later moves samples behind those that recorded makes.
func later(x []acquire.Sample) []acquire.Sample {
	for k := range x {
		x[k].At = x[k].At.Add(time.Hour)
	}
	return x
}

// A kill between setting a page aside and putting back what it held costs nothing.
func TestMendingGoesOn(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: time.Hour})
	register(t, s, post("fryer"))
	recorded(t, s, 10*time.Minute, 3, "fryer")
	worked(s, func(w *writer) { w.unfolded = true; w.checkpoint("TRUNCATE") })
	left := crashed(t, dir)
	shut(t, s)
	for _, table := range []string{"chunks", "fragments"} {
		to := copyOf(t, left)
		spoil(t, to, lastLeaf(t, to, table), spoilt()["its type"])
		merges := 0
		_, err := Open(to, Options{reserve: testReserve, Fault: func(st Step) error {
			if st == StepMerge {
				if merges++; merges == 2 {
					return errBroken
				}
			}
			return nil
		}})
		if !errors.Is(err, errBroken) {
			t.Fatalf("%s: it opens with %v", table, err)
		}
		if got := byTool(t, to, "SELECT count(*) FROM set_aside WHERE done = 0"); got != "1" {
			t.Fatalf("%s: %s pages wait", table, got)
		}
		s := open(t, to, Options{})
		if n, damage := readAll(t, s.Reader, 100_000); n != 6_000 || damage != 0 {
			t.Errorf("%s: %d samples, %d damages", table, n, damage)
		}
		if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
			t.Errorf("%s: %v %+v", table, err, v.Problems)
		}
	}
}

// A sealed chunk whose page is lost leaves a row that says so: reading, events and
// verify name it, and what lies round it is there.
func TestALostSealedChunkIsNamed(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: time.Hour})
	register(t, s, post("fryer"))
	recorded(t, s, 80*time.Minute, 3, "fryer")
	worked(s, func(w *writer) { w.unfolded = true; w.checkpoint("TRUNCATE") })
	left := crashed(t, dir)
	shut(t, s)
	var first, samples int64
	db := outside(t, left)
	if err := db.QueryRow("SELECT pageno FROM dbstat WHERE name = 'chunks' AND pagetype = 'leaf' ORDER BY path LIMIT 1").Scan(&first); err != nil {
		t.Fatal(err)
	}
	if err := db.QueryRow("SELECT to_seq FROM chunks WHERE state = 1 ORDER BY id LIMIT 1").Scan(&samples); err != nil {
		t.Fatal(err)
	}
	spoil(t, left, first, spoilt()["all of it"])
	spoil(t, left, lastLeaf(t, left, "chunks"), spoilt()["its type"]) // which the writer meets
	s = open(t, left, Options{})
	n, damage := readAll(t, s.Reader, 100_000)
	if n != 48_000-int(samples) || damage == 0 {
		t.Errorf("%d samples and %d damages, want %d", n, damage, 48_000-samples)
	}
	drained(t, s)
	if texts, want := eventTexts(t, s), fmt.Sprintf("samples 1 to %d, between", samples); !strings.Contains(texts, want) {
		t.Errorf("the events are %s, want %s", texts, want)
	}
	v, err := s.Verify(t.Context())
	if err != nil || len(v.Problems) != 1 || !strings.Contains(v.Problems[0].Text, fmt.Sprintf("samples 1 to %d: their page was damaged and is set aside", samples)) {
		t.Errorf("verify says %+v, %v", v.Problems, err)
	}
	shut(t, s)
	debianSays(t, filepath.Join(left, FileName))
}

// No page of a record that is whole is taken for a damaged one, however large it
// is, and whatever was removed or rewritten in it; and all of its rows are seen.
func TestNoWholePageIsSetAside(t *testing.T) {
	old := older(t, 3, 500)
	shut(t, open(t, old, Options{}))
	for name, dir := range map[string]string{"removals": eventful(t, 150*time.Minute), "converted": old, "new": t.TempDir()} {
		s := open(t, dir, Options{CommitEvery: time.Hour})
		if name == "new" {
			register(t, s, post("fryer"), post("combi"))
			recorded(t, s, 2*time.Hour, 3, "fryer", "combi")
			long := note(strings.Repeat("a commit that no page holds ", 4000))
			s.Append(0, later(samples(72_001, 72_500)))
			s.Record(long)
			flushed(t, s)
		}
		worked(s, func(w *writer) {
			p, err := newPager(t.Context(), w.conn)
			if err != nil {
				t.Error(err)
				return
			}
			for _, table := range []string{"chunks", "fragments"} {
				if bad, err := w.damagedLeaves(t.Context(), p, table); err != nil || len(bad) > 0 {
					t.Errorf("%s: of %s the leaves %+v are damaged, %v", name, table, bad, err)
				}
				rows, want := 0, 0
				err := p.leaves(t.Context(), table, func(l leaf) error {
					b, err := p.read(t.Context(), l.page)
					keys, _ := p.rowsOf(b, l)
					rows += len(keys)
					return err
				})
				if err := errors.Join(err, w.conn.QueryRowContext(t.Context(), "SELECT count(*) FROM "+table).Scan(&want)); err != nil || rows != want {
					t.Errorf("%s: %s has %d rows, %d were seen, %v", name, table, want, rows, err)
				}
			}
		})
	}
}
