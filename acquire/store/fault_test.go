package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// A full disk: alarms alone go on, in the space set aside for them; the rest
// waits, and nothing is lost or comes twice when space is back.
func TestFaultFullDisk(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		var disk faults
		log, said := logger()
		s := open(t, dir, Options{Fault: disk.at, Log: log})
		register(t, s, post("fryer"))
		s.Append(0, samples(1, 10))
		drained(t, s)
		begun := time.Now()
		full := fmt.Errorf("write: %w", syscall.ENOSPC)
		reserved := func() bool { _, err := os.Stat(filepath.Join(dir, "reserve")); return err == nil }
		disk.set(func(st Step) error {
			if st == StepReserve || st == StepCommit && reserved() {
				return full
			}
			return nil
		})
		s.Append(0, samples(11, 20))
		s.Record(note("a port went away"))
		eventually(t, "the fault is told", func() bool { return s.Err() != nil })
		if msg := s.Err().Error(); !strings.Contains(msg, "free space") || !strings.Contains(msg, dir) {
			t.Errorf("the fault is told as %q, which does not say what to do where", msg)
		}
		if !reserved() {
			t.Error("the reserve was given up for no alarm")
		}
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		eventually(t, "the alarm is durable on a full disk", func() bool { return len(events(t, s.Reader)) == 1 })
		if got := events(t, s.Reader)[0]; got.Alarm == nil {
			t.Errorf("what is durable on a full disk is %+v, want the alarm alone", got)
		}
		st := s.Stats()
		if st.Pending != 10 || st.PendingEvents != 1 || st.Reserve || reserved() || st.Err == nil {
			t.Errorf("on a full disk %+v, want 10 samples and 1 event waiting, no reserve, an error", st)
		}
		synctest.Wait()
		pass(time.Minute)
		if n := disk.times(StepReserve); n < 6 || n > 12 {
			t.Errorf("%d tries in a minute, want about one in 10 s", n)
		}
		s.Record(raise("fryer", alarm.Silent, noon()))
		eventually(t, "a second alarm is durable", func() bool { return len(events(t, s.Reader)) == 2 })

		disk.set(nil)
		drained(t, s)
		checkSpaceBack(t, s)
		if !reserved() {
			t.Error("the reserve is not made again")
		}
		if d := time.Since(begun); d > 75*time.Second {
			t.Errorf("recovery took until %s", d)
		}
		if got := said.String(); got != "ERROR the record cannot be written; INFO the record is written again" {
			t.Errorf("logged %q, want each change once", got)
		}
		shut(t, s)
	})
}

func checkSpaceBack(t *testing.T, s *Store) {
	t.Helper()
	if got := numbers(everything(t, s.Reader, "fryer")); got != "1-20" {
		t.Errorf("samples %s, want 1-20", got)
	}
	all := events(t, s.Reader)
	if len(all) != 3 || all[2].Text != "a port went away" || all[2].ID <= all[1].ID {
		t.Errorf("events %+v, want the overtaken one last, with a number of its own", all)
	}
	if st := s.Stats(); !st.Reserve || st.Lost != 0 || !st.FailingSince.IsZero() {
		t.Errorf("when space is back %+v, want nothing lost", st)
	}
}

// Whatever step fails, however often, and with whatever error or panic: what
// was told is there once and in order.
func TestFaultFailingSteps(t *testing.T) {
	for _, step := range []Step{StepBegin, StepWrite, StepCommit, StepAfterCommit, StepCheckpoint} {
		for how, fail := range map[string]func() error{
			"EIO":    func() error { return syscall.EIO },
			"ENOSPC": func() error { return syscall.ENOSPC },
			"panic":  func() error { panic("as planned") },
		} {
			t.Run(string(step)+" "+how, func(t *testing.T) {
				dir := t.TempDir()
				synctest.Test(t, func(t *testing.T) {
					left := 3
					recordThrough(t, dir, func(st Step) error {
						if st != step || left == 0 {
							return nil
						}
						left--
						return fail()
					})
					if left != 0 && step != StepCheckpoint {
						t.Errorf("the fault was met %d times, want 3", 3-left)
					}
					checkThrough(t, dir)
				})
			})
		}
	}
}

