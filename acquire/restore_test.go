package acquire

import (
	"math"
	"slices"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/drivers"
)

func TestStandingAlarmStillStandsAfterRestart(t *testing.T) {
	raised := time.Date(1999, 12, 31, 23, 58, 0, 0, time.UTC)
	past := Past{LastSeq: 4711, LastAt: time.Date(1999, 12, 31, 23, 59, 59, 0, time.UTC),
		Alarms: []alarm.Alarm{{Post: "door", Rule: alarm.Exceeds, State: alarm.Acknowledged, ID: "x", Since: raised, Changed: raised}}}
	watching(t, func(d time.Duration) string { return dither(0.01, d) }, past, func(t *testing.T, s *Station, m *memory) {
		at(time.Second)
		if a := s.Stats()[0].Alarms[0]; a.State != alarm.Acknowledged || a.ID != "x" || !a.Since.Equal(raised) {
			t.Errorf("after a restart: %+v", a)
		}
		m.mu.Lock()
		first := m.samples[0][0]
		m.mu.Unlock()
		if first.Seq != 4712 || !first.At.After(past.LastAt) {
			t.Errorf("first sample %d at %v; numbers go on and order holds", first.Seq, first.At)
		}
		at(95 * time.Second)
		if a := s.Stats()[0].Alarms[0]; a.State != alarm.LatchedAcknowledged {
			t.Errorf("seen below for 90 s after a restart: %s", a.State)
		}
	})
}

func TestSilentAlarmRestoredEndsOnlyBySeeing(t *testing.T) {
	past := Past{Alarms: []alarm.Alarm{{Post: "door", Rule: alarm.Silent, State: alarm.Unacknowledged, ID: "y"}}}
	watching(t, func(d time.Duration) string {
		if d < 20*time.Second {
			return "gone"
		}
		return dither(0.4, d)
	}, past, func(t *testing.T, s *Station, m *memory) {
		at(19 * time.Second)
		if got := m.changes(alarm.Silent); len(got) != 0 {
			t.Errorf("while nothing was seen: %v", got)
		}
		at(22 * time.Second)
		if got := m.changes(alarm.Silent); !slices.Equal(got, []alarm.Reason{alarm.Returned}) {
			t.Errorf("once seen: %v", got)
		}
	})
}

// A stop and start begins no state anew that the record knows to be older.
func TestAStateIsAsOldAsTheRecordKnows(t *testing.T) {
	born := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	raised := born.Add(-time.Hour)
	silent := Past{Alarms: []alarm.Alarm{{Post: "door", Rule: alarm.Silent, State: alarm.Acknowledged, ID: "y", Since: raised, Changed: raised}}}
	ran := func(to time.Duration, value func(i int) float64) Past { // up to so long before the start; 0: not seen
		return Past{LastSeq: 2300, LastAt: born.Add(-to), Recent: func(yield func(Sample, error) bool) {
			for i := range 2300 {
				s := Sample{Seq: int64(i + 1), At: born.Add(time.Duration(i-2299)*100*time.Millisecond - to), S: milliwatts(value(i)), U: milliwatts(0.001),
					Reading: drivers.Reading{HasValue: true, Value: drivers.Decimal{Digits: int64(i % 7), Exp: -3}}}
				if s.S != 0 && !yield(s, nil) {
					return
				}
			}
		}}
	}
	rest := func(int) float64 { return 0.001 }
	from := func(begin, end int) func(i int) float64 {
		return func(i int) float64 {
			if i >= begin && i < end {
				return 0.4
			}
			return 0.001
		}
	}
	const moment = 100 * time.Millisecond
	running := func(d time.Duration) string { return dither(0.4, d) }
	idling := func(d time.Duration) string { return dither(0.001, d) }
	for _, tc := range []struct {
		name      string
		say       func(time.Duration) string
		past      Past
		condition Condition
		since     time.Time
	}{
		{"silent", func(time.Duration) string { return "gone" }, silent, SilentNow, raised},
		{"seen again", running, silent, Idle, born},
		{"in a run", running, ran(moment, from(2000, 2300)), Seeing, born.Add(-30 * time.Second)},
		{"in a run, and nobody watched meanwhile", running, ran(10*time.Second, from(2000, 2300)), Seeing, born},
		{"in a run, blind within it", running, ran(moment, func(i int) float64 {
			if i >= 2100 && i < 2200 {
				return 0
			}
			return from(2000, 2300)(i)
		}), Seeing, born.Add(-10 * time.Second)},
		{"in a run, away within it for a moment", running, ran(moment, func(i int) float64 {
			if i >= 2100 && i < 2120 {
				return math.NaN()
			}
			return from(2000, 2300)(i)
		}), Seeing, born.Add(-18 * time.Second)},
		{"no run", idling, ran(moment, rest), Idle, born.Add(-230 * time.Second)},
		{"no run, and nobody watched meanwhile", idling, ran(10*time.Second, rest), Idle, born},
		{"a run has ended", idling, ran(moment, from(1000, 1300)), Idle, born.Add(-100*time.Second + aPost(&fakeProbe{}).RunGap)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			watching(t, tc.say, tc.past, func(t *testing.T, s *Station, m *memory) {
				at(20 * time.Second)
				if st := s.Stats()[0]; st.Condition != tc.condition || st.Since.Sub(tc.since).Abs() > time.Second {
					t.Errorf("%s since %v, want %s since %v", st.Condition, st.Since, tc.condition, tc.since)
				}
			})
		})
	}
}
