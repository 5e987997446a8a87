package main

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// counter is a series of the metrics.
type counter struct{ metric, label string }

// values reads counters, 0 where there is none.
func (r *running) values(t *testing.T, of []counter) []float64 {
	t.Helper()
	text, out := r.get(t, "/metrics"), make([]float64, len(of))
	for i, c := range of {
		if said := seriesOf(text, c.metric, c.label); said != "" {
			var err error
			if out[i], err = strconv.ParseFloat(said, 64); err != nil {
				t.Error(err)
			}
		}
	}
	return out
}

// neverFall reads counters again and again until done: one that falls for a moment has
// fallen.
func (r *running) neverFall(t *testing.T, of []counter, done <-chan struct{}) {
	last := r.values(t, of)
	for {
		now := r.values(t, of)
		for i, c := range of {
			if now[i] < last[i] {
				t.Errorf("%s{%s} fell from %g to %g", c.metric, c.label, last[i], now[i])
			}
		}
		last = now
		select {
		case <-done:
			return
		default:
		}
	}
}

// A reload that changes nothing of a courier or a remote-write target leaves its
// counters as they are, at each moment; one that is sent elsewhere begins at 0.
func TestReloadKeepsCounters(t *testing.T) {
	t.Parallel()
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { _, _ = io.Copy(io.Discard, r.Body) }))
	defer far.Close()
	head, posts := quick(t)
	file := t.TempDir() + "/kitchen.toml"
	outward := func(elsewhere string) string {
		return fmt.Sprintf("\n[[webhook]]\nid = \"desk\"\nurl = %q\n[[webhook]]\nid = \"nowhere\"\nurl = \"http://127.0.0.1:1/\"\n[[webhook]]\nid = \"moves\"\nurl = %q\n"+
			"[[remote_write]]\nid = \"fleet\"\nevery = \"1 s\"\nurl = %q\n", far.URL+"/desk", far.URL+elsewhere, far.URL+"/write")
	}
	write(t, file, head, posts["counter-door"], posts["pantry-door"], outward("/a"))
	d := startDaemon(t, settings{configFile: file, storagePath: t.TempDir()})
	counters := []counter{
		{"ovenward_messages_sent_total", `courier="desk"`}, {"ovenward_messages_failed_attempts_total", `courier="nowhere"`},
		{"ovenward_remote_write_samples_total", `outcome="sent",site="model kitchen",target="fleet"`},
		{"ovenward_messages_last_accepted_timestamp_seconds", `courier="desk"`},
		{"ovenward_messages_sent_total", `courier="moves"`},
	}
	moves := len(counters) - 1
	read := func() []float64 { return d.values(t, counters) }
	var was []float64
	waitFor(t, 90*time.Second, "something of each counter", func() bool {
		was = read()
		for _, n := range was {
			if n == 0 {
				return false
			}
		}
		return true
	})
	done := make(chan struct{})
	var watching sync.WaitGroup
	watching.Go(func() { d.neverFall(t, counters[:moves], done) })
	for i := range 3 { // the second takes up what the first took up
		write(t, file, fmt.Sprintf("# %d\n", i), head, posts["counter-door"], posts["pantry-door"], outward("/a"))
		if a := postReload(t, d.Addr()); a.status != http.StatusOK {
			t.Errorf("status %d: %s", a.status, a.Detail)
		}
	}
	if now := read(); now[moves] < was[moves] {
		t.Errorf("what is not sent elsewhere yet fell from %g to %g", was[moves], now[moves])
	}
	write(t, file, head, posts["counter-door"], posts["pantry-door"], outward("/b"))
	if a := postReload(t, d.Addr()); a.status != http.StatusOK {
		t.Errorf("status %d: %s", a.status, a.Detail)
	}
	close(done)
	watching.Wait()
	now := read()
	if now[moves] >= now[0] { // both are sent the same
		t.Errorf("what is sent elsewhere goes on at %g, beside %g", now[moves], now[0])
	}
	waitFor(t, 30*time.Second, "counters to go on", func() bool {
		then := read()
		return then[1] > now[1] && then[2] > now[2]
	})
}