// A stop that a slow disk makes longer than it may be says what is lost by it, and that
// nothing is where only the log's folding takes so long.
func TestACloseThatTakesTooLongSaysWhatIsLost(t *testing.T) {
	for step, want := range map[Step]string{StepCheckpoint: "all is recorded", StepBegin: "5 samples and 1 events are not recorded", StepCommit: "5 samples and 1 events are not recorded"} {
		dir := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			var disk faults
			s := open(t, dir, Options{CommitEvery: time.Hour, Fault: disk.at})
			register(t, s, post("fryer"))
			slow := make(chan struct{})
			disk.set(func(st Step) error {
				if st == step {
					<-slow
				}
				return nil
			})
			s.Append(0, samples(1, 5))
			s.Record(note("a port went away"))
			began := time.Now()
			err := s.Close()
			if took := time.Since(began); took > 2*time.Second {
				t.Errorf("%s: it took %s", step, took)
			}
			if err == nil || !strings.Contains(err.Error(), want) || errors.Is(err, ErrUnfolded) != (step == StepCheckpoint) {
				t.Errorf("%s: %v, want %q", step, err, want)
			}
			if step == StepCheckpoint {
				to := crashed(t, dir)
				if r, err := OpenReadOnly(to); err != nil {
					t.Error(err)
				} else if n := len(everything(t, r, "fryer")); n != 5 || r.Close() != nil {
					t.Errorf("%d samples are recorded", n)
				}
			}
			close(slow)
			<-s.done
		})
	}
}

// recordThrough records 300 samples, some alarms and some corrections, and the
// disk begins to fail on the way.
func recordThrough(t *testing.T, dir string, fails func(Step) error) {
	t.Helper()
	var disk faults
	recordOn(t, dir, Options{Fault: disk.at}, func() { disk.set(fails) })
}

// recordOn does so on any disk; begin is called on the way.
func recordOn(t *testing.T, dir string, o Options, begin func()) {
	t.Helper()
	s := open(t, dir, o)
	register(t, s, post("fryer"))
	for n := int64(1); n <= 300; n++ {
		if n == 95 {
			begin()
		}
		s.Append(0, []acquire.Sample{sample(n)})
		if n%100 == 0 {
			s.Correction(0, calib.Correction{Zero: quantity.PowerDensity(n), ZeroAt: noon()})
		}
		if n%50 == 0 {
			s.Record(raise("fryer", alarm.Exceeds, noon().Add(time.Duration(n)*time.Second)))
		}
		pass(100 * time.Millisecond)
	}
	drained(t, s)
	if st := s.Stats(); st.Refused != 0 || st.Lost != 0 || st.Samples != 300 {
		t.Errorf("%+v, want 300 samples, none refused, none lost", st)
	}
	shut(t, s)
}

func checkThrough(t *testing.T, dir string) {
	t.Helper()
	s := open(t, dir, Options{})
	defer shut(t, s)
	got := everything(t, s.Reader, "fryer")
	if numbers(got) != "1-300" {
		t.Fatalf("samples %s, want 1-300", numbers(got))
	}
	for n, zero := range map[int64]quantity.PowerDensity{100: 0, 101: 100, 200: 100, 201: 200} {
		if want := 10*valued(n) - zero; !closeTo(got[n-1].S, want) {
			t.Errorf("sample %d is %v W/m², want %v", n, got[n-1].S, want)
		}
	}
	all := events(t, s.Reader)
	for i, e := range all {
		if want := noon().Add(time.Duration(i+1) * 50 * time.Second); !e.At.Equal(want) {
			t.Errorf("event %d is of %s, want %s", i, e.At, want)
		}
	}
	if len(all) != 6 {
		t.Errorf("%d events, want 6", len(all))
	}
}

