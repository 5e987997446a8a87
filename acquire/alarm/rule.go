package alarm

import (
	"strings"
	"time"
)

// Rule names what an alarm is about.
type Rule string

// About the field.
const (
	Exceeds  Rule = "exceeds"   // the field stayed above the limit, or went over range
	Emission Rule = "emission"  // an oven that is withdrawn emits
	OpenDoor Rule = "open-door" // a field persists though the oven's door is open
)

// About what the station knows. While one of the first four is present the field
// at the post is not known.
const (
	Silent Rule = "silent" // the probe does not answer, or its port is gone
	Stale  Rule = "stale"  // the probe answers, but gives no valid sample
	Stuck  Rule = "stuck"  // the reading stands still longer than noise allows
	Fault  Rule = "fault"  // the probe declares itself unfit

	OverRange          Rule = "over-range"          // the probe was driven beyond what it can show
	UnderFloor         Rule = "under-floor"         // nothing is seen for too long while the oven is known to run
	ZeroDrift          Rule = "zero-drift"          // the reading rests off zero while the oven is not known to run
	Battery            Rule = "battery"             // the probe calls for a new battery, or its battery is below a bound
	Temperature        Rule = "temperature"         // the probe is warmer or colder than it is meant for
	CertificateDue     Rule = "certificate-due"     // the probe's calibration is due soon
	CertificateOverdue Rule = "certificate-overdue" // no certificate is in force
	Position           Rule = "position"            // nobody has stated for too long that the probe stands where it should
)

// About the station itself.
const (
	Record Rule = "record" // the record cannot be written
	Clock  Rule = "clock"  // the wall clock is not known to be right
	Disk   Rule = "disk"   // the record's disk fills up
)

// Notices: what people have announced. They are told once when they begin and
// once when they end.
const (
	Away      Rule = "away"       // the probe is away for a survey
	UnderTest Rule = "under-test" // the probe is being tested where it stands
)

// The kinds of rules that carry a name of their own behind a colon.
const (
	warning   = "warning"   // a share of a limit, as early warning
	dose      = "dose"      // dose in the site's civil day
	count     = "count"     // exceedances in one run of the oven
	courier   = "courier"   // messages of a courier are not accepted
	withdrawn = "withdrawn" // an oven is taken out of use; a notice of the station's own
	input     = "input"     // a contact at a post cannot be read; the station's own
	ageing    = "ageing"    // the runs at a post come nearer to their limit; the station's own
	sum       = "sum"       // several frequencies together exceed; the station's own
)

// ExceedsOf is the rule for the limit with this id, where a post has more limits
// than one; that of its first limit is Exceeds.
func ExceedsOf(limitID string) Rule { return Exceeds + ":" + Rule(limitID) }

// ExceedsBy is the rule for a level at or above a limit that the configuration
// names by an id of its own. No limit has an id with a colon in it.
func ExceedsBy(id string) Rule { return ExceedsOf("by:" + id) }

// IsNamedLevel says whether the rule is one of ExceedsBy: a verdict against a limit
// does not say what its level is, and of which mean.
func (r Rule) IsNamedLevel() bool {
	return r.IsExceedance() && strings.HasPrefix(r.Name(), "by:")
}

// WarningOf is the rule with this id about a share of a limit.
func WarningOf(id string) Rule { return warning + ":" + Rule(id) }

// DoseOf is the rule with this id about the dose of a day.
func DoseOf(id string) Rule { return dose + ":" + Rule(id) }

// CountOf is the rule with this id about exceedances in one run.
func CountOf(id string) Rule { return count + ":" + Rule(id) }

// CourierOf is the rule for the courier with this id.
func CourierOf(id string) Rule { return courier + ":" + Rule(id) }

// AgeingOf is the rule that the runs at the post with this id come nearer to their
// limit.
func AgeingOf(post string) Rule { return ageing + ":" + Rule(post) }

// SumOf is the rule that the ratios of the sum with this id add up to more than 1.
func SumOf(id string) Rule { return sum + ":" + Rule(id) }

// IsSum says whether the rule is about several posts that exceed together.
func (r Rule) IsSum() bool { return r.Kind() == sum }

// InputOf is the rule that the contact with this id cannot be read.
func InputOf(id string) Rule { return input + ":" + Rule(id) }

// IsReported says whether the station knows of the rule only by being told: of
// couriers, contacts, ageing, sums.
func (r Rule) IsReported() bool {
	return r.Kind() == courier || r.Kind() == input || r.Kind() == ageing || r.IsSum()
}

