package main

import (
	"context"
	"errors"
	"math"
	"strings"

	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/rows"
)

// exporter turns samples of the record into rows. What shapes many samples is
// looked up once.
type exporter struct {
	record      *store.Reader
	versions    map[int64]placedAt
	corrections map[int64]derivation
}

// placedAt is where a sample was taken; lost: the record does not know that any more.
type placedAt struct {
	store.PostVersion
	lost bool
}

// derivation is what an export tells of a correction.
type derivation struct {
	certificate string
	setting     calib.Setting
}

func (x *exporter) row(ctx context.Context, post string, s store.StoredSample) (rows.Row, error) {
	r := rows.Row{Post: post, Sample: s.Sample, Indicated: quantity.PowerDensity(math.NaN())}
	v, ok := x.versions[s.Version]
	if !ok {
		var err error
		v.PostVersion, err = x.record.Version(ctx, s.Version)
		if v.lost = errors.Is(err, store.ErrLost); err != nil && !v.lost {
			return r, err
		}
		x.versions[s.Version] = v
	}
	d, ok := x.corrections[s.CorrectionID]
	if !ok {
		c, err := x.record.CorrectionOf(ctx, s.CorrectionID)
		if err != nil {
			return r, err
		}
		if d.setting = c.Setting; c.Certificate != nil {
			d.certificate = c.Certificate.Number
		}
		x.corrections[s.CorrectionID] = d
	}
	r.Site, r.Oven, r.Probe, r.Stale, r.Certificate = v.Site, v.Oven, v.Probe, v.Stale, d.certificate
	if !v.lost || strings.HasPrefix(post, store.ImportedPrefix) {
		r.Origin = originOf(post, v.Simulated)
	}
	if u, known := quantity.LookupUnit(s.Reading.Unit); known && (s.Reading.HasValue || s.Reading.HasAxes) {
		if in, err := d.setting.Raw(&s.Reading, u); err == nil {
			r.Indicated = in.S
		}
	}
	return r, nil
}

func originOf(post string, simulated bool) string {
	switch imported := strings.HasPrefix(post, store.ImportedPrefix); {
	case imported && simulated:
		return rows.ImportedSimulated
	case imported:
		return rows.Imported
	case simulated:
		return rows.Simulated
	}
	return rows.Probe
}
