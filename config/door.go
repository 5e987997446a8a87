package config

import (
	"strings"
	"time"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// readDoor reads an [oven.door]: what a survey's plan must know. nil: it is not
// stated.
func readDoor(oven *table) *survey.Door {
	t := oven.table("door")
	if t == nil {
		return nil
	}
	d := &survey.Door{
		Width: t.length(ask{"width", `"46 cm"`, true}), Height: t.length(ask{"height", `"31 cm"`, true}),
		Hinge:       survey.Surface(t.oneOf(ask{"hinge", `"left"`, true}, "left", "right", "top", "bottom")),
		ScreenWidth: t.length(ask{"screen_width", `"30 cm"`, false}), ScreenHeight: t.length(ask{"screen_height", `"18 cm"`, false}),
		Panel: t.length(ask{"panel_width", `"12 cm"`, false}), Depth: t.length(ask{"depth", `"40 cm"`, true}),
	}
	if side := t.oneOf(ask{"panel", `"right"`, false}, "left", "right"); side == "left" {
		d.PanelLeft = true
	}
	const vent = `[{surface = "right", x = "5 cm", y = "4 cm", width = "8 cm", height = "5 cm"}]`
	for _, r := range t.rows("vents", vent) {
		v := survey.Vent{Surface: survey.Surface(r.oneOf(ask{"surface", `"right"`, true}, "front", "top", "left", "right", "back", "bottom")), Rect: readRect(r)}
		r.finish()
		d.Vents = append(d.Vents, v)
	}
	const knob = `[{name = "handle", x = "42 cm", y = "6 cm", width = "2 cm", height = "20 cm", depth = "35 mm"}]`
	for _, r := range t.rows("knobs", knob) {
		k := survey.Knob{Name: r.text(ask{"name", `"handle"`, true}), Rect: readRect(r), Depth: r.length(ask{"depth", `"35 mm"`, true})}
		r.finish()
		d.Knobs = append(d.Knobs, k)
	}
	t.finish()
	if err := d.Check(); err != nil && len(t.r.problems) == 0 { // a size that is wrong was told
		for _, line := range strings.Split(err.Error(), "\n") {
			t.r.add(t.at.line, "%s: %s", t.label, line)
		}
	}
	return d
}

// readRect reads a rectangle on a surface. Its corner may lie at 0.
func readRect(t *table) survey.Rect {
	at := func(key string) quantity.Length {
		return quantityOf(t, ask{key, `"5 cm"`, true}, quantity.ParseLength, span[quantity.Length]{0, 100, `"0 mm" to "100 m"`}, 0)
	}
	return survey.Rect{X: at("x"), Y: at("y"), Width: t.length(ask{"width", `"8 cm"`, true}), Height: t.length(ask{"height", `"5 cm"`, true})}
}

// readProcedures reads each [[procedure]]: what a survey can follow beside the
// built-in ones.
func readProcedures(root *table) []survey.Procedure {
	var all []survey.Procedure
	for _, t := range root.tables("procedure") {
		valid := t.integer(ask{"valid_months", "12", false}, span[int64]{0, 120, "0 to 120"}, 12)
		p := survey.Procedure{
			ID: t.id("procedure", `"house-2026"`), Title: t.text(ask{"title", `"house procedure, second edition"`, true}),
			Source:   t.text(ask{"source", `"binder 3, sheet 12"`, true}),
			Load:     survey.Range{Value: t.number(ask{"load_ml", "275", false}, span[float64]{100, 5000, "100 to 5000"}, 275), Off: t.number(ask{"load_off_ml", "15", false}, span[float64]{0, 1000, "0 to 1000"}, 15)},
			Water:    survey.Range{Value: t.number(ask{"water_c", "20", false}, span[float64]{1, 40, "1 to 40"}, 20), Off: t.number(ask{"water_off_c", "5", false}, span[float64]{0, 20, "0 to 20"}, 5)},
			Distance: quantityOf(t, ask{"distance", `"5 cm"`, false}, quantity.ParseLength, span[quantity.Length]{0.01, 1, `"1 cm" to "1 m"`}, survey.SurfaceGap),
			Spacing:  quantityOf(t, ask{"spacing", `"20 mm"`, false}, quantity.ParseLength, span[quantity.Length]{0.002, survey.MostSpacing, `"2 mm" to "25 mm"`}, survey.MostSpacing),
			Speed:    t.number(ask{"speed_cm_per_s", "2", false}, span[float64]{0.2, 100 * survey.MostSpeed, "0.2 to 2.5"}, 100*survey.MostSpeed) / 100,
			Valid:    int(valid), ValidBy: "as this procedure states",
		}
		line := t.at.line
		t.finish()
		if err := p.Check(); err != nil && len(t.r.problems) == 0 {
			t.r.add(line, "%v", err)
		}
		for _, named := range survey.Procedures() {
			if named.ID == p.ID {
				t.r.add(line, "%s: %q is the id of a built-in procedure: give yours another", t.label, p.ID)
			}
		}
		all = append(all, p)
	}
	return all
}

// readStirrer reads how long a turn of the stirrer or turntable takes; 0: not
// stated.
func readStirrer(t *table) time.Duration {
	return t.duration(ask{"stirrer_turn", `"12 s"`, false}, span[time.Duration]{time.Second, time.Minute, `"1 s" to "1 min"`}, 0)
}

// Survey is the oven as a survey needs it.
func (o Oven) Survey() survey.Oven {
	s := survey.Oven{ID: o.ID, Place: o.Place, Model: o.Model, Power: float64(o.Output), Stirrer: o.Stirrer.Seconds(), Frequency: o.Frequency}
	if o.Door != nil {
		s.Door = *o.Door
	}
	return s
}
