package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Two ovens of different frequencies at one place: the daemon adds up what both
// give people, by the limit at each frequency (47 CFR 1.1310(e)(1): 6.1 W/m² at
// 915 MHz, 10 W/m² at 2450 MHz). Minutes into a mean over half an hour it is
// not decided.
func TestSumOfFrequenciesThroughTheDaemon(t *testing.T) {
	text, err := os.ReadFile(configured(t, "simulate:probe-1", ""))
	if err != nil {
		t.Fatal(err)
	}
	whole := strings.Replace(string(text), "baud = 115200\n", "", 1)
	_, parts, _ := strings.Cut(whole, "[[oven]]")
	second := "[[oven]]" + strings.NewReplacer(`"pantry"`, `"scullery"`, "2450 MHz", "915 MHz", `"shelf"`, `"ledge"`, "simulate:probe-1", "simulate:probe-2",
		`"pantry-door"`, `"scullery-door"`, "LH-0417", "LH-0418").Replace(parts)
	add := func(s string) string {
		return strings.Replace(s, "[[post]]\n", "[[post]]\nlimits = [\"public\"]\n", 1)
	}
	whole = add(whole) + "\n" + add(second) + `
[[limit]]
id = "public"
builtin = "fcc-public"

[[sum]]
id = "passage"
posts = ["pantry-door", "scullery-door"]
limit = "public"
`
	path := filepath.Join(t.TempDir(), "two.toml")
	if err := os.WriteFile(path, []byte(whole), 0o600); err != nil {
		t.Fatal(err)
	}
	d := startDaemon(t, settings{configFile: path, storagePath: t.TempDir()})
	type sum struct {
		ID      string
		Lo      *float64 `json:"lower_ratio"`
		Hi      *float64 `json:"upper_ratio"`
		Outcome string
		Reasons []string
	}
	var j struct{ Sums []sum }
	waitFor(t, 30*time.Second, "a sum with something seen in it", func() bool {
		if err := json.Unmarshal([]byte(d.get(t, "/api/v1/sums")), &j); err != nil {
			t.Fatal(err)
		}
		return len(j.Sums) == 1 && j.Sums[0].Hi != nil && *j.Sums[0].Hi < 200./6.1+200./10
	})
	s := j.Sums[0]
	// Nearly nothing of the half-hour was seen: up to the probes' 20 mW/cm² each.
	if s.ID != "passage" || *s.Hi < 50 || s.Lo == nil || *s.Lo < 0 || *s.Lo >= 1 || s.Outcome != "not decided" || len(s.Reasons) < 3 {
		t.Errorf("%+v", s)
	}
	checkSumIsShown(t, d)
}

// checkSumIsShown looks for the sum in the metrics and on the page.
func checkSumIsShown(t *testing.T, d *running) {
	t.Helper()
	metrics := d.get(t, "/metrics")
	for _, want := range []string{
		`ovenward_sum_lower_ratio{limit="public",site="Larkfield House",sum="passage"}`,
		`ovenward_sum_upper_ratio{limit="public",site="Larkfield House",sum="passage"}`,
		`ovenward_sum_verdict{limit="public",site="Larkfield House",sum="passage",verdict="not decided"} 1`,
		`ovenward_sum_verdict{limit="public",site="Larkfield House",sum="passage",verdict="within"} 0`,
	} {
		if !strings.Contains(metrics, want) {
			t.Errorf("no %s in the metrics", want)
		}
	}
	if page := d.get(t, "/posts/"+d.station.Stats()[0].Post.ID); !strings.Contains(page, "sum passage of several frequencies (limit public): not decided") {
		t.Error("the page says nothing of the sum")
	}
}
