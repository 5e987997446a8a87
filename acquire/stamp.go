package acquire

import "time"

// stepBound is how far the wall clock must jump against the monotonic clock,
// between two looks, to be called a step. Slewing by a time service stays far
// below it (500 parts in a million: common practice, no source).
const stepBound = 100 * time.Millisecond

// clockLine anchors stamps to the monotonic clock so that their order never
// reverses. A wall clock set forward is followed at once. After one set back
// the stamps run at half speed until the wall clock has caught up; until then
// they are unsure by the difference, and say so.
type clockLine struct {
	started bool
	parted  bool          // the stamp of the newest look is not that of the wall clock
	mono    time.Duration // of the newest look
	wall    time.Time     // wall clock of the newest look
	line    time.Time     // stamp of the newest look, where it has parted
}

// startAfter makes every stamp later than last, the newest in the record.
func (c *clockLine) startAfter(last time.Time) { c.line, c.parted = last, true }

// newest is the stamp of the newest look.
func (c *clockLine) newest() time.Time {
	if c.parted {
		return c.line
	}
	return c.wall
}

// look takes one pair of readings of the two clocks. at is the stamp, unsure
// how far it lies from the wall clock, and step how far the wall clock jumped
// since the last look, 0 if it did not.
func (c *clockLine) look(wall time.Time, mono time.Duration) (at time.Time, unsure, step time.Duration) {
	wall = wall.UTC() // without its monotonic reading
	if !c.started {
		last := c.newest()
		c.started, c.mono, c.wall, c.parted = true, mono, wall, !wall.After(last)
		if c.parted {
			c.line = last.Add(1)
		}
		return c.newest(), c.newest().Sub(wall), 0
	}
	elapsed := max(mono-c.mono, 0)
	// Mostly the stamp is that of the wall clock; the long way below comes to the same.
	if d, near := apart(wall, c.wall); near && !c.parted && alike(d, elapsed) {
		c.mono, c.wall = max(mono, c.mono), wall
		return wall, 0, 0
	}
	return c.lookLong(wall, mono, elapsed)
}

// alike says whether the wall clock went on by about as much as the monotonic one.
func alike(wall, mono time.Duration) bool {
	return wall > mono/2 && wall-mono <= stepBound && mono-wall <= stepBound
}

// apart is by how much a lies after b, where that is less than a month.
func apart(a, b time.Time) (d time.Duration, near bool) {
	const month = 30 * 24 * 3600
	s := a.Unix() - b.Unix()
	return time.Duration(s)*time.Second + time.Duration(a.Nanosecond()-b.Nanosecond()), s > -month && s < month
}

// lookLong is look where the two clocks may have gone apart.
func (c *clockLine) lookLong(wall time.Time, mono, elapsed time.Duration) (at time.Time, unsure, step time.Duration) {
	if jump := wall.Sub(c.wall.Add(elapsed)); jump > stepBound || jump < -stepBound {
		step = jump
	}
	slow := c.newest().Add(elapsed / 2)
	c.mono, c.wall, c.parted = max(mono, c.mono), wall, !wall.After(slow)
	if c.parted {
		c.line = slow
	}
	return c.newest(), c.newest().Sub(wall), step
}
