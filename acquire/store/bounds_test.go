package store

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Samples that go the short way into a block count against the bound as others do.
func TestTailBoundOfMany(t *testing.T) {
	const posts, bound = 40, 2_000
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour, maxRows: bound})
	var all []acquire.Post
	for i := range posts {
		all = append(all, post(fmt.Sprint("post ", i)))
	}
	register(t, s, all...)
	for n := int64(1); n <= 500; n++ {
		for i := range all {
			s.Append(i, []acquire.Sample{sample(n)})
		}
		if st := s.Stats(); st.Pending > bound {
			t.Fatalf("%d samples wait and %d are lost, the bound is %d", st.Pending, st.Lost, bound)
		}
	}
}

// The tail is bounded: the oldest samples go, are counted, and are named.
func TestTailBound(t *testing.T) {
	var disk faults
	s := open(t, t.TempDir(), Options{CommitEvery: time.Millisecond, Fault: disk.at, maxRows: 2 * batchRows})
	register(t, s, post("fryer"), post("combi"))
	disk.set(func(st Step) error {
		if st == StepCommit {
			return syscall.EIO
		}
		return nil
	})
	for n := int64(1); n <= 80_000; n++ {
		s.Append(0, []acquire.Sample{sample(n)})
		if n%4 == 0 {
			s.Append(1, []acquire.Sample{sample(n / 4)})
		}
	}
	st := s.Stats()
	if st.Lost == 0 || st.Pending+int(st.Lost) != 100_000 || st.Pending > 3*batchRows {
		t.Fatalf("%d wait and %d are lost, of 100000", st.Pending, st.Lost)
	}
	disk.set(nil)
	drained(t, s)
	stored := 0
	for name, last := range map[string]int64{"fryer": 80_000, "combi": 20_000} {
		got := everything(t, s.Reader, name)
		stored += len(got)
		if got[len(got)-1].Seq != last {
			t.Errorf("%s ends at %d, want the newest, %d", name, got[len(got)-1].Seq, last)
		}
		missing := int64(0)
		for _, e := range events(t, s.Reader) {
			var n, from, to int64
			if _, err := fmt.Sscanf(e.Text, "%d samples lost, of numbers %d to %d", &n, &from, &to); err != nil || e.Post != name {
				continue
			}
			missing += n
			for _, g := range got {
				if n == to-from+1 && g.Seq >= from && g.Seq <= to {
					t.Fatalf("%s %d is there, and named as lost in %q", name, g.Seq, e.Text)
				}
			}
		}
		if missing != last-int64(len(got)) {
			t.Errorf("%s: %d samples named as lost, %d are missing", name, missing, last-int64(len(got)))
		}
	}
	if stored+int(s.Stats().Lost) != 100_000 {
		t.Errorf("%d stored and %d lost, of 100000", stored, s.Stats().Lost)
	}
}

// Chatter costs no alarm, and alarms are bounded too.
func TestEventBounds(t *testing.T) {
	q := queue{maxEvents: 10, maxAlarms: 5, alarms: map[alarmKey]alarm.Alarm{}, nextEvent: 1}
	for i := range 100 {
		q.push(note(fmt.Sprint(i)), noon())
		if i < 5 {
			q.push(raise("fryer", alarm.Rule(fmt.Sprint(i)), noon()), noon())
		}
	}
	alarms := 0
	for _, w := range q.events {
		if w.event.Alarm != nil {
			alarms++
		}
	}
	if alarms != 5 || len(q.events) != 15 || q.lostEvents != 90 {
		t.Errorf("%d alarms of %d events are kept, %d lost, want 5 of 15, 90", alarms, len(q.events), q.lostEvents)
	}
	q.push(raise("fryer", "5", noon()), noon())
	if len(q.events) != 16 || len(q.alarms) != 6 {
		t.Errorf("%d events, %d alarm states, want 16 and 6: the only change of an alarm is never dropped", len(q.events), len(q.alarms))
	}
	q.push(raise("fryer", "5", noon()), noon())
	if len(q.events) != 16 || q.lostEvents != 91 {
		t.Errorf("%d events, %d lost, want 16 and 91: a change that a later one follows goes", len(q.events), q.lostEvents)
	}
}

// The space set aside holds 1 000 alarm records, each committed by itself.
func TestReserveHolds(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{reserve: reserveBytes})
	register(t, s, post("fryer"))
	size := func() (n int64) {
		for _, name := range []string{FileName, FileName + "-wal"} {
			if st, err := os.Stat(filepath.Join(dir, name)); err == nil {
				n += st.Size()
			}
		}
		return n
	}
	before, most := size(), int64(0)
	e := raise("fryer", alarm.Exceeds, noon())
	e.Alarm.Verdict.Reasons = append(e.Alarm.Verdict.Reasons, strings.Repeat("a long reason, ", 200))
	for range 1000 {
		changed := s.Changed()
		s.Record(e)
		<-changed
		most = max(most, size())
	}
	if grown := most - before; grown > reserveBytes {
		t.Errorf("1000 alarm records of %d bytes took %d bytes, %d are set aside", len(e.Alarm.Verdict.Reasons[1]), grown, reserveBytes)
	}
	st, err := os.Stat(filepath.Join(dir, "reserve"))
	if err != nil || st.Size() != reserveBytes {
		t.Errorf("the reserve has %v (%v), want %d bytes", st, err, reserveBytes)
	}
}

func TestReserveIsWholeOrAbsent(t *testing.T) {
	r := reserve{path: filepath.Join(t.TempDir(), "reserve"), size: math.MaxInt64 / 2}
	if err := r.take(); err == nil {
		t.Fatal("half of all there is was set aside")
	}
	if _, err := os.Stat(r.path); !os.IsNotExist(err) || r.held {
		t.Errorf("a part of the reserve stays (%v)", err)
	}
	r.size = 1 << 20
	if err := os.WriteFile(r.path, []byte("short"), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := r.take(); err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(r.path); err != nil || st.Size() != r.size {
		t.Errorf("the reserve is %v (%v), want %d bytes", st, err, r.size)
	}
	if err := r.release(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(r.path); !os.IsNotExist(err) {
		t.Errorf("the reserve stays after its release (%v)", err)
	}
}
