package rules

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ovenward/metrics"
)

// scrapeEvery is how often the series of testdata/kitchen.series were scraped.
const scrapeEvery = 5

// recorded is what a daemon served, scraped every five seconds from its start on, by
// testdata/record.py: the model kitchen at five times its speed, where the pantry's
// seal fails, with a fourth post whose probe, simulated by a process of its own, was
// ended after two minutes; the daemon itself was ended after four and a half.
func recorded(t *testing.T) map[string]string {
	t.Helper()
	b, err := os.ReadFile("testdata/kitchen.series")
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for line := range strings.Lines(string(b)) {
		series, values, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "\t")
		if !ok {
			t.Fatalf("no series: %.60q", line)
		}
		all[series] = values
	}
	return all
}

var labelled = regexp.MustCompile(`(\w+)="`)

// What was recorded is what is served today: a metric that got another name or other
// labels since must be recorded anew.
func TestRecordedSeriesAreServed(t *testing.T) {
	list := metrics.List()
	for series := range recorded(t) {
		name, labels, _ := strings.Cut(series, "{")
		if name == "up" {
			continue
		}
		i := slices.IndexFunc(list, func(m metrics.Metric) bool { return m.Name == name || m.Histogram && isPartOf(name, m.Name) })
		if i < 0 {
			t.Errorf("%s is served no more", name)
			continue
		}
		var has []string
		for _, l := range labelled.FindAllStringSubmatch(labels, -1) {
			has = append(has, l[1])
		}
		if want := slices.Sorted(slices.Values(list[i].Labels)); !slices.Equal(has, want) {
			t.Errorf("%s was recorded with labels %v, and has %v", name, has, want)
		}
	}
}

// fires is that alerts of a name fire just at these posts, or just with these labels,
// at an instant of the recording; none: that nothing of the name does.
type fires struct {
	at    string
	alert string
	with  []map[string]string
}

func post(id, oven, probe string) map[string]string {
	return map[string]string{"site": "model kitchen", "post": id, "oven": oven, "probe": probe}
}

func and(labels map[string]string, more ...string) map[string]string {
	out := map[string]string{}
	for k, v := range labels {
		out[k] = v
	}
	for i := 0; i < len(more); i += 2 {
		out[more[i]] = more[i+1]
	}
	return out
}

// expected is what people must be told of the recording, by what was done in it.
func expected() []fires {
	pantry, galley := post("pantry-door", "pantry", "probe-2"), post("galley-door", "galley", "probe-4")
	site := map[string]string{"site": "model kitchen"}
	none := []map[string]string(nil)
	one := func(l map[string]string) []map[string]string { return []map[string]string{l} }
	return []fires{
		{"5s", "OvenwardFieldAlarm", none},
		{"60s", "OvenwardFieldAlarm", one(and(pantry, "rule", "exceeds"))},
		{"60s", "OvenwardVerdictExceeds", one(and(pantry, "verdict", "exceeds"))},
		{"100s", "OvenwardPostBlind", none},
		{"100s", "OvenwardNoFreshSample", none},
		{"180s", "OvenwardPostBlind", one(galley)},
		{"200s", "OvenwardNoFreshSample", one(galley)},
		{"200s", "OvenwardNeverSawAField", none},
		{"240s", "OvenwardFieldAlarm", one(and(pantry, "rule", "exceeds"))}, // latched
		{"240s", "OvenwardCourierFails", one(and(site, "courier", "desk"))},
		{"240s", "OvenwardNotScraped", none},
		{"240s", "OvenwardAbsent", none},
		{"240s", "OvenwardNoPosts", none},
		{"240s", "OvenwardRecordNotWritten", none},
		{"240s", "OvenwardRecordLoses", none},
		{"240s", "OvenwardReloadRefused", none},
		{"240s", "OvenwardOverRange", none},
		{"310s", "OvenwardNotScraped", one(map[string]string{"job": "ovenward"})},
		{"400s", "OvenwardAbsent", one(map[string]string{})},
		{"400s", "OvenwardNoPosts", one(map[string]string{})},
		{"400s", "OvenwardRulesWork", one(map[string]string{})},
	}
}

