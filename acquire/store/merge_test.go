package store

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
)

// What was committed of many posts is never held as rows, at 300 bytes each: 64 probes
// at 100 Hz have 192 000 in the half minute between two merges.
func TestMergeOfManyPostsTakesLittleMemory(t *testing.T) {
	const posts, minutes = 32, 5
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour})
	var all []acquire.Post
	for i := range posts {
		all = append(all, post(fmt.Sprint("post-", i)))
	}
	register(t, s, all...)
	batch := make([]acquire.Sample, 600)
	for i := range posts {
		made := newSignal(uint64(i+1), 3, noon())
		for range minutes {
			made.next(batch)
			s.Append(i, batch)
		}
	}
	flushed(t, s)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	merged(t, s, false)
	runtime.ReadMemStats(&after)
	samples := float64(posts * minutes * len(batch))
	if n := float64(after.TotalAlloc-before.TotalAlloc) / samples; n > 200 {
		t.Errorf("the merge of %.0f samples takes %.0f bytes for each", samples, n)
	}
}

// Damage that is found when all is merged at a stop is told then, and holds the merging up no more.
func TestDamageFoundAtAStopIsTold(t *testing.T) {
	made := t.TempDir()
	s := open(t, made, Options{})
	register(t, s, post("fryer"))
	for i := range int64(3) {
		s.Append(0, samples(1+10*i, 10+10*i))
		flushed(t, s)
	}
	dir := copyOf(t, made)
	shut(t, s)
	byTool(t, dir, "UPDATE fragments SET data = zeroblob(99) WHERE id = (SELECT id FROM fragments ORDER BY length(data) DESC LIMIT 1)")
	shut(t, open(t, dir, Options{}))
	if got := byTool(t, dir, "SELECT count(*) FROM events WHERE text LIKE '%is damaged%'; SELECT count(*) FROM fragments WHERE length(data) = 99; SELECT sum(samples) FROM chunks"); got != "1\n0\n20" {
		t.Errorf("told, damaged commits and samples are %s", got)
	}
}

// A damaged commit costs the samples of the post whose bytes are damaged: they are named, once, and
// those of the other posts are kept.
func TestADamagedCommitCostsOnePostItsSamples(t *testing.T) {
	made := t.TempDir()
	s := open(t, made, Options{Now: noon})
	register(t, s, post("fryer"), post("griddle"))
	for i := range int64(3) {
		s.Append(0, samples(1+10*i, 10+10*i))
		s.Append(1, samples(1+10*i, 10+10*i))
		flushed(t, s)
	}
	killed := copyOf(t, made)
	shut(t, s)
	for which, lost := range map[string]int64{"min": 1, "max": 21} {
		dir := copyOf(t, killed)
		byTool(t, dir, "UPDATE fragments SET data = CAST(substr(data, 1, 150) || x'ff' || substr(data, 152) AS BLOB) WHERE id = (SELECT "+which+"(id) FROM fragments WHERE length(data) > 200)")
		for start := range int64(2) {
			s := open(t, dir, Options{Now: noon})
			register(t, s, post("fryer"), post("griddle"))
			s.Append(0, samples(31+10*start, 40+10*start))
			s.Append(1, samples(31+10*start, 40+10*start))
			for range 2 { // what is damaged goes only after it was told
				flushed(t, s)
				merged(t, s, true)
			}
			for name, n := range map[string]int64{"fryer": 30 + 10*start, "griddle": 40 + 10*start} {
				if all := collect(t, s.Samples(t.Context(), name, time.Time{}, time.Time{})); int64(len(all)) != n {
					t.Errorf("%s, start %d: %d samples of %s, want %d", which, start, len(all), name, n)
				}
			}
			shut(t, s)
		}
		named := fmt.Sprintf("fryer|10 samples, numbers %d to %d", lost, lost+9)
		got := byTool(t, dir, "SELECT post, text FROM events")
		if strings.Count(got, "is damaged, and what can be read of it is kept") != 1 || strings.Count(got, "samples, numbers") != 1 ||
			!strings.Contains(strings.Replace(got, "damage at post fryer: ", "", 1), named) || strings.Contains(got, "lost") {
			t.Errorf("%s: told are %s, want once %s", which, got, named)
		}
		if said, _ := verified(t, dir); said != "" {
			t.Errorf("%s: verify says %q", which, said)
		}
	}
}
