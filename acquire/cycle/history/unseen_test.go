package history

import (
	"math/rand/v2"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

// TestUnseen finds each time in which nothing was seen, and together they are what the
// sums do not cover.
func TestUnseen(t *testing.T) {
	for seed := range uint64(8) {
		rng := rand.New(rand.NewPCG(seed, 61))
		all, _ := made(rng, 30*time.Hour, true)
		all = append(all[:20000:20000], all[20000+rng.IntN(30000):]...)
		p := pass()
		k := keptOf(t, all, begin.Add(25*time.Hour))
		for range 10 {
			from := begin.Add(time.Duration(rng.Int64N(int64(10 * time.Hour))))
			to := from.Add(time.Duration(rng.Int64N(int64(22 * time.Hour))))
			sum, err := Between(t.Context(), k, p, from, to)
			if err != nil {
				t.Fatal(err)
			}
			var list []Gap
			if err := Unseen(t.Context(), k, p, from, to, func(g Gap) { list = append(list, g) }); err != nil {
				t.Fatal(err)
			}
			total, last := time.Duration(0), from.Add(-1)
			for _, g := range list {
				if !last.Before(g.From) || !g.From.Before(g.To) || to.Before(g.To) {
					t.Fatalf("seed %d: %v", seed, list)
				}
				for _, s := range all {
					if s.Valid && s.At.After(g.From) && s.At.Before(g.To) {
						t.Fatalf("seed %d: a sample was seen at %v, in %v", seed, s.At, g)
					}
				}
				total, last = total+g.To.Sub(g.From), g.To
			}
			if total != to.Sub(from)-sum.Seen() {
				t.Fatalf("seed %d: %v unseen, of %v the sums cover %v", seed, total, to.Sub(from), sum.Seen())
			}
		}
		if k.nested {
			t.Fatalf("seed %d: something was read while something else was", seed)
		}
	}
	k, all := &kept{}, Gaps{}
	if err := Unseen(t.Context(), k, pass(), begin, begin.Add(100*24*time.Hour), all.Add); err != nil || all.All != 1 || all.Longest()[0].lasts() != 100*24*time.Hour {
		t.Errorf("of an empty record: %v, %v", all, err)
	}
}

// Of a probe that flaps the longest gaps are listed, and all are counted; what is held of
// them does not grow.
func TestTheLongestGapsAreListed(t *testing.T) {
	var g Gaps
	var total time.Duration
	for i := range 100_000 {
		x := Gap{From: begin.Add(time.Duration(i) * time.Minute)}
		lasts := time.Duration(1+i*7919%1000) * time.Millisecond
		if i%1000 == 3 {
			lasts = 30 * time.Second
		}
		x.To = x.From.Add(lasts)
		total += lasts
		g.Add(x)
	}
	list := g.Longest()
	if g.All != 100_000 || g.For != total || len(list) != MostGaps || cap(g.few) > 4*MostGaps {
		t.Fatalf("%d gaps for %v, %d listed of room for %d; want 100 000 for %v", g.All, g.For, len(list), cap(g.few), total)
	}
	long := 0
	for i, x := range list {
		if x.lasts() == 30*time.Second {
			long++
		} else if x.lasts() != time.Second {
			t.Fatalf("%v is listed", x)
		}
		if i > 0 && !list[i-1].From.Before(x.From) {
			t.Fatalf("%v does not follow %v", x, list[i-1])
		}
	}
	if long != 100 {
		t.Errorf("%d of 100 long ones are listed", long)
	}
}

// TestWhatIsNotSeenIsSaid: a hole in a run, and a run that begins in one.
func TestWhatIsNotSeenIsSaid(t *testing.T) {
	var all []Sample
	put := func(from, to int, s quantity.PowerDensity) {
		for i := from; i < to; i++ {
			all = append(all, Sample{At: begin.Add(time.Duration(i) * time.Second), S: s, Valid: true})
		}
	}
	put(0, 100, 0.01)
	put(100, 130, 5)
	put(160, 190, 5) // the value before the hole covers 3 s of it
	put(190, 400, 0.01)
	put(460, 500, 5) // its begin lies in a hole
	put(500, 700, 0.01)
	k := keptOf(t, all, begin.Add(time.Hour))
	if len(k.runs) != 2 || k.runs[0].Unseen != 28*time.Second || !k.runs[0].Begun || k.runs[1].Begun || k.runs[1].Unseen != 0 {
		t.Fatalf("%+v", k.runs)
	}
}

func BenchmarkFollow(b *testing.B) {
	all, _ := made(rand.New(rand.NewPCG(1, 2)), 24*time.Hour, true)
	end := all[len(all)-1].At.Add(time.Hour)
	b.ReportAllocs()
	for b.Loop() {
		if err := NewFollower(&kept{all: all}, []Post{pass()}).Once(b.Context(), end); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(all)*b.N)/b.Elapsed().Seconds(), "samples/s")
}
