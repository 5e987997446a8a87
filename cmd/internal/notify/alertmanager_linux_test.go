package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/advice"
	"ovenward/drivers/driverstest"
)

// gettable is gettableAlert of Alertmanager's API, version 2.
type gettable struct {
	Labels       map[string]string
	Annotations  map[string]string
	StartsAt     time.Time
	EndsAt       time.Time
	GeneratorURL string
	Fingerprint  string
}

// realAlertmanager runs Debian's Alertmanager and returns its address.
func realAlertmanager(t *testing.T) string {
	t.Helper()
	program := driverstest.Program(t, "prometheus-alertmanager")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	dir := t.TempDir()
	file := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(file, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, program, "--config.file="+file, "--storage.path="+dir, "--web.listen-address="+address, "--cluster.listen-address=")
	cmd.WaitDelay = 5 * time.Second
	if err := cmd.Start(); err != nil {
		cancel()
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		cmd.Wait()
	})
	until(t, "Alertmanager is ready", func() bool {
		resp, err := http.Get("http://" + address + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
	return "http://" + address
}

// alertsAt lists what fires, by name and post.
func alertsAt(t *testing.T, url string) map[string]gettable {
	t.Helper()
	resp, err := http.Get(url + "/api/v2/alerts")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var all []gettable
	if err := json.NewDecoder(resp.Body).Decode(&all); err != nil {
		t.Fatal(err)
	}
	out := map[string]gettable{}
	for _, a := range all {
		out[strings.TrimSpace(a.Labels["alertname"]+" "+a.Labels["post"])] = a
	}
	return out
}

func startAlertmanager(t *testing.T, box *outbox, url string) (stop func() Stats) {
	t.Helper()
	carrier, err := NewAlertmanager(AlertmanagerOptions{URL: url + "/", Resend: 250 * time.Millisecond, Timeout: deadline})
	if err != nil {
		t.Fatal(err)
	}
	now := &stands{}
	now.set("seeing", false)
	c, err := New(Options{Outbox: box, Carrier: carrier, Machine: true, Site: "Larkfield House", Posts: larkfield(), Link: "http://larkfield.example/",
		Heartbeat: time.Hour, Snapshot: now.snapshot})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	return func() Stats {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		return c.Stats()
	}
}

// An alarm is one alert from raise to return: it does not expire while it
// stands, a latched or shelved one neither, nor across a restart of ours; it ends
// when the alarm ends. The heartbeat always fires.
func TestAlertmanager(t *testing.T) {
	t.Parallel()
	url := realAlertmanager(t)
	box := newOutbox()
	box.cursors["webhook.first"] = 1
	stop := startAlertmanager(t, box, url)
	now := time.Now()
	box.happen(raised(7, alarm.Exceeds, now))
	box.happen(raised(3, alarm.Stuck, now))
	settled(t, box, 2)
	first := alertsAt(t, url)
	loud := first["OvenwardExceeds post-7"]
	for name, want := range map[string]string{"site": "Larkfield House", "oven": "oven-7", "place": "main kitchen", "probe": "p7",
		"rule": "exceeds", "priority": "high", "severity": "critical"} {
		if loud.Labels[name] != want {
			t.Errorf("label %s is %q, want %q", name, loud.Labels[name], want)
		}
	}
	if !strings.Contains(loud.Annotations["description"], advice.StopOven) || loud.Annotations["caution"] != Caution || loud.GeneratorURL != "http://larkfield.example/posts/post-7" {
		t.Errorf("annotations %v, %s", loud.Annotations, loud.GeneratorURL)
	}
	until(t, "the heartbeat fires", func() bool { return alertsAt(t, url)["OvenwardHeartbeat"].Labels != nil })
	if beat := alertsAt(t, url)["OvenwardHeartbeat"]; beat.EndsAt.Sub(now) < 3*time.Hour-time.Minute || beat.Annotations["summary"] != "Larkfield House: all 1 posts seeing, no alarm" {
		t.Errorf("heartbeat %+v", beat)
	}
	latched := change(7, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ReturnedLatched, now.Add(time.Second))
	latched.Alarm.Since = raised(7, alarm.Exceeds, now).Alarm.Since
	box.happen(latched)
	shelved := change(7, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.WasShelved, now.Add(2*time.Second))
	shelved.Alarm.Aside, shelved.Alarm.By, shelved.Alarm.Since = alarm.Shelved, "M. Ito", latched.Alarm.Since
	box.happen(shelved)
	settled(t, box, 4)
	// It would have expired 1 s after it was last sent.
	past := time.Now().Add(1500 * time.Millisecond)
	until(t, "what stands is sent again", func() bool {
		a := alertsAt(t, url)["OvenwardExceeds post-7"]
		if a.Fingerprint != loud.Fingerprint {
			t.Fatalf("the alert is gone, or another: %+v", a)
		}
		return a.EndsAt.After(past) && time.Now().After(past)
	})
	box.happen(change(3, alarm.Stuck, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
	settled(t, box, 5)
	until(t, "what returned ends", func() bool { _, fires := alertsAt(t, url)["OvenwardStuck post-3"]; return !fires })
	if s := stop(); s.Sent != 5 || s.Failed != 0 {
		t.Errorf("stats %+v", s)
	}
	until(t, "without us it expires", func() bool { _, fires := alertsAt(t, url)["OvenwardExceeds post-7"]; return !fires })
	stop = startAlertmanager(t, box, url)
	until(t, "after a restart it fires again", func() bool {
		return alertsAt(t, url)["OvenwardExceeds post-7"].Fingerprint == loud.Fingerprint
	})
	if _, fires := alertsAt(t, url)["OvenwardStuck post-3"]; fires {
		t.Error("what returned fires again")
	}
	box.happen(change(7, alarm.Exceeds, alarm.Normal, alarm.WasReset, time.Now()))
	until(t, "a reset ends it", func() bool { _, fires := alertsAt(t, url)["OvenwardExceeds post-7"]; return !fires })
	stop()
}

// A test is an alert of its own that ends by itself.
func TestAlertmanagerTest(t *testing.T) {
	t.Parallel()
	url := realAlertmanager(t)
	c, err := NewAlertmanager(AlertmanagerOptions{URL: url})
	if err != nil {
		t.Fatal(err)
	}
	answer, err := Test(t.Context(), c, TestMessage("Larkfield House", "fleet", "", time.Now(), nil))
	if err != nil || answer != "HTTP 200 OK" {
		t.Errorf("%q, %v", answer, err)
	}
	a := alertsAt(t, url)["OvenwardTest"]
	if a.Labels["test"] != "true" || time.Until(a.EndsAt) > time.Minute || !strings.Contains(a.Annotations["description"], "TEST") {
		t.Errorf("%+v", a)
	}
	if got := fmt.Sprint(alertName("certificate-due"), alertName("exceeds:people"), alertName("silent")); got != "OvenwardCertificateDueOvenwardExceedsOvenwardSilent" {
		t.Errorf("names %s", got)
	}
}
