package config

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"ovenward/acquire/calib"
	"ovenward/acquire/registry"
)

// Adopt returns the configuration with what the register says of ovens and
// certificates in place of what the file says: the record owns them. The error is
// Problems when the two do not go together, as when an oven's limit is not in the
// file; name stands for the file in what is told. f is left as it is.
func (f *File) Adopt(name string, ovens []registry.Oven, certificates []registry.Certificate) (*File, error) {
	out := *f
	out.Ovens, out.Probes = slices.Clone(f.Ovens), slices.Clone(f.Probes)
	r := &reader{file: name}
	for i := range out.Ovens {
		j := slices.IndexFunc(ovens, func(o registry.Oven) bool { return o.ID == out.Ovens[i].ID })
		if j < 0 {
			continue
		}
		o := ovens[j]
		out.Ovens[i].Place, out.Ovens[i].Model, out.Ovens[i].Frequency, out.Ovens[i].Limit = o.Place, o.Model, o.Frequency, o.Limit
		if !slices.ContainsFunc(f.Limits, func(l Limit) bool { return l.ID == o.Limit }) {
			r.add(out.Ovens[i].Line, "oven %q: the record says limit %q, and the file has none of that id; put that [[limit]] back, and name another limit for the oven on its page before it goes",
				o.ID, o.Limit)
		}
	}
	for i := range out.Probes {
		p := &out.Probes[i]
		newest := registry.Newest(certificates, p.ID)
		if !slices.ContainsFunc(certificates, func(c registry.Certificate) bool { return c.Probe == p.ID }) {
			continue
		}
		p.Certificates, p.Certificate = nil, nil
		for _, c := range newest {
			p.Certificates = append(p.Certificates, certificateFrom(p.Line, c.Certificate))
		}
		sort.SliceStable(p.Certificates, func(i, j int) bool { return p.Certificates[i].Date.After(p.Certificates[j].Date) })
		for k, c := range p.Certificates[:max(len(p.Certificates)-1, 0)] {
			if c.Date.Equal(p.Certificates[k+1].Date) {
				r.add(p.Line, "probe %q: certificates %q and %q have the same date, so that neither is the newer; take one of them back", p.ID, c.Number, p.Certificates[k+1].Number)
			}
		}
		if len(p.Certificates) > 0 {
			p.Certificate = p.Certificates[0]
		}
	}
	if len(r.problems) == 0 {
		out.checkLimits(r)
		out.checkSums(r)
		out.checkRules(r)
		out.checkCertificates(r)
	}
	if len(r.problems) > 0 {
		return nil, r.problems.sorted()
	}
	return &out, nil
}

// certificateFrom is a certificate of the record as one of the file.
func certificateFrom(line int, c calib.Certificate) *Certificate {
	return &Certificate{Line: line, Number: c.Number, Laboratory: c.Laboratory, Date: c.Date, Due: c.Due, Factor: c.Factor,
		ExpandedUncertainty: c.U, K: c.K, DegreesOfFreedom: c.DF, AsFound: c.AsFound, FoundBound: c.FoundBound, ByFrequency: c.ByFrequency, ByLevel: c.ByLevel,
		PerKelvin: c.PerKelvin, Reference: c.Reference}
}

// Seed is what the file says of ovens, probes and certificates, for a record that
// has none of them yet.
func (f *File) Seed() (ovens []registry.Oven, probes []registry.Probe, certificates []registry.Certificate) {
	for _, o := range f.Ovens {
		ovens = append(ovens, registry.Oven{ID: o.ID, Place: o.Place, Model: o.Model, Frequency: o.Frequency, Limit: o.Limit})
	}
	for _, p := range f.Probes {
		probes = append(probes, registry.Probe{ID: p.ID})
		for _, c := range slices.Backward(p.Certificates) { // the oldest first
			certificates = append(certificates, registry.Certificate{Probe: p.ID, Certificate: *c.Calib()})
		}
	}
	return ovens, probes, certificates
}

// Differences tells where the file says otherwise than the record, which counts; one
// line each, beginning with the file's place.
func (f *File) Differences(name string, ovens []registry.Oven, certificates []registry.Certificate) Problems {
	r := &reader{file: name}
	seedOvens, _, seedCerts := f.Seed()
	for i, o := range seedOvens {
		j := slices.IndexFunc(ovens, func(x registry.Oven) bool { return x.ID == o.ID })
		if j < 0 {
			r.add(f.Ovens[i].Line, "oven %q is not in the record; the next start enters it", o.ID)
			continue
		}
		is := ovens[j]
		is.Maker, is.Serial, is.Power, is.NextCheck, is.Withdrawn, is.Remark = "", "", 0, o.NextCheck, false, "" // the file has none of these
		for _, change := range registry.OvenForm(nil).Changes(o, is) {
			r.add(f.Ovens[i].Line, "oven %q: the record counts, and says otherwise: %s", o.ID, change)
		}
	}
	for _, c := range seedCerts {
		line, _ := f.probeLine(c.Probe)
		said := func(x registry.Certificate) bool {
			return x.Probe == c.Probe && x.Certificate.Number == c.Certificate.Number
		}
		all := slices.Collect(filter(certificates, said))
		switch {
		case len(all) == 0:
			r.add(line, "probe %q: certificate %q is not in the record; the next start enters it", c.Probe, c.Certificate.Number)
		case all[len(all)-1].TakenBack:
			r.add(line, "probe %q: certificate %q was taken back in the record, and counts no more", c.Probe, c.Certificate.Number)
		case !all[len(all)-1].Certificate.Equal(c.Certificate):
			changes := registry.CertificateForm().Changes(c, all[len(all)-1])
			r.add(line, "probe %q: certificate %q: the record counts, and says otherwise: %s", c.Probe, c.Certificate.Number, strings.Join(append(changes, "its tables")[:max(len(changes), 1)], "; "))
		}
	}
	for _, p := range f.Probes {
		for _, c := range registry.Newest(certificates, p.ID) {
			if !slices.ContainsFunc(seedCerts, func(x registry.Certificate) bool {
				return x.Probe == p.ID && x.Certificate.Number == c.Certificate.Number
			}) {
				r.add(p.Line, "probe %q: certificate %q is in the record and not in the file; it counts", p.ID, c.Certificate.Number)
			}
		}
	}
	return r.problems.sorted()
}

func (f *File) probeLine(id string) (int, error) {
	for _, p := range f.Probes {
		if p.ID == id {
			return p.Line, nil
		}
	}
	return 1, fmt.Errorf("there is no probe %q", id)
}

// filter yields what is wanted of a list.
func filter[T any](list []T, wanted func(T) bool) func(yield func(T) bool) {
	return func(yield func(T) bool) {
		for _, x := range list {
			if wanted(x) && !yield(x) {
				return
			}
		}
	}
}
