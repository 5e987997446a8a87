package web

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
)

// fakeSurveys guides surveys without a station: the test says what the probe reads.
type fakeSurveys struct {
	mu    sync.Mutex
	clock time.Time
	ovens []survey.Oven
	all   map[string]*survey.Survey
	order []string
	acts  []survey.Act
}

// testOven is an invented oven.
func testOven() survey.Oven {
	return survey.Oven{ID: "servery", Place: "servery, left", Power: 1100, Stirrer: 5, Door: survey.Door{Width: 0.46, Height: 0.31, Hinge: survey.Left,
		ScreenWidth: 0.28, ScreenHeight: 0.16, Panel: 0.12, Depth: 0.4,
		Knobs: []survey.Knob{{Name: "handle", Rect: survey.Rect{X: 0.4, Y: 0.05, Width: 0.02, Height: 0.18}, Depth: 0.035}},
		Vents: []survey.Vent{{Surface: survey.Right, Rect: survey.Rect{X: 0.25, Y: 0.04, Width: 0.08, Height: 0.05}}}}}
}

func newFakeSurveys(now time.Time) *fakeSurveys {
	return &fakeSurveys{clock: now, ovens: []survey.Oven{testOven()}, all: map[string]*survey.Survey{}}
}

func (f *fakeSurveys) Ovens() []survey.Oven           { return f.ovens }
func (f *fakeSurveys) Procedures() []survey.Procedure { return survey.Procedures() }

func (f *fakeSurveys) Begin(_ context.Context, o guide.Order) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	oven := f.ovens[0]
	if o.Oven != oven.ID {
		return "", errors.New("there is no such oven")
	}
	if o.Door != nil {
		oven.Door = *o.Door
	}
	p := survey.Procedures()[0]
	plan, err := survey.NewPlan(oven, p, survey.Hand{Response: time.Second, Axes: 3}, o.Pull)
	if err != nil {
		return "", err
	}
	id := []string{"one", "two", "three", "four"}[len(f.order)]
	e, _ := limit.Lookup("us-emission-in-use")
	l, err := e.Limit("in-use", 2.45e9)
	if err != nil {
		return "", err
	}
	s, _ := survey.Start(survey.Setup{ID: id, Post: "galley", Plan: plan, Limit: l, Spread: calib.Spread{Rel: 0.1, K: 2},
		Checks:     []survey.Check{{Name: "battery", Outcome: "not done", Text: "look at it"}, {Name: "certificate", Outcome: "good", Text: "C-1"}},
		Instrument: survey.Instrument{Probe: "probe-1", Certificate: "C-1", Response: 1, Range: 200, Floor: 0.2, Axes: 3}}, o.Who, f.clock)
	f.all[id], f.order = s, append(f.order, id)
	return id, nil
}

func (f *fakeSurveys) Do(_ context.Context, id string, a survey.Act) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.all[id]
	if s == nil {
		return guide.ErrNoSurvey
	}
	_, err := s.Do(a, f.clock)
	if err == nil {
		f.acts = append(f.acts, a)
	}
	return err
}

// read lets the probe read a value for a time.
func (f *fakeSurveys) read(id string, s float64, lasting time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for end := f.clock.Add(lasting); f.clock.Before(end); f.clock = f.clock.Add(100 * time.Millisecond) {
		f.all[id].Observe(survey.Reading{At: f.clock, S: s, HasValue: true})
		f.all[id].Tick(f.clock)
	}
}

func (f *fakeSurveys) View(id string) (survey.View, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.all[id]
	if s == nil || s.State() != survey.UnderWay {
		return survey.View{}, false
	}
	return s.View(f.clock, time.Second), true
}

func (f *fakeSurveys) Views() []survey.View {
	var out []survey.View
	for _, id := range f.order {
		if v, ok := f.View(id); ok {
			out = append(out, v)
		}
	}
	return out
}

func (f *fakeSurveys) Surveys(context.Context, int) ([]store.SurveyRow, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []store.SurveyRow
	for _, id := range f.order {
		r := f.all[id].Result()
		row := store.SurveyRow{ID: id, Oven: r.Oven.ID, Who: r.Who, Begun: r.Begun, Ended: r.Ended, State: r.State}
		if !r.Ended.IsZero() {
			row.Outcome = string(r.Verdict.Outcome)
		}
		out = append(out, row)
	}
	return out, nil
}

func (f *fakeSurveys) Result(_ context.Context, id string) (*survey.Result, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if s := f.all[id]; s != nil {
		r := s.Result()
		return &r, nil
	}
	return nil, nil
}

func (f *fakeSurveys) Mark(_ context.Context, post string, o guide.MarkOrder) (survey.Mark, error) {
	if post != "galley" {
		return survey.Mark{}, acquire.ErrNoPost
	}
	return survey.Mark{Distance: o.Distance, Value: 3, U: 0.1}, nil
}

// act does one act, or fails the test.
func (f *fakeSurveys) act(t testing.TB, id string, a survey.Act) {
	t.Helper()
	a.Who = "A. Hand"
	if err := f.Do(t.Context(), id, a); err != nil {
		t.Fatal(err)
	}
}

// begun makes a survey and brings it to its first sweep.
func (f *fakeSurveys) begun(t testing.TB) string {
	t.Helper()
	id, err := f.Begin(t.Context(), guide.Order{Oven: f.ovens[0].ID, Who: "A. Hand"})
	if err != nil {
		t.Fatal(err)
	}
	volume, celsius := 275.0, 20.0
	f.act(t, id, survey.Act{Kind: survey.WentOn})
	f.act(t, id, survey.Act{Kind: survey.WentOn})
	f.read(id, 0.1, 6*time.Second)
	f.act(t, id, survey.Act{Kind: survey.Watered, Volume: &volume, Celsius: &celsius})
	return id
}

// walking makes two surveys: one in its second sweep, one that ended above ten
// times the limit.
func walking(t testing.TB, now time.Time) *fakeSurveys {
	f := newFakeSurveys(now)
	one := f.begun(t)
	f.act(t, one, survey.Act{Kind: survey.WentOn})
	f.read(one, 20, 22*time.Second)
	f.act(t, one, survey.Act{Kind: survey.WentOn})
	f.read(one, 21, 12*time.Second)
	two := f.begun(t)
	f.act(t, two, survey.Act{Kind: survey.WentOn})
	f.read(two, 60, 3*time.Second)
	f.read(two, 600, time.Second)
	return f
}

// called says how much was done since it was last asked.
func (f *fakeSurveys) called() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	said := ""
	for _, a := range f.acts {
		said += "survey: " + string(a.Kind) + "; "
	}
	f.acts = nil
	return said
}
