package gather

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
)

// A report says after which run of the post a step lies, and that the trend is told from
// those since.
func TestReportTellsAStepByItsRun(t *testing.T) {
	var runs []soak.Ran
	for i := range int64(400) {
		r := soak.Ran{Number: 101 + i, At: i * int64(time.Minute), Mean: quantity.PowerDensity(5 + 0.01*float64(i*7919%13)), Whole: true}
		if r.Number > 300 {
			r.Mean += 3
		}
		runs = append(runs, r)
	}
	k, err := soak.TrendOf(runs, 50)
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