// A disk that does not answer holds up nobody, is told, and lets Close end.
func TestFaultDiskDoesNotAnswer(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		var disk faults
		hang := make(chan struct{})
		s := open(t, dir, Options{Fault: disk.at})
		register(t, s, post("fryer"))
		disk.set(func(st Step) error {
			if st == StepCommit {
				<-hang
			}
			return nil
		})
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		begun := time.Now()
		synctest.Wait()
		s.Append(0, samples(1, 100))
		if time.Since(begun) != 0 {
			t.Error("Append waited for the disk")
		}
		if s.Err() != nil {
			t.Error("a fault is told at once")
		}
		pass(2 * time.Second)
		if late := s.Uncommitted(time.Now().Add(-2 * time.Second)); len(late) != 0 {
			t.Errorf("%d alarms are late after 2 s, want those that waited longer", len(late))
		}
		pass(4 * time.Second)
		late := s.Uncommitted(time.Now().Add(-2 * time.Second))
		if len(late) != 1 || late[0].ID == 0 || late[0].Alarm.Rule != alarm.Exceeds {
			t.Errorf("late alarms %+v, want the one with its number", late)
		}
		if err := s.Err(); err == nil || !strings.Contains(err.Error(), "not answered for 6s") {
			t.Errorf("after 6 s the fault is %v", err)
		}
		begun = time.Now()
		err := s.Close()
		if d := time.Since(begun); err == nil || !strings.Contains(err.Error(), "100 samples and 1 events") || d > 2*time.Second {
			t.Errorf("Close took %s and gave %v", d, err)
		}
		disk.set(nil)
		close(hang)
		<-s.done
		// The disk answered after all; all of it is there, with its number.
		r, err := OpenReadOnly(dir)
		if err != nil {
			t.Fatal(err)
		}
		if got := events(t, r); len(got) != 1 || got[0].ID != late[0].ID {
			t.Errorf("events %+v, want the one told before, number %d", got, late[0].ID)
		}
		if got := numbers(everything(t, r, "fryer")); got != "1-100" {
			t.Errorf("samples %s, want 1-100", got)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// Close tries again what fails at first.
func TestFaultCloseTriesAgain(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		var disk faults
		s := open(t, dir, Options{Fault: disk.at})
		register(t, s, post("fryer"))
		left := 3
		disk.set(func(st Step) error {
			if st == StepCommit && left > 0 {
				left--
				return syscall.EIO
			}
			return nil
		})
		s.Append(0, samples(1, 100))
		shut(t, s)
		s.Append(0, samples(101, 110)) // counted, and nothing else
		if lost := s.Stats().Lost; lost != 10 {
			t.Errorf("%d samples lost after Close, want 10", lost)
		}
		s = open(t, dir, Options{})
		if got := numbers(everything(t, s.Reader, "fryer")); got != "1-100" {
			t.Errorf("samples %s, want 1-100", got)
		}
		shut(t, s)
	})
}

// A number that was told is never given again, even if its event was lost.
func TestFaultNumbersAfterACrash(t *testing.T) {
	var disk faults
	dir, copied := t.TempDir(), t.TempDir()
	s := open(t, dir, Options{Fault: disk.at})
	register(t, s, post("fryer"))
	s.Record(note("a commit"))
	drained(t, s)
	hang := make(chan struct{})
	disk.set(func(Step) error { <-hang; return nil })
	for range 100 {
		s.Record(raise("fryer", alarm.Exceeds, noon()))
	}
	told := s.Uncommitted(time.Now().Add(time.Hour))
	// What a crash leaves.
	for _, name := range []string{FileName, FileName + "-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(copied, name), b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	disk.set(nil)
	close(hang)
	s = open(t, copied, Options{})
	s.Record(note("after the crash"))
	drained(t, s)
	if got := events(t, s.Reader); len(got) != 2 || len(told) != 100 || got[1].ID <= told[99].ID {
		t.Errorf("after the crash number %+v, told before it up to %d", got, told[len(told)-1].ID)
	}
}
