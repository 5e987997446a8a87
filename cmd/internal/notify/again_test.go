package notify

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// life runs a station over a record for a time, with one courier that tells all to
// a person, and returns what the record holds and what that person was told.
func life(t *testing.T, dir string, posts []acquire.Post, lasts time.Duration) (events []acquire.Event, told []string) {
	t.Helper()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Register(posts, time.Now()); err != nil {
		t.Fatal(err)
	}
	station, err := acquire.New(acquire.Options{Posts: posts, Recorder: s, Standing: s.Alarms(), Log: slog.New(slog.DiscardHandler), Now: time.Now, Zone: time.UTC,
		Past: func(post int) (acquire.Past, error) { return s.Past(post, 25*time.Hour) }})
	if err != nil {
		t.Fatal(err)
	}
	never := func() bool { return false }
	p := &person{name: "manager", cut: never, lost: never, ids: map[string]string{}}
	c, err := New(Options{Name: "manager", Carrier: p, Outbox: s, Site: "Larkfield House", Posts: posts})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	for _, run := range []func(context.Context) error{c.Run, station.Run} {
		all.Go(func() {
			if err := run(ctx); err != nil {
				t.Error(err)
			}
		})
	}
	pass(lasts)
	cancel()
	all.Wait()
	if events, err = s.Events(context.Background(), 0, 1000); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	for _, line := range p.got {
		told = append(told, line[len("15:04 "):])
	}
	return events, told
}

// Over a start, from the real record: the dose of the day and the rises of the run
// go on, and a blind post that was taken out of the configuration is told to be
// watched no more, and not to be well.
func TestAStartForgetsNoRuleAndEndsWhatIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		born, dir := time.Now(), t.TempDir()
		posts := dayPosts(born)[1:3]
		low := &posts[0]
		low.Probe.Dial = (&scripted{born: born, say: func(at time.Duration) string {
			if at > time.Minute && at%(20*time.Second) < 10*time.Second {
				return "6." + string(rune('0'+at/time.Second/5%10)) // 60 W/m² for half of the time
			}
			return "idle"
		}}).dial
		low.Rules = []acquire.Rule{{Rule: alarm.DoseOf("day"), Dose: 9000}, {Rule: alarm.CountOf("run"), Count: 14, LimitID: "in-use"}}
		posts[1].Probe.Dial = (&scripted{born: born, say: func(time.Duration) string { return "" }}).dial
		const day, run = "dose:day", "count:run"
		raised := func(events []acquire.Event, rule string) (at []time.Duration) {
			for _, e := range events {
				if e.Alarm != nil && string(e.Alarm.Rule) == rule && e.Alarm.Reason == alarm.Raised {
					at = append(at, e.At.Sub(born))
				}
			}
			return at
		}
		events, _ := life(t, dir, posts, 4*time.Minute) // about 5 500 J/m², and 9 rises
		if len(raised(events, day))+len(raised(events, run)) != 0 {
			t.Fatal("raised too soon")
		}
		pass(30 * time.Second)
		events, told := life(t, dir, posts[:1], 150*time.Second) // 4 500 J/m² and 7 rises more
		for _, rule := range []string{day, run} {
			if at := raised(events, rule); len(at) != 1 || at[0] < 5*time.Minute || at[0] > 7*time.Minute {
				t.Errorf("%s raised at %v, want once, between 5 and 7 min", rule, at)
			}
		}
		const gone = "post night: this post was removed from the configuration: nobody watches it any more"
		if n := len(slices.DeleteFunc(slices.Clone(told), func(line string) bool { return !strings.HasSuffix(line, gone) })); n != 1 {
			t.Errorf("told %q, want once that nobody watches post night", told)
		}
		ended := 0
		for _, e := range events {
			if e.Post == "night" && e.Alarm != nil && e.Alarm.State != alarm.Unacknowledged {
				ended++
				if e.Alarm.Reason != alarm.Dropped || e.Alarm.State != alarm.Normal || !strings.Contains(e.Text, "was removed from the configuration") {
					t.Errorf("the record says %s, %q of post night", e.Alarm.State, e.Text)
				}
			}
		}
		events, told = life(t, dir, posts[:1], time.Minute)
		if ended != 1 || strings.Contains(strings.Join(told, "\n"), "post night") || len(raised(events, day)) != 1 {
			t.Errorf("ended %d times; after another start told %q", ended, told)
		}
	})
}
