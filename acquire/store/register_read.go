package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/registry"
)

const (
	selectOvens = `SELECT version, id, valid_from_ns, entered_at_ns, who, why, place, maker, model, serial, power_w, frequency_hz, limit_id, next_check, withdrawn, remark
		FROM ovens `
	selectProbes = `SELECT version, id, valid_from_ns, entered_at_ns, who, why, maker, model, serial, next_check, withdrawn, remark FROM probes `

	newestOvens  = selectOvens + "WHERE version IN (SELECT max(version) FROM ovens GROUP BY id) ORDER BY id"
	newestProbes = selectProbes + "WHERE version IN (SELECT max(version) FROM probes GROUP BY id) ORDER BY id"
)

func scanOven(scan func(...any) error) (o registry.OvenVersion, err error) {
	var from, entered int64
	var power, frequency float64
	next := damagedDay
	if err = loosely(scan, &o.Number, &o.ID, &from, &entered, &o.Who, &o.Why, &o.Place, &o.Maker, &o.Model, &o.Serial, &power, &frequency, &o.Limit, &next, &o.Withdrawn, &o.Remark); err != nil && !(errors.Is(err, ErrLost) && o.ID != "") {
		return o, err
	}
	o.ValidFrom, o.EnteredAt = instant(from), instant(entered)
	o.Power, o.Frequency = quantity.Power(power), quantity.Frequency(frequency)
	o.NextCheck, _ = dayOr(next, o.ValidFrom)
	return o, nil
}

// damagedDay is none.
const damagedDay = "damaged"

// dayOr is a day of a row; where that is damaged the one since when the row counts, so that
// what is due then is asked for, and not forgotten.
func dayOr(text string, since time.Time) (day time.Time, whole bool) {
	if day, err := registry.ParseDay(text); err == nil {
		return day, true
	}
	return since.Truncate(24 * time.Hour), false
}

func scanProbe(scan func(...any) error) (p registry.ProbeVersion, err error) {
	var from, entered int64
	next := damagedDay
	if err = loosely(scan, &p.Number, &p.ID, &from, &entered, &p.Who, &p.Why, &p.Maker, &p.Model, &p.Serial, &next, &p.Withdrawn, &p.Remark); err != nil && !(errors.Is(err, ErrLost) && p.ID != "") {
		return p, err
	}
	p.ValidFrom, p.EnteredAt = instant(from), instant(entered)
	p.NextCheck, _ = dayOr(next, p.ValidFrom)
	return p, nil
}

// newestOven returns the newest version of an oven; its number is 0 when there is
// none.
func newestOven(ctx context.Context, from querier, id string) (o registry.OvenVersion, err error) {
	o, err = scanOven(from.QueryRowContext(ctx, selectOvens+"WHERE id = ? ORDER BY version DESC LIMIT 1", id).Scan)
	if err == sql.ErrNoRows {
		return registry.OvenVersion{}, nil
	}
	return o, err
}

func newestProbe(ctx context.Context, from querier, id string) (p registry.ProbeVersion, err error) {
	p, err = scanProbe(from.QueryRowContext(ctx, selectProbes+"WHERE id = ? ORDER BY version DESC LIMIT 1", id).Scan)
	if err == sql.ErrNoRows {
		return registry.ProbeVersion{}, nil
	}
	return p, err
}

// all reads the rows of a query.
func all[T any](ctx context.Context, r *Reader, what, query string, scan func(func(...any) error) (T, error), args ...any) ([]T, error) {
	var out []T
	err := each(ctx, r.db, query, func(s func(...any) error) error {
		x, err := scan(s)
		if errors.Is(err, ErrLost) {
			return nil
		}
		out = append(out, x)
		return err
	}, args...)
	if err != nil {
		return nil, fmt.Errorf("read %s of the register: %w", what, err)
	}
	return out, nil
}

// Ovens returns the newest version of every oven, by id.
func (r *Reader) Ovens(ctx context.Context) ([]registry.OvenVersion, error) {
	return all(ctx, r, "the ovens", newestOvens, scanOven)
}

// OvenVersions returns all versions of an oven, the newest first.
func (r *Reader) OvenVersions(ctx context.Context, id string) ([]registry.OvenVersion, error) {
	return all(ctx, r, "an oven", selectOvens+"WHERE id = ? ORDER BY version DESC", scanOven, id)
}

