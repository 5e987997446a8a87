package survey

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Names of the checks that a person makes.
const (
	CheckBattery     = "battery"
	CheckZero        = "zero"
	CheckCertificate = "certificate"
	CheckAgreement   = "agreement"
)

// Do does what a person says, and returns the steps that came of it. What does
// not fit is refused, and changes nothing.
func (s *Survey) Do(a Act, now time.Time) ([]Step, error) {
	switch {
	case strings.TrimSpace(a.Who) == "":
		return nil, errors.New("a survey needs the name of who makes it")
	case s.phase == Ended:
		return nil, errors.New("this survey has ended")
	case a.Phase != "" && a.Phase != s.phase, a.Place != 0 && a.Place != s.sweep().N:
		return nil, errPhase(a, s.phase)
	}
	if err := s.may(a); err != nil {
		return nil, err
	}
	now = now.UTC()
	st := Step{At: now, Who: a.Who, Kind: a.Kind, Text: a.Text}
	switch a.Kind {
	case WentBack, Redone, StageEnded, GaveUp:
		s.tellHigh(now)
	}
	switch a.Kind {
	case WentOn:
		s.goOn(a, st)
	case Checked:
		st.Check = a.Check
		s.take(st)
	case Watered:
		st.Volume, st.Celsius = a.Volume, a.Celsius
		s.take(st)
	case TookTemperature:
		st.Celsius = a.Celsius
		s.take(st)
	case StageEnded:
		st.Text = "the oven was stopped by hand"
		s.take(st)
	default:
		s.take(st)
	}
	return s.drain(), nil
}

// goOn does what 'next' means in this phase.
func (s *Survey) goOn(a Act, st Step) {
	switch s.phase {
	case Finishing:
		st.Kind, st.Text = Finished, ""
	case Sweeping: // to its end at once: what was not swept was not seen
		s.run.gap = true
		s.endSweep(st.At)
		return
	case Holding:
		s.endHold(st.At, false)
		s.roomFor(st.At)
		return
	}
	s.tellHigh(st.At)
	st.Turned = a.Turned
	s.take(st)
}

// may says why an act does not fit.
func (s *Survey) may(a Act) error {
	in := func(all ...Phase) error {
		if !slices.Contains(all, s.phase) {
			return errPhase(a, s.phase)
		}
		return nil
	}
	switch a.Kind {
	case WentOn:
		if s.phase == WaterWanted {
			return errors.New("say how much water stands in the oven and how warm it is, when the oven has been started")
		}
		return in(Checking, BackgroundReady, SweepReady, Sweeping, HoldReady, Holding, StageOver, Finishing)
	case Checked:
		return checkable(a.Check)
	case Watered:
		return errors.Join(in(WaterWanted), s.waterFits(a))
	case TookTemperature:
		if a.Celsius == nil || !(*a.Celsius > 0 && *a.Celsius <= boiling+5) {
			return errors.New("write the water's temperature at the end, in °C, 0 to 105")
		}
		return in(StageOver, Finishing)
	case StageEnded:
		return in(SweepReady, Sweeping, HoldReady, Holding)
	case WentBack, Redone:
		return in(BackgroundHold, SweepReady, Sweeping, HoldReady, Holding)
	case Noted:
		if strings.TrimSpace(a.Text) == "" {
			return errors.New("write what is to be noted")
		}
		return nil
	case GaveUp:
		return nil
	}
	return fmt.Errorf("%q is nothing a person does in a survey", a.Kind)
}

func checkable(c *Check) error {
	if c == nil || !slices.Contains([]string{CheckBattery, CheckZero, CheckAgreement}, c.Name) {
		return fmt.Errorf("say which check: %s, %s or %s; the certificate is looked up", CheckBattery, CheckZero, CheckAgreement)
	}
	if !slices.Contains([]string{CheckGood, CheckBad, CheckNotDone}, c.Outcome) {
		return fmt.Errorf("say how check %s came out: %s, %s or %s", c.Name, CheckGood, CheckBad, CheckNotDone)
	}
	return nil
}

func (s *Survey) waterFits(a Act) error {
	switch {
	case a.Volume == nil || !(*a.Volume >= 50 && *a.Volume <= 5000):
		return errors.New("write how much water stands in the oven: 50 to 5000 mL; never run it empty")
	case a.Celsius == nil || !(*a.Celsius > 0 && *a.Celsius < 60):
		return errors.New("write how warm the water is at the start, in °C, 0 to 60")
	}
	allowed := StageTime(*a.Volume, *a.Celsius, s.Setup.Plan.Oven.Power)
	if least := s.holdTime() + moveTime; allowed < least {
		return fmt.Errorf("this load lasts %s, and a hold takes %s: take cooler water", allowed, least)
	}
	return nil
}
