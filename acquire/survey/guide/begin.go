package guide

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
)

// Order is what a person asks for.
type Order struct {
	Oven      string `json:"oven"`
	Post      string `json:"post"`      // whose probe is taken; empty: the oven's own
	Procedure string `json:"procedure"` // empty: the first

	Own *survey.Procedure `json:"own_procedure"` // in place of a named one

	Who     string       `json:"who"`
	Power   float64      `json:"rated_output_w"` // 0: as configured
	Stirrer float64      `json:"stirrer_turn_s"` // 0: as configured
	Door    *survey.Door `json:"door"`           // nil: as configured
	Places  []string     `json:"places"`         // lines for survey.Door.SetPlaces; nil: as the door says
	Pull    bool         `json:"pull_test"`
	Trained bool         `json:"trained"` // who pulls on the door is trained for it
}

// Procedures lists those that a survey can follow, the user's own first.
func (g *Guide) Procedures() []survey.Procedure {
	return append(append([]survey.Procedure{}, g.o.Procedures...), survey.Procedures()...)
}

// Ovens lists the ovens that are watched, with what is known of their doors.
func (g *Guide) Ovens() []survey.Oven { return append([]survey.Oven{}, g.o.Ovens...) }

// Begin plans a survey, takes the probe away from its post and begins.
func (g *Guide) Begin(ctx context.Context, o Order) (id string, err error) {
	if strings.TrimSpace(o.Who) == "" {
		return "", errors.New("a survey needs the name of who makes it")
	}
	if o.Pull && !o.Trained {
		return "", errors.New("pulling on the closed door is for a trained person: say that you are one, or leave it out")
	}
	st, err := g.post(o)
	if err != nil {
		return "", err
	}
	now := g.now()
	setup, err := g.setup(o, st, now)
	if err != nil {
		return "", err
	}
	if setup.Last, err = g.last(ctx, o.Oven); err != nil {
		return "", err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	under, err := g.o.Record.Surveys(ctx, store.SurveyQuery{UnderWay: true}, 100) // also what is not taken up again yet
	if err != nil {
		return "", err
	}
	for _, row := range under {
		if row.Post == st.Post.ID || row.Oven == o.Oven {
			return "", fmt.Errorf("survey %s is under way with this probe or at this oven: end it first", row.ID)
		}
	}
	for _, m := range g.marks {
		if m.post == st.Index {
			return "", errors.New("a mark of a walk back is being taken with this probe: wait for its end")
		}
	}
	if setup.ID, err = g.freeID(ctx, o.Oven, now); err != nil {
		return "", err
	}
	if st.Condition != acquire.AwayNow {
		if err := g.o.Station().Announce(st.Index, alarm.Away, o.Who, "survey "+setup.ID, awayFor); err != nil {
			return "", err
		}
	}
	s, steps := survey.Start(setup, o.Who, now)
	v := &guided{id: setup.ID, oven: o.Oven, post: st.Index, stale: st.Post.Stale, survey: s, told: now}
	kept, cancel := context.WithTimeout(ctx, keepIn)
	defer cancel()
	if err := g.o.Record.KeepSurvey(kept, v.id, v.oven, steps, nil); err != nil {
		return "", errors.Join(err, g.o.Station().Conclude(st.Index, o.Who))
	}
	g.all = append(g.all, v)
	g.want()
	g.o.Record.Record(acquire.Event{At: now, Post: st.Post.ID, Kind: acquire.KindSurvey, Who: o.Who,
		Text: fmt.Sprintf("survey %s of oven %s begins, with probe %s, by %s", v.id, o.Oven, st.Post.Probe.ID, setup.Plan.Procedure.Title)})
	return v.id, nil
}

// post finds the post whose probe is taken.
func (g *Guide) post(o Order) (acquire.Stats, error) {
	var ovens []string
	for _, k := range g.o.Ovens {
		ovens = append(ovens, k.ID)
	}
	if !slices.Contains(ovens, o.Oven) {
		return acquire.Stats{}, fmt.Errorf("there is no oven %q: write one of %s", o.Oven, strings.Join(ovens, ", "))
	}
	for _, st := range g.o.Station().Stats() {
		if o.Post == st.Post.ID || o.Post == "" && st.Post.Oven == o.Oven {
			return st, nil
		}
	}
	if o.Post != "" {
		return acquire.Stats{}, fmt.Errorf("there is no post %q", o.Post)
	}
	return acquire.Stats{}, fmt.Errorf("no post watches oven %s: name the post whose probe you take", o.Oven)
}

// setup is what the survey rests on.
func (g *Guide) setup(o Order, st acquire.Stats, now time.Time) (survey.Setup, error) {
	var s survey.Setup
	oven, err := g.oven(o)
	if err != nil {
		return s, err
	}
	procedure := g.Procedures()[0]
	if o.Own != nil {
		procedure = *o.Own
	} else if o.Procedure != "" {
		var ok bool
		if procedure, ok = survey.FindProcedure(o.Procedure, g.o.Procedures); !ok {
			return s, fmt.Errorf("there is no procedure %q", o.Procedure)
		}
	}
	p := &st.Post.Probe
	plan, err := survey.NewPlan(oven, procedure, survey.Hand{Response: p.Response, Axes: p.Axes}, o.Pull)
	if err != nil {
		return s, err
	}
	l, ok := emission(st.Post)
	if !ok {
		return s, fmt.Errorf("post %s has no limit on ovens: a survey at %s is judged by one", st.Post.ID, procedure.Distance)
	}
	cert := calib.InForce(p.Certificates(), now)
	nature := st.Post.Nature()
	s = survey.Setup{Site: g.o.Site, Post: st.Post.ID, Simulated: p.Simulated, Plan: plan, Limit: l,
		Spread:     survey.SpreadAt(nature, cert, procedure, 0, l.Value),
		Lacking:    calib.Correct(nature, cert, l.Value).Lacking(now),
		Instrument: instrument(p, cert)}
	s.Checks = checks(&st, s.Lacking, cert, now)
	return s, nil
}

// oven is the oven as configured, with what the order says of it.
func (g *Guide) oven(o Order) (survey.Oven, error) {
	var oven survey.Oven
	for _, k := range g.o.Ovens {
		if k.ID == o.Oven {
			oven = k
		}
	}
	if o.Door != nil {
		oven.Door = *o.Door
	}
	if o.Places != nil {
		if err := oven.Door.SetPlaces(o.Places); err != nil {
			return oven, fmt.Errorf("the places of the door: %w", err)
		}
	}
	if o.Power > 0 {
		oven.Power = o.Power
	}
	if o.Stirrer > 0 {
		oven.Stirrer = o.Stirrer
	}
	if oven.Door.Width == 0 {
		return oven, fmt.Errorf("the door of oven %s is not known: measure it, and write its sizes into the page's form of a new survey or at [oven.door] in the configuration", o.Oven)
	}
	return oven, nil
}

// emission is the first limit on ovens of a post.
func emission(p *acquire.Post) (limit.Limit, bool) {
	for _, l := range p.Limits() {
		if l.Basis.Emission() {
			return l, true
		}
	}
	return limit.Limit{}, false
}

func instrument(p *acquire.Probe, cert *calib.Certificate) survey.Instrument {
	in := survey.Instrument{Probe: p.ID, Said: p.Identity, Response: p.Response.Seconds(), Range: p.Range, Floor: p.Floor, Axes: p.Axes}
	if cert != nil {
		factor := cert.Factor
		in.Certificate, in.Laboratory, in.Date, in.Due, in.Factor = cert.Number, cert.Laboratory, cert.Date, cert.Due, &factor
	}
	return in
}

// zeroLasts is how old a zero may be that counts as taken before a survey; our own
// choice.
const zeroLasts = 4 * time.Hour

// batteryLasts is how old a value of the battery may be that counts as checked before a
// survey; our own choice.
const batteryLasts = 10 * time.Minute

// checks are those that the station can make by itself.
func checks(st *acquire.Stats, lacking string, cert *calib.Certificate, now time.Time) []survey.Check {
	battery := survey.Check{Name: survey.CheckBattery, Outcome: survey.CheckNotDone, Text: "the probe says nothing of its battery: look at it"}
	switch {
	case st.Battery:
		battery.Outcome, battery.Text = survey.CheckBad, "the probe calls for a new battery"
	case slices.ContainsFunc(st.Alarms, func(a alarm.Alarm) bool { return a.Rule == alarm.Battery && a.State.Present() }):
		battery.Outcome, battery.Text = survey.CheckBad, "the probe's battery is below its bound"
	case st.Vitals.BatteryAt.IsZero():
	case now.Sub(st.Vitals.BatteryAt) > batteryLasts:
		battery.Text = fmt.Sprintf("the probe last said %s of its battery, at %s UTC: look at it", st.Vitals.BatteryWords(), st.Vitals.BatteryAt.UTC().Format("2006-01-02 15:04"))
	case st.Post.Probe.Vitals.BatteryIn(st.Vitals.BatteryUnit) == nil:
		battery.Text = fmt.Sprintf("the probe's battery is at %s, and no bound says from when on that is low: look at it", st.Vitals.BatteryWords())
	default:
		battery.Outcome, battery.Text = survey.CheckGood, fmt.Sprintf("the probe's battery is at %s, not below its bound", st.Vitals.BatteryWords())
	}
	zero := survey.Check{Name: survey.CheckZero, Outcome: survey.CheckNotDone, Text: "no zero was taken at this post: take one away from any field"}
	if !st.ZeroAt.IsZero() {
		zero.Text = fmt.Sprintf("the zero is of %s, before this survey: take another", st.ZeroAt.UTC().Format("2006-01-02 15:04"))
		if now.Sub(st.ZeroAt) < zeroLasts {
			zero.Outcome, zero.Text = survey.CheckGood, fmt.Sprintf("taken %s UTC", st.ZeroAt.UTC().Format("2006-01-02 15:04"))
		}
	}
	certificate := survey.Check{Name: survey.CheckCertificate, Outcome: survey.CheckBad, Text: lacking}
	if lacking == "" {
		certificate.Outcome = survey.CheckGood
		certificate.Text = fmt.Sprintf("%s of %s, due %s", cert.Number, cert.Laboratory, cert.Due.Format(time.DateOnly))
	}
	return []survey.Check{battery, zero, certificate,
		{Name: survey.CheckAgreement, Outcome: survey.CheckNotDone, Text: "no second probe or check source was compared"}}
}

// last is the newest survey of an oven that has ended and was not abandoned.
func (g *Guide) last(ctx context.Context, oven string) (*survey.Last, error) {
	rows, err := g.o.Record.Surveys(ctx, store.SurveyQuery{Oven: oven}, 50)
	if err != nil {
		return nil, err
	}
	for _, row := range rows {
		if row.Ended.IsZero() || row.State == survey.Abandoned {
			continue
		}
		r, err := g.o.Record.SurveyResult(ctx, row.ID)
		if errors.Is(err, store.ErrLost) {
			return nil, nil // an earlier one must not pass for the newest
		}
		if err != nil {
			return nil, err
		}
		if r != nil {
			last := &survey.Last{ID: r.ID, Ended: r.Ended, Outcome: r.Verdict.Outcome, Places: r.Places}
			if len(r.Instruments) > 0 {
				last.Floor = r.Instruments[0].Floor
			}
			return last, nil
		}
	}
	return nil, nil
}

// freeID names a survey after its day and oven.
func (g *Guide) freeID(ctx context.Context, oven string, now time.Time) (string, error) {
	rows, err := g.o.Record.Surveys(ctx, store.SurveyQuery{Oven: oven}, 1000)
	if err != nil {
		return "", err
	}
	taken := map[string]bool{}
	for _, r := range rows {
		taken[r.ID] = true
	}
	for n := 1; ; n++ {
		if id := fmt.Sprintf("%s-%s-%d", now.Format("20060102"), oven, n); !taken[id] {
			return id, nil
		}
	}
}
