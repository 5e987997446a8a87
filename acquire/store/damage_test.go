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
	"ovenward/acquire/store/storetest"
)

// fullCounts says whether the long counts are asked for.
func fullCounts() bool { return os.Getenv("OVENWARD_COUNTS") == "full" }

// recording is what some posts said: of each, what its sample n+1 said.
type recording struct {
	posts []string
	said  [][]string
}

// recordingOf is what recorded records, for the span of it.
func recordingOf(span time.Duration, posts ...string) *recording {
	r := &recording{posts: posts}
	one := make([]acquire.Sample, 1)
	for i := range posts {
		g := newSignal(uint64(i+1), 3, noon())
		said := make([]string, span/storetest.Period)
		for n := range said {
			g.next(one)
			said[n] = string(one[0].Said)
		}
		r.said = append(r.said, said)
	}
	return r
}

func (r *recording) all() int { return len(r.posts) * len(r.said[0]) }

// found is what a record gives of a recording.
type found struct {
	n       int
	missing []Damage // runs of samples that are not there
	told    []Damage // by reading, and by events
}

// of reads all that a record still gives, and what it tells of the rest. It fails
// on a value that is not the one recorded.
func (r *recording) of(t *testing.T, rd *Reader) (f found, err error) {
	for i, name := range r.posts {
		next := int64(1)
		gap := func(to int64) {
			if to >= next {
				f.missing = append(f.missing, Damage{Post: name, FromSeq: next, ToSeq: to})
			}
		}
		for s, err := range rd.Samples(context.Background(), name, time.Time{}, time.Time{}) {
			if d := (*Damage)(nil); errors.As(err, &d) {
				f.told = append(f.told, *d)
				continue
			}
			if err != nil {
				return f, err
			}
			if s.Seq < next || s.Seq > int64(len(r.said[i])) || r.said[i][s.Seq-1] != string(s.Said) {
				t.Fatalf("%s: sample %d comes back after %d as %q", name, s.Seq, next-1, s.Said)
			}
			gap(s.Seq - 1)
			next = s.Seq + 1
			f.n++
		}
		gap(int64(len(r.said[i])))
	}
	all, err := rd.Events(context.Background(), 0, 1<<30)
	for _, e := range all {
		d := Damage{Post: e.Post}
		text := e.Text
		if _, after, ok := strings.Cut(text, "numbers "); ok {
			text = "samples " + after
		}
		if n, _ := fmt.Sscanf(text, "samples %d to %d", &d.FromSeq, &d.ToSeq); n == 2 {
			f.told = append(f.told, d)
		}
	}
	return f, err
}

// unnamed returns a run of samples that is missing and that nothing told names.
func (f *found) unnamed() (Damage, bool) {
	for _, m := range f.missing {
		for at := m.FromSeq; at <= m.ToSeq; {
			i := slices.IndexFunc(f.told, func(d Damage) bool { return d.Post == m.Post && d.FromSeq <= at && d.ToSeq >= at })
			if i < 0 {
				return m, true
			}
			at = f.told[i].ToSeq + 1
		}
	}
	return Damage{}, false
}

// One bit flipped anywhere in the file or its log: what can be read is what was
// recorded, what cannot is named by post and numbers, and with a rebuilding
// hardly anything is lost.
func TestFaultFlippedBits(t *testing.T) {
	posts, span, rounds := []string{"fryer", "combi"}, 20*time.Minute, 40
	switch {
	case fullCounts():
		span, rounds = 24*time.Hour, 1000
	case raced:
		rounds = 5
	}
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"), post("combi"))
	recorded(t, s, span, 3, posts...)
	left := crashed(t, dir)
	shut(t, s)
	was := recordingOf(span, posts...)
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
		n, again := outcome(t, to, where, was)
		if again {
			rebuilt++
		}
		if n < was.all() {
			t.Logf("%s: %d lost, rebuilt %v", where, was.all()-n, again)
		}
		lost = append(lost, float64(was.all()-n)/float64(was.all()))
		os.RemoveAll(to)
	}
	slices.Sort(lost)
	median, worst := lost[len(lost)/2], lost[len(lost)-1]
	t.Logf("%d flips: lost of %d samples %.4f %% in the median, %.4f %% at worst; %d needed a rebuilding", rounds, was.all(), 100*median, 100*worst, rebuilt)
	// Of a day a hundredth; of less no more than one block, which is a minute.
	if median > 0.001 || worst > max(0.01, 600/float64(was.all())) {
		t.Errorf("lost %.4f in the median, %.4f at worst", median, worst)
	}
}

// outcome opens a damaged record and returns how much it gives, rebuilt where that
// is called for.
func outcome(t *testing.T, dir, where string, was *recording) (n int, rebuilt bool) {
	t.Helper()
	broken := ""
	var f found
	s, err := Open(dir, Options{reserve: testReserve})
	if err == nil {
		f, err = was.of(t, s.Reader)
		v, verr := s.Verify(t.Context())
		if verr != nil {
			err = errors.Join(err, verr)
		} else if !v.Intact() {
			broken = v.Problems[0].Text
		}
		if len(f.told) > 0 && f.n < was.all() && broken == "" && s.Stats().Damaged == 0 {
			t.Errorf("%s: reading tells damage, verify does not", where)
		}
		shut(t, s)
	}
	if err == nil && (broken == "" || f.n == was.all()) {
		if m, lost := f.unnamed(); lost {
			t.Errorf("%s: samples %d to %d of %s are lost without a word", where, m.FromSeq, m.ToSeq, m.Post)
		}
		return f.n, false
	}
	if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	s = open(t, dir, Options{})
	defer shut(t, s)
	again, err := was.of(t, s.Reader)
	if err != nil || again.n < f.n {
		t.Errorf("%s: rebuilt it gives %d samples, %d before (%v)", where, again.n, f.n, err)
	}
	if m, lost := again.unnamed(); lost {
		t.Errorf("%s: rebuilt it lacks samples %d to %d of %s without a word", where, m.FromSeq, m.ToSeq, m.Post)
	}
	if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("%s: rebuilt it is not whole: %v %+v", where, err, v.Problems)
	}
	return again.n, true
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
	forged, of := e.Encode(nil, "fryer", len(rows), eachOf(rows), 1<<20)
	if of.Rows != len(rows) {
		t.Fatalf("%d of %d rows", of.Rows, len(rows))
	}
	if _, err := db.Exec("UPDATE chunks SET data = ? WHERE id = ?", forged, id); err != nil {
		t.Fatal(err)
	}
}

// What a person changes by another program is found, and what it is.
// verifiedAfter is what verify says of a record that was changed behind its back.
func verifiedAfter(t *testing.T, key ed25519.PrivateKey, change func(*testing.T, *sql.DB)) *Report {
	t.Helper()
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
	change(t, outside(t, to))
	r, err := OpenReadOnly(to)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	v, err := r.Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return v
}

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
			v := verifiedAfter(t, key, tc.change)
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
