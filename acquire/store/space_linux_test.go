package store

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	signals "os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/drivers/driverstest"
)

// bulky is samples that take room: each says some kilobytes that nothing packs.
func bulky(from, to int64) []acquire.Sample {
	all := samples(from, to)
	for i := range all {
		random := rand.New(rand.NewPCG(uint64(all[i].Seq), 1))
		all[i].Said = make([]byte, 4000)
		for j := range all[i].Said {
			all[i].Said[j] = byte(random.Uint32())
		}
	}
	return all
}

// A disk that is really full: it is told, an alarm is durable all the same, and
// all that waited is there when space is back.
func TestFaultTinyDisk(t *testing.T) {
	dir, _ := driverstest.Tmpfs(t, "18m")
	synctest.Test(t, func(t *testing.T) {
		ballast := filepath.Join(dir, "ballast")
		if err := os.WriteFile(ballast, make([]byte, 8<<20), 0o600); err != nil {
			t.Fatal(err)
		}
		log, said := logger()
		s := open(t, dir, Options{Log: log, reserve: 6 << 20}) // the log may have to be folded from it: 4 MiB
		register(t, s, post("fryer"))
		n := int64(0)
		for ; s.Err() == nil && n < 2000; n += 10 {
			s.Append(0, bulky(n+1, n+10))
			pass(time.Second)
		}
		if err := s.Err(); err == nil || !strings.Contains(err.Error(), "free space on the disk that holds "+dir) {
			t.Fatalf("after %d samples of 4 kB on a disk of 18 MB: %v", n, err)
		}
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		eventually(t, "the alarm is durable on a full disk", func() bool { return len(events(t, s.Reader)) == 1 })
		for end := n + 50; n < end; n += 10 {
			s.Append(0, bulky(n+1, n+10))
			pass(5 * time.Second)
		}
		if st := s.Stats(); st.Err == nil || st.Pending == 0 || st.Lost != 0 {
			t.Errorf("on a full disk %+v, want an error, samples waiting, none lost", st)
		}
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
		drained(t, s)
		if got, want := numbers(everything(t, s.Reader, "fryer")), fmt.Sprint("1-", n); got != want {
			t.Errorf("when space is back samples %s, want %s", got, want)
		}
		if got := said.String(); !strings.HasPrefix(got, "ERROR the record cannot be written") || !strings.HasSuffix(got, "INFO the record is written again") {
			t.Errorf("logged %q", got)
		}
		shut(t, s)
	})
}

// A disk that is mounted for reading only is told at the start, and harms nothing.
func TestFaultReadOnlyDisk(t *testing.T) {
	dir, readOnly := driverstest.Tmpfs(t, "16m")
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 1000))
	shut(t, s)
	readOnly(true)
	if s, err := Open(dir, Options{reserve: testReserve}); err == nil {
		shut(t, s)
		t.Error("a record on a disk for reading only opens for writing")
	} else if !strings.Contains(err.Error(), dir) {
		t.Errorf("it says %q, and not where", err)
	}
	readOnly(false)
	s = open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1001, 1010))
	drained(t, s)
	if got := numbers(everything(t, s.Reader, "fryer")); got != "1-1010" {
		t.Errorf("samples %s, want 1-1010", got)
	}
	shut(t, s)
}

const limitSize = 1 << 20

// limited is a recorder whose files may not grow beyond a size, so that the
// system cuts a write short and then refuses; later they may. Its parent reads
// what it says.
func limited(dir string) {
	signals.Ignore(syscall.SIGXFSZ)
	s, err := Open(dir, Options{reserve: testReserve})
	if err != nil {
		fmt.Println("open:", err)
		return
	}
	if err := s.Register([]acquire.Post{post("fryer")}, noon()); err != nil {
		fmt.Println("register:", err)
		return
	}
	var was unix.Rlimit
	set := func(size uint64) error {
		return unix.Prlimit(0, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: size, Max: was.Max}, nil)
	}
	if err := unix.Prlimit(0, unix.RLIMIT_FSIZE, nil, &was); err != nil {
		fmt.Println("limit:", err)
		return
	}
	if err := set(limitSize + 777); err != nil {
		fmt.Println("limit:", err)
		return
	}
	n := int64(0)
	wait := func(done func() bool) bool {
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for end := time.Now().Add(deadline); !done(); <-tick.C {
			if time.Now().After(end) {
				fmt.Printf("too late: %+v\n", s.Stats())
				return false
			}
		}
		return true
	}
	for s.Err() == nil && n < 4000 {
		s.Append(0, bulky(n+1, n+20))
		n += 20
		s.Record(raise("fryer", alarm.Exceeds, noon())) // committed at once
		if !wait(func() bool { return s.Err() != nil || s.Stats().Pending == 0 }) {
			return
		}
	}
	fmt.Println("told:", s.Err())
	if err := set(was.Cur); err != nil {
		fmt.Println("limit:", err)
		return
	}
	if wait(func() bool { return s.Err() == nil && s.Stats().Pending == 0 }) {
		fmt.Println("all:", n, s.Stats().Lost, s.Close())
	}
}

// A write that the system cuts short loses nothing: it is told, and made good.
func TestShortWrites(t *testing.T) {
	dir := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(self)
	c.Env = append(os.Environ(), limitEnv+"="+dir)
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var n, lost int64
	told, all, _ := strings.Cut(string(out), "all: ")
	if _, err := fmt.Sscan(all, &n, &lost); err != nil || !strings.Contains(told, "told: the record cannot be written") || lost != 0 || !strings.Contains(all, "<nil>") {
		t.Fatalf("the recorder says\n%s", out)
	}
	s := open(t, dir, Options{})
	if got, want := numbers(everything(t, s.Reader, "fryer")), fmt.Sprint("1-", n); got != want {
		t.Errorf("samples %s, want %s", got, want)
	}
	shut(t, s)
}
