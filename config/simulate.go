package config

import "math"

// Simulate is the [simulate] section: how the model kitchen behind ports like
// "simulate:NAME" behaves.
type Simulate struct {
	Line  int    // 0 when the file has no such section
	Seed  uint64 // the same seed gives the same kitchen; 1 when not set
	Speed float64
}

func readSimulate(root *table) Simulate {
	s := Simulate{Seed: 1, Speed: 1}
	t := root.table("simulate")
	if t == nil {
		return s
	}
	s.Line = t.at.line
	s.Seed = uint64(t.integer(ask{"seed", "1", false}, span[int64]{0, math.MaxInt64, "0 or more"}, 1))
	s.Speed = t.number(ask{"speed", "1", false},
		span[float64]{math.SmallestNonzeroFloat64, 1e6, "a number above 0, at most 1000000: kitchen seconds in one second"}, 1)
	t.finish()
	return s
}
