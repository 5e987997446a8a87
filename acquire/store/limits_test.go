package store

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
)

// Averaging time, decision rule and further limits shape verdicts: a change of
// one makes a new version of the post, and nothing else does.
func TestLimitsMakeVersions(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	versions := func() (n int) {
		t.Helper()
		if err := s.db.QueryRow("SELECT count(*) FROM post_versions").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	p := post("fryer")
	register(t, s, p)
	p.Limit.Rule = limit.GuardedAcceptance // said or not, it holds
	register(t, s, p)
	if n := versions(); n != 1 {
		t.Fatalf("%d versions of a post that did not change", n)
	}
	for i, change := range []func(p *acquire.Post){
		func(p *acquire.Post) { p.Limit.Rule = limit.SimpleAcceptance },
		func(p *acquire.Post) { p.Limit.Averaging = 6 * time.Minute },
		func(p *acquire.Post) { p.Limit.Slowest = 3 * time.Second },
		func(p *acquire.Post) {
			p.More = []limit.Limit{{ID: "people", Value: 10, Basis: limit.ExposurePublic, Averaging: 30 * time.Minute, Source: "an invented rule", Builtin: "fcc-public"}}
		},
	} {
		change(&p)
		register(t, s, p)
		register(t, s, p)
		if n := versions(); n != i+2 {
			t.Errorf("change %d: %d versions, want %d", i, n, i+2)
		}
	}
	var rule, more string
	var averaging, response float64
	if err := s.db.QueryRow("SELECT limit_rule, limit_averaging_s, limit_response_s, limits_more FROM post_versions ORDER BY version DESC LIMIT 1").Scan(&rule, &averaging, &response, &more); err != nil {
		t.Fatal(err)
	}
	if rule != "simple acceptance" || averaging != 360 || response != 3 || !strings.Contains(more, `"id":"people","value_w_per_m2":10,"basis":"exposure public"`) || !strings.Contains(more, `"averaging_s":1800`) {
		t.Errorf("%s, %v s, %s", rule, averaging, more)
	}
}
