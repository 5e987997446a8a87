package notify

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// TestMain runs a child of TestFaultKilled in place of the tests, when it is one.
func TestMain(m *testing.M) {
	if job := os.Getenv("OVENWARD_NOTIFY_CHILD"); job != "" {
		if err := childMain(strings.Split(job, "|")); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// childMain is record and courier, and nothing else: it lets alarms come and go
// until it is killed, or sends what is left.
func childMain(job []string) error {
	dir, url, drain := job[0], job[1], job[2] == "drain"
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		return err
	}
	posts := larkfield()[:3]
	if err := s.Register(posts, time.Now()); err != nil {
		return err
	}
	carrier, err := NewWebhook(WebhookOptions{URL: url})
	if err != nil {
		return err
	}
	c, err := New(Options{Outbox: s, Carrier: carrier, Machine: true, Site: "Larkfield House", Posts: posts})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	begun := func() bool { first, err := s.Cursor(ctx, "webhook.first"); return err == nil && first > 0 }
	for !begun() {
		<-time.After(time.Millisecond)
	}
	fmt.Println("begun")
	for i := 0; !drain; i++ {
		now := time.Now()
		to, why := alarm.Unacknowledged, alarm.RaisedAgain
		if i%2 == 1 {
			to, why = alarm.ReturnedUnacknowledged, alarm.Returned
		}
		s.Record(change(i/2%3, alarm.Stuck, to, why, now))
		<-time.After(time.Duration(rand.IntN(3000)) * time.Microsecond)
	}
	last := int64(0)
	for {
		events, err := s.Events(ctx, last, 1000)
		if err != nil {
			return err
		}
		if len(events) == 0 {
			break
		}
		last = events[len(events)-1].ID
	}
	for {
		if at, err := s.Cursor(ctx, "webhook"); err != nil || at >= last {
			break
		}
		<-time.After(5 * time.Millisecond)
	}
	cancel()
	return errors.Join(<-ended, s.Close())
}

// inbox is a webhook's far end.
type inbox struct {
	mu  sync.Mutex
	got []Message
}

func (b *inbox) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var m Message
	if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
		return // cut off by a kill: nothing was accepted
	}
	b.mu.Lock()
	b.got = append(b.got, m)
	b.mu.Unlock()
}

// rounds is how often a loop of the gate goes round, and of the full counts.
func rounds(gate, full int) int {
	if os.Getenv("OVENWARD_COUNTS") == "full" {
		return full
	}
	return gate
}

// A daemon that is killed at any moment between record and send, over and over,
// loses no message and brings none out of order; what comes twice has the same id.
func TestFaultKilled(t *testing.T) {
	t.Parallel()
	in := &inbox{}
	server := httptest.NewServer(in)
	defer server.Close()
	dir := t.TempDir()
	run := func(how string, after time.Duration) {
		cmd := exec.Command(os.Args[0], "-test.run=^$")
		cmd.Env = append(os.Environ(), "OVENWARD_NOTIFY_CHILD="+dir+"|"+server.URL+"|"+how)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		if !lines.Scan() || lines.Text() != "begun" {
			t.Fatalf("the child says %q", lines.Text())
		}
		if how == "drain" {
			if err := cmd.Wait(); err != nil {
				t.Fatalf("the last child: %v", err)
			}
			return
		}
		<-time.After(after)
		cmd.Process.Kill()
		cmd.Wait()
	}
	n := rounds(20, 100)
	for range n {
		run("go", time.Duration(rand.IntN(60_000))*time.Microsecond)
	}
	run("drain", 0)
	server.Close() // all that was still coming has come
	in.mu.Lock()
	defer in.mu.Unlock()
	checkKilled(t, dir, in.got, n)
}

