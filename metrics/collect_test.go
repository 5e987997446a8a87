package metrics

import (
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// value finds the value of a series of post grill-door in text; more is what
// follows its four labels.
func value(text, name, more string) (string, bool) {
	series := name + "{"
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, series) && strings.Contains(line, `post="grill-door"`) && strings.Contains(line, more) {
			return strings.TrimSpace(line[strings.LastIndex(line, " ")+1:]), true
		}
	}
	return "absent", false
}

// What is not known has no series: it is never zero and never the last value.
func TestUnknownIsAbsent(t *testing.T) {
	const power, ratio, peak, running = "ovenward_power_density_watts_per_square_meter", "ovenward_limit_ratio",
		"ovenward_power_density_max_watts_per_square_meter", "ovenward_oven_running"
	blind := func(c acquire.Condition) func(*acquire.Stats) {
		return func(s *acquire.Stats) { s.Condition = c }
	}
	for _, tt := range []struct {
		name        string
		set         func(s *acquire.Stats)
		power, peak string
		ratio       string
		running     string
	}{
		{"seeing", func(*acquire.Stats) {}, "6.25", "8", "0.125", "1"},
		{"idle", func(s *acquire.Stats) { s.Condition, s.Running = acquire.Idle, false }, "6.25", "8", "0.125", "0"},
		{"below zero after zeroing", func(s *acquire.Stats) { s.Last.S, s.Verdict.Ratio = -0.25, -0.005 }, "-0.25", "8", "-0.005", "1"},
		{"so far below zero that the zero is off", func(s *acquire.Stats) { s.Last.S, s.Verdict.Ratio = -30, -0.6 }, "absent", "8", "absent", "absent"},
		{"starting", blind(acquire.Starting), "absent", "8", "absent", "absent"},
		{"stale", blind(acquire.StaleNow), "absent", "8", "absent", "absent"},
		{"stuck", blind(acquire.StuckNow), "absent", "8", "absent", "absent"},
		{"silent", blind(acquire.SilentNow), "absent", "8", "absent", "absent"},
		{"no sample yet", func(s *acquire.Stats) {
			s.Last, s.Newest = acquire.Sample{}, acquire.Sample{}
			s.Counts.HasPeak, s.Verdict.Ratio = false, math.NaN()
		}, "absent", "absent", "absent", "1"},
		{"not a number", func(s *acquire.Stats) { s.Last.S = nan(); s.Verdict.Ratio = math.NaN() }, "absent", "8", "absent", "1"},
		{"infinite", func(s *acquire.Stats) { s.Last.S = inf(); s.Verdict.Ratio = math.Inf(1) }, "absent", "8", "absent", "1"},
		{"older than stale", func(s *acquire.Stats) { s.Now = s.Last.At.Add(3 * time.Second) }, "absent", "8", "absent", "1"},
		{"minutes without a sample", func(s *acquire.Stats) { s.Now = s.Last.At.Add(121 * time.Second) }, "absent", "absent", "absent", "1"},
		{"over range", func(s *acquire.Stats) { s.OverRange = true }, "absent", "8", "+Inf", "1"},
		{"over range, no valid sample for long", func(s *acquire.Stats) {
			s.OverRange, s.Condition = true, acquire.StaleNow
			s.Last.At = s.Now.Add(-time.Hour)
		}, "absent", "8", "+Inf", "absent"},
		{"over range, then silent", func(s *acquire.Stats) { s.OverRange, s.Condition = true, acquire.SilentNow }, "absent", "8", "absent", "absent"},
		{"over range long ago", func(s *acquire.Stats) { s.OverRange = true; s.Now = s.Now.Add(time.Minute) }, "absent", "8", "absent", "1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			text := exposition(t, newSite(func(p []acquire.Post) []acquire.Stats {
				s := seeing(&p[0])
				tt.set(&s)
				return []acquire.Stats{s}
			}))
			for name, want := range map[string]string{power: tt.power, ratio: tt.ratio, peak: tt.peak, running: tt.running} {
				if got, _ := value(text, name, ""); got != want {
					t.Errorf("%s is %s, want %s", name, got, want)
				}
			}
		})
	}
}

// Every class of samples and every condition is always there, so that a rate
// over it never starts from nothing.
func TestAllClassesAndConditions(t *testing.T) {
	text := exposition(t, newSite(func(p []acquire.Post) []acquire.Stats {
		return []acquire.Stats{{Post: &p[0], Now: noon(), Condition: acquire.Starting}}
	}))
	for _, class := range acquire.Classes() {
		if got, ok := value(text, "ovenward_samples_total", `quality="`+class+`"`); !ok || got != "0" {
			t.Errorf("class %s is %s, want 0", class, got)
		}
	}
	for _, c := range conditions() {
		want := "0"
		if c == acquire.Starting {
			want = "1"
		}
		if got, _ := value(text, "ovenward_post_condition", `condition="`+string(c)+`"`); got != want {
			t.Errorf("condition %s is %s, want %s", c, got, want)
		}
	}
	for _, gone := range []string{"ovenward_last_sample_timestamp_seconds", "ovenward_round_trip_seconds"} {
		if got, ok := value(text, gone, ""); ok {
			t.Errorf("%s is %s without a sample, want none", gone, got)
		}
	}
	if got, _ := value(text, "ovenward_post_blind", ""); got != "1" {
		t.Errorf("post_blind is %s before the first answer, want 1", got)
	}
}