// TestRulesOnTheModelKitchen has promtool evaluate the rules on what was recorded.
func TestRulesOnTheModelKitchen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "test.yml")
	write := func(all []fires) {
		t.Helper()
		if err := os.WriteFile(path, []byte(ruleTest(t, all)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(expected())
	run(t, "promtool", "test", "rules", path)
	// It tells where something else fires than is expected.
	wrong := expected()
	i := slices.IndexFunc(wrong, func(f fires) bool { return f.alert == "OvenwardPostBlind" && f.with != nil })
	wrong[i].with = nil
	write(wrong)
	if exec.Command("promtool", "test", "rules", path).Run() == nil {
		t.Error("promtool takes a blind post for one that no alert tells of")
	}
}

// begin begins a file for promtool test rules, of series that are scraped and rules
// that are evaluated so often.
func begin(t *testing.T, b *strings.Builder, every string) {
	t.Helper()
	folder, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(b, "rule_files: [%q, %q]\nevaluation_interval: %s\ntests:\n- interval: %s\n  input_series:\n",
		filepath.Join(folder, "recording.yml"), filepath.Join(folder, "alerting.yml"), every, every)
}

func writeSeries(b *strings.Builder, series map[string]string) {
	for _, s := range slices.Sorted(maps.Keys(series)) {
		fmt.Fprintf(b, "  - series: %s\n    values: %q\n", strconv.Quote(s), series[s])
	}
}

// ruleTest is a file for promtool test rules on the recording.
func ruleTest(t *testing.T, all []fires) string {
	t.Helper()
	var b strings.Builder
	begin(t, &b, fmt.Sprintf("%ds", scrapeEvery))
	writeSeries(&b, recorded(t))
	b.WriteString("  promql_expr_test:\n")
	for _, e := range []struct{ at, expr, labels, value string }{
		{"100s", "site:ovenward_post_blind:sum", `site:ovenward_post_blind:sum{site="model kitchen"}`, "0"},
		{"200s", "site:ovenward_post_blind:sum", `site:ovenward_post_blind:sum{site="model kitchen"}`, "1"},
		{"200s", "site:ovenward_post_blind:count", `site:ovenward_post_blind:count{site="model kitchen"}`, "4"},
		{"200s", `post:ovenward_alarm_active:field{post="galley-door"}`, `post:ovenward_alarm_active:field{oven="galley",post="galley-door",probe="probe-4",site="model kitchen"}`, "0"},
	} {
		fmt.Fprintf(&b, "  - expr: %s\n    eval_time: %s\n    exp_samples:\n    - labels: %s\n      value: %s\n", strconv.Quote(e.expr), e.at, strconv.Quote(e.labels), e.value)
	}
	// Where a daemon is gone, nothing that is known of posts stands in its place.
	b.WriteString("  - expr: site:ovenward_post_blind:sum\n    eval_time: 400s\n    exp_samples: []\n  alert_rule_test:\n")
	for _, f := range all {
		writeFires(&b, f)
	}
	return b.String()
}

func writeFires(b *strings.Builder, f fires) {
	i := slices.IndexFunc(Alerts(), func(a Alert) bool { return a.Name == f.alert })
	a := Alerts()[i]
	fmt.Fprintf(b, "  - eval_time: %s\n    alertname: %s\n    exp_alerts:", f.at, f.alert)
	if len(f.with) == 0 {
		b.WriteString(" []")
	}
	b.WriteString("\n")
	for _, labels := range f.with {
		fmt.Fprintf(b, "    - exp_labels: {severity: %s", a.Severity)
		text := func(s string) string {
			for k, v := range labels {
				s = strings.ReplaceAll(s, "{{ $labels."+k+" }}", v)
			}
			return regexp.MustCompile(`\{\{ \$labels\.\w+ \}\}`).ReplaceAllString(s, "")
		}
		for k, v := range labels {
			fmt.Fprintf(b, ", %s: %q", k, v)
		}
		fmt.Fprintf(b, "}\n      exp_annotations: {summary: %s, action: %s}\n", strconv.Quote(text(a.Summary)), strconv.Quote(text(a.Action)))
	}
}
