package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"ovenward/acquire"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report/gather"
	"ovenward/config"
)

// soakEvery is how often the stop rules of soak tests are looked at.
const soakEvery = 5 * time.Second

// eyes sees for soak tests what the record and the station know.
type eyes struct {
	record  *store.Store
	posts   []acquire.Post
	station func() []acquire.Stats
	zone    *time.Location // of the site's days
}

// Above is soak.Eyes.
func (e eyes) Above(ctx context.Context, p soak.Plan, from, to time.Time) (stats.Exceedances, bool, error) {
	h, ok := e.post(p)
	if !ok {
		return stats.Exceedances{}, false, fmt.Errorf("post %s is not watched any more", p.Post)
	}
	h.Levels = []quantity.PowerDensity{p.Level}
	sum, err := past.Between(ctx, e.record, h, from, to)
	if err != nil {
		return stats.Exceedances{}, false, err
	}
	over := sum.On.OverRange+sum.Off.OverRange > 0
	if p.Mean > 0 {
		for i := range e.posts {
			if e.posts[i].ID == p.Post {
				above, err := e.means(ctx, &e.posts[i], p, from, to)
				return above, over, err
			}
		}
	}
	above, ok := sum.Above(p.Level)
	if !ok && sum.Seen() > 0 {
		return stats.Exceedances{}, false, fmt.Errorf("exceedances of limit %s were not counted then, and the samples are not all there any more: its stop rule does not hold", p.LimitID)
	}
	return above, over, nil
}

func (e eyes) post(p soak.Plan) (past.Post, bool) {
	for i := range e.posts {
		if e.posts[i].ID == p.Post {
			return historyOf(e.posts[i]), true
		}
	}
	return past.Post{}, false
}

// Recorded is soak.Eyes.
func (e eyes) Recorded(ctx context.Context, post string) (time.Time, error) {
	_, at, err := e.record.Newest(ctx, post)
	return at, err
}

// Blind is soak.Eyes.
func (e eyes) Blind(post string) time.Duration {
	for _, s := range e.station() {
		if s.Post.ID == post && s.Condition.Blind() {
			return s.Now.Sub(s.Since)
		}
	}
	return 0
}

// planner completes plans and keeps tests; it is what the page and its API use.
type planner struct {
	*soak.Keeper
	eyes eyes
	zone *time.Location
	now  func() time.Time

	contacts []config.Contact
	ovenOf   func(post string) (oven, why string)
	counted  *operations
}

// Plan completes a plan by what is known of its post and limit, and keeps it.
func (p planner) Plan(ctx context.Context, plan soak.Plan, who string) error {
	for i := range p.eyes.posts {
		post := &p.eyes.posts[i]
		if post.ID != plan.Post {
			continue
		}
		if plan.Oven == "" {
			plan.Oven = post.Oven
		}
		plan.Whose = ""
		if oven, why := p.ovenOf(post.ID); oven != "" && oven == plan.Oven {
			plan.Whose = why
		}
		if !p.has(plan.Contact, plan.Post) {
			return fmt.Errorf("post %s has no contact %q that could count operations", plan.Post, plan.Contact)
		}
		l, err := limitOfPost(post, plan.LimitID)
		if err != nil {
			return err
		}
		plan.LimitID, plan.Level, plan.Rule = l.ID, l.Value, l.Rule
		if l.Averaged() {
			plan.Mean = l.Averaging
		}
		if g := post.GuardBand(p.now(), l.Value); g > 0 {
			plan.Guard = g // else it is not known
		}
		return p.Keeper.Plan(ctx, plan, who)
	}
	var ids []string
	for i := range p.eyes.posts {
		ids = append(ids, p.eyes.posts[i].ID)
	}
	if plan.Post == "" {
		return fmt.Errorf("name the post whose probe watches the oven, one of %s", strings.Join(ids, ", "))
	}
	return fmt.Errorf("there is no post %q; name one of %s", plan.Post, strings.Join(ids, ", "))
}

// has says whether a contact may count for a post; none may.
func (p planner) has(id, post string) bool {
	for _, c := range p.contacts {
		if c.ID == id {
			return c.Post == post
		}
	}
	return id == ""
}

// limitOfPost finds a limit of a post by its id; its first one where none is named.
func limitOfPost(p *acquire.Post, id string) (limit.Limit, error) {
	for _, l := range p.Limits() {
		if id == "" || l.ID == id {
			return l, nil
		}
	}
	return limit.Limit{}, fmt.Errorf("post %s has no limit %q", p.ID, id)
}

