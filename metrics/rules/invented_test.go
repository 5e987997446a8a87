package rules

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// invented is a story that the recording does not tell, since it takes longer or wants
// something to break: series as promtool writes them, and what people must be told.
type invented struct {
	name   string
	every  string // from scrape to scrape, and from evaluation to evaluation
	series map[string]string
	want   []fires
}

// of is a series of a metric with labels.
func of(metric string, labels map[string]string, more ...string) string {
	var all []string
	for k, v := range and(labels, more...) {
		all = append(all, fmt.Sprintf("%s=%q", k, v))
	}
	slices.Sort(all)
	return metric + "{" + strings.Join(all, ",") + "}"
}

// minutes is three hours of values, one a minute.
func minutes(value func(minute int) int) string {
	var all []string
	for m := range 181 {
		all = append(all, strconv.Itoa(value(m)))
	}
	return strings.Join(all, " ")
}

func TestRulesOnInventedSeries(t *testing.T) {
	pantry, galley := post("pantry-door", "pantry", "probe-2"), post("galley-door", "galley", "probe-4")
	hatch := post("hatch-door", "hatch", "probe-5")
	const valid, stale = "ovenward_last_valid_sample_timestamp_seconds", "ovenward_post_stale_seconds"
	const blind = "ovenward_post_blind"
	lost := func(p map[string]string) map[string]string {
		return map[string]string{"site": p["site"], "post": p["post"], "oven": p["oven"]}
	}
	site := map[string]string{"site": "model kitchen"}
	none := []map[string]string(nil)
	one := func(l map[string]string) []map[string]string { return []map[string]string{l} }
	state := func(p map[string]string, state string) string {
		return of("ovenward_alarm_state", p, "rule", "exceeds", "priority", "high", "state", state)
	}
	for _, tt := range []invented{
		{"a field that fell, and nobody acknowledged it", "15s", map[string]string{
			state(pantry, "unacknowledged"):          "_x4 1x11 stale",
			state(pantry, "latched, unacknowledged"): "_x16 1x80 stale",
			state(pantry, "latched, acknowledged"):   "_x97 1x40",
			state(galley, "unacknowledged"):          "_x4 1x11 stale",
			state(galley, "acknowledged"):            "_x16 1x80 stale",
			state(galley, "latched, acknowledged"):   "_x97 1x40",
		}, []fires{
			{"15m", "OvenwardUnacknowledged", none},
			{"17m", "OvenwardUnacknowledged", one(and(pantry, "rule", "exceeds"))},
			{"25m", "OvenwardUnacknowledged", none},
		}},
		{"a field that went by, and nobody acknowledged it", "15s", map[string]string{
			state(pantry, "unacknowledged"):                     "1x11 stale",
			state(pantry, "returned to normal, unacknowledged"): "_x12 1x80",
		}, []fires{
			{"17m", "OvenwardUnacknowledged", one(and(pantry, "rule", "exceeds"))},
		}},
		{"damage that a start found, after an outage", "1m", map[string]string{
			of("ovenward_record_damaged_stretches_total", site): "0x5 stale _x9 1x120",
		}, []fires{
			{"14m", "OvenwardRecordDamaged", none},
			{"16m", "OvenwardRecordDamaged", one(site)},
			{"2h", "OvenwardRecordDamaged", one(site)},
		}},
		{"damage that the first start found", "1m", map[string]string{
			of("ovenward_record_damaged_stretches_total", site): "1x120",
		}, []fires{
			{"0s", "OvenwardRecordDamaged", one(site)},
			{"2h", "OvenwardRecordDamaged", one(site)},
		}},
		{"probes asked each five minutes and twice a second, of which one each stops; then the disk", "1m", map[string]string{
			of(valid, pantry): minutes(func(m int) int { return m / 5 * 300 }),
			of(stale, pantry): "1200x180",
			of(valid, galley): minutes(func(m int) int { return min(m/5*300, 1800) }),
			of(stale, galley): "1200x180",
			of(valid, hatch):  minutes(func(m int) int { return min(m*60, 1800) }),
			of(stale, hatch):  "5x180",
			of("ovenward_record_committed_timestamp_seconds", site): minutes(func(m int) int { return min((m-1)/5*300, 6000) }),
			of("ovenward_record_pending_samples", site): minutes(func(m int) int {
				if m%5 == 0 || m > 100 {
					return 1
				}
				return 0
			}),
		}, []fires{
			{"29m", "OvenwardNoFreshSample", none},
			{"32m", "OvenwardNoFreshSample", one(hatch)},
			{"69m", "OvenwardNoFreshSample", one(hatch)},
			{"71m", "OvenwardNoFreshSample", []map[string]string{hatch, galley}},
			{"179m", "OvenwardNoFreshSample", []map[string]string{hatch, galley}},
			{"64m", "OvenwardRecordBehind", none},
			{"65m", "OvenwardRecordBehind", none}, // a sample that came just now
			{"110m", "OvenwardRecordBehind", one(site)},
		}},
		{"a post that has another probe, one that is lost from the configuration, and the daemon that ends", "1m", map[string]string{
			of("ovenward_simulated", site):             "0x900 stale _x30 0x60",
			of(blind, pantry):                          "0x30 stale",
			of(blind, and(pantry, "probe", "probe-6")): "_x31 0x869 stale _x30 0x60",
			of(blind, galley):                          "0x30 stale",
			of(blind, hatch):                           "1x900 stale",
		}, []fires{
			{"29m", "OvenwardPostGone", none},
			{"33m", "OvenwardPostGone", one(lost(galley))},
			{"14h50m", "OvenwardPostGone", one(lost(galley))},
			{"15h10m", "OvenwardPostGone", none}, // as the daemon is, which others tell
			{"15h40m", "OvenwardPostGone", []map[string]string{lost(galley), lost(hatch)}},
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var b strings.Builder
			begin(t, &b, tt.every)
			writeSeries(&b, tt.series)
			b.WriteString("  alert_rule_test:\n")
			for _, f := range tt.want {
				writeFires(&b, f)
			}
			path := filepath.Join(t.TempDir(), "test.yml")
			if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
				t.Fatal(err)
			}
			run(t, "promtool", "test", "rules", path)
		})
	}
}
