package main

import (
	"bufio"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"testing"
	"time"

	"ovenward/drivers/driverstest"
	"ovenward/metrics/remotewrite"
)

// TestVictoriaMetricsGetsEverySample does the same with Debian's victoria-metrics,
// over several days.
func TestVictoriaMetricsGetsEverySample(t *testing.T) {
	t.Parallel()
	program := driverstest.Program(t, "victoria-metrics")
	addr := freePort(t)
	background(t, program, "-httpListenAddr="+addr, "-storageDataPath="+t.TempDir(), "-retentionPeriod=1y")
	waitFor(t, 30*time.Second, "victoria-metrics to be ready", func() bool {
		resp, err := http.Get("http://" + addr + "/health")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
	s := history(t, t.TempDir(), time.Now().Add(-72*time.Hour).Truncate(time.Second), 4000, recordedPost("hatch-door"))
	w, _ := sending(t, s, remotewrite.Options{URL: "http://" + addr + "/api/v1/write", History: 30 * 24 * time.Hour})
	want := expected(t, s, "hatch-door", time.Time{})
	waitFor(t, 60*time.Second, "all samples in victoria-metrics", func() bool {
		if resp, err := http.Get("http://" + addr + "/internal/force_flush"); err == nil {
			resp.Body.Close()
		}
		return len(victoriaSeries(t, addr, value("hatch-door"))) >= len(want)
	})
	// It keeps decimal numbers of some 15 digits.
	same(t, "hatch-door", victoriaSeries(t, addr, value("hatch-door")), want, 1e-14)
	if st := w.Stats(); st.Refused+st.TooOld+st.Failed != 0 {
		t.Errorf("%+v", st)
	}
}

func victoriaSeries(t *testing.T, addr, selector string) points {
	t.Helper()
	resp, err := http.Get("http://" + addr + "/api/v1/export?" + url.Values{"match[]": {selector}}.Encode())
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	out := points{}
	in := bufio.NewReader(resp.Body)
	for {
		line, err := in.ReadBytes('\n')
		if len(line) > 0 {
			var one struct {
				Values     []*float64 `json:"values"`
				Timestamps []int64    `json:"timestamps"`
			}
			if err := json.Unmarshal(line, &one); err != nil {
				t.Fatalf("%v in %.200q", err, line)
			}
			for i, v := range one.Values {
				if v != nil { // null is a staleness marker
					out[one.Timestamps[i]] = *v
				}
			}
		}
		if err == io.EOF {
			return out
		}
		if err != nil {
			return nil
		}
	}
}
