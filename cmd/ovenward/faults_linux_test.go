package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

const exceedsActive = `rule="exceeds",site="Larkfield House"} 1`

// whole fails unless the record's samples are numbered without a gap and in order.
func whole(t *testing.T, samples []store.StoredSample) {
	t.Helper()
	for i, s := range samples {
		if s.Seq != int64(i+1) || i > 0 && s.At.Before(samples[i-1].At) {
			t.Fatalf("sample %d has number %d, at %v", i+1, s.Seq, s.At)
		}
	}
}

// held is what the process has open.
func (p *process) held(t *testing.T) int {
	t.Helper()
	entries, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", p.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}

// gauge is the first value of a metric without labels.
func gauge(t *testing.T, metrics, name string) float64 {
	t.Helper()
	_, rest, ok := strings.Cut(metrics, "\n"+name+" ")
	line, _, _ := strings.Cut(rest, "\n")
	v, err := strconv.ParseFloat(line, 64)
	if !ok || err != nil {
		t.Fatalf("no metric %s: %v", name, err)
	}
	return v
}

// alarmsOf are the changes of one rule that the record holds, in order.
func alarmsOf(t *testing.T, dir string, rule alarm.Rule) []alarm.Reason {
	t.Helper()
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	events, err := r.Events(t.Context(), 0, 100_000)
	if err != nil {
		t.Fatal(err)
	}
	var out []alarm.Reason
	for _, e := range events {
		if e.Alarm != nil && e.Alarm.Rule == rule {
			out = append(out, e.Alarm.Reason)
		}
	}
	return out
}

// SIGTERM while a probe is polled as fast as it answers: but for the answer on its
// way each is in the record, the stop is quick, and the alarm stands after the start.
func TestFaultTerminatedInABurst(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	link, truthFile, record := filepath.Join(dir, "probe"), filepath.Join(dir, "truth.csv"), filepath.Join(dir, "record")
	probe := simulated(t, link, truthFile, "--speed=30")
	file := configured(t, link, "")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(string(text), `poll = "100 ms"`, "poll = \"20 ms\"\ntimeout = \"20 ms\"", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	rounds, raised, seen, late, slowest := counts(3, 50), false, 0, 0, time.Duration(0)
	for range rounds {
		d := program(t, "run", "--storage.path="+record, "--web.listen-address=127.0.0.1:0", "--config.file="+file)
		addr := d.address(t)
		if raised && !strings.Contains(d.metrics(t, addr), exceedsActive) {
			t.Error("the alarm that stood at the stop does not stand after the start")
		}
		waitFor(t, 60*time.Second, "samples and the alarm", func() bool {
			return len(readSamples(t, record)) > seen+50 && strings.Contains(d.metrics(t, addr), exceedsActive)
		})
		raised = true
		late += counted(t, d.metrics(t, addr), `reason="unanswered"`) // of a machine that is busy otherwise; told, so not lost
		slowest = max(slowest, d.terminate(t))
		seen = len(readSamples(t, record))
	}
	probe.terminate(t)
	samples, answers := readSamples(t, record), readTruth(t, truthFile)
	whole(t, samples)
	if lost := len(answers) - len(samples); lost < 0 || lost > rounds+late {
		t.Errorf("%d samples of %d answers in %d stops, %d late: more than the one on its way is lost", len(samples), len(answers), rounds, late)
	}
	if slowest > 5*time.Second {
		t.Errorf("a stop took %v", slowest)
	}
	if got := alarmsOf(t, record, alarm.Exceeds); len(got) == 0 || got[0] != alarm.Raised {
		t.Errorf("changes of the alarm: %v", got)
	}
	t.Logf("%d stops: %d samples of %d answers, %d late; the slowest took %v", rounds, len(samples), len(answers), late, slowest)
}

// Two daemons on one record, on one address, and on one port: the second says who
// holds it, and the first is not disturbed.
func TestFaultTwoDaemons(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	link, truthFile, record := filepath.Join(dir, "probe"), filepath.Join(dir, "truth.csv"), filepath.Join(dir, "record")
	simulated(t, link, truthFile)
	file := configured(t, link, "")
	first := program(t, "run", "--storage.path="+record, "--web.listen-address=127.0.0.1:0", "--config.file="+file)
	addr := first.address(t)
	waitFor(t, 20*time.Second, "samples", func() bool { return len(readSamples(t, record)) > 5 })
	refused := func(want string, args ...string) {
		t.Helper()
		second := program(t, append([]string{"run", "--config.file=" + file}, args...)...)
		select {
		case <-second.done:
			if second.err == nil || !strings.Contains(second.log.String(), want) {
				t.Errorf("%v ended with %v, want %q in: %s", args, second.err, want, second.log)
			}
		case <-time.After(20 * time.Second):
			t.Errorf("%v was not refused", args)
		}
	}
	refused(fmt.Sprintf("process %d writes to %s", first.cmd.Process.Pid, record), "--storage.path="+record, "--web.listen-address=127.0.0.1:0")
	refused(fmt.Sprintf("(process %d); choose another address", first.cmd.Process.Pid), "--storage.path="+filepath.Join(dir, "other"), "--web.listen-address="+addr)

	third := program(t, "run", "--storage.path="+filepath.Join(dir, "third"), "--web.listen-address=127.0.0.1:0", "--config.file="+file)
	waitFor(t, 20*time.Second, "the port to be refused", func() bool { return strings.Contains(third.log.String(), "held by") })
	waitFor(t, 30*time.Second, "the alarm of the one that cannot read", func() bool { return strings.Contains(third.metrics(t, third.address(t)), silentActive) })
	if n := len(readSamples(t, filepath.Join(dir, "third"))); n != 0 {
		t.Errorf("%d samples from a port that another process holds", n)
	}
	third.terminate(t)
	n := len(readSamples(t, record))
	waitFor(t, 20*time.Second, "the first to go on", func() bool { return len(readSamples(t, record)) > n+5 })
	first.terminate(t)
	whole(t, readSamples(t, record))
	if got := alarmsOf(t, record, alarm.Silent); len(got) > 0 {
		t.Errorf("the first became silent: %v", got)
	}
}
