package web

import (
	"context"
	"encoding/json"
	"slices"
	"sync"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/registry"
)

// keeping is a register in memory that keeps what it was asked to enter.
type keeping struct {
	mu      sync.Mutex
	ovens   []registry.OvenVersion // all versions, the oldest first
	probes  []registry.ProbeVersion
	certs   []registry.Certificate
	tests   []registry.Test
	entries []registry.Entry
	number  int64
	fails   error
	unfit   error // what Try says
}

func dayAt(text string) time.Time { d, _ := registry.ParseDay(text); return d }

// newKeeping has the ovens and probes of newFake, one probe whose calibration is
// overdue, one that has none, and an oven that nobody watches.
func newKeeping() *keeping {
	k := &keeping{}
	e := registry.Entry{Who: registry.Configuration}
	for _, o := range []registry.Oven{
		{ID: "galley-oven", Place: "ground floor, by the window", Frequency: 2.45e9, Limit: "in-use", NextCheck: dayAt("2026-05-01")},
		{ID: "ward-oven", Place: "second floor", Maker: "Larkfield Works", Model: "two shelves", Serial: "LH-2231", Power: 1100, Frequency: 2.45e9, Limit: "in-use", NextCheck: dayAt("2027-03-31")},
		{ID: "store-oven", Place: "store room", Frequency: 2.45e9, Limit: "in-use"},
	} {
		e.Ovens = append(e.Ovens, registry.OvenEntry{Oven: o, Base: registry.New})
	}
	for _, id := range []string{"probe-galley", "probe-ward", "spare"} {
		e.Probes = append(e.Probes, registry.ProbeEntry{Probe: registry.Probe{ID: id, Serial: "7"}, Base: registry.New})
	}
	cert := func(probe, number, date, due string) registry.Certificate {
		return registry.Certificate{Probe: probe, Certificate: calib.Certificate{Number: number, Laboratory: "a laboratory", Date: dayAt(date), Due: dayAt(due), Factor: 1, U: 0.2, K: 2}}
	}
	e.Certificates = []registry.Certificate{cert("probe-galley", "LH-0417", "2025-02-01", "2026-02-01"), cert("probe-ward", "LH-0418", "2026-02-01", "2027-02-01")}
	if err := k.Enter(context.Background(), e, noon().Add(-time.Hour)); err != nil {
		panic(err)
	}
	k.entries = nil
	return k
}

func (k *keeping) options(o *Options) {
	o.Register = k
	o.Limits = []LimitChoice{{"in-use", "1 mW/cm² at 50 mm from the oven, emission in use", "an invented rule of the house"}, {"new", "0.5 mW/cm² at 50 mm from the oven, emission new", "the same"}}
	o.Try = func(context.Context, registry.Entry) error {
		k.mu.Lock()
		defer k.mu.Unlock()
		return k.unfit
	}
}

func (k *keeping) called() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	text := ""
	for _, e := range k.entries {
		body, _ := json.Marshal(e)
		text += string(body)
	}
	return text
}

func (k *keeping) Enter(_ context.Context, e registry.Entry, now time.Time) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.fails != nil {
		return k.fails
	}
	if e.ValidFrom.IsZero() {
		e.ValidFrom = now
	}
	version := func() registry.Version {
		k.number++
		return registry.Version{Number: k.number, ValidFrom: e.ValidFrom, EnteredAt: now, Who: e.Who, Why: e.Why}
	}
	for _, o := range e.Ovens {
		newest := int64(0)
		for _, v := range k.ovens {
			if v.ID == o.ID {
				newest = v.Number
			}
		}
		if err := registry.Check(o.Base, newest); err != nil {
			return err
		}
	}
	for _, o := range e.Ovens {
		k.ovens = append(k.ovens, registry.OvenVersion{Oven: o.Oven, Version: version()})
	}
	for _, p := range e.Probes {
		k.probes = append(k.probes, registry.ProbeVersion{Probe: p.Probe, Version: version()})
	}
	for _, c := range e.Certificates {
		c.Version = version()
		k.certs = append(k.certs, c)
	}
	for _, t := range e.Tests {
		t.Number, t.EnteredAt, t.Who = int64(len(k.tests)+1), now, e.Who
		k.tests = append([]registry.Test{t}, k.tests...)
	}
	k.entries = append(k.entries, e)
	return nil
}

func newestOf[T any](all []T, id func(T) string, want string, every bool) []T {
	at := map[string]int{}
	var out []T
	for _, x := range all {
		if want != "" && id(x) != want {
			continue
		}
		if i, known := at[id(x)]; known && !every {
			out[i] = x
			continue
		}
		at[id(x)] = len(out)
		out = append(out, x)
	}
	if every {
		slices.Reverse(out)
	}
	return out
}

func ovenID(o registry.OvenVersion) string   { return o.ID }
func probeID(p registry.ProbeVersion) string { return p.ID }

func (k *keeping) Ovens(context.Context) ([]registry.OvenVersion, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return newestOf(k.ovens, ovenID, "", false), k.fails
}

func (k *keeping) OvenVersions(_ context.Context, id string) ([]registry.OvenVersion, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return newestOf(k.ovens, ovenID, id, true), k.fails
}

func (k *keeping) Probes(context.Context) ([]registry.ProbeVersion, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return newestOf(k.probes, probeID, "", false), k.fails
}

func (k *keeping) ProbeVersions(_ context.Context, id string) ([]registry.ProbeVersion, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return newestOf(k.probes, probeID, id, true), k.fails
}

func (k *keeping) Certificates(context.Context) ([]registry.Certificate, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.certs), k.fails
}

func (k *keeping) Tests(_ context.Context, oven string) ([]registry.Test, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	var out []registry.Test
	for _, t := range k.tests {
		if oven == "" || t.Oven == oven {
			out = append(out, t)
		}
	}
	return out, k.fails
}
