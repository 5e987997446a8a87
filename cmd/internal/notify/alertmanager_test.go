package notify

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
)

// What stands is told again and again. Where that is not taken any more it is the
// courier's trouble though there is no message to send: there it ends by itself.
func TestWhatStandsAndIsNotTakenIsTold(t *testing.T) {
	var down atomic.Bool
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if down.Load() {
			w.WriteHeader(http.StatusBadGateway)
		}
	}))
	defer s.Close()
	carrier, err := NewAlertmanager(AlertmanagerOptions{URL: s.URL, Resend: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	box := newOutbox()
	box.cursors["webhook.first"] = 1
	c, err := New(Options{Outbox: box, Carrier: carrier, Machine: true, Site: "Larkfield House", Posts: larkfield()})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { ended <- c.Run(ctx) }()
	box.happen(raised(7, alarm.Silent, at(3)))
	until(t, "it is taken, and again", func() bool { return !c.Stats().LastShown.IsZero() })
	down.Store(true)
	until(t, "it is told that it is not", func() bool { return strings.Contains(c.Stats().NotShown, "502") })
	if st := c.Stats(); st.Failing || st.Sent != 1 {
		t.Errorf("%d messages were sent, failing %t; want the one, which was taken", st.Sent, st.Failing)
	}
	down.Store(false)
	until(t, "it is taken", func() bool { return c.Stats().NotShown == "" })
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// looks notes when it was told that what is so is not shown.
type looks struct{ failed []time.Time }

func (*looks) standing() []Message {
	return []Message{{Kind: KindAlarm, Rule: alarm.Silent, Post: "galley"}}
}
func (*looks) snapshot() (s Snapshot, ok bool) { return }
func (l *looks) shown(err error, _ bool) {
	if err != nil {
		l.failed = append(l.failed, time.Now())
	}
}

// What stands is told seldom where the configuration says so. One failure is made up for
// before it counts as the courier's trouble, and not in the next round; so is one of
// before a reload.
func TestWhatStandsAndIsNotTakenIsToldSoonAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		carrier, err := NewAlertmanager(AlertmanagerOptions{URL: "http://127.0.0.1:1", Resend: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		began, ctx, l := time.Now(), t.Context(), &looks{}
		ctx, cancel := context.WithTimeout(ctx, 210*time.Second)
		defer cancel()
		carrier.(keeper).keep(ctx, l)
		if len(l.failed) != 3 || l.failed[0].Sub(began) != soonAgain {
			t.Errorf("tried in vain at %v, want three times within 210 s", l.failed)
		}
	})
}
