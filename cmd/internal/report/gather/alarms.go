package gather

import (
	"bytes"
	"context"
	"maps"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// alarms reads what stood when a time began, and what was raised or changed in it; own
// says whether the station's own alarms are meant too.
func alarms(ctx context.Context, r *store.Reader, posts []string, own bool, from, to time.Time) ([]report.Alarm, error) {
	meant := func(post string) bool { return post == "" && own || post != "" && slices.Contains(posts, post) }
	var all []report.Alarm
	place := map[string]int{}
	find := func(a *alarm.Alarm) *report.Alarm {
		key := a.Post + "\x00" + string(a.Rule) + "\x00" + a.ID
		i, known := place[key]
		if !known {
			i = len(all)
			place[key] = i
			all = append(all, report.Alarm{Post: a.Post, Rule: string(a.Rule), ID: a.ID, Raised: a.Since})
		}
		return &all[i]
	}
	before := map[string]alarm.Alarm{}
	for e, err := range r.Changes(ctx, time.Time{}, from) {
		if err != nil {
			return nil, err
		}
		if meant(e.Post) {
			before[e.Post+"\x00"+string(e.Alarm.Rule)] = e.Alarm.Alarm // what stands now tells nothing of then
		}
	}
	for _, key := range slices.Sorted(maps.Keys(before)) {
		if a := before[key]; a.State.Standing() {
			x := find(&a)
			x.Steps = append(x.Steps, report.Step{At: a.Changed, To: string(a.Shown()), Why: "it stood when this time began"})
		}
	}
	for e, err := range r.Changes(ctx, from, to) {
		if err != nil {
			return nil, err
		}
		if !meant(e.Post) {
			continue
		}
		a := find(&e.Alarm.Alarm)
		a.Steps = append(a.Steps, report.Step{At: e.At, To: string(e.Alarm.Shown()), Who: e.Who, Why: e.Text, Remark: e.Alarm.Remark})
		if err := toldOf(ctx, r, e.ID, a); err != nil {
			return nil, err
		}
	}
	for e, err := range r.DamagedChanges(ctx, from, to) {
		if err != nil {
			return nil, err
		}
		if meant(e.Post) {
			all = append(all, report.Alarm{Post: e.Post, Rule: string(damagedRule(e)), Steps: []report.Step{{At: e.At, To: "not known", Who: e.Who, Why: e.Text}}})
			if err := toldOf(ctx, r, e.ID, &all[len(all)-1]); err != nil {
				return nil, err
			}
		}
	}
	return all, nil
}

// toldOf adds to a who was told of an event.
func toldOf(ctx context.Context, r *store.Reader, event int64, a *report.Alarm) error {
	told, err := r.Told(ctx, store.ToldQuery{Event: event}, mostEvents)
	if err != nil {
		return err
	}
	slices.Reverse(told)
	for _, t := range told {
		a.Told = append(a.Told, report.Told{At: t.At, Courier: t.Courier, To: t.To, Outcome: string(t.Outcome)})
	}
	return nil
}

// damagedRule is the rule of a damaged change, where its bytes still name one; the name may
// be damaged too.
func damagedRule(e acquire.Event) alarm.Rule {
	_, rest, _ := bytes.Cut(e.Raw, []byte(`"rule":"`))
	name, _, _ := bytes.Cut(rest, []byte(`"`))
	return alarm.Rule(name)
}

// bears says whether it bears on the verdict of a day that an alarm of this rule stood.
func bears(r alarm.Rule) bool {
	return r == alarm.Away || r == alarm.UnderTest || r == alarm.Stuck || r.IsExceedance()
}

// times is when something was so: instants at which that begins or ends.
type times []struct {
	at time.Time
	on bool
}

func (t times) at(at time.Time) bool {
	on := false
	for _, x := range t {
		if x.at.After(at) {
			break
		}
		on = x.on
	}
	return on
}

// stood says whether it was so at some instant from from on and before to.
func (t times) stood(from, to time.Time) bool {
	if t.at(from) {
		return true
	}
	return slices.ContainsFunc(t, func(x struct {
		at time.Time
		on bool
	}) bool {
		return x.on && !x.at.Before(from) && x.at.Before(to)
	})
}

func (t *times) add(at time.Time, on bool) {
	*t = append(*t, struct {
		at time.Time
		on bool
	}{at, on})
}

// states is when alarms of a post that bear on its verdicts stood.
type states struct {
	away, test, stuck times
	doubt             map[alarm.Rule]*times // of all these, since a damaged change
	raised, latched   map[alarm.Rule]*times // exceedances whose condition was present; that stood
}

// stateOf reads the alarms of a post up to an instant.
func stateOf(ctx context.Context, r *store.Reader, post string, to time.Time) (states, error) {
	s := states{raised: map[alarm.Rule]*times{}, latched: map[alarm.Rule]*times{}, doubt: map[alarm.Rule]*times{}}
	var damaged []acquire.Event
	for e, err := range r.DamagedChanges(ctx, time.Time{}, to) {
		if err != nil {
			return s, err
		}
		if e.Post == post {
			damaged = append(damaged, e)
		}
	}
	doubt := func(before int64) {
		for ; len(damaged) > 0 && damaged[0].ID < before; damaged = damaged[1:] {
			in := []alarm.Rule{alarm.Away, alarm.UnderTest, alarm.Stuck, alarm.Exceeds}
			if named := damagedRule(damaged[0]); bears(named) {
				in = []alarm.Rule{named}
			}
			for _, rule := range in {
				s.inDoubt(rule, damaged[0].At, true)
			}
		}
	}
	for e, err := range r.Changes(ctx, time.Time{}, to) {
		if err != nil {
			return s, err
		}
		if e.Post != post {
			continue
		}
		doubt(e.ID)
		c := e.Alarm
		s.inDoubt(c.Rule, e.At, false)
		switch rule := c.Rule; {
		case rule == alarm.Away:
			s.away.add(e.At, c.State.Present())
		case rule == alarm.UnderTest:
			s.test.add(e.At, c.State.Present())
		case rule == alarm.Stuck:
			s.stuck.add(e.At, c.State.Present())
		case rule.IsExceedance():
			if s.raised[rule] == nil {
				s.raised[rule], s.latched[rule] = &times{}, &times{}
			}
			s.raised[rule].add(e.At, c.State.Present())
			s.latched[rule].add(e.At, c.State.Standing())
		}
	}
	doubt(math.MaxInt64)
	return s, nil
}

// inDoubt notes that from at on it is not known, or known again, whether a rule's condition
// was present.
func (s *states) inDoubt(rule alarm.Rule, at time.Time, is bool) {
	if s.doubt[rule] == nil {
		if !is {
			return
		}
		s.doubt[rule] = &times{}
	}
	s.doubt[rule].add(at, is)
}
