package guide

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
)

// Do does what a person says in a survey. It returns when that is recorded, or
// says that it is not yet: then it counts all the same, and is tried again.
func (g *Guide) Do(ctx context.Context, id string, a survey.Act) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	v := g.find(id)
	if v == nil {
		return ErrNoSurvey
	}
	steps, err := v.survey.Do(a, g.now())
	if err != nil {
		return err
	}
	v.pending = append(v.pending, steps...)
	g.keep(ctx, v)
	return nil
}

func (g *Guide) find(id string) *guided {
	for _, v := range g.all {
		if v.id == id {
			return v
		}
	}
	return nil
}

func (v *guided) view(now time.Time) survey.View {
	w := v.survey.View(now, max(v.stale, time.Second))
	if v.trouble != "" {
		w.Said = strings.TrimSpace(w.Said + " " + v.trouble)
	}
	return w
}

// View shows a survey that is under way.
func (g *Guide) View(id string) (survey.View, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if v := g.find(id); v != nil {
		return v.view(g.now()), true
	}
	return survey.View{}, false
}

// Views shows all surveys under way.
func (g *Guide) Views() []survey.View {
	g.mu.Lock()
	defer g.mu.Unlock()
	out := []survey.View{}
	for _, v := range g.all {
		out = append(out, v.view(g.now()))
	}
	return out
}

// Surveys lists what the record holds, the newest first.
func (g *Guide) Surveys(ctx context.Context, limit int) ([]store.SurveyRow, error) {
	return g.o.Record.Surveys(ctx, store.SurveyQuery{}, limit)
}

// Result is what a survey has found: at its end, or up to now. nil: there is no
// such survey.
func (g *Guide) Result(ctx context.Context, id string) (*survey.Result, error) {
	g.mu.Lock()
	if v := g.find(id); v != nil {
		r := v.survey.Result()
		g.mu.Unlock()
		return &r, nil
	}
	g.mu.Unlock()
	return g.o.Record.SurveyResult(ctx, id)
}

// endAll closes the surveys that have ended, once their last samples are in the
// record. The caller holds the lock.
func (g *Guide) endAll(ctx context.Context, now time.Time) {
	before := len(g.all)
	g.all = slices.DeleteFunc(g.all, func(v *guided) bool {
		if v.survey.State() == survey.UnderWay || len(v.pending) > 0 {
			return false
		}
		if now.Sub(v.survey.Since()) < settles {
			return false
		}
		return g.close(ctx, v)
	})
	if len(g.all) != before {
		g.want()
	}
}

// close keeps what was found, and gives the probe back to its post.
func (g *Guide) close(ctx context.Context, v *guided) bool {
	r := v.survey.Result()
	raw, err := g.digest(ctx, v, r)
	if err == nil {
		r.Raw = raw
		kept, cancel := context.WithTimeout(ctx, keepIn)
		defer cancel()
		err = g.o.Record.KeepSurvey(kept, v.id, v.oven, nil, &r)
	}
	if err != nil {
		if v.trouble == "" {
			g.o.Log.Error("what a survey found is not recorded; it is tried again", "survey", v.id, "err", err)
		}
		v.trouble = fmt.Sprintf("not yet recorded: %v", err)
		return false
	}
	text, err := json.Marshal(r)
	if err != nil {
		g.o.Log.Error("what a survey found cannot be written", "survey", v.id, "err", err)
	}
	sum := sha256.Sum256(text)
	g.o.Record.Record(acquire.Event{At: r.Ended, Post: v.survey.Setup.Post, Kind: acquire.KindSurvey, Who: r.Who, Raw: []byte(hex.EncodeToString(sum[:])),
		Text: fmt.Sprintf("survey %s of oven %s: %s, %s", v.id, v.oven, r.State, r.Verdict.Outcome)})
	if v.post >= 0 {
		if err := g.o.Station().Conclude(v.post, v.survey.Who()); err != nil {
			g.o.Log.Warn("the probe's post could not be marked as back", "survey", v.id, "err", err)
		}
	}
	return true
}

// digest goes over the raw readings of a survey.
func (g *Guide) digest(ctx context.Context, v *guided, r survey.Result) (*survey.Digest, error) {
	d := &survey.Digest{Post: v.survey.Setup.Post}
	h := sha256.New()
	for s, err := range g.o.Record.Samples(ctx, d.Post, r.Begun, r.Ended) {
		if damage := (*store.Damage)(nil); errors.As(err, &damage) {
			continue // what is damaged is told by whoever looks after the record
		}
		if err != nil {
			return nil, err
		}
		if d.N++; d.From == 0 {
			d.From = s.Seq
		}
		d.To = s.Seq
		fmt.Fprintf(h, "%d\t%s\t%s\n", s.Seq, s.At.UTC().Format(time.RFC3339Nano), s.Said) // a hash's Write cannot fail
	}
	d.SHA256 = hex.EncodeToString(h.Sum(nil))
	return d, nil
}