// An alarm is active as ISA-18.2 sees it: condition present, or latched.
func TestAlarmStates(t *testing.T) {
	for _, tt := range []struct {
		state              alarm.State
		active, unanswered string
	}{
		{"", "0", "0"},
		{alarm.Normal, "0", "0"},
		{alarm.Unacknowledged, "1", "1"},
		{alarm.Acknowledged, "1", "0"},
		{alarm.ReturnedUnacknowledged, "0", "1"},
		{alarm.LatchedUnacknowledged, "1", "1"},
		{alarm.LatchedAcknowledged, "1", "0"},
	} {
		text := exposition(t, newSite(func(p []acquire.Post) []acquire.Stats {
			s := seeing(&p[0])
			s.Alarms = rules(tt.state, alarm.Normal)
			return []acquire.Stats{s}
		}))
		active, _ := value(text, "ovenward_alarm_active", `rule="exceeds"`)
		unanswered, _ := value(text, "ovenward_alarm_unacknowledged", `rule="exceeds"`)
		if active != tt.active || unanswered != tt.unanswered {
			t.Errorf("state %q: active %s, unacknowledged %s; want %s, %s", tt.state, active, unanswered, tt.active, tt.unanswered)
		}
	}
}

// A post that does not see is within nothing, whatever its snapshot says; an
// exceedance is never taken away.
func TestBlindIsNeverWithin(t *testing.T) {
	for _, tt := range []struct {
		condition  acquire.Condition
		said, want limit.Outcome
	}{
		{acquire.Seeing, limit.Within, limit.Within},
		{acquire.StuckNow, limit.Within, limit.NotDecided},
		{acquire.SilentNow, limit.Within, limit.NotDecided},
		{acquire.StuckNow, limit.Exceeds, limit.Exceeds},
		{acquire.Starting, "", limit.NotDecided},
	} {
		text := exposition(t, newSite(func(p []acquire.Post) []acquire.Stats {
			s := seeing(&p[0])
			s.Condition, s.Verdict.Outcome = tt.condition, tt.said
			return []acquire.Stats{s}
		}))
		for _, o := range []limit.Outcome{limit.Within, limit.Exceeds, limit.NotDecided} {
			want := "0"
			if o == tt.want {
				want = "1"
			}
			if got, _ := value(text, "ovenward_post_verdict", `verdict="`+string(o)+`"`); got != want {
				t.Errorf("%s, said %q: verdict %q is %s, want %s", tt.condition, tt.said, o, got, want)
			}
		}
	}
}

// One simulated probe is enough to mark everything.
func TestSimulatedIsMarked(t *testing.T) {
	for _, simulated := range []bool{false, true} {
		posts := larkfield()
		posts[2].Probe.Simulated = simulated
		text := exposition(t, New(Options{Posts: posts, Site: "Larkfield House"}))
		want := `ovenward_simulated{site="Larkfield House"} 0`
		if simulated {
			want = `ovenward_simulated{site="Larkfield House"} 1`
		}
		if !strings.Contains(text, want+"\n") {
			t.Errorf("want %s", want)
		}
	}
}

// The handler serves text with the Go runtime and the process, OpenMetrics, and
// in protobuf the native histogram.
func TestHandler(t *testing.T) {
	c := newSite(wholeSite)
	c.Observe(0, []acquire.Sample{sample(1, 6.25, 0), sample(2, 51, 0)})
	server := httptest.NewServer(c.Handler())
	defer server.Close()

	text, _ := scrape(t, server, "text/plain")
	for _, want := range []string{"ovenward_build_info{", "go_goroutines ", "process_start_time_seconds "} {
		if !strings.Contains(text, "\n"+want) {
			t.Errorf("text lacks %s", want)
		}
	}
	if open, _ := scrape(t, server, "application/openmetrics-text"); !strings.HasSuffix(open, "# EOF\n") {
		t.Error("asked for OpenMetrics, got something else")
	}
	body, format := scrape(t, server, "application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited")
	d := expfmt.NewDecoder(strings.NewReader(body), format)
	for {
		var f dto.MetricFamily
		if err := d.Decode(&f); err != nil {
			t.Fatalf("no histogram of samples in protobuf: %v", err)
		}
		if f.GetName() != "ovenward_sample_power_density_watts_per_square_meter" {
			continue
		}
		i := slices.IndexFunc(f.GetMetric(), func(m *dto.Metric) bool { return m.GetHistogram().GetSampleCount() == 2 })
		if i < 0 {
			t.Fatalf("no post has the 2 samples that were observed")
		}
		h := f.GetMetric()[i].GetHistogram()
		if h.Schema == nil || h.GetSchema() != 3 || len(h.GetPositiveSpan()) != 2 || len(h.GetBucket()) == 0 {
			t.Errorf("schema %v, %d spans, %d classic buckets; want 3, 2 and some", h.Schema, len(h.GetPositiveSpan()), len(h.GetBucket()))
		}
		return
	}
}

func scrape(t *testing.T, server *httptest.Server, accept string) (string, expfmt.Format) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept", accept)
	resp, err := server.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("scraping %s: status %d, %v", accept, resp.StatusCode, err)
	}
	return string(body), expfmt.ResponseFormat(resp.Header)
}
