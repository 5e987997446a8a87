package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/drivers/driverstest"
)

// TestFleetRules has Debian's promtool check the rules that the README shows, and
// run them over invented series.
func TestFleetRules(t *testing.T) {
	t.Parallel()
	promtool := driverstest.Program(t, "promtool")
	for _, args := range [][]string{{"check", "rules", "fleet.rules.yml"}, {"test", "rules", "fleet.rules-test.yml"}} {
		cmd := exec.CommandContext(t.Context(), promtool, args...)
		cmd.Dir = "../../testdata"
		if said, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %v: %v\n%s", args, err, said)
		}
	}
}

// TestDaemonSendsByRemoteWrite: the section of the configuration is all it takes,
// and the page's metrics tell how it fares.
func TestDaemonSendsByRemoteWrite(t *testing.T) {
	t.Parallel()
	var bytes atomic.Int64
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		n, _ := io.Copy(io.Discard, r.Body)
		bytes.Add(n)
		w.WriteHeader(http.StatusNoContent)
	}))
	defer far.Close()
	p := driverstest.OpenPTY(t)
	driverstest.Answer(t, p, "\n", func(int, string) string { return "1.23,mW/cm2,OK\r\n" })
	d := startDaemon(t, settings{storagePath: t.TempDir(),
		configFile: configured(t, p.Path, "[[remote_write]]\nid = \"fleet\"\nevery = \"1 s\"\nurl = \""+far.URL+"/api/v1/write\"\n")})
	const sent = `ovenward_remote_write_samples_total{outcome="sent",site="Larkfield House",target="fleet"} `
	waitFor(t, 20*time.Second, "samples to be sent", func() bool {
		_, rest, ok := strings.Cut(d.get(t, "/metrics"), sent)
		return ok && !strings.HasPrefix(rest, "0\n")
	})
	text := d.get(t, "/metrics")
	if !strings.Contains(text, `ovenward_remote_write_held_back{site="Larkfield House",target="fleet"} 0`) || bytes.Load() == 0 {
		t.Errorf("%d bytes came; the metrics say:\n%s", bytes.Load(), text)
	}
}
