package metrics

import (
	"slices"
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"ovenward/acquire"
)

// The list is what is served: each metric with just its labels, and no other.
func TestListIsWhatIsServed(t *testing.T) {
	c := newSite(wholeSite)
	c.o.Sums = []acquire.Sum{{ID: "grill", Posts: []string{"grill-door"}, Limit: "public"}}
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(c)
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	served := map[string][]string{}
	for _, f := range families {
		var labels []string
		for _, l := range f.GetMetric()[0].GetLabel() {
			labels = append(labels, l.GetName())
		}
		served[f.GetName()] = labels
	}
	seen := map[string]bool{}
	for _, m := range List() {
		labels, is := served[m.Name]
		want := slices.Sorted(slices.Values(m.Labels))
		if slices.Sort(labels); !is || !slices.Equal(labels, want) {
			t.Errorf("%s is listed with labels %v, and served (%v) with %v", m.Name, want, is, labels)
		}
		if m.Help == "" || m.Group == "" || seen[m.Name] {
			t.Errorf("%s: help %q, group %q, listed before: %v", m.Name, m.Help, m.Group, seen[m.Name])
		}
		seen[m.Name] = true
	}
	for name := range served {
		if !seen[name] {
			t.Errorf("%s is served and not listed", name)
		}
	}
}
