package store

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// small makes what a crash leaves of a small record: chunks in the file, and some
// commits of a second each in the log.
func small(t *testing.T, commits int) (files map[string][]byte, was *recording) {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	recordedBut(t, s, noon(), 3*time.Minute, commits, 3, "fryer")
	left := crashed(t, dir)
	shut(t, s)
	files = map[string][]byte{}
	for _, name := range []string{FileName, FileName + "-wal", sidecarName} {
		files[name] = must(os.ReadFile(filepath.Join(left, name)))
	}
	return files, recordingOf(3*time.Minute, "fryer")
}

// opens opens a record that may be anything. Whatever it gives is what was
// recorded; what it refuses, it refuses with an error.
func opens(t *testing.T, dir string, files map[string][]byte, was *recording) (n int, ok bool) {
	t.Helper()
	put(t, dir, files)
	log, said := logger()
	s, err := Open(dir, Options{reserve: testReserve, Log: log})
	if err != nil {
		return 0, false
	}
	f, err := was.of(t, s.Reader)
	var damage *Damage
	if err != nil && errors.As(err, &damage) {
		t.Errorf("damage ends the reading: %v", err)
	}
	_, _ = s.Verify(t.Context()) // either finds it
	_ = s.Close()                // what cannot be merged stays
	if strings.Contains(said.String(), "panicked") {
		t.Errorf("logged was %q", said)
	}
	return f.n, true
}

// wipe empties the folder for the next trial.
func wipe(t *testing.T, dir string) {
	t.Helper()
	for _, e := range must(os.ReadDir(dir)) {
		if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
}

// The file, or its log, is cut off at any byte: never a panic, never a sample that
// is not as recorded, and a log that is cut costs only what is behind the cut. At
// night that is every byte, else some; package chunk cuts a chunk at every byte.
func TestCutOff(t *testing.T) {
	commits, step, workers := 60, 1<<16, 1
	switch {
	case fullCounts():
		commits, step, workers = 5, 1, runtime.GOMAXPROCS(0) // a short log: 2 million cuts take all night
	case raced:
		step = 1 << 18
	}
	files, was := small(t, commits)
	for _, name := range []string{FileName, FileName + "-wal"} {
		first := rand.IntN(step)
		for k := range workers {
			t.Run(fmt.Sprintf("%s %d of %d", name, k+1, workers), func(t *testing.T) {
				t.Parallel()
				cutOff(t, files, was, name, first+k*step, workers*step)
			})
		}
	}
}

// cutOff cuts one of the files off at each step-th byte.
func cutOff(t *testing.T, files map[string][]byte, was *recording, name string, first, step int) {
	dir := inMemory(t)
	whole, last, cuts := files[name], 0, 0
	for cut := first; cut < len(whole); cut += step {
		part := maps.Clone(files)
		part[name] = whole[:cut]
		n, ok := opens(t, dir, part, was)
		if name != FileName {
			if !ok || n < last {
				t.Errorf("the log cut off at %d of %d bytes gives %d samples, opened %v; a shorter one gave %d", cut, len(whole), n, ok, last)
			}
			last = n
		}
		if cuts++; cuts%10_000 == 0 {
			t.Logf("%s: %d of %d bytes", time.Now().Format(time.TimeOnly), cut, len(whole))
		}
		wipe(t, dir)
	}
	t.Logf("%d cuts of %d bytes", cuts, len(whole))
	if cuts == 0 || name != FileName && last == 0 {
		t.Errorf("%d cuts; the last gave %d samples", cuts, last)
	}
}

// inMemory is a folder of no disk, where there is one: a test that opens a million
// records would wait for a disk half of its time.
func inMemory(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "ovenward")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// Some bytes of the file and its log are changed at random: never a panic, never a
// sample that is not as recorded.
func TestChangedBytes(t *testing.T) {
	files, was := small(t, 60)
	rounds := 30
	switch {
	case fullCounts():
		rounds = 10_000
	case raced:
		rounds = 6
	}
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	random := rand.New(rand.NewPCG(seed, 8))
	dir := t.TempDir()
	opened := 0
	for range rounds {
		part := map[string][]byte{}
		for name, b := range files {
			part[name] = bytes.Clone(b)
		}
		for range 1 + random.IntN(4) {
			b := part[[]string{FileName, FileName + "-wal"}[random.IntN(2)]]
			b[random.IntN(len(b))] ^= 1 << random.IntN(8)
		}
		if _, ok := opens(t, dir, part, was); ok {
			opened++
		}
		wipe(t, dir)
	}
	t.Logf("%d of %d opened", opened, rounds)
	if opened == 0 {
		t.Error("no changed record opened")
	}
}
