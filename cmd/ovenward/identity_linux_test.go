package main

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// TestAnotherInstrument puts another instrument, which says so by *IDN?, in the
// place of the one that the daemon knows, and then that one back. Each is a process
// of its own, at the same port. The stranger is not even asked for a reading.
func TestAnotherInstrument(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	link, record := filepath.Join(dir, "probe"), filepath.Join(dir, "record")
	truthOf := func(n string) string { return filepath.Join(dir, n+".csv") }
	put := func(probe, truth string) (pull func()) {
		p := simulated(t, link, truthOf(truth), "--protocol=scpi", "--probe="+probe)
		return func() {
			p.kill(t)
			if err := os.Remove(link); err != nil { // as udev does
				t.Fatal(err)
			}
		}
	}
	pull := put("probe-2", "right")
	d := program(t, "run", "--storage.path="+record, "--web.listen-address=127.0.0.1:0",
		"--config.file="+configuredFor(t, link, "scpi", scpiSection, "[alarm]\nstale = \"2 s\"\n"))
	addr := d.address(t)
	const fault = `ovenward_alarm_active{oven="pantry",post="pantry-door",probe="shelf",rule="fault",site="Larkfield House"} `
	shows := func(series string) func() bool {
		return func() bool { return strings.Contains(d.metrics(t, addr), series) }
	}
	waitFor(t, 20*time.Second, "readings of the right one", func() bool { return len(readTruth(t, truthOf("right"))) > 10 })
	pull()

	pull = put("probe-1", "stranger")
	from := time.Now()
	waitFor(t, 20*time.Second, "the fault alarm", shows(fault+"1"))
	waitFor(t, 20*time.Second, "the last value of the right one to grow stale", func() bool {
		return !strings.Contains(d.metrics(t, addr), "\novenward_power_density_watts_per_square_meter{")
	})
	until := time.Now()
	pull()
	if n := len(readTruth(t, truthOf("stranger"))); n > 0 {
		t.Errorf("the stranger was asked for %d readings", n)
	}

	put("probe-2", "back")
	waitFor(t, 20*time.Second, "readings of the right one again", func() bool { return len(readTruth(t, truthOf("back"))) > 10 })
	waitFor(t, 20*time.Second, "the fault alarm to end", shows(fault+"0"))
	d.terminate(t)
	strangerIsKept(t, record, from, until)
}

// strangerIsKept holds the record of a stranger, who was there from then until
// then: no samples, one event of who it was, one alarm raised and returned.
func strangerIsKept(t *testing.T, record string, from, until time.Time) {
	t.Helper()
	samples := 0
	for _, s := range readSamples(t, record) {
		samples++
		if s.At.After(from) && s.At.Before(until) {
			t.Errorf("a sample was made of the stranger: %q at %v", s.Said, s.At)
		}
	}
	if samples < 20 {
		t.Errorf("%d samples of the right one before and after", samples)
	}
	events := eventsOf(t, record)
	if got := texts(events, acquire.KindIdentity); !slices.Equal(got, []string{"probe shelf is Ovenward simulated probe, serial number probe-2, firmware 0"}) {
		t.Errorf("told of who it is: %q", got)
	}
	told := slices.DeleteFunc(texts(events, acquire.KindLink), func(s string) bool { return !strings.Contains(s, "another instrument answers") })
	if len(told) != 1 || !strings.Contains(told[0], "serial number probe-1") || !strings.Contains(told[0], "in place of Ovenward simulated probe, serial number probe-2") {
		t.Errorf("told of the stranger: %q", told)
	}
	var changes []alarm.Reason
	for _, e := range events {
		if e.Alarm != nil && e.Alarm.Rule == alarm.Fault {
			changes = append(changes, e.Alarm.Reason)
		}
	}
	if !slices.Equal(changes, []alarm.Reason{alarm.Raised, alarm.Returned}) {
		t.Errorf("the fault alarm was %q", changes)
	}
}

// eventsOf reads all events of a record.
func eventsOf(t *testing.T, dir string) []acquire.Event {
	t.Helper()
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	events, err := r.Events(context.Background(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	return events
}

// texts are those of the events of a kind, in order.
func texts(events []acquire.Event, kind acquire.Kind) (out []string) {
	for _, e := range events {
		if e.Kind == kind {
			out = append(out, e.Text)
		}
	}
	return out
}
