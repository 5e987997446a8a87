package store

import (
	"context"
	"crypto/ed25519"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

// fullCounts says whether the long counts are asked for.
func fullCounts() bool { return os.Getenv("OVENWARD_COUNTS") == "full" }

// countOf reads all that a record still gives of its posts, and says whether any
// damage was told. It fails on a value that is not the one recorded.
func countOf(t *testing.T, r *Reader, posts []string) (n int, told bool, err error) {
	for i, name := range posts {
		want := newSignal(uint64(i+1), 3, noon())
		for s, err := range r.Samples(context.Background(), name, time.Time{}, time.Time{}) {
			if d := (*Damage)(nil); errors.As(err, &d) {
				told = true
				continue
			}
			if err != nil {
				return n, told, err
			}
			if w := want.at(s.Seq); w != string(s.Said) {
				t.Fatalf("%s: sample %d comes back as %q, recorded was %q", name, s.Seq, s.Said, w)
			}
			n++
		}
	}
	return n, told, nil
}

// at returns what sample seq says; numbers must rise.
func (g *signal) at(seq int64) string {
	one := make([]acquire.Sample, 1)
	for g.seq < seq {
		g.next(one)
	}
	return string(one[0].Said)
}

// One bit flipped anywhere in the file or its log: what can be read is what was
// recorded, what cannot is told, and with a rebuilding hardly anything is lost.
func TestFlippedBits(t *testing.T) {
	posts, span, rounds := []string{"fryer", "combi"}, time.Hour, 8
	if fullCounts() {
		span, rounds = 24*time.Hour, 1000
	}
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"), post("combi"))
	recorded(t, s, span, 3, posts...)
	left := crashed(t, dir)
	shut(t, s)
	all := 2 * 10 * int(span/time.Second)
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("OVENWARD_SEED"); s != "" {
		fmt.Sscan(s, &seed)
	}
	t.Log("seed", seed)
	random := rand.New(rand.NewPCG(seed, 3))
	var lost []float64
	rebuilt := 0
	for range rounds {
		to := crashed(t, left)
		file, at := flip(t, to, random)
		where := fmt.Sprintf("a bit at %d of %s", at, filepath.Base(file))
		n, again := outcome(t, to, where, posts, all)
		if again {
			rebuilt++
		}
		if n < all {
			t.Logf("%s: %d lost, rebuilt %v", where, all-n, again)
		}
		lost = append(lost, float64(all-n)/float64(all))
		os.RemoveAll(to)
	}
	slices.Sort(lost)
	median, worst := lost[len(lost)/2], lost[len(lost)-1]
	t.Logf("%d flips: lost of %d samples %.4f %% in the median, %.4f %% at worst; %d needed a rebuilding", rounds, all, 100*median, 100*worst, rebuilt)
	// A block of a minute is 1/120 of an hour of two posts, and a smaller part of a day.
	if limit := 0.01; median > 0.001 || worst > limit {
		t.Errorf("lost %.4f in the median, %.4f at worst", median, worst)
	}
}

// outcome opens a damaged record and returns how much it gives, rebuilt where that
// is called for.
func outcome(t *testing.T, dir, where string, posts []string, all int) (n int, rebuilt bool) {
	t.Helper()
	broken := ""
	s, err := Open(dir, Options{reserve: testReserve})
	if err == nil {
		var told bool
		n, told, err = countOf(t, s.Reader, posts)
		lost := s.Stats().Damaged > 0
		v, verr := s.Verify(t.Context())
		if verr != nil {
			err = errors.Join(err, verr)
		} else if !v.Intact() {
			broken = v.Problems[0].Text
		}
		if n < all && !told && !lost && broken == "" && err == nil {
			t.Errorf("%s: %d samples are lost without a word", where, all-n)
		}
		if told && broken == "" {
			t.Errorf("%s: reading tells damage, verify does not", where)
		}
		shut(t, s)
	}
	if err == nil && (broken == "" || n == all) {
		return n, false
	}
	if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	s = open(t, dir, Options{})
	defer shut(t, s)
	again, _, err := countOf(t, s.Reader, posts)
	if err != nil || again < n {
		t.Errorf("%s: rebuilt it gives %d samples, %d before (%v)", where, again, n, err)
	}
	if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("%s: rebuilt it is not whole: %v %+v", where, err, v.Problems)
	}
	return again, true
}

// flip flips a random bit of the record or its log.
func flip(t *testing.T, dir string, random *rand.Rand) (file string, at int64) {
	t.Helper()
	file = filepath.Join(dir, FileName)
	a, b := must(os.Stat(file)).Size(), must(os.Stat(file+"-wal")).Size()
	if at = random.Int64N(a + b); at >= a {
		file, at = file+"-wal", at-a
	}
	f := must(os.OpenFile(file, os.O_RDWR, 0))
	defer f.Close()
	one := make([]byte, 1)
	if _, err := f.ReadAt(one, at); err != nil {
		t.Fatal(err)
	}
	one[0] ^= 1 << random.IntN(8)
	if _, err := f.WriteAt(one, at); err != nil {
		t.Fatal(err)
	}
	return file, at
}

