package store

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// small makes what a crash leaves of a small record: chunks in the file, and
// commits in the log.
func small(t *testing.T) (files map[string][]byte, was *recording) {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	recorded(t, s, 3*time.Minute, 3, "fryer")
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
// night that is every byte near the borders of pages and of the log's frames, and
// about each 97th between them, others each night; package chunk cuts a chunk at
// every byte.
func TestCutOff(t *testing.T) {
	files, was := small(t)
	step := 1 << 16
	switch {
	case fullCounts():
		step = 97
	case raced:
		step = 1 << 18
	}
	const frame, near = chunkPage + 24, 8 // SQLite file format, 4.1: a frame has a head of 24 bytes, the log one of 32
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 7))
	dir := t.TempDir()
	for _, name := range []string{FileName, FileName + "-wal"} {
		whole, last := files[name], 0
		next := random.IntN(step)
		for cut := range len(whole) {
			border := (cut+near)%chunkPage < 2*near
			if name != FileName {
				border = (cut-32+near+frame)%frame < 2*near
			}
			if cut != next && !(border && fullCounts()) {
				continue
			}
			next = max(next, cut+1+random.IntN(2*step-1))
			part := map[string][]byte{FileName: files[FileName], FileName + "-wal": files[FileName+"-wal"], sidecarName: files[sidecarName]}
			part[name] = whole[:cut]
			n, ok := opens(t, dir, part, was)
			if name != FileName {
				if !ok || n < last {
					t.Errorf("the log cut off at %d of %d bytes gives %d samples, opened %v; a shorter one gave %d", cut, len(whole), n, ok, last)
				}
				last = n
			}
			wipe(t, dir)
		}
		if name != FileName && last == 0 {
			t.Error("no cut log gave a sample")
		}
	}
}

// Some bytes of the file and its log are changed at random: never a panic, never a
// sample that is not as recorded.
func TestChangedBytes(t *testing.T) {
	files, was := small(t)
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