// NamesPlace says whether the rule's own name is where it is: an oven, a post, a
// contact beside one.
func (r Rule) NamesPlace() bool {
	return r.Kind() == withdrawn || r.Kind() == input || r.Kind() == ageing
}

// WithdrawnOf is the notice that the oven with this id is withdrawn.
func WithdrawnOf(oven string) Rule { return withdrawn + ":" + Rule(oven) }

// Rules lists all rules. Of those that carry a name there is one each, with a name
// that stands for any; of exceedances one of each way of naming them.
func Rules() []Rule {
	return []Rule{Exceeds, ExceedsOf("some-limit"), ExceedsBy("some-rule"), Emission, Silent, Stale, Stuck, Fault,
		OverRange, UnderFloor, ZeroDrift, Battery, Temperature, CertificateDue, CertificateOverdue, Position,
		Record, Clock, Disk, Away, UnderTest, OpenDoor,
		WarningOf("some-rule"), DoseOf("some-rule"), CountOf("some-rule"), CourierOf("some-courier"),
		InputOf("some-contact"), AgeingOf("some-post"), SumOf("some-sum"), WithdrawnOf("some-oven")}
}

// Kind is the rule without what a name of its own adds to it: "exceeds",
// "silent", "warning", "dose", "courier" …
func (r Rule) Kind() string {
	kind, _, _ := strings.Cut(string(r), ":")
	return kind
}

// Name is what stands behind the kind: the id of a limit, a rule of the
// configuration, a courier or an oven; empty for all others.
func (r Rule) Name() string {
	_, name, _ := strings.Cut(string(r), ":")
	return name
}

// IsExceedance says whether the rule is about a field above a limit.
func (r Rule) IsExceedance() bool { return r.Kind() == string(Exceeds) }

// IsOfField says whether the rule is about what the field does, so that its last
// minutes show why.
func (r Rule) IsOfField() bool {
	switch r.Kind() {
	case string(Exceeds), string(Emission), string(OpenDoor), warning, dose, count:
		return true
	}
	return false
}

// Latches says whether a falling value may end an alarm of this rule. An
// exceedance latches, of one post or of several together, and so does a field beside
// an open door: only a reset that names a repair or a survey ends it.
func (r Rule) Latches() bool { return r.IsExceedance() || r.IsSum() || r == OpenDoor }

// IsNotice says whether the rule is something that people announced: told once
// when it begins and once when it ends, and nothing to acknowledge.
func (r Rule) IsNotice() bool { return r == Away || r == UnderTest || r.Kind() == withdrawn }

// Blinds says whether the field is not known while an alarm of this rule is
// present.
func (r Rule) Blinds() bool {
	switch r {
	case Silent, Stale, Stuck, Fault, Away, UnderTest:
		return true
	}
	return false
}

// Guarded says whether an alarm of this rule can neither be suppressed nor taken
// out of service, and be shelved for LongestGuardedShelf at most: a field above
// its limit, an oven that emits though it is withdrawn, a post that does not see.
func (r Rule) Guarded() bool { return r.Latches() || r == Emission || r.Blinds() }

// How long an alarm may be shelved. The first is a rule of the house for guarded
// alarms; the second is our own choice.
const (
	LongestGuardedShelf = 8 * time.Hour
	LongestShelf        = 7 * 24 * time.Hour
)

// LongestShelf is how long an alarm of this rule may be shelved at a time.
func (r Rule) LongestShelf() time.Duration {
	if r.Guarded() {
		return LongestGuardedShelf
	}
	return LongestShelf
}

// Priority is how fast a person should act.
type Priority string

const (
	High   Priority = "high"   // at once
	Medium Priority = "medium" // today
	Low    Priority = "low"    // on the next round
)

// Known says whether p is one of the three.
func (p Priority) Known() bool { return p == High || p == Medium || p == Low }

// Priority of a rule where nobody set another: exceedances and emission of a
// withdrawn oven are high, blindness and doubt of readings are medium, what can
// wait for the next round is low.
func (r Rule) Priority() Priority {
	switch {
	case r.Latches(), r == Emission:
		return High
	case r.IsNotice():
		return Low
	}
	switch r {
	case Battery, CertificateDue, Position, Clock:
		return Low
	}
	if r.Kind() == warning || r.Kind() == ageing {
		return Low
	}
	return Medium
}
