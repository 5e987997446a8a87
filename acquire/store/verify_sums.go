package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/store/chunk"
)

// resum makes the sums of a post again from its samples, chunk by chunk, and
// compares them with those that are kept. Where samples are missing it begins
// anew with the first whole minute, and the first whole hour, behind them.
type resum struct {
	v      *verifier
	post   int32
	id     int64 // of the chunk before
	seq    int64 // of the sample before
	t      tally
	rd     rowReader
	words  []byte
	hour   entry
	hourAt int64
	inHour bool
	skip   [2]bool  // by level: the first one is not whole
	before [2]int64 // by level: the place before, math.MinInt64 for none
	kept   [2]slotKept
	high   [2]float64 // by level: the largest value, in W/m², of the place or held over from before
	last   float64    // the largest of the minute before
	failed error
	told   int
	holds  map[int64]holding
	lost   map[string]*lostRow // by what is said of it
}

// slotKept is a blob of sums, read.
type slotKept struct {
	slot int64
	read bool
	all  map[int64]entry
}

// resumed returns the sums of the post of a chunk, ready for it.
func (v *verifier) resumed(id, fromSeq int64) *resum {
	post := int32(id >> 32)
	s := v.sums[post]
	if s == nil {
		s = &resum{v: v, post: post, lost: map[string]*lostRow{}}
		s.rd = rowReader{lines: v.reader, hold: s.hold}
		v.sums[post] = s
		s.broken()
		if first, _ := chunkRange(post); id == first && fromSeq == 1 {
			s.skip = [2]bool{} // the first of all
		}
	} else if id != s.id+1 {
		s.broken()
	}
	s.id = id
	return s
}

// hold returns how long a sample of a version of the post holds.
func (s *resum) hold(version int64) int64 {
	h, ok := s.holds[version]
	if !ok {
		h.ns, h.lost = holdIn(context.Background(), s.v.reader.db, version)
		if s.holds == nil {
			s.holds = map[int64]holding{}
		}
		s.holds[version] = h
	}
	return h.ns
}

// holding is how long samples of a version hold, which may be lost.
type holding struct {
	ns   int64
	lost bool
}

// lostRow is a row that is not there, and the samples that rest on it.
type lostRow struct {
	from, to, samples int64
}

// rests says whether a row, which was just read, rests on rows that are there, and
// notes those that are not.
func (s *resum) rests(row *chunk.Row) bool {
	version := s.holds[row.Version].lost
	if version {
		s.note(row, fmt.Sprintf("version %d of the post is lost, and with it for how long", row.Version))
	}
	if s.rd.lost {
		s.note(row, fmt.Sprintf("correction %d, or its certificate, is lost, and with it what values", row.Correction))
	}
	return !version && !s.rd.lost
}

func (s *resum) note(row *chunk.Row, what string) {
	l := s.lost[what]
	if l == nil {
		l = &lostRow{from: row.At}
		s.lost[what] = l
	}
	l.to = row.At
	l.samples++
}

// lostRows tells of rows that samples rest on and that are not there.
func (v *verifier) lostRows(context.Context) error {
	for _, post := range slices.Sorted(maps.Keys(v.sums)) {
		s := v.sums[post]
		for _, what := range slices.Sorted(maps.Keys(s.lost)) {
			l := s.lost[what]
			v.rep.add(Problem{Post: v.name(post), From: instant(l.from), To: instant(l.to),
				Text: fmt.Sprintf("%s %d samples stood for: sums and runs that were made of them cannot be made again, and are not compared", what, l.samples)})
		}
	}
	return nil
}

// broken begins anew behind samples that are not there.
func (s *resum) broken() {
	s.t = tally{width: nsMinute, emit: s.t.emit}
	s.inHour, s.skip = false, [2]bool{true, true}
	s.before = [2]int64{math.MinInt64, math.MinInt64}
}

// block takes in the samples of a block.
func (s *resum) block(ctx context.Context, b *chunk.Block) error {
	s.t.emit = func(place int64, e *entry) { s.minute(ctx, place, e) }
	for i := range b.Len() {
		if s.t.has && b.Seq[i] != s.seq+1 {
			s.broken() // numbers are missing
		}
		s.seq = b.Seq[i]
		row := b.Row(i, &s.words)
		r, err := s.rd.read(ctx, &row)
		if err != nil {
			return err
		}
		if !s.rests(&row) {
			s.broken()
			continue
		}
		if s.t.add(&r); s.failed != nil {
			return s.failed
		}
	}
	return nil
}

