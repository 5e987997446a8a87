package notify

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// Whatever is dropped for want of room is counted, dead letters last.
func TestALedgerLosesNothingUncounted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var l ledger
		total := map[store.ToldOutcome]int{}
		lost := 0
		for range rapid.IntRange(1, 5).Draw(t, "times") {
			var newer ledger
			for _, o := range []store.ToldOutcome{store.ToldAccepted, store.ToldRefused} {
				n := rapid.IntRange(0, maxTold).Draw(t, string(o))
				total[o] += n
				for range n {
					newer.rows = append(newer.rows, store.Told{Outcome: o, At: at(total[o])})
				}
			}
			lost += l.join(newer)
		}
		kept, counted, of := map[store.ToldOutcome]int{}, 0, 0
		for _, r := range l.all("desk", "x") {
			if n := r.More; r.Subject != "" {
				counted += n
				kept[r.Outcome] += n
				if of++; !strings.Contains(r.Text, "are not listed") {
					t.Fatal(r.Text)
				}
				continue
			}
			kept[r.Outcome]++
		}
		if kept[store.ToldAccepted] != total[store.ToldAccepted] || kept[store.ToldRefused] != total[store.ToldRefused] || counted != lost || len(l.rows) > maxTold {
			t.Fatalf("kept or counted %v of %v; %d counted and %d lost; %d rows", kept, total, counted, lost, len(l.rows))
		}
		if total[store.ToldRefused] <= maxTold && l.refused.n > 0 {
			t.Fatalf("%d dead letters dropped while accepted messages could go", l.refused.n)
		}
	})
}

// Dead letters that the record could not take are counted, and said when it can.
func TestFaultDeadLettersOutlastABrokenRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{answer: failing(refused)}
		c, stop := start(t, box, r)
		synctest.Wait()
		box.mu.Lock()
		box.broken = errors.New("planted: read-only file system")
		box.mu.Unlock()
		const n = maxTold + 300
		for i := range n {
			box.record(raised(i%8, alarm.Silent, time.Now()))
			if i%40 == 39 { // fewer than would stand in for one another
				pass(2 * time.Second)
			}
		}
		pass(2 * time.Second)
		if got := c.Stats(); got.Dead < maxTold || got.Unlisted != got.Dead-maxTold {
			t.Fatalf("%d dead letters, %d of them lost", got.Dead, got.Unlisted)
		}
		dead, lost := c.Stats().Dead, c.Stats().Unlisted
		box.mu.Lock()
		box.broken = nil
		box.mu.Unlock()
		box.commit()
		pass(2 * time.Minute)
		stop()
		var rows, counted uint64
		for _, row := range box.kept() {
			if row.MessageID == "" {
				counted += uint64(row.More)
				continue
			}
			rows++
		}
		if counted != lost || rows+counted != dead {
			t.Errorf("%d dead letters: %d listed, %d said to be lost, want %d lost", dead, rows, counted, lost)
		}
	})
}
