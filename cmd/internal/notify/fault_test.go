package notify

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	_ "modernc.org/sqlite"

	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// A far end that is down for a day, behind the real record: alarms come and go all
// the while, and when it is up again each change is told once, in order, or counted by
// one that is; all that stands is told last as it stands.
func TestFaultDownForADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(t.TempDir(), store.Options{CommitEvery: 10 * time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Register(larkfield(), time.Now()); err != nil {
			t.Fatal(err)
		}
		up := time.Now().Add(24 * time.Hour)
		r := &receiver{}
		r.answer = func(int, Message) result {
			if time.Now().Before(up) {
				return result{outcome: unheard, err: fmt.Errorf("planted: no route to host")}
			}
			return result{outcome: accepted}
		}
		c, err := New(Options{Outbox: s, Carrier: r, Machine: true, Site: "Larkfield House", Posts: larkfield()})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- c.Run(ctx) }()
		for i := range 144 { // every ten minutes
			to, why := alarm.Unacknowledged, alarm.RaisedAgain
			if i/8%2 == 1 {
				to, why = alarm.ReturnedUnacknowledged, alarm.Returned
			}
			s.Record(change(i%8, alarm.Stuck, to, why, time.Now()))
			pass(10 * time.Minute)
		}
		pass(2 * time.Hour)
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		told := toldAfterADay(t, s, r)
		st := c.Stats()
		t.Logf("%d attempts failed, %d messages told %d changes", st.Failed, st.Sent, told)
		if st.Failed == 0 || st.Dead > 0 {
			t.Errorf("%+v", st)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
}

// toldAfterADay holds what was told against the record, and returns how many changes
// were told or counted.
func toldAfterADay(t *testing.T, s *store.Store, r *receiver) (told int) {
	t.Helper()
	events, err := s.Events(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	last, newest := map[string]int64{}, map[string]int64{}
	for _, m := range r.all() {
		told += 1 + m.AndNMore
		if m.EventID <= last[m.Post] {
			t.Errorf("%s: event %d after %d", m.Post, m.EventID, last[m.Post])
		}
		last[m.Post] = m.EventID
	}
	for _, e := range events {
		if e.Alarm != nil {
			newest[e.Post] = e.ID
		}
	}
	for post, id := range newest {
		if last[post] != id {
			t.Errorf("%s: the last told is event %d, the newest is %d", post, last[post], id)
		}
	}
	if told != 144 || len(events) != 144 {
		t.Errorf("%d of %d changes were told or counted, want 144", told, len(events))
	}
	return told
}

// Whatever stands where the cursors of a courier were kept: an alarm that stands
// and one that comes are told.
func TestFaultCorruptOutbox(t *testing.T) {
	for name, damage := range map[string]string{
		"negative":        "UPDATE cursors SET event = -5",
		"of no event yet": "UPDATE cursors SET event = 1000000",
		"largest":         "UPDATE cursors SET event = 9223372036854775807",
		"gone":            "DELETE FROM cursors",
		"half gone":       "DELETE FROM cursors WHERE name LIKE '%first'",
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			nothing := func(*store.Store) {}
			raise := func(post int) func(*store.Store) {
				return func(s *store.Store) { s.Record(raised(post, alarm.Exceeds, time.Now())) }
			}
			if got := toldBetween(t, dir, raise(0), nothing); !slices.Equal(got, []int64{1}) {
				t.Fatalf("sent %v before any damage", got)
			}
			db, err := sql.Open("sqlite", filepath.Join(dir, store.FileName))
			if err != nil {
				t.Fatal(err)
			}
			res, err := db.Exec(damage)
			if err != nil {
				t.Fatal(err)
			}
			if n, _ := res.RowsAffected(); n == 0 {
				t.Fatal("there was nothing to damage")
			}
			if err := db.Close(); err != nil {
				t.Fatal(err)
			}
			got := toldBetween(t, dir, raise(1), raise(2))
			if !slices.Contains(got, 2) || !slices.Contains(got, 3) {
				t.Errorf("sent %v, want 2, which was raised before the start, and 3, raised after it", got)
			}
		})
	}
}

// toldBetween runs a courier for two minutes on the record in dir, and returns the
// events that it told. before happens before its start, after in the middle.
func toldBetween(t *testing.T, dir string, before, after func(s *store.Store)) (ids []int64) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Register(larkfield(), time.Now()); err != nil {
			t.Fatal(err)
		}
		before(s)
		pass(5 * time.Second)
		r := &receiver{}
		c, err := New(Options{Outbox: s, Carrier: r, Machine: true, Site: "Larkfield House", Posts: larkfield()})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- c.Run(ctx) }()
		pass(time.Minute)
		after(s)
		pass(time.Minute)
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		ids = r.ids()
	})
	return ids
}
