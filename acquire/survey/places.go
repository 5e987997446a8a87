package survey

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ovenward/acquire/quantity"
)

// mostPlaces bounds how many vents, handles and knobs are taken; our own choice.
const mostPlaces = 40

// SetPlaces takes the places of a door other than seam and screen, one a line, in
// place of those that it has:
//
//	vent SURFACE X Y WIDTH HEIGHT
//	NAME X Y WIDTH HEIGHT DEPTH     a handle or knob, on the front
//
// Sizes are in cm; X and Y are of the lower left corner, as in Rect. Lines without
// text are passed over.
func (d *Door) SetPlaces(lines []string) error {
	var vents []Vent
	var knobs []Knob
	var wrong []error
	for _, line := range lines {
		words := strings.Fields(line)
		if len(words) > 0 && strings.EqualFold(words[len(words)-1], "cm") {
			words = words[:len(words)-1]
		}
		switch {
		case len(words) == 0:
		case strings.EqualFold(words[0], "vent"):
			v, err := ventOf(words[1:])
			if err != nil {
				wrong = append(wrong, fmt.Errorf("%q: %w", line, err))
			}
			vents = append(vents, v)
		default:
			k, err := knobOf(words)
			if err != nil {
				wrong = append(wrong, fmt.Errorf("%q: %w", line, err))
			}
			knobs = append(knobs, k)
		}
	}
	if len(vents)+len(knobs) > mostPlaces {
		wrong = append(wrong, fmt.Errorf("%d places are more than %d: leave out what is alike", len(vents)+len(knobs), mostPlaces))
	}
	if len(wrong) > 0 {
		return errors.Join(wrong...)
	}
	d.Vents, d.Knobs = vents, knobs
	return nil
}

func ventOf(words []string) (Vent, error) {
	if len(words) != 5 {
		return Vent{}, errors.New("write a vent as: vent SURFACE X Y WIDTH HEIGHT, in cm, such as: vent right 25 4 8 5")
	}
	s := Surface(strings.ToLower(words[0]))
	if !slices.Contains([]Surface{Front, Top, Left, Right, Back, Bottom}, s) {
		return Vent{}, fmt.Errorf("%q is no surface: write front, top, left, right, back or bottom", words[0])
	}
	n, err := sizes(words[1:])
	if err != nil {
		return Vent{}, err
	}
	return Vent{s, Rect{n[0], n[1], n[2], n[3]}}, nil
}

func knobOf(words []string) (Knob, error) {
	at := len(words) - 5
	if at < 1 {
		return Knob{}, errors.New("write a handle or knob as: NAME X Y WIDTH HEIGHT DEPTH, in cm, such as: handle 40 5 2 18 3.5")
	}
	n, err := sizes(words[at:])
	if err != nil {
		return Knob{}, err
	}
	return Knob{strings.Join(words[:at], " "), Rect{n[0], n[1], n[2], n[3]}, n[4]}, nil
}

// sizes reads sizes in cm; a comma may stand for the point.
func sizes(words []string) ([]quantity.Length, error) {
	var out []quantity.Length
	for _, w := range words {
		x, err := strconv.ParseFloat(strings.Replace(w, ",", ".", 1), 64)
		if err != nil || !(x >= 0 && x <= 1000) {
			return nil, fmt.Errorf("%q is no size in cm", w)
		}
		out = append(out, quantity.Length(x/100))
	}
	return out, nil
}

// Places are the lines that SetPlaces would take for what the door has.
func (d Door) Places() []string {
	cm := func(all ...quantity.Length) string {
		var out []string
		for _, l := range all {
			out = append(out, strconv.FormatFloat(float64(l)*100, 'g', 10, 64))
		}
		return strings.Join(out, " ")
	}
	var lines []string
	for _, k := range d.Knobs {
		lines = append(lines, k.Name+" "+cm(k.X, k.Y, k.Width, k.Height, k.Depth))
	}
	for _, v := range d.Vents {
		lines = append(lines, "vent "+string(v.Surface)+" "+cm(v.X, v.Y, v.Width, v.Height))
	}
	return lines
}
