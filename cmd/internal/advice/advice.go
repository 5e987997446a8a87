// Package advice says what to do about an alarm, in short sentences for whoever
// stands there. It is the one source for page and couriers, so that both say the
// same.
package advice

import (
	"ovenward/acquire/alarm"
)

// StopOven is what to do while a field exceeds its limit.
const StopOven = "Stop using this oven. Switch it off at its control or at the wall. Do not open the cabinet. Keep people away from the door. Call licensed service."

// LeaveOven is what to do while a field persists beside an open door: an oven that
// does not stop with its door, or something else that emits.
const LeaveOven = "Keep everyone away; switch off at the wall or breaker. Do not reach into the oven. Call licensed service."

const (
	unknown   = "The field at this post is not known. "
	untilSeen = " Until the probe is seen again, nobody knows whether this oven leaks."
)

// Probe names the instrument that an alarm is about, as far as it is known.
type Probe struct {
	ID, Port string
}

func (p Probe) name() string {
	if p.ID == "" {
		return "the probe"
	}
	return "probe " + p.ID
}

func (p Probe) port() string {
	if p.Port == "" {
		return "its port"
	}
	return "its port " + p.Port
}

// Now says what to do about an alarm in this state; empty when there is nothing
// to be done.
func Now(r alarm.Rule, s alarm.State, p Probe) string {
	switch {
	case s.Present():
		return present(r, p)
	case r.Latches() && s.Standing():
		return "Keep this oven out of use until licensed service has mended the cause or a survey was made; only a reset that names it ends this alarm."
	case r.Latches():
		return "The reset states that the cause is mended; the next run of the oven will show it."
	case r.Blinds() && !r.IsNotice():
		return "What the field was in between is not known."
	}
	return ""
}

// present says what to do while the condition is there.
func present(r alarm.Rule, p Probe) string {
	if r.Blinds() {
		return unknown + lookAt(r, p) + untilSeen
	}
	switch alarm.Rule(r.Kind()) {
	case alarm.Exceeds:
		return StopOven
	case alarm.OpenDoor:
		return LeaveOven
	case alarm.Emission:
		return "Somebody uses an oven that is out of use. " + StopOven + " Cut the oven off from the mains, so that nobody can use it."
	case alarm.OverRange:
		return "Compare " + p.name() + " with one known to be good before you rely on it."
	case alarm.UnderFloor:
		return "Look whether " + p.name() + " still stands at its post, faces the oven and senses. Until it does, nobody knows whether this oven leaks."
	case alarm.ZeroDrift:
		return "Take " + p.name() + " away from any field and take a zero."
	case alarm.Battery:
		return "The probe still reads. Change its battery soon; without it nobody knows whether this oven leaks."
	case alarm.Temperature:
		return "The probe still reads, but its readings may be off. Shield it from heat or cold, or move it."
	case alarm.CertificateDue:
		return "Have " + p.name() + " calibrated before that day, and enter its certificate."
	case alarm.CertificateOverdue:
		return "Have " + p.name() + " calibrated, and enter its certificate. Until then nothing it shows counts as within a limit."
	case alarm.Position:
		return "Check where " + p.name() + " stands and which way it faces, and say so."
	}
	return presentNamed(r)
}

// presentNamed is for what belongs to the station, and for what has a name of its own.
func presentNamed(r alarm.Rule) string {
	switch r.Kind() {
	case string(alarm.Clock):
		return "Look after the time service of this station. No verdict rests on its clock; the instants in the record do."
	case string(alarm.Disk):
		return "Make room on the disk of this station before readings are lost."
	case string(alarm.Record):
		return "Readings may be lost until it can. Look at the disk of this station: space, permissions, whether it is mounted."
	case alarm.WarningOf("").Kind():
		return "Have the door and its seal looked at before the limit is reached."
	case alarm.CountOf("").Kind():
		return "Have the door and its seal looked at: the field keeps rising above its limit, if only for moments."
	case alarm.DoseOf("").Kind():
		return "See who works near this oven and for how long, and have the door and its seal looked at."
	case alarm.CourierOf("").Kind():
		return "Whom it tells does not hear of alarms now. Look at its address, its token and the network, and tell them yourself."
	case alarm.InputOf("").Kind():
		return "The contact tells nothing about door or power now. Look at its wiring, its file or the device that is asked for it."
	case alarm.SumOf("").Kind():
		return "Stop using the ovens of these posts, one after the other, until together they are below the limit; keep people away from where the posts stand. Call licensed service."
	case alarm.AgeingOf("").Kind():
		return "Have the door and its seal looked at before the limit is reached: from run to run the field rises."
	case alarm.WithdrawnOf("").Kind():
		return "See that nobody uses this oven until somebody has returned it into use."
	}
	return ""
}

// lookAt names what a person should look at when a post is blind.
func lookAt(r alarm.Rule, p Probe) string {
	switch r {
	case alarm.Silent:
		return "Look at the power of " + p.name() + ", its cable and " + p.port() + "."
	case alarm.Stale:
		return "Look at the display and the settings of " + p.name() + "."
	case alarm.Stuck:
		return "Look at " + p.name() + ": compare it with one known to be good."
	case alarm.Fault:
		return "Read what " + p.name() + " itself shows, and have it serviced."
	case alarm.Away:
		return "Bring " + p.name() + " back to its post when the survey is done, and say so."
	}
	return "End the test of " + p.name() + " when it is done, and say so."
}
