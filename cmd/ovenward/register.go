package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"ovenward/acquire/registry"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/web"
	"ovenward/config"
)

// registered is what the record says of ovens and certificates.
type registered struct {
	ovens        []registry.Oven
	probes       []registry.Probe
	certificates []registry.Certificate
}

func readRegister(ctx context.Context, r *store.Reader) (out registered, err error) {
	ovens, err := r.Ovens(ctx)
	if err != nil {
		return out, err
	}
	for _, o := range ovens {
		out.ovens = append(out.ovens, o.Oven)
	}
	probes, err := r.Probes(ctx)
	if err != nil {
		return out, err
	}
	for _, p := range probes {
		out.probes = append(out.probes, p.Probe)
	}
	out.certificates, err = r.Certificates(ctx)
	return out, err
}

// seed enters what the configuration has and the record has not: each oven and
// probe once by its id, each certificate once by its number, and again where it is
// damaged.
func seed(ctx context.Context, f *config.File, record *store.Store, now time.Time) error {
	is, err := readRegister(ctx, record.Reader)
	var damaged store.DamagedCertificates
	if err != nil && !errors.As(err, &damaged) {
		return err
	}
	e := registry.Entry{Who: registry.Configuration}
	ovens, probes, certificates := f.Seed()
	for _, d := range damaged {
		if !slices.ContainsFunc(certificates, func(c registry.Certificate) bool {
			return c.Probe == d.Probe && c.Certificate.Number == d.Certificate.Number
		}) {
			return store.DamagedCertificates{d}
		}
	}
	for _, o := range ovens {
		if !slices.ContainsFunc(is.ovens, func(x registry.Oven) bool { return x.ID == o.ID }) {
			e.Ovens = append(e.Ovens, registry.OvenEntry{Oven: o, Base: registry.New})
		}
	}
	for _, p := range probes {
		if !slices.ContainsFunc(is.probes, func(x registry.Probe) bool { return x.ID == p.ID }) {
			e.Probes = append(e.Probes, registry.ProbeEntry{Probe: p, Base: registry.New})
		}
	}
	for _, c := range certificates {
		if !slices.ContainsFunc(is.certificates, func(x registry.Certificate) bool {
			return x.Probe == c.Probe && x.Certificate.Number == c.Certificate.Number
		}) {
			e.Certificates = append(e.Certificates, c)
		}
	}
	if len(e.Ovens)+len(e.Probes)+len(e.Certificates) == 0 {
		return nil
	}
	return record.Enter(ctx, e, now)
}

// adopt makes the record the owner of ovens, probes and certificates: what the
// configuration names for the first time is entered, and what the record says then
// counts. Where the configuration says otherwise the log tells it.
func (h *home) adopt(f *config.File) (*config.File, error) {
	ctx := context.Background()
	if err := seed(ctx, f, h.record, h.now()); err != nil {
		return nil, err
	}
	is, err := readRegister(ctx, h.record.Reader)
	if err != nil {
		return nil, err
	}
	for _, p := range f.Differences(h.fileName(), is.ovens, is.certificates) {
		h.log.Warn("the configuration says otherwise than the record; change it on the page", "at", fmt.Sprintf("%s:%d", p.File, p.Line), "what", p.What)
	}
	return f.Adopt(h.fileName(), is.ovens, is.certificates)
}

// try says why the configuration would not go together with the register after a
// change; nil when it would. So no change on the page can keep the next start from
// watching.
func (g *generation) try(ctx context.Context, e registry.Entry) error {
	is, err := readRegister(ctx, g.record.Reader)
	if err != nil {
		return err
	}
	for _, o := range e.Ovens {
		i := slices.IndexFunc(is.ovens, func(x registry.Oven) bool { return x.ID == o.ID })
		if i < 0 {
			is.ovens = append(is.ovens, o.Oven)
		} else {
			is.ovens[i] = o.Oven
		}
	}
	_, err = g.written.Adopt(g.fileName(), is.ovens, append(is.certificates, e.Certificates...))
	return err
}

// limitChoices are the limits that an oven can be judged by, with words for them.
func limitChoices(f *config.File) []web.LimitChoice {
	var out []web.LimitChoice
	for _, l := range f.Limits {
		if l.Builtin != "" {
			out = append(out, web.LimitChoice{ID: l.ID, Words: "built-in " + l.Builtin})
			continue
		}
		words := fmt.Sprintf("%s, %s", l.Value, l.Basis)
		if l.Distance > 0 {
			words = fmt.Sprintf("%s at %s from the oven, %s", l.Value, l.Distance, l.Basis)
		}
		out = append(out, web.LimitChoice{ID: l.ID, Words: words, Source: l.Source})
	}
	return out
}
