package survey

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"
)

// What a person writes of handle and vents reaches the plan: a sweep for each vent,
// and the sensing centre farther out before the handle.
func TestPlacesReachThePlan(t *testing.T) {
	door := Door{Width: 0.46, Height: 0.31, Hinge: Left, Panel: 0.12, Depth: 0.4}
	lines := []string{"bar handle 45 5 2 18 3,5", "", "Vent right 25 4 8 5 cm", "vent top 10 10 30 4"}
	if err := door.SetPlaces(lines); err != nil {
		t.Fatal(err)
	}
	want := []Knob{{"bar handle", Rect{0.45, 0.05, 0.02, 0.18}, 0.035}}
	if !reflect.DeepEqual(door.Knobs, want) || len(door.Vents) != 2 || door.Vents[0] != (Vent{Right, Rect{0.25, 0.04, 0.08, 0.05}}) {
		t.Errorf("read %+v and %+v", door.Knobs, door.Vents)
	}
	var again Door
	if err := again.SetPlaces(door.Places()); err != nil || !reflect.DeepEqual(again.Knobs, door.Knobs) || !reflect.DeepEqual(again.Vents, door.Vents) {
		t.Errorf("written and read again: %v, %+v from %q", err, again, door.Places())
	}
	inches := Door{Width: 0.434975, Height: 0.3, Hinge: Left, Depth: 0.4, Vents: []Vent{{Front, Rect{0.1, 0, 0.334975, 0.05}}}} // up to the edge
	if err := errors.Join(inches.Check(), inches.SetPlaces(inches.Places()), inches.Check()); err != nil {
		t.Errorf("written and read again: %v", err)
	}
	plan, err := NewPlan(Oven{ID: "o", Power: 1000, Door: door}, Procedures()[0], Hand{Response: time.Second, Axes: 3}, false)
	if err != nil {
		t.Fatal(err)
	}
	vents, farthest := map[Surface]bool{}, 0.0
	for _, s := range plan.Sweeps {
		if strings.HasPrefix(s.Name, "vent") {
			vents[s.Surface] = true
		}
		for _, p := range s.Points {
			farthest = max(farthest, float64(p.Z))
		}
	}
	if !vents[Right] || !vents[Top] || farthest < 0.05+0.035-1e-9 {
		t.Errorf("vents at %v, farthest before the surface %g m", vents, farthest)
	}
	if err := door.SetPlaces(nil); err != nil || door.Knobs != nil || door.Vents != nil {
		t.Errorf("none: %v, %+v", err, door)
	}
	for line, why := range map[string]string{"vent right 25 4 8": "vent SURFACE X Y", "vent side 25 4 8 5": "no surface", "handle 40 5 2 18": "NAME X Y",
		"handle 40 5 2 18 deep": `"deep" is no size`, "handle 40 5 2 18 -3": "no size", "40 5 2 18 3": "NAME X Y"} {
		kept := Door{Knobs: want}
		if err := kept.SetPlaces([]string{line}); err == nil || !strings.Contains(err.Error(), why) || len(kept.Knobs) != 1 {
			t.Errorf("%q: %v, want %q", line, err, why)
		}
	}
}