// Probes returns the newest version of every probe, by id.
func (r *Reader) Probes(ctx context.Context) ([]registry.ProbeVersion, error) {
	return all(ctx, r, "the probes", newestProbes, scanProbe)
}

// ProbeVersions returns all versions of a probe, the newest first.
func (r *Reader) ProbeVersions(ctx context.Context, id string) ([]registry.ProbeVersion, error) {
	return all(ctx, r, "a probe", selectProbes+"WHERE id = ? ORDER BY version DESC", scanProbe, id)
}

// Certificates returns all certificates of all probes in the order in which they
// were entered, those that were taken back too. One that is damaged is left out where it
// was entered again since; where it counts, a DamagedCertificates names it, for an earlier
// one must not pass for the newest.
func (r *Reader) Certificates(ctx context.Context) ([]registry.Certificate, error) {
	damaged := map[int64]bool{}
	newest := map[[2]string]int64{}
	out, err := all(ctx, r, "the certificates", `SELECT p.version, p.probe, p.taken_back, p.valid_from_ns, p.entered_at_ns, p.who, p.why, `+certificateColumns+`
		FROM probe_certificates AS p JOIN certificates AS c USING (certificate) ORDER BY p.version`, func(scan func(...any) error) (c registry.Certificate, err error) {
		var from, entered int64
		var stated certificateRow
		err = loosely(scan, append([]any{&c.Version.Number, &c.Probe, &c.TakenBack, &from, &entered, &c.Who, &c.Why}, stated.into()...)...)
		unfit := errors.Is(err, ErrLost)
		if err != nil && !unfit {
			return c, err
		}
		if c.Probe == "" || !stated.number.Valid { // nobody can say which one is to be entered again
			return c, fmt.Errorf("row %d of table probe_certificates, or the certificate that it names, is damaged, so that nobody knows which is the newest of a probe; ovenward verify --rebuild leaves it out, then enter that certificate again", c.Version.Number)
		}
		c.ValidFrom, c.EnteredAt = instant(from), instant(entered)
		c.Certificate.Number = stated.number.String
		whole, lost := stated.read()
		lost = lost || unfit
		if whole != nil {
			c.Certificate = *whole
		}
		damaged[c.Version.Number], newest[[2]string{c.Probe, c.Certificate.Number}] = lost, c.Version.Number
		return c, nil
	})
	var counts DamagedCertificates
	out = slices.DeleteFunc(out, func(c registry.Certificate) bool {
		is := newest[[2]string{c.Probe, c.Certificate.Number}] == c.Version.Number
		if damaged[c.Version.Number] && is && !c.TakenBack {
			counts = append(counts, c)
		}
		return damaged[c.Version.Number] && !(is && c.TakenBack)
	})
	if err == nil && counts != nil {
		err = counts
	}
	return out, err
}

// DamagedCertificates are certificates of the register that count, and of which only probe
// and number can be read.
type DamagedCertificates []registry.Certificate

func (d DamagedCertificates) Error() string {
	return fmt.Sprintf("certificate %s of probe %s is damaged in the record: write it into the configuration as it was, and the next start enters it again",
		d[0].Certificate.Number, d[0].Probe)
}

// Tests returns the history of an oven, or of all where oven is empty, the newest
// day first.
func (r *Reader) Tests(ctx context.Context, oven string) ([]registry.Test, error) {
	return all(ctx, r, "the tests", `SELECT test, oven, on_day, kind, by_whom, outcome, highest_w_per_m2, text, entered_at_ns, who FROM oven_tests
		WHERE ?1 = '' OR oven = ?1 ORDER BY on_day DESC, test DESC`, func(scan func(...any) error) (t registry.Test, err error) {
		day := damagedDay
		var highest sql.NullFloat64
		var entered int64
		err = loosely(scan, &t.Number, &t.Oven, &day, &t.Kind, &t.By, &t.Outcome, &highest, &t.Text, &entered, &t.Who)
		lost := errors.Is(err, ErrLost)
		if err != nil && !lost {
			return t, err
		}
		t.Highest, t.HasValue, t.EnteredAt = quantity.PowerDensity(highest.Float64), highest.Valid, instant(entered)
		whole := false
		if t.On, whole = dayOr(day, t.EnteredAt); (!whole || lost) && t.Outcome != string(limit.Exceeds) {
			t.Outcome = string(limit.NotDecided) // what it found, or until when it counts, nobody knows
		}
		return t, nil
	}, oven)
}
