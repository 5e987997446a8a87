package main

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Only code and constants of this program are let go of, some of it stays away, and
// the program works as before.
func TestGiveBackTheStartsPages(t *testing.T) {
	found := codeAndConstants()
	if len(found) == 0 {
		t.Fatal("the program's own file is not found among the mappings")
	}
	maps, err := os.ReadFile("/proc/self/maps")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range found {
		at := fmt.Sprintf("%08x-%08x ", m.from, m.to)
		_, line, ok := strings.Cut(string(maps), at)
		if !ok || line[1] == 'w' || line[3] != 'p' || !strings.Contains(strings.SplitN(line, "\n", 2)[0], ".test") {
			t.Errorf("%s is no code or constant of this program: %.80s", at, line)
		}
	}
	all := help(t)
	synctest.Test(t, func(t *testing.T) {
		ctx, end := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- giveBack(ctx) }()
		for _, wait := range []time.Duration{started, nowAndThen, nowAndThen} {
			synctest.Wait()
			before := residentOf(t, found)
			time.Sleep(wait) // the bubble's clock
			synctest.Wait()
			after := residentOf(t, found)
			if before < 1000 || after >= before*9/10 {
				t.Errorf("%d kB were resident, and %d kB are", before, after)
			}
			if help(t) != all {
				t.Error("the program does not work as before")
			}
		}
		end()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// What was written before it was closed is not the file's any more: it would be lost.
func TestKeepWhatTheStartWrote(t *testing.T) {
	file, err := os.Open("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for _, write := range []bool{false, true} {
		page, err := unix.Mmap(int(file.Fd()), 0, os.Getpagesize(), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE)
		if err != nil {
			t.Fatal(err)
		}
		if write {
			page[0] = 7
		}
		if err := unix.Mprotect(page, unix.PROT_READ); err != nil {
			t.Fatal(err)
		}
		at := uintptr(unsafe.Pointer(&page[0]))
		listed := slices.ContainsFunc(codeAndConstants(), func(m mapping) bool { return m.from <= at && at < m.to })
		if listed == write {
			t.Errorf("written before %v: given back %v", write, listed)
		}
		if err := unix.Munmap(page); err != nil {
			t.Fatal(err)
		}
	}
}

// help is what the program says of itself: much of its code and constants.
func help(t *testing.T) string {
	t.Helper()
	var out, trouble strings.Builder
	if code := dispatch(t.Context(), []string{"help", "--manual"}, &out, &trouble); code != 0 || out.Len() < 1000 {
		t.Fatalf("%d: %s", code, trouble.String())
	}
	return out.String()
}

// residentOf sums what of these mappings is in memory, in kB.
func residentOf(t *testing.T, of []mapping) (sum int) {
	t.Helper()
	smaps, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range of {
		_, rest, ok := strings.Cut(string(smaps), fmt.Sprintf("%08x-%08x ", m.from, m.to))
		_, rest, had := strings.Cut(rest, "\nRss:")
		kB := 0
		if _, err := fmt.Sscan(rest, &kB); !ok || !had || err != nil {
			t.Fatalf("what the kernel says of %x cannot be read: %v", m.from, err)
		}
		sum += kB
	}
	return sum
}
