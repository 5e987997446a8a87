package config

import (
	"time"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// Oven is one [[oven]].
type Oven struct {
	Line      int
	ID        string
	Place     string // where it stands, in people's words
	Model     string // free text; may be empty
	Frequency quantity.Frequency
	Limit     string // id of the limit that applies to it
	Runs      string // id of the schedule in which it is known to run; may be empty
	RunsLine  int

	Output  quantity.Power // rated, of microwaves; 0: not stated
	Stirrer time.Duration  // a turn of stirrer or turntable; 0: not stated
	Door    *survey.Door   // for surveys; nil: not stated
}

func readOvens(root *table) []Oven {
	var ovens []Oven
	for _, t := range root.tables("oven") {
		o := Oven{
			Line:  t.at.line,
			ID:    t.id("oven", `"kitchen-left"`),
			Place: t.text(ask{"place", `"main kitchen, left of the hatch"`, true}),
			Model: t.text(ask{"model", `"1100 W, two shelves"`, false}),
			// Microwaves by the usual definition, 300 MHz to 300 GHz.
			Frequency: quantityOf(t, ask{"frequency", `"2450 MHz"`, true}, quantity.ParseFrequency,
				span[quantity.Frequency]{300e6, 300e9, `"300 MHz" to "300 GHz"`}, 0),
			Limit: t.ref(ask{"limit", `"door-in-use"`, true}),
			Runs:  t.text(ask{"runs", `"lunch"`, false}), RunsLine: t.line("runs"),
			Output: quantityOf(t, ask{"output", `"1000 W"`, false}, quantity.ParsePower,
				span[quantity.Power]{100, 20_000, `"100 W" to "20 kW"`}, 0),
			Stirrer: readStirrer(t), Door: readDoor(t),
		}
		t.finish()
		ovens = append(ovens, o)
	}
	return ovens
}