func checkKilled(t *testing.T, dir string, got []Message, kills int) {
	t.Helper()
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	recorded := map[string][]int64{} // by alarm, rising
	for last, more := int64(0), true; more; {
		events, err := r.Events(t.Context(), last, 1000)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			last = e.ID
			if e.Alarm != nil {
				recorded[e.Post] = append(recorded[e.Post], e.ID)
			}
		}
		more = len(events) > 0
	}
	all, twice, early := 0, 0, map[string]bool{}
	for _, ids := range recorded {
		all += len(ids)
	}
	seen, last, covered := map[string]int64{}, map[string]int64{}, map[int64]bool{}
	for _, m := range got {
		if event, again := seen[m.MessageID]; again {
			twice++
			if event != m.EventID {
				t.Errorf("the id %s stands for two changes, %d and %d", m.MessageID, event, m.EventID)
			}
		} else if m.EventID < last[m.Post] && !covered[m.EventID] && !early[m.Post] {
			// After a crash all comes again from where the courier had last noted: what
			// was counted by a newer message may then come by itself.
			t.Errorf("%s: event %d after %d", m.Post, m.EventID, last[m.Post])
		}
		early[m.Post] = early[m.Post] || !m.Recorded // what a stalled disk lets overtake
		seen[m.MessageID] = m.EventID
		last[m.Post] = max(last[m.Post], m.EventID)
		i, known := slices.BinarySearch(recorded[m.Post], m.EventID)
		if !known {
			continue // told before it was recorded, and lost with the process
		}
		for _, id := range recorded[m.Post][max(i-m.AndNMore, 0) : i+1] {
			covered[id] = true
		}
	}
	for post, ids := range recorded {
		for _, id := range ids {
			if !covered[id] {
				t.Errorf("%s: event %d was neither told nor counted", post, id)
			}
		}
	}
	t.Logf("%d kills: %d changes recorded, %d messages, %d of them repetitions", kills, all, len(got), twice)
	if all < kills {
		t.Errorf("only %d changes were recorded in %d rounds: too few to prove anything", all, kills)
	}
}

// A disk that stalls for 10 s, under the real record: the alarm is out within 2 s,
// marked, and once; what follows is in its order.
func TestFaultStalledRecord(t *testing.T) {
	stallTest(t, func(t *testing.T, s *store.Store, stall func(), r *receiver) {
		at := time.Now()
		stall()
		s.Record(raised(0, alarm.Exceeds, at))
		pass(2 * time.Second)
		r.mu.Lock()
		if len(r.got) != 1 || r.got[0].Recorded || r.when[0].Sub(at) > 2*time.Second || !strings.Contains(r.got[0].Text, "not yet seen in the record") {
			t.Errorf("2 s after it was raised: %+v", r.got)
		}
		r.mu.Unlock()
		s.Record(change(0, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ReturnedLatched, time.Now()))
		pass(20 * time.Second)
		ids := r.ids()
		if len(ids) != 2 || ids[0] >= ids[1] {
			t.Errorf("sent %v, want each once, in order", ids)
		}
		events, err := s.Events(t.Context(), 0, 10)
		if err != nil || len(events) != 2 || events[0].ID != ids[0] || events[1].ID != ids[1] {
			t.Errorf("the record has %v, %v; want the ids that were told, %v", events, err, ids)
		}
	})
}

func stallTest(t *testing.T, f func(t *testing.T, s *store.Store, stall func(), r *receiver)) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var until time.Time
		s, err := store.Open(t.TempDir(), store.Options{Fault: func(step store.Step) error {
			mu.Lock()
			left := time.Until(until)
			mu.Unlock()
			if left > 0 && step == store.StepCommit {
				<-time.After(left)
			}
			return nil
		}})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		if err := s.Register(larkfield()[:1], time.Now()); err != nil {
			t.Fatal(err)
		}
		r := &receiver{}
		c, err := New(Options{Outbox: s, Carrier: r, Site: "Larkfield House", Posts: larkfield()})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- c.Run(ctx) }()
		pass(time.Second)
		f(t, s, func() { mu.Lock(); until = time.Now().Add(10 * time.Second); mu.Unlock() }, r)
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}