// minute takes a minute that is over.
func (s *resum) minute(ctx context.Context, place int64, e *entry) {
	hour := floorDiv(place, 60)
	if s.inHour && s.hourAt != hour {
		s.compare(ctx, perHour, s.hourAt, &s.hour)
		s.inHour = false
	}
	if !s.inHour {
		s.hour, s.hourAt, s.inHour = entry{Sums: emptySums()}, hour, true
		s.high[perHour] = s.last
	}
	s.high[perMinute] = s.last
	if e.Values > 0 {
		s.last = max(math.Abs(e.Min), math.Abs(e.Max))
		s.high[perMinute] = max(s.high[perMinute], s.last)
	}
	s.high[perHour] = max(s.high[perHour], s.high[perMinute])
	s.compare(ctx, perMinute, place, e)
	s.hour.merge(e)
}

// compare compares the sums of one place.
func (s *resum) compare(ctx context.Context, level, place int64, e *entry) {
	if s.skip[level] {
		s.skip[level] = false
		return
	}
	slots, width := int64(slotMinutes), nsMinute
	if level == perHour {
		slots, width = slotHours, nsHour
	}
	slot := floorDiv(place, slots)
	if s.failed != nil || slot < 0 || slot >= stateSlot {
		return
	}
	k := &s.kept[level]
	for again := !k.read || k.slot != slot; ; again = true {
		if again {
			if s.failed = s.read(ctx, level, slot, slots, width); s.failed != nil || k.all == nil {
				return
			}
		}
		got, ok := k.all[place]
		if ok && sameSums(&got, e, width, s.high[level]) && !s.strange(k, level, place) {
			break
		}
		if again { // beside a daemon, an older reading may lack it
			s.tell(place, width)
			break
		}
	}
	s.before[level] = place
}

// strange says whether sums are kept of a place between the last and this one.
func (s *resum) strange(k *slotKept, level, place int64) bool {
	for p := max(s.before[level]+1, place-slotHours); s.before[level] != math.MinInt64 && p < place; p++ {
		if _, ok := k.all[p]; ok {
			return true
		}
	}
	return false
}

// read reads the blob of a slot; all is nil where it was removed on purpose.
func (s *resum) read(ctx context.Context, level, slot, slots, width int64) error {
	k := &s.kept[level]
	*k = slotKept{slot: slot, read: true}
	id := rollID(s.post, level, slot)
	var data []byte
	err := s.v.reader.db.QueryRowContext(ctx, "SELECT data FROM rollups WHERE id = ?", id).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		// Deleted by no event: then the entry of the blob tells. One that is not
		// entered yet is missed here.
		sum, err := s.v.newest(ctx, chainRollups, id, math.MaxInt64)
		if err == nil && sum == nil {
			k.all = map[int64]entry{}
		}
		return err
	}
	if err != nil {
		return err
	}
	k.all = map[int64]entry{}
	if err := readEntries(data, slot*slots, width, func(place int64, e *entry) { k.all[place] = *e }); err != nil {
		k.all = map[int64]entry{} // each is missed
	}
	return nil
}

// tell tells of sums that are not those of the samples, some times a post.
func (s *resum) tell(place, width int64) {
	if s.told++; s.told > 20 {
		s.v.rep.More++
		return
	}
	s.v.rep.add(Problem{Post: s.v.name(s.post), From: time.Unix(0, place*width).UTC(), To: time.Unix(0, (place+1)*width).UTC(),
		Text: "the sums that are kept are not those of the samples"})
}

// sameSums says whether two sums are the same but for what is lost where sums
// under way are written down between two merges: under 1 µs of time each. No value
// that counts or is held in b is above largest.
func sameSums(a, b *entry, width int64, largest float64) bool {
	if a.Samples != b.Samples || a.Values != b.Values || a.Classes != b.Classes {
		return false
	}
	within := time.Duration(width / nsMinute * int64(50*time.Microsecond))
	if (a.Seen-b.Seen).Abs() > within || (a.OverRange-b.OverRange).Abs() > within {
		return false
	}
	for _, p := range [][2]float64{{a.Min, b.Min}, {a.Max, b.Max}, {a.First, b.First}, {a.Last, b.Last}} {
		if !stats.Near(p[0], p[1], 0) {
			return false
		}
	}
	if !stats.Near(a.Sum, b.Sum, 1e-9*largest*float64(b.Values)) {
		return false
	}
	return stats.Near(a.Integral, b.Integral, largest*within.Seconds()+0.05*math.Abs(b.Factor)*float64(width/nsMinute))
}
