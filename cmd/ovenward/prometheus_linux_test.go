package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"ovenward/drivers/driverstest"
)

// freePort returns an address that was free a moment ago.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// background runs a peer until the test ends.
func background(t *testing.T, path string, args ...string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, path, args...)
	said := &logged{}
	cmd.Stdout, cmd.Stderr = said, said
	cmd.WaitDelay = 5 * time.Second
	if err := cmd.Start(); err != nil {
		cancel()
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		cmd.Wait()
		if t.Failed() {
			t.Logf("%s said:\n%s", path, said)
		}
	})
}

// TestPrometheusScrapesAndAlerts has Debian's Prometheus scrape the model
// kitchen and pass an alert on to Debian's Alertmanager.
func TestPrometheusScrapesAndAlerts(t *testing.T) {
	t.Parallel()
	prometheus, alertmanager := driverstest.Program(t, "prometheus"), driverstest.Program(t, "prometheus-alertmanager")
	r := startDaemon(t, settings{})
	dir, web, alerts := t.TempDir(), freePort(t), freePort(t)
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	write("rules.yml", `
groups:
  - name: ovenward
    rules:
      - alert: OverLimit
        expr: ovenward_alarm_active{rule="exceeds"} == 1
`)
	config := write("prometheus.yml", fmt.Sprintf(`
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [rules.yml]
alerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}
scrape_configs: [{job_name: ovenward, static_configs: [{targets: [%q]}]}]
`, alerts, r.Addr()))
	background(t, alertmanager, "--config.file="+write("am.yml", "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"),
		"--storage.path="+filepath.Join(dir, "am"), "--web.listen-address="+alerts, "--cluster.listen-address=")
	background(t, prometheus, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "tsdb"), "--web.listen-address="+web)

	waitFor(t, 2*time.Minute, "the alert in Alertmanager", func() bool {
		var got []struct {
			Labels map[string]string `json:"labels"`
		}
		return ask("http://"+alerts+"/api/v2/alerts", &got) && len(got) == 1 &&
			got[0].Labels["alertname"] == "OverLimit" && got[0].Labels["post"] == "pantry-door"
	})
	for query, ok := range map[string]func(float64) bool{
		`ovenward_simulated`: func(v float64) bool { return v == 1 },
		`increase(ovenward_energy_density_joules_per_square_meter_total{post="pantry-door"}[20s])
		 / increase(ovenward_observed_seconds_total{post="pantry-door"}[20s])`: func(v float64) bool { return v > 1 && v < 100 },
		`ovenward_power_density_max_watts_per_square_meter{post="pantry-door",window="1m"}`: func(v float64) bool { return v > 50 },
		`count(ovenward_probe_up == 1)`: func(v float64) bool { return v == 3 },
	} {
		var v float64
		if v = queried(t, web, query); !ok(v) {
			t.Errorf("%s is %v", query, v)
		}
	}
}

func ask(url string, into any) bool {
	resp, err := http.Get(url)
	if err != nil {
		return false // not up yet
	}
	defer resp.Body.Close()
	return resp.StatusCode == http.StatusOK && json.NewDecoder(resp.Body).Decode(into) == nil
}

func queried(t *testing.T, prometheus, query string) float64 {
	t.Helper()
	var got struct {
		Data struct {
			Result []struct {
				Value [2]any `json:"value"`
			} `json:"result"`
		} `json:"data"`
	}
	if !ask("http://"+prometheus+"/api/v1/query?query="+url.QueryEscape(query), &got) || len(got.Data.Result) != 1 {
		t.Errorf("%s gave %+v", query, got)
		return 0
	}
	var v float64
	if _, err := fmt.Sscan(got.Data.Result[0].Value[1].(string), &v); err != nil {
		t.Error(err)
	}
	return v
}
