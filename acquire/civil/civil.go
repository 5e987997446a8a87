// Package civil counts days and months as calendars and a place's clocks do: a day
// has 23 or 25 hours where clocks change, may begin later than midnight, and may be
// missing whole. It is pure.
package civil

import "time"

// Begin is the first instant of a day in a zone: where clocks spring over midnight,
// or over the whole day, that at which they go on. The day is normalised as time.Date
// does.
func Begin(y int, m time.Month, d int, zone *time.Location) time.Time {
	wall := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	return reach(wall, wall.Add(-24*time.Hour).In(zone)) // no zone is a day ahead
}

// Next is the first instant after at that belongs to a later day of the zone. Where
// clocks go back over midnight the rest of the old day belongs to the new one.
func Next(at time.Time, zone *time.Location) time.Time {
	at = at.In(zone)
	y, m, d := at.Date()
	return reach(time.Date(y, m, d+1, 0, 0, 0, 0, time.UTC), at)
}

// reach is the first instant from one on at which the clocks of its zone show at
// least wall, which is written as if it were UTC.
func reach(wall, from time.Time) time.Time {
	for {
		_, offset := from.Zone()
		at := wall.Add(-time.Duration(offset) * time.Second).In(from.Location())
		if at.Before(from) { // the clocks sprang over it
			return from
		}
		_, change := from.ZoneBounds()
		if change.IsZero() || at.Before(change) {
			return at
		}
		from = change
	}
}

// AddMonths is the same day so many months later, or the last of that month where it
// has no such day (EU Regulation 1182/71, article 3(2), from memory).
func AddMonths(t time.Time, n int) time.Time {
	y, m, d := t.Date()
	last := time.Date(y, m+time.Month(n)+1, 0, 0, 0, 0, 0, time.UTC).Day()
	return t.AddDate(0, n, min(d, last)-d)
}
