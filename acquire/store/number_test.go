package store

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// A damaged log is read however long it is, and in little memory.
func TestALongLogIsSalvaged(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: 1})
	register(t, s, post("fryer"))
	worked(s, func(w *writer) { w.unfolded = true; w.checkpoint("TRUNCATE") })
	secondly(t, s, 20)
	to := crashed(t, dir)
	file := filepath.Join(to, FileName+"-wal")
	b := must(os.ReadFile(file))
	b[40] ^= 1 // in the first frame's head: SQLite drops all of it
	// The commits stand at the log's end, behind 300 MB of what is none.
	const hole = 300 << 20
	f := must(os.Create(file))
	if _, err := f.WriteAt(b[:32], 0); err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(b[32:], hole); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	r := open(t, to, Options{})
	if got := numbers(everything(t, r.Reader, "fryer")); got != "1-200" {
		t.Errorf("samples %s", got)
	}
	if r.Stats().Salvaged == 0 {
		t.Error("nothing was salvaged")
	}
}

// That the last commit's number is not kept beside the record is told, in the
// record itself and by Stats, and when it is kept again too.
func TestANumberThatCannotBeKeptIsTold(t *testing.T) {
	var f faults
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour, Fault: f.at})
	register(t, s, post("fryer"))
	f.set(func(st Step) error {
		if st == StepSidecar {
			return errors.New("input/output error")
		}
		return nil
	})
	for i := range int64(3) {
		s.Append(0, samples(i+1, i+1))
		flushed(t, s)
	}
	flushed(t, s)
	if err := s.Stats().NumberErr; err == nil || !strings.Contains(err.Error(), "input/output error") {
		t.Errorf("the record says %v", err)
	}
	if texts := eventTexts(t, s); strings.Count(texts, "cannot be kept beside the record: input/output error") != 1 {
		t.Errorf("the events are %q", texts)
	}
	f.set(nil)
	s.Append(0, samples(9, 9))
	flushed(t, s)
	flushed(t, s)
	if texts := eventTexts(t, s); s.Stats().NumberErr != nil || !strings.Contains(texts, "kept beside the record again") {
		t.Errorf("%v, the events are %q", s.Stats().NumberErr, texts)
	}
}

// The heads of the days are there for a report.
func TestHeads(t *testing.T) {
	dir := signedDays(t, nil)
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := r.Heads(t.Context(), time.Time{}, time.Time{})
	if err != nil || len(all) != 5 || all[0].Day != "2031-05-20" || len(all[4].SHA256) != 64 || all[4].Entries <= all[0].Entries || all[0].Signer != "" {
		t.Errorf("%+v, %v", all, err)
	}
	some, err := r.Heads(t.Context(), noon().AddDate(0, 0, 1), noon().AddDate(0, 0, 2))
	if err != nil || len(some) != 2 || some[0] != all[1] {
		t.Errorf("%+v, %v", some, err)
	}
}

// The head of a day that is over is told in the log, and is the newest in Stats, once
// the next day has begun; a start in between changes nothing of it.
func TestTheHeadOfADayIsTold(t *testing.T) {
	for _, restart := range []bool{false, true} {
		var now atomic.Int64
		var log bytes.Buffer // the writer's alone, until the record is shut
		o := Options{Now: func() time.Time { return noon().Add(time.Duration(now.Load())) }, Log: slog.New(slog.NewTextHandler(&log, nil))}
		dir := t.TempDir()
		s := open(t, dir, o)
		s.Record(note("a day"))
		flushed(t, s)
		if h := s.Stats().DayHead; h != (Head{}) {
			t.Errorf("in the first day, one is over: %+v", h)
		}
		if restart {
			shut(t, s)
			s = open(t, dir, o)
		}
		now.Store(int64(13 * time.Hour))
		s.Record(note("the next"))
		flushed(t, s)
		all := must(s.Heads(t.Context(), time.Time{}, time.Time{}))
		over := s.Stats().DayHead
		shut(t, s)
		if len(all) != 2 || over != all[0].Head || over.Day != "2031-05-20" {
			t.Fatalf("heads %+v; of the day that is over %+v", all, over)
		}
		want := fmt.Sprintf("day=2031-05-20 entries=%d head=%s", over.Entries, over.SHA256)
		if strings.Count(log.String(), want) != 1 {
			t.Errorf("the log does not say once %q: %s", want, log.String())
		}
	}
}
