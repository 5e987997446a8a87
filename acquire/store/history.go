package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// History is one version of a post, with what shaped its verdicts from then on.
type History struct {
	Version            int64
	ValidFrom, Entered time.Time
	acquire.Post       // what the record keeps of it; Probe.Certificate is that of the version
}

// StandsAs says whether the post stands at the same oven, as far from it, as it does by
// another version; the field of before is of its place only then.
func (h *History) StandsAs(o *History) bool {
	a, b := float64(h.Distance), float64(o.Distance)
	return h.Oven == o.Oven && (a == b || math.IsNaN(a) && math.IsNaN(b))
}

// Moves lists since when a post stood elsewhere than by the version before, in order.
func Moves(all []History) (at []time.Time) {
	for i := 1; i < len(all); i++ {
		if !all[i].StandsAs(&all[i-1]) {
			at = append(at, all[i].ValidFrom)
		}
	}
	return at
}

// TopOf is acquire.Post.Top of all versions of a post together that were in force from
// an instant up to another, or of the first where none was yet: what bounds values and
// the unseen of all that time. A range that is not known makes top NaN.
func TopOf(all []History, from, to time.Time) (top, u, least quantity.PowerDensity) {
	found := false
	for i := range all {
		switch h := &all[i]; {
		case found && !h.ValidFrom.Before(to):
			return top, u, least
		case !found || !h.ValidFrom.After(from): // those before were over by then
			top, u, least = h.Top()
			found = true
		default:
			t, tu, l := h.Top()
			top, u, least = max(top, t), max(u, tu), min(least, l)
		}
	}
	return top, u, least
}

const selectHistory = `SELECT v.version, v.valid_from_ns, v.entered_at_ns, v.site, v.oven, v.oven_place, v.distance_m, v.turned, v.turned_by, v.turned_on,
	v.oven_frequency_hz, v.limit_id, v.limit_w_per_m2, v.limit_distance_m, v.limit_basis, v.limit_source, v.limit_averaging_s, v.limit_rule, v.limit_response_s, v.limits_more,
	v.sustained_unbroken_s, v.sustained_summed_s, v.sustained_within_s, v.sustained_clear_s, v.run_gap_s, v.stale_s,
	v.probe, v.probe_port, v.probe_period_s, v.probe_response_s, v.probe_range_w_per_m2, v.probe_floor_w_per_m2, v.probe_axes, v.probe_zero_bound_w_per_m2, v.probe_simulated,
	` + certificateColumns + `, v.doubt
	FROM post_versions AS v JOIN posts USING (post) LEFT JOIN certificates AS c USING (certificate) WHERE posts.id = ? ORDER BY v.version`

// History returns all versions of a post, the first first; none of a post that
// there is not, and none that is lost or damaged. Of limits it gives what the record
// keeps; a number that it does not know is NaN.
func (r *Reader) History(ctx context.Context, postID string) ([]History, error) {
	var all []History
	err := each(ctx, r.db, selectHistory, func(scan func(...any) error) error {
		h, err := scanHistory(scan)
		if errors.Is(err, ErrLost) {
			return nil
		}
		h.ID = postID
		all = append(all, h)
		return err
	}, postID)
	if err != nil {
		return nil, fmt.Errorf("read the versions of post %s: %w", postID, err)
	}
	return all, nil
}

// scanHistory reads a version; one that is damaged is ErrLost.
func scanHistory(scan func(...any) error) (h History, err error) {
	var (
		from, entered                                   int64
		turnedBy, turnedOn, rule, more                  sql.NullString
		distance, frequency, value, at, averaging, slow sql.NullFloat64
		unbroken, summed, within, clear, gap, stale     sql.NullFloat64
		period, response, top, floor, zero              sql.NullFloat64
		basis                                           string
		certificate                                     certificateRow
		doubt                                           sql.NullString
		seconds                                         = func(x sql.NullFloat64) time.Duration {
			return time.Duration(math.Round(x.Float64 * float64(time.Second)))
		}
		p, pr, l = &h.Post, &h.Probe, &h.Limit
	)
	into := append([]any{&h.Version, &from, &entered, &p.Site, &p.Oven, &p.OvenPlace, &distance, &p.Turned, &turnedBy, &turnedOn,
		&frequency, &l.ID, &value, &at, &basis, &l.Source, &averaging, &rule, &slow, &more,
		&unbroken, &summed, &within, &clear, &gap, &stale,
		&pr.ID, &pr.Port, &period, &response, &top, &floor, &pr.Axes, &zero, &pr.Simulated}, certificate.into()...)
	if err := scan(append(into, &doubt)...); err != nil {
		return h, err
	}
	h.ValidFrom, h.Entered = instant(from), instant(entered)
	p.Distance, p.Frequency, p.TurnedBy = quantity.Length(orNaN(distance)), quantity.Frequency(frequency.Float64), turnedBy.String
	if turnedOn.Valid {
		if p.TurnedOn, err = time.Parse(time.DateOnly, turnedOn.String); err != nil {
			return h, ErrLost
		}
	}
	l.Value, l.Distance, l.Basis = powerDensity(value), quantity.Length(orNaN(at)), limit.Basis(basis)
	l.Averaging, l.Slowest, l.Rule = seconds(averaging), seconds(slow), limit.Rule(rule.String)
	if p.More, err = readLimits(more); err != nil {
		return h, ErrLost
	}
	p.Sustained = limit.SustainedRule{Unbroken: seconds(unbroken), Summed: seconds(summed), Within: seconds(within), Clear: seconds(clear)}
	p.RunGap, p.Stale = seconds(gap), seconds(stale)
	pr.Period, pr.Response, pr.Range, pr.Floor, pr.ZeroBound = seconds(period), seconds(response), powerDensity(top), powerDensity(floor), powerDensity(zero)
	if doubt.Valid && json.Unmarshal([]byte(doubt.String), &p.Doubt) != nil {
		return h, ErrLost
	}
	pr.Certificate, _ = certificate.read()
	return h, nil
}

