package simulate

import (
	"hash/fnv"
	"math"
)

// mix is the finaliser of the splitmix64 generator (from memory): a bijection
// of 64 bits whose outputs look independent. All that is random here is a pure
// function of a seed and an index, so that nothing depends on who asked first.
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// salted derives the seed of one named thing, so that adding an oven or a
// probe to a kitchen changes nothing for the others.
func salted(seed uint64, kind, name string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(kind + "\x00" + name)) // a hash's Write cannot fail
	return mix(seed ^ mix(h.Sum64()))
}

// uniform returns a number in [0, 1) that belongs to index i of a seed.
func uniform(seed, i uint64) float64 {
	return float64(mix(seed^mix(i))>>11) / (1 << 53)
}

// NoiseBound is where the noise of a probe is cut off, in standard deviations:
// no reading is further from its expected value than this and half a quantum.
const NoiseBound = 4.0

// gauss returns the normal deviate (mean 0, standard deviation 1) of index i
// of a seed, by Box and Muller's transform, cut off at ±NoiseBound.
func gauss(seed, i uint64) float64 {
	u := 1 - uniform(seed, 2*i) // in (0, 1]
	v := uniform(seed, 2*i+1)
	z := math.Sqrt(-2*math.Log(u)) * math.Cos(2*math.Pi*v)
	return max(-NoiseBound, min(NoiseBound, z))
}
