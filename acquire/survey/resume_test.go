package survey

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"
)

// What was not seen is not swept, and a hold that was not seen begins anew.
func TestUnseenIsMadeAgain(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.do(Act{Kind: WentOn})
	g.read(5, 2*time.Second)
	g.wait(3 * time.Second)
	g.until(SweepReady, 5, 20*time.Second)
	if _, has := g.s.peaks[1]; has || !strings.Contains(g.s.said, "not seen") {
		t.Errorf("a sweep with a gap counts: %q", g.s.said)
	}
	g.do(Act{Kind: WentOn})
	g.until(HoldReady, 5, 20*time.Second)
	g.do(Act{Kind: WentOn})
	g.read(5, 3*time.Second)
	g.wait(2 * time.Second)
	from := g.now
	g.until(SweepReady, 5, 20*time.Second)
	if d := g.now.Sub(from); d < 4*time.Second {
		t.Errorf("a hold with a gap settled %v after it, less than a turn", d)
	}
}

// At any step the steps so far, and the readings since, make the same survey.
func TestResumeAtAnyStep(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.do(Act{Kind: Noted, Text: "dented at the lower left"})
	g.whole(5)
	g.finish()
	want, _ := json.Marshal(g.s.Result())
	for cut := 1; cut <= len(g.steps); cut++ {
		text, err := json.Marshal(g.steps[:cut])
		if err != nil {
			t.Fatal(err)
		}
		var back []Step
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		s, err := Resume(back)
		if err != nil {
			t.Fatal(err)
		}
		for _, st := range g.steps[cut:] {
			s.apply(st)
		}
		if got, _ := json.Marshal(s.Result()); string(got) != string(want) {
			t.Fatalf("cut after step %d (%s) it is another survey:\n%s\n%s", cut, g.steps[cut-1].Kind, got, want)
		}
	}
	if _, err := Resume(append(slices.Clone(g.steps[:3]), g.steps[4:]...)); err == nil {
		t.Error("a survey with a step missing is taken up")
	}
}
