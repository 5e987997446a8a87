package main

import (
	"runtime"
	"testing"
)

// What Go is told, it does; and the time used is that of a program that worked.
func TestRunsAlone(t *testing.T) {
	t.Setenv("GOMAXPROCS", "")
	was := runtime.GOMAXPROCS(0)
	t.Cleanup(func() { runtime.GOMAXPROCS(was) })
	e := newEase()
	before, err := e.used()
	if err != nil || before <= 0 {
		t.Fatal(before, err)
	}
	e.set(false)
	all := runtime.GOMAXPROCS(0)
	e.set(true)
	alone := runtime.GOMAXPROCS(0)
	e.set(false)
	if again := runtime.GOMAXPROCS(0); alone != 1 || again != all {
		t.Errorf("on %d processors, then on %d, then on %d", all, alone, again)
	}
	after := before
	for after == before { // until a tick of the clock has passed
		if after, err = e.used(); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("GOMAXPROCS", "2")
	if newEase() != nil {
		t.Error("GOMAXPROCS was set, and is not heeded")
	}
}
