package store

import (
	"iter"
	"sync/atomic"
	"testing"
	"time"
)

// A rebuilding leaves nothing out on the word of a damaged row of a chunk that was removed.
func TestARemovalThatIsDamagedRemovesNoMore(t *testing.T) {
	var left int
	dir := damagedRecord(t, "UPDATE chunks SET to_seq = to_seq + (1 << 30) WHERE state = 2; UPDATE chunks SET state = 2 WHERE id = (SELECT max(id) FROM chunks)", func(s *Store) {
		chunked(t, s, 1, 2000)
		chunked(t, s, 2001, 4000)
		emptied(t, s, 1<<32|1)
		left = len(everything(t, s.Reader, "fryer"))
	})
	out, err := Rebuild(t.Context(), dir, Options{Now: noon})
	if err != nil || out.Samples < int64(left) || left == 4000 || len(out.Lost) != 1 {
		t.Errorf("%v, %+v of %d", err, out, left)
	}
}

// Retention takes no evidence on the word of a damaged row of it, and goes on beside a damaged
// row of a chunk.
func TestRetentionBesideDamagedRows(t *testing.T) {
	begin := evidenceBegin()
	at := func(d time.Duration) time.Time { return begin.Add(d) }
	for _, tc := range []struct {
		damage string
		gone   bool // what is neither evidence nor young
	}{
		{"SELECT 1", true},
		{"UPDATE evidence SET to_ns = from_ns - 3600000000000", false},
		{"UPDATE evidence SET from_ns = from_ns + (1 << 50)", false},
		{"UPDATE evidence SET released = 1", false},
		{"UPDATE chunks SET from_ns = from_ns + (1 << 60) WHERE id = (SELECT min(id) FROM chunks)", true},
		{"UPDATE chunks SET samples = 'y' WHERE id = (SELECT min(id) FROM chunks)", true},
		{"UPDATE chunks SET to_ns = 'y' WHERE id = (SELECT min(id) FROM chunks)", true},
		{"UPDATE chunks SET to_ns = to_ns + (1 << 60) WHERE id = (SELECT min(id) FROM chunks)", true},
	} {
		var now atomic.Int64
		dir := t.TempDir()
		shut(t, open(t, dir, Options{}))
		byTool(t, dir, loosened)
		s := open(t, dir, Options{Retention: Retention{Keep: Keep{Age: time.Hour}, Around: 10 * time.Minute},
			Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
		register(t, s, post("fryer"))
		if err := s.KeepEvidence(t.Context(), Evidence{Post: "fryer", From: at(130 * time.Minute), To: at(140 * time.Minute), Why: "survey", What: "s1", Who: "R. Okafor"}); err != nil {
			t.Fatal(err)
		}
		hourly(t, s, 7)
		byHand(t, s, tc.damage)
		now.Store(int64(20 * time.Hour))
		retained(t, s)
		there := map[time.Duration]bool{}
		for _, x := range everything(t, s.Reader, "fryer") {
			there[x.At.Sub(begin)] = true
		}
		for d := 130 * time.Minute; d <= 140*time.Minute; d += time.Minute {
			if !there[d] {
				t.Errorf("%s: the sample at %s is gone", tc.damage, d)
				break
			}
		}
		if there[300*time.Minute] == tc.gone {
			t.Errorf("%s: what is no evidence is gone: %t", tc.damage, !tc.gone)
		}
		shut(t, s)
	}
}

// What a chunk's row says of its samples hides none of them, nor sends the post's next ones
// elsewhere: what the chunk itself says is checked.
func TestADamagedRowOfAChunkHidesNoSample(t *testing.T) {
	for _, which := range []string{"min", "max"} {
		for _, damage := range []string{"to_seq = to_seq + (1 << 40)", "to_seq = 0", "from_seq = from_seq + (1 << 40)", "from_seq = 0", "to_ns = to_ns + (1 << 55)", "from_ns = from_ns + (1 << 55)", "from_ns = 0"} {
			dir := damagedRecord(t, "UPDATE chunks SET "+damage+" WHERE id = (SELECT "+which+"(id) FROM chunks)", func(s *Store) {
				for i := range int64(3) {
					chunked(t, s, 2000*i+1, 2000*i+2000)
				}
			})
			s := open(t, dir, Options{})
			register(t, s, post("fryer"))
			past, err := s.Past(0, time.Hour)
			if err != nil || past.LastSeq != 6000 || !past.LastAt.Equal(sample(6000).At) {
				t.Errorf("%s of %s: %v, last %d at %s", damage, which, err, past.LastSeq, past.LastAt)
			}
			s.Append(0, samples(6001, 6010))
			flushed(t, s)
			for name, tc := range map[string]struct {
				all  iter.Seq2[StoredSample, error]
				want int
			}{
				"all":    {s.Samples(t.Context(), "fryer", time.Time{}, time.Time{}), 6010},
				"from 1": {s.SamplesFrom(t.Context(), "fryer", 1), 6010}, "since": {s.Samples(t.Context(), "fryer", sample(1).At, sample(7000).At), 6010},
				"from 2501": {s.SamplesFrom(t.Context(), "fryer", 2501), 3510}, "since 2501": {s.Samples(t.Context(), "fryer", sample(2501).At, sample(7000).At), 3510},
			} {
				n := 0
				for _, err := range tc.all {
					if err != nil {
						t.Errorf("%s of %s: %s: %v", damage, which, name, err)
						break
					}
					n++
				}
				if n != tc.want {
					t.Errorf("%s of %s: %s: %d samples, want %d", damage, which, name, n, tc.want)
				}
			}
			shut(t, s)
		}
	}
}

// Nor does what is left of one that was removed, of which nothing is checked.
func TestADamagedRowOfARemovedChunkHidesNoSample(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	for i := range int64(3) {
		chunked(t, s, 2000*i+1, 2000*i+2000)
	}
	emptied(t, s, 1<<32+2)
	byHand(t, s, "UPDATE chunks SET from_ns = 1, from_seq = 1 WHERE state = 2")
	for name, all := range map[string]iter.Seq2[StoredSample, error]{"from 1001": s.SamplesFrom(t.Context(), "fryer", 1001),
		"since": s.Samples(t.Context(), "fryer", sample(1001).At, sample(7000).At)} {
		n := 0
		for _, err := range all {
			if err != nil {
				t.Errorf("%s: %v", name, err)
				break
			}
			n++
		}
		if n != 3000 {
			t.Errorf("%s: %d samples", name, n)
		}
	}
}

// A chunk that was sealed grows no more, whatever its row says: its hash would prove it no more.
func TestASealedChunkGrowsNoMore(t *testing.T) {
	dir := damagedRecord(t, "UPDATE chunks SET state = 0", func(s *Store) {
		chunked(t, s, 1, 2000)
	})
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	chunked(t, s, 2001, 2010)
	if got := numbers(everything(t, s.Reader, "fryer")); got != "1-2010" {
		t.Errorf("there are %s", got)
	}
	shut(t, s)
	if said, _ := verified(t, dir); said != "" {
		t.Errorf("verify says %q", said)
	}
}

// Samples are merged behind a newest chunk whose row does not fit, and read in it.
func TestMergingBehindAChunkWhoseRowDoesNotFit(t *testing.T) {
	for _, damage := range []string{"state = 'y'", "state = NULL", "to_seq = 'y', to_ns = 'y'", "from_seq = NULL, from_ns = x'00'"} {
		dir := damagedRecord(t, loosened+"UPDATE chunks SET "+damage, func(s *Store) {
			chunked(t, s, 1, 2000)
		})
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Append(0, samples(2001, 2010))
		flushed(t, s)
		worked(s, func(w *writer) { w.merging(true) })
		var n int
		if err := s.db.QueryRowContext(t.Context(), "SELECT count(*) FROM fragments").Scan(&n); err != nil || n > 0 {
			t.Errorf("%s: %d commits are not merged, %v", damage, n, err)
		}
		if got := numbers(everything(t, s.Reader, "fryer")); got != "1-2010" {
			t.Errorf("%s: there are %s", damage, got)
		}
		shut(t, s)
	}
}

// How old samples are, and whether they are evidence, a chunk itself says: its row may be
// damaged.
func TestADamagedRowOfAChunkRemovesNothing(t *testing.T) {
	begin := evidenceBegin()
	var now atomic.Int64
	s := open(t, t.TempDir(), Options{Retention: Retention{Keep: Keep{Age: 3 * time.Hour}, Around: time.Minute}, Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
	register(t, s, post("fryer"))
	if err := s.KeepEvidence(t.Context(), Evidence{Post: "fryer", From: begin.Add(2 * time.Hour), To: begin.Add(3 * time.Hour), Why: "dispute", What: "7"}); err != nil {
		t.Fatal(err)
	}
	hourly(t, s, 8)
	byHand(t, s, "UPDATE chunks SET from_ns = 0, to_ns = 0 WHERE id & 0xffffffff IN (3, 6)") // evidence, and a young one
	now.Store(int64(8 * time.Hour))
	retained(t, s)
	var left string
	if err := s.db.QueryRow("SELECT group_concat(id & 0xffffffff, ' ') FROM (SELECT id FROM chunks WHERE data IS NOT NULL ORDER BY id)").Scan(&left); err != nil || left != "3 4 6 7 8" {
		t.Errorf("left are the chunks %s, %v", left, err)
	}
}
