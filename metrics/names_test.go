package metrics

import (
	"bytes"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"

	"ovenward/drivers/driverstest"
)

// checkName says what is wrong with a metric's name and kind by the rules of
// this house: one base unit, spelled out, at the end; _total on counters alone;
// what has no unit is a ratio, an info, a count of things or a 0/1 state, and is
// listed.
func checkName(name string, kind dto.MetricType) error {
	rest, ok := strings.CutPrefix(name, "ovenward_")
	if !ok {
		return fmt.Errorf("%s: want the prefix ovenward_", name)
	}
	rest, total := strings.CutSuffix(rest, "_total")
	if total != (kind == dto.MetricType_COUNTER) {
		return fmt.Errorf("%s: _total belongs to counters, and to all of them; this is a %s", name, kind)
	}
	units := []string{"watts_per_square_meter", "joules_per_square_meter", "seconds", "bytes", "celsius", "volts"}
	ends := ""
	for _, u := range units {
		if rest == u || strings.HasSuffix(rest, "_"+u) {
			ends = u
		}
	}
	base := strings.TrimSuffix(strings.TrimSuffix(rest, ends), "_")
	words := strings.Split(base, "_")
	for _, w := range words {
		if bad := notBase(); slices.Contains(bad, w) {
			return fmt.Errorf("%s: %q is no base unit, or stands where no unit may", name, w)
		}
		for _, p := range []string{"milli", "micro", "nano", "kilo", "mega", "centi", "deci"} {
			if strings.HasPrefix(w, p) {
				return fmt.Errorf("%s: %q is a multiple of a unit", name, w)
			}
		}
	}
	if ends != "" {
		return nil
	}
	things := []string{"samples", "errors", "opens", "sent", "failed_attempts", "refused", "waiting", "coalesced", "unlisted", "late_answers", "stretches", "commits", "entries"}
	states := []string{"alarm_active", "alarm_unacknowledged", "probe_up", "probe_battery_low", "post_blind",
		"post_condition", "post_regard", "alarm_state", "oven_withdrawn", "post_verdict", "limit_verdict", "sum_verdict", "oven_running", "record_writable", "record_commit_number_kept", "courier_failing", "simulated", "remote_write_held_back", "config_last_reload_successful"}
	for _, end := range append(things, "ratio", "info") {
		if rest == end || strings.HasSuffix(rest, "_"+end) {
			return nil
		}
	}
	if slices.Contains(states, rest) {
		return nil
	}
	return fmt.Errorf("%s: ends in no base unit and is no listed ratio, info, count or state", name)
}

// notBase lists words that may not stand in a name before its unit.
func notBase() []string {
	return []string{"watts", "watt", "joules", "joule", "seconds", "second", "meter", "meters", "metre", "metres", "bytes", "byte",
		"mw", "uw", "w", "kw", "cm", "cm2", "m2", "mm", "ms", "us", "ns", "s", "minutes", "hours", "days", "min", "percent", "pct",
		"volts", "v", "db", "dbm", "hertz", "mhz", "ghz", "celsius", "fahrenheit", "square", "per"}
}

func families(t *testing.T) []*dto.MetricFamily {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	if err := r.Register(newSite(wholeSite)); err != nil {
		t.Fatal(err)
	}
	all, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestNamesHoldToBaseUnits(t *testing.T) {
	all := families(t)
	if len(all) < 30 {
		t.Fatalf("%d metrics, want them all", len(all))
	}
	for _, f := range all {
		if err := checkName(f.GetName(), f.GetType()); err != nil {
			t.Error(err)
		}
	}
}

// The test above finds what promtool lets pass.
func TestBadNamesAreFound(t *testing.T) {
	const gauge, counter = dto.MetricType_GAUGE, dto.MetricType_COUNTER
	for name, kind := range map[string]dto.MetricType{
		"ovenward_power_density_milliwatts":                           gauge,
		"ovenward_power_density_milliwatts_per_square_meter":          gauge,
		"ovenward_power_density_mw_cm2":                               gauge,
		"ovenward_power_density_watts_per_square_centimeter":          gauge,
		"ovenward_power_density_watts_per_square_metre":               gauge,
		"ovenward_power_density_watts":                                gauge,
		"ovenward_power_density":                                      gauge,
		"ovenward_watts_per_square_meter_seconds":                     gauge,
		"ovenward_round_trip_ms":                                      gauge,
		"ovenward_round_trip_milliseconds":                            gauge,
		"ovenward_uptime_minutes":                                     gauge,
		"ovenward_limit_percent":                                      gauge,
		"ovenward_observed_seconds":                                   counter,
		"ovenward_last_sample_timestamp_seconds_total":                gauge,
		"ovenward_energy_density_kilojoules_per_square_meter_total":   counter,
		"power_density_watts_per_square_meter":                        gauge,
		"ovenward_sample_power_density_watts_per_square_meter_joules": dto.MetricType_HISTOGRAM,
	} {
		if err := checkName(name, kind); err == nil {
			t.Errorf("%s passes as a %s", name, kind)
		}
	}
}

func TestPromlintIsSilent(t *testing.T) {
	problems, err := promlint.New(strings.NewReader(exposition(t, newSite(wholeSite)))).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestPromtoolIsSilent(t *testing.T) {
	cmd := exec.CommandContext(t.Context(), driverstest.Program(t, "promtool"), "check", "metrics")
	cmd.Stdin = strings.NewReader(exposition(t, newSite(wholeSite)))
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Run(); err != nil || said.Len() > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, said.String())
	}
}
