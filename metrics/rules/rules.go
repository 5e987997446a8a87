// Package rules makes what people who monitor need beside the metrics: recording and
// alerting rules for Prometheus, a dashboard as JSON, an example for Alertmanager, and
// the tables of the guide. All of it is text made from the one list of metrics, so
// that none goes stale: the files beside this one are what the functions return, and
// a test compares them. Units are those of the metrics: W/m², seconds, ratios.
//
// It must not ask anything, and must never let the unknown pass for something known:
// what is absent stays absent or alerts, and a post that does not see is told of as
// loudly as a field above its limit.
package rules

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ovenward/metrics"
)

// Field matches the alarms about a field: above a limit, or where none may be.
const Field = `rule=~"exceeds|exceeds:.*|emission|open-door"`

// Severities of alerts.
const (
	Critical = "critical" // somebody goes and looks at once: a field, or nobody knows
	Warning  = "warning"  // somebody looks today
	Beat     = "none"     // fires always: where it stays away, the rules are not evaluated
)

// Recording is one recording rule.
type Recording struct {
	Name string
	Expr string
	What string // in words
}

// Alert is one alerting rule. Summary and Action may name labels as {{ $labels.x }}.
type Alert struct {
	Name     string
	Expr     string
	For      string // as Prometheus writes spans of time
	Severity string
	Summary  string // what is so
	Action   string // what to do
}

// perPost are the labels that a post's series share.
const perPost = "(site, post, oven, probe)"

// Recordings lists the recording rules.
func Recordings() []Recording {
	return []Recording{
		{"site:ovenward_post_blind:sum", "sum by (site) (ovenward_post_blind)", "how many posts do not see"},
		{"site:ovenward_post_blind:count", "count by (site) (ovenward_post_blind)", "how many posts are watched"},
		{"post:ovenward_alarm_active:field", "max by " + perPost + " (ovenward_alarm_active{" + Field + "})", "1 while an alarm about a field stands at the post"},
		{"post:ovenward_energy_density_joules_per_square_meter:mean5m",
			"rate(ovenward_energy_density_joules_per_square_meter_total[5m]) / (rate(ovenward_observed_seconds_total[5m]) > 0)",
			"mean power density over what was seen of 5 minutes, W/m²; absent where nothing was"},
		{"post:ovenward_observed_seconds:rate5m", "rate(ovenward_observed_seconds_total[5m])", "share of 5 minutes that was seen"},
		{"post:ovenward_power_density_max_watts_per_square_meter:max1h", "max_over_time(ovenward_power_density_max_watts_per_square_meter[1h])", "the most in an hour, W/m²"},
		{"post:ovenward_read_errors:rate5m", "sum by " + perPost + " (rate(ovenward_read_errors_total[5m]))", "readings that were not had, a second"},
	}
}

// fragment finds a metric's name and the matchers behind it.
var fragment = regexp.MustCompile(`\b(ovenward_\w+)(?:\{([^}]*)\})?`)

// matched finds the label of a matcher.
var matched = regexp.MustCompile(`(\w+)\s*(?:=~|!~|!=|=)\s*"`)

// Check says what an expression names that is no metric of the list, or no label of
// that metric.
func Check(expr string) error {
	list := metrics.List()
	for _, f := range fragment.FindAllStringSubmatch(withoutRecorded(expr), -1) {
		name := f[1]
		i := slices.IndexFunc(list, func(m metrics.Metric) bool { return m.Name == name || m.Histogram && isPartOf(name, m.Name) })
		if i < 0 {
			return fmt.Errorf("%s is no metric of this program", name)
		}
		for _, l := range matched.FindAllStringSubmatch(f[2], -1) {
			if !list[i].Has(l[1]) && l[1] != "le" && l[1] != "instance" && l[1] != "job" {
				return fmt.Errorf("%s has no label %s", name, l[1])
			}
		}
	}
	return nil
}

func isPartOf(name, histogram string) bool {
	rest, ok := strings.CutPrefix(name, histogram)
	return ok && slices.Contains([]string{"_bucket", "_sum", "_count"}, rest)
}

// withoutRecorded takes the names of recording rules out of an expression.
func withoutRecorded(expr string) string {
	for _, r := range Recordings() {
		expr = strings.ReplaceAll(expr, r.Name, "")
	}
	return expr
}

// header stands above every file.
const header = "# Made by go test ./metrics/rules -update from the list of metrics: do not edit.\n"

// RecordingYAML is the file of recording rules.
func RecordingYAML() string {
	var b strings.Builder
	b.WriteString(header + "groups:\n- name: ovenward-recording\n  rules:\n")
	for _, r := range Recordings() {
		fmt.Fprintf(&b, "  # %s\n  - record: %s\n    expr: %s\n", r.What, r.Name, strconv.Quote(r.Expr))
	}
	return b.String()
}

// AlertingYAML is the file of alerting rules.
func AlertingYAML() string {
	var b strings.Builder
	b.WriteString(header + "groups:\n- name: ovenward-alerting\n  rules:\n")
	for _, a := range Alerts() {
		fmt.Fprintf(&b, "  - alert: %s\n    expr: %s\n", a.Name, strconv.Quote(a.Expr))
		if a.For != "" {
			fmt.Fprintf(&b, "    for: %s\n", a.For)
		}
		fmt.Fprintf(&b, "    labels:\n      severity: %s\n    annotations:\n      summary: %s\n      action: %s\n",
			a.Severity, strconv.Quote(a.Summary), strconv.Quote(a.Action))
	}
	return b.String()
}
