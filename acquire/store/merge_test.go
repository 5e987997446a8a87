package store

import (
	"fmt"
	"runtime"
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
