package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

const (
	childEnv    = "OVENWARD_STORE_CHILD"
	limitEnv    = "OVENWARD_STORE_LIMIT"
	childCommit = 250 * time.Millisecond
	childEvery  = time.Millisecond // at each of two posts
)

// child is a recorder that its parent kills. It says "alarm ID" once its alarm
// is durable, and after each commit up to which number both posts are recorded.
func child(dir string) {
	last := map[int32]int64{}
	committed := func(b *batch) {
		for post, m := range b.last {
			last[post] = m.seq
		}
		if len(last) == 2 {
			fmt.Println(min(last[1], last[2]))
		}
	}
	s, err := Open(dir, Options{CommitEvery: childCommit, reserve: testReserve, onCommit: committed})
	if err != nil {
		fmt.Println("open:", err)
		return
	}
	if err := s.Register([]acquire.Post{post("fryer"), post("combi")}, noon()); err != nil {
		fmt.Println("register:", err)
		return
	}
	var next [2]int64 // of each post: one may be recorded by one more than the other
	for post := range next {
		past, err := s.Past(post, 0)
		if err != nil {
			fmt.Println("past:", err)
			return
		}
		next[post] = past.LastSeq + 1
	}
	changed := s.Changed()
	s.Record(raise("fryer", alarm.Exceeds, noon().Add(time.Duration(next[0])*time.Second)))
	<-changed
	fmt.Println("alarm", s.Alarms()[0].ID)

	every := time.NewTicker(childEvery)
	defer every.Stop()
	for range every.C {
		for post := range next {
			s.Append(post, []acquire.Sample{sample(next[post])})
			next[post]++
		}
	}
}

// kill -9 at random instants while two posts are read at 1 kHz each, over records
// that live on: all whose commit was told is there, in order, once;
// the alarm stands; and SQLite finds no fault with the file.
func TestFaultKill(t *testing.T) {
	records, lives := 4, 5
	if fullCounts() {
		records, lives = 10, 50
	}
	for chain := range records {
		t.Run(fmt.Sprint("record ", chain), func(t *testing.T) {
			t.Parallel()
			seed := uint64(time.Now().UnixNano())
			t.Log("seed", seed)
			random := rand.New(rand.NewPCG(seed, uint64(chain)))
			dir, stored := t.TempDir(), int64(0)
			for life := range lives {
				after := time.Duration(random.Int64N(int64(3 * childCommit)))
				acknowledged, alarmID := lifeOf(t, dir, after)
				stored = checkKilled(t, dir, fmt.Sprintf("life %d, killed after %s", life, after), stored, acknowledged, alarmID)
			}
		})
	}
}

// lifeOf runs a child until some time after its first word, and kills it. It
// returns what the child acknowledged.
func lifeOf(t *testing.T, dir string, after time.Duration) (last int64, alarmID string) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), deadline)
	defer cancel()
	c := exec.CommandContext(ctx, self)
	c.Env = append(os.Environ(), childEnv+"="+dir)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	words := bufio.NewScanner(out)
	for words.Scan() {
		if id, ok := strings.CutPrefix(words.Text(), "alarm "); ok {
			alarmID = id
			end := time.AfterFunc(after, func() { c.Process.Kill() })
			defer end.Stop()
			continue
		}
		if _, err := fmt.Sscan(words.Text(), &last); err != nil {
			t.Errorf("the child says %q", words.Text())
		}
	}
	if err := c.Wait(); err == nil || ctx.Err() != nil || alarmID == "" {
		t.Fatalf("the child ended by itself: %v, %v", err, ctx.Err())
	}
	return last, alarmID
}

func checkKilled(t *testing.T, dir, life string, before, acknowledged int64, alarmID string) int64 {
	t.Helper()
	debianSays(t, filepath.Join(dir, FileName))
	s := open(t, dir, Options{})
	defer shut(t, s)
	var verdict string
	if err := s.db.QueryRow("PRAGMA integrity_check").Scan(&verdict); err != nil || verdict != "ok" {
		t.Fatalf("%s: integrity_check says %q (%v)", life, verdict, err)
	}
	var last int64
	for _, name := range []string{"fryer", "combi"} {
		got := everything(t, s.Reader, name)
		last = int64(len(got))
		for i, g := range got {
			if want := sample(int64(i + 1)); g.Seq != want.Seq || string(g.Said) != string(want.Said) || !g.At.Equal(want.At) {
				t.Fatalf("%s: %s sample %d is %d, %q", life, name, i+1, g.Seq, g.Said)
			}
		}
		if last < acknowledged || last < before {
			t.Errorf("%s: %s ends at %d, acknowledged were %d, and %d before", life, name, last, acknowledged, before)
		}
	}
	if a := s.Alarms(); len(a) != 1 || a[0].ID != alarmID || !a[0].State.Standing() {
		t.Errorf("%s: alarms %+v, want %s standing", life, a, alarmID)
	}
	t.Logf("%s: acknowledged up to %d, there up to %d", life, acknowledged, last)
	return last
}

// debianSays asks a SQLite that is not ours.
func debianSays(t *testing.T, path string) {
	t.Helper()
	tool, err := exec.LookPath("sqlite3")
	if errors.Is(err, exec.ErrNotFound) {
		if os.Getenv("OVENWARD_PEERS") == "require" {
			t.Fatal("the peer sqlite3 is required and not installed (Debian: sqlite3)")
		}
		t.Log("skipped: the check by sqlite3, which is not installed (Debian: sqlite3)")
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	// On a copy, so that ours is the first to recover the log.
	dir := t.TempDir()
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + end)
		if end != "" && errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, "copy.db"+end), b, 0o640)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	out, err := exec.Command(tool, filepath.Join(dir, "copy.db"), "PRAGMA integrity_check; SELECT count(*) > 0 FROM chunks_read; SELECT count(*) > 0 FROM events_read").CombinedOutput()
	if want := "ok\n"; err != nil || !strings.HasPrefix(string(out), want) {
		t.Errorf("sqlite3 says %q (%v), want it to begin with %q", out, err, want)
	}
}