// Result is what a test has come to now.
func (p planner) Result(ctx context.Context, id string) (soak.Result, error) {
	l := p.Life(id)
	if l == nil {
		return soak.Result{}, fmt.Errorf("%w as %q", soak.ErrUnknown, id)
	}
	h, ok := p.eyes.post(l.Plan)
	if !ok {
		return soak.Result{}, fmt.Errorf("post %s is not watched any more", l.Plan.Post)
	}
	versions, err := p.eyes.record.History(ctx, l.Plan.Post)
	if err != nil {
		return soak.Result{}, err
	}
	return soak.Make(ctx, p.eyes.record, l, gather.SoakWatched(h, l.Plan, versions), p.now().UTC(), p.zone)
}

// Statistics sums up a test between two instants; zero ones are its begin, and now.
func (p planner) Statistics(ctx context.Context, id string, per past.Per, from, to time.Time) ([]soak.Part, error) {
	l := p.Life(id)
	if l == nil {
		return nil, fmt.Errorf("%w as %q", soak.ErrUnknown, id)
	}
	h, ok := p.eyes.post(l.Plan)
	if !ok {
		return nil, fmt.Errorf("post %s is not watched any more", l.Plan.Post)
	}
	if now := p.now().UTC(); to.IsZero() || now.Before(to) {
		to = now
	}
	return soak.Statistics(ctx, p.eyes.record, l, h, per, from, to, p.zone)
}

// Stretches sums up a post between two instants.
func (e eyes) Stretches(ctx context.Context, post string, per past.Per, from, to time.Time) ([]past.Stretch, error) {
	h, ok := e.post(soak.Plan{Post: post})
	if !ok {
		return nil, fmt.Errorf("post %s is not watched", post)
	}
	return past.Stretches(ctx, e.record, h, per, from, to, e.zone)
}

// surveysRead is among how many of the newest surveys of an oven one is looked for.
const surveysRead = 10_000

// surveyed is what the survey that a mark names came to: one of the record, of the
// test's oven, that began in the test and has ended.
func (p planner) surveyed(ctx context.Context, l *soak.Life, m soak.Mark) (outcome string, err error) {
	all, err := p.eyes.record.Surveys(ctx, store.SurveyQuery{Oven: l.Plan.Oven}, surveysRead)
	if err != nil {
		return "", err
	}
	for _, s := range all {
		if s.ID != m.Survey {
			continue
		}
		switch {
		case s.Ended.IsZero():
			return "", fmt.Errorf("survey %s is still under way: end it first", s.ID)
		case len(l.Active) == 0 || s.Begun.Before(l.Active[0].From):
			return "", fmt.Errorf("survey %s was begun on %s, before the test: make one for this checkpoint", s.ID, s.Begun.Format(time.RFC3339))
		case s.Outcome == "":
			return "", fmt.Errorf("survey %s is %s and came to nothing: make another", s.ID, s.State)
		case m.Outcome != "" && m.Outcome != s.Outcome:
			return "", fmt.Errorf("survey %s came to %q, not to %q", s.ID, s.Outcome, m.Outcome)
		case s.Outcome == string(limit.Exceeds):
			return s.Outcome, nil
		}
		switch found, err := p.eyes.record.SurveyResult(ctx, s.ID); {
		case errors.Is(err, store.ErrLost), err == nil && found == nil:
			return "", fmt.Errorf("what survey %s found is damaged in the record, so that %q is not known: make another for this checkpoint", s.ID, s.Outcome)
		case err != nil:
			return "", err
		}
		return s.Outcome, nil
	}
	return "", fmt.Errorf("the record has no survey %s of oven %s; leave the survey out where it was made without this program, and the outcome stands by your word", m.Survey, l.Plan.Oven)
}

// soaked reports what happened to a soak test as an event.
func (h *home) soaked(p soak.Plan, m soak.Mark) {
	text := fmt.Sprintf("soak test %s: %s", p.ID, m.Kind)
	if m.Kind == soak.Surveyed && m.Outcome != "" {
		text += fmt.Sprintf(" at %d: %s", m.Checkpoint, m.Outcome)
	}
	if m.Text != "" {
		text += ": " + m.Text
	}
	h.record.Record(acquire.Event{At: m.At, Post: p.Post, Kind: acquire.KindSoak, Who: m.Who, Text: text})
	h.log.Info(text, "kind", acquire.KindSoak, "post", p.Post, "who", m.Who)
}