// A receiver that refused for good stays the courier's trouble for as long as nothing is
// sent; what was said of it is said no more once a reload sends elsewhere. A reload that
// changes nothing of the courier leaves it standing.
func TestReloadEndsTheTroubleOfTheReceiverBefore(t *testing.T) {
	t.Parallel()
	var got sync.Map
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		got.Store(r.URL.Path, string(body))
		if r.URL.Path == "/refuses" {
			w.WriteHeader(http.StatusBadRequest)
		}
	}))
	defer far.Close()
	dir, rule := recordOfTrouble(t, "desk")
	head, posts := quick(t)
	file := t.TempDir() + "/kitchen.toml"
	desk := func(path string) string {
		return fmt.Sprintf("\n[[webhook]]\nid = \"desk\"\nurl = %q\n", far.URL+path)
	}
	write(t, file, head, posts["counter-door"], desk("/refuses"))
	d := startDaemon(t, settings{configFile: file, storagePath: dir})
	waitFor(t, 10*time.Second, "a refusal", func() bool {
		return seriesOf(d.get(t, "/metrics"), "ovenward_messages_refused_total", `courier="desk"`) == "1"
	})
	write(t, file, "# the same\n", head, posts["counter-door"], desk("/refuses"))
	reloadSays(t, d.Addr(), "nothing in it changed")
	stands(t, d, rule)
	write(t, file, head, posts["counter-door"], desk("/takes"))
	reloadSays(t, d.Addr(), "webhooks changed")
	waitFor(t, 10*time.Second, "its end", func() bool { return !isStanding(d, rule) })
	waitFor(t, 10*time.Second, "the new receiver to be told", func() bool {
		body, _ := got.Load("/takes")
		s, _ := body.(string)
		return strings.Contains(s, string(alarm.Dropped)) && strings.Contains(s, "its configuration was changed")
	})
}

// What a broker does not show is known soon after a reload, though nothing waits to be sent:
// until then its alarm stands.
func TestReloadKeepsTheTroubleOfABrokerThatIsNotHeardYet(t *testing.T) {
	t.Parallel()
	hangs, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer hangs.Close()
	var asked atomic.Int64
	go func() {
		for {
			c, err := hangs.Accept()
			if err != nil {
				return
			}
			asked.Add(1)
			defer c.Close() // it answers nothing
		}
	}()
	far := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer far.Close()
	dir, rule := recordOfTrouble(t, "hall")
	head, posts := quick(t)
	file := t.TempDir() + "/kitchen.toml"
	hall := func(topic string) string {
		return fmt.Sprintf("\n[[webhook]]\nid = \"desk\"\nurl = %q\n\n[[mqtt]]\nid = \"hall\"\nserver = %q\ntls = false\ntimeout = \"30 s\"\ntopic = %q\npriorities = [\"low\"]\n", far.URL, hangs.Addr(), topic)
	}
	write(t, file, head, posts["counter-door"], hall("house"))
	d := startDaemon(t, settings{configFile: file, storagePath: dir})
	waitFor(t, 10*time.Second, "the broker to be asked", func() bool { return asked.Load() > 0 })
	before := asked.Load()
	write(t, file, head, posts["counter-door"], hall("home"))
	reloadSays(t, d.Addr(), "mqtt")
	waitFor(t, 10*time.Second, "the broker to be asked anew", func() bool { return asked.Load() > before })
	stands(t, d, rule) // nothing is known of the broker
}

func isStanding(d *running, rule alarm.Rule) bool {
	return slices.ContainsFunc(d.record.Alarms(), func(a alarm.Alarm) bool { return a.Rule == rule && a.State.Standing() })
}

// stands wants an alarm to outlive a reload by some looks of the station.
func stands(t *testing.T, d *running, rule alarm.Rule) {
	t.Helper()
	looks := 0
	waitFor(t, 10*time.Second, "two seconds of looks", func() bool { looks++; return looks > 20 })
	if !isStanding(d, rule) {
		t.Errorf("the reload ended alarm %s", rule)
	}
}

// recordOfTrouble makes a record in which the alarm about a courier stands.
func recordOfTrouble(t *testing.T, courier string) (dir string, rule alarm.Rule) {
	t.Helper()
	dir, rule = t.TempDir(), alarm.CourierOf(courier)
	record, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	a := alarm.Alarm{ID: "/" + string(rule) + "/1", Rule: rule, State: alarm.Unacknowledged, Since: time.Now(), Changed: time.Now()}
	record.Record(acquire.Event{At: a.Since, Kind: acquire.KindAlarm, Text: "messages are not accepted", Alarm: &alarm.Change{Alarm: a, From: alarm.Normal, Reason: alarm.Raised}})
	if err := record.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, rule
}
