package main

import (
	"fmt"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/notify"
	"ovenward/config"
)

// zeroFloors is how many noise floors off zero a probe may rest before its drift
// is told, where the post states no bound of its own; our own choice.
const zeroFloors = 3

// lookAfter gives a post its rules, and says when its instrument and its place
// call for somebody. Simulated instruments have neither certificates that matter
// nor places.
func lookAfter(p *acquire.Post, f *config.File, c config.Post, oven config.Oven) {
	p.Rules = f.RulesOf(c, p.Limits())
	a := f.Alarm
	p.Upkeep = acquire.Upkeep{UnderFloor: a.UnderFloor, Certificate: a.Certificate, Position: a.Position,
		CheckedOn: c.CheckedOn, Zero: c.ZeroBound}
	if s := f.RunsBy(oven); s != nil {
		p.Upkeep.ExpectedRuns = s.Covers
	}
	if p.Upkeep.Zero <= 0 {
		p.Upkeep.Zero = zeroFloors * p.Probe.Floor
	}
	if p.Probe.Simulated {
		p.Upkeep.Certificate, p.Upkeep.Position = 0, 0
	}
}

// attention is when an alarm that nobody looks after is told on or again.
func attention(a config.Alarm) alarm.Attention {
	return alarm.Attention{EscalateAfter: a.EscalateAfter, TellAgainAfter: a.TellAgainAfter}
}

// troubles tells the station of couriers whose messages are not accepted, and of
// runs that come near their limit.
func (g *generation) troubles() []acquire.Trouble {
	out := make([]acquire.Trouble, 0, len(g.couriers))
	for _, c := range g.couriers {
		s := c.Stats()
		out = append(out, courierTrouble(s, g.changed[s.Name]))
	}
	return append(out, g.ageing.Troubles()...)
}

// courierTrouble says what is amiss with a courier: the newest attempt, of a message
// or a heartbeat, was not accepted, or a message waits that was not, or the receiver does not show what is so. Before the
// first attempt, and while the first one of a message is under way, nobody knows, nor before the record was read for
// messages that wait, and each that may have been refused before the start was tried; that it shows what is so says nothing of them.
// changed says that a reload configured it otherwise: where nothing waits that would be tried now, and nothing
// is to be shown of which nobody knows yet, what was said of the one before is said no more.
func courierTrouble(s notify.Stats, changed bool) acquire.Trouble {
	t := acquire.Trouble{Rule: alarm.CourierOf(s.Name)}
	switch {
	case s.NotAccepted() && s.LastError != "":
		t.Text = fmt.Sprintf("messages to %s are not accepted (%d wait): %s", s.To, s.Waiting, s.LastError)
	case s.NotShown != "":
		t.Text = fmt.Sprintf("what %s shows may not be so any more: %s", s.To, s.NotShown)
	default:
		t.Unknown = s.Trying > 0 || !s.Begun || s.LastAccepted.IsZero() && s.LastHeartbeat.IsZero() && s.LastErrorAt.IsZero() && (s.LastShown.IsZero() || s.Waiting > 0)
		if changed && s.Begun && s.Waiting == 0 && s.Heartbeat == 0 && !s.ToShow {
			t.Anew = "its configuration was changed; whether messages are accepted now is known after the next one"
		}
	}
	return t
}
