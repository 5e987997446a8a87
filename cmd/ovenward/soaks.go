package main

import (
	"context"
	"fmt"
	"time"

	"ovenward/acquire"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/config"
)

// soakEvery is how often the stop rules of soak tests are looked at.
const soakEvery = 5 * time.Second

// eyes sees for soak tests what the record and the station know.
type eyes struct {
	record  *store.Store
	posts   []acquire.Post
	station func() []acquire.Stats
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
	above, _ := sum.Above(p.Level)
	return above, sum.On.OverRange+sum.Off.OverRange > 0, nil
}

func (e eyes) post(p soak.Plan) (past.Post, bool) {
	for i := range e.posts {
		if e.posts[i].ID == p.Post {
			return historyOf(e.posts[i]), true
		}
	}
	return past.Post{}, false
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
		if !p.has(plan.Contact, plan.Post) {
			return fmt.Errorf("post %s has no contact %q that could count operations", plan.Post, plan.Contact)
		}
		l, err := limitOfPost(post, plan.LimitID)
		if err != nil {
			return err
		}
		plan.LimitID, plan.Level, plan.Guard = l.ID, l.Value, post.GuardBand(p.now(), l.Value)
		return p.Keeper.Plan(ctx, plan, who)
	}
	return fmt.Errorf("there is no post %q", plan.Post)
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
	return soak.Make(ctx, p.eyes.record, l, h, p.now().UTC(), p.zone)
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
