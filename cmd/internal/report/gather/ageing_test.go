package gather

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
)

// A report says after which run of the post a step lies, and that the trend is told from
// those since.
func TestReportTellsAStepByItsRun(t *testing.T) {
	k, err := soak.TrendOf(func(yield func(history.Run, error) bool) {
		for i := range int64(400) {
			r := history.Run{Number: 101 + i, Start: time.Unix(60*i, 0), Begun: true, Mean: quantity.PowerDensity(5 + 0.01*float64(i*7919%13))}
			if r.Number > 300 {
				r.Mean += 3
			}
			if !yield(r, nil) {
				return
			}
		}
	}, 50)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, p := range ageing(&k) {
		all = append(all, p.Name+": "+p.Value.Text)
	}
	text := strings.Join(all, "\n")
	for _, want := range []string{"the mean field of 200 runs that were wholly seen, those since the last step", "after about run 300, by 0.3 mW/cm²"} {
		if !strings.Contains(text, want) {
			t.Errorf("%s\nlacks %q", text, want)
		}
	}
}