// outside opens the record as a person's tool does.
func outside(t *testing.T, dir string) *sql.DB {
	t.Helper()
	db, err := openDB(filepath.Join(dir, FileName), url.Values{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

// forge changes one digit of one reading in a chunk, with all checks made anew.
func forge(t *testing.T, db *sql.DB) {
	t.Helper()
	var id int64
	var data []byte
	if err := db.QueryRow("SELECT id, data FROM chunks WHERE state = 1 ORDER BY id LIMIT 1").Scan(&id, &data); err != nil {
		t.Fatal(err)
	}
	var rows []chunk.Row
	var block chunk.Block
	err := blocksOf(data, &block, func(c *chunk.Chunk, damage error) bool {
		for i := range block.Len() {
			rows = append(rows, block.Row(i, new([]byte)))
		}
		return damage == nil
	})
	if err != nil {
		t.Fatal(err)
	}
	r := &rows[len(rows)/2]
	r.Digits++
	r.Said = []byte(strings.Replace(string(r.Said), "1.0", "1.9", 1))
	var e chunk.Encoder
	forged, n := e.Encode(nil, "fryer", rows, 1<<20)
	if n != len(rows) {
		t.Fatalf("%d of %d rows", n, len(rows))
	}
	if _, err := db.Exec("UPDATE chunks SET data = ? WHERE id = ?", forged, id); err != nil {
		t.Fatal(err)
	}
}

// What a person changes by another program is found, and what it is.
func TestVerifyFindsChanges(t *testing.T) {
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	exec := func(q string) func(*testing.T, *sql.DB) {
		return func(t *testing.T, db *sql.DB) {
			t.Helper()
			if _, err := db.Exec(q); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, tc := range []struct {
		name   string
		change func(*testing.T, *sql.DB)
		want   string // empty: intact
	}{
		{"nothing", func(*testing.T, *sql.DB) {}, ""},
		{"a digit, with new checks", forge, "hash, entered on"},
		{"an event edited", exec("UPDATE events SET text = 'nothing happened' WHERE text = 'a port went away'"), "was changed"},
		{"who did it", exec("UPDATE events SET who = 'nobody' WHERE text = 'a port went away'"), "was changed"},
		{"an event deleted", exec("DELETE FROM events WHERE text = 'a port went away'"), "was deleted"},
		{"an event inserted", exec("INSERT INTO events VALUES (77777, 5, 'fryer', 'station', '', 'all was well', NULL, NULL)"), "was inserted"},
		{"a chunk deleted", exec("DELETE FROM chunks WHERE id = (SELECT min(id) FROM chunks)"), "was deleted by no event"},
		{"a chunk emptied", exec("UPDATE chunks SET data = NULL, state = 2 WHERE id = (SELECT min(id) FROM chunks)"), "emptied by no event"},
		{"an entry of the chain", exec("UPDATE chain SET sha256 = zeroblob(32) WHERE entry = 1"), "does not follow"},
		{"the chain cut", exec("DELETE FROM chain WHERE entry = (SELECT max(entry) FROM chain)"), "ends at entry"},
		{"a head", exec("UPDATE days SET head = zeroblob(32)"), "does not follow"},
		{"an instant", exec("UPDATE chunks SET from_ns = from_ns - 1000 WHERE id = (SELECT min(id) FROM chunks)"), "the chunk holds"},
		{"a commit", exec("UPDATE fragments SET data = zeroblob(200) WHERE id = (SELECT min(id) FROM fragments)"), "is damaged"},
		{"a commit taken away", exec("DELETE FROM fragments WHERE id = (SELECT min(id) FROM fragments)"), "was changed, or those before"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			s := open(t, dir, Options{SigningKey: key})
			register(t, s, post("fryer"))
			s.Append(0, samples(1, 2000))
			s.Record(note("a port went away"))
			flushed(t, s)
			merged(t, s, true)
			s.Append(0, samples(2001, 2010))
			flushed(t, s)
			s.Append(0, samples(2011, 2020))
			flushed(t, s)
			to := crashed(t, dir)
			shut(t, s)
			tc.change(t, outside(t, to))
			r, err := OpenReadOnly(to)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			v, err := r.Verify(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			var all []string
			for _, p := range v.Problems {
				all = append(all, p.Text)
			}
			if got := strings.Join(all, "; "); (tc.want == "") != v.Intact() || !strings.Contains(got, tc.want) {
				t.Errorf("verify says %q, want %q", got, tc.want)
			}
			if tc.want == "" && (v.Signed != 1 || v.Samples != 2020 || v.Events != 2 || v.Chunks == 0) {
				t.Errorf("verify says %+v", v)
			}
		})
	}
}