// keptLimit is a further limit as the column limits_more holds it.
type keptLimit struct {
	ID        string  `json:"id"`
	Value     float64 `json:"value_w_per_m2"`
	Distance  float64 `json:"distance_m,omitempty"`
	Basis     string  `json:"basis"`
	Source    string  `json:"source"`
	Averaging float64 `json:"averaging_s,omitempty"`
	Local     bool    `json:"local,omitempty"`
	Rule      string  `json:"rule,omitempty"`
	Builtin   string  `json:"builtin,omitempty"`
	Response  float64 `json:"response_s,omitempty"`
}

func readLimits(text sql.NullString) ([]limit.Limit, error) {
	if !text.Valid {
		return nil, nil
	}
	var kept []keptLimit
	if err := json.Unmarshal([]byte(text.String), &kept); err != nil {
		return nil, err
	}
	var all []limit.Limit
	for _, k := range kept {
		all = append(all, limit.Limit{ID: k.ID, Value: quantity.PowerDensity(k.Value), Distance: quantity.Length(k.Distance), Basis: limit.Basis(k.Basis), Source: k.Source,
			Averaging: time.Duration(k.Averaging * float64(time.Second)), Local: k.Local, Rule: limit.Rule(k.Rule), Builtin: k.Builtin, Slowest: time.Duration(k.Response * float64(time.Second))})
	}
	return all, nil
}

// Head returns the newest head of the chain of hashes; the zero Head before the
// first.
func (r *Reader) Head(ctx context.Context) (Head, error) {
	var e chainEnd
	var head []byte
	err := r.db.QueryRowContext(ctx, "SELECT day, entry, head FROM days ORDER BY day DESC LIMIT 1").Scan(&e.day, &e.entry, &head)
	if err != nil && err != sql.ErrNoRows {
		return Head{}, fmt.Errorf("read the head of the chain of hashes: %w", err)
	}
	copy(e.head[:], head)
	return headOf(e), nil
}

// EventsOf returns the newest events of a post of some kinds with instants from from on
// and before to, at most limit, the lowest number first; a zero to is no bound. An empty
// post is that of the station itself.
func (r *Reader) EventsOf(ctx context.Context, post string, kinds []acquire.Kind, from, to time.Time, limit int) ([]acquire.Event, error) {
	args := []any{post, nanos(from)}
	which := "id IN (SELECT id FROM events WHERE post = ? AND at_ns >= ?"
	if !to.IsZero() {
		which += " AND at_ns < ?"
		args = append(args, nanos(to))
	}
	which += " AND kind IN (?" + strings.Repeat(", ?", len(kinds)-1) + ") ORDER BY id DESC LIMIT ?) ORDER BY id"
	for _, k := range kinds {
		args = append(args, string(k))
	}
	all, err := r.events(ctx, which, append(args, limit)...)
	if err != nil {
		return nil, fmt.Errorf("read the events of post %q: %w", post, err)
	}
	return all, nil
}

// Removed returns what was removed of a post's samples from from on and before to,
// each as the event says that removed it.
func (r *Reader) Removed(ctx context.Context, postID string, from, to time.Time) ([]string, error) {
	post, err := r.post(ctx, postID)
	if err != nil {
		return nil, err
	}
	first, last := chunkRange(post)
	var all []string
	err = each(ctx, r.db, `SELECT DISTINCT e.text FROM chunks AS c JOIN events AS e ON e.id = c.removed
		WHERE c.id BETWEEN ? AND ? AND c.state = ? AND c.from_ns < ? AND c.to_ns >= ? ORDER BY e.id`,
		func(scan func(...any) error) error {
			var text string
			err := scan(&text)
			all = append(all, text)
			return err
		}, first, last, removed, nanos(to), nanos(from))
	if err != nil {
		return nil, fmt.Errorf("read what was removed of post %s: %w", postID, err)
	}
	return all, nil
}
