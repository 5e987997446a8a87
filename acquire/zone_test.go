package acquire

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// What is said to people tells instants as the site's clocks do, as the page does
// beside it: never in UTC, unless that is the site's zone.
func TestInstantsAreTheSites(t *testing.T) {
	for _, tc := range []struct {
		zone         *time.Location
		until, since string
	}{
		{time.FixedZone("EHST", 9*3600+1800), "2000-01-01 09:30:21 EHST", "2000-01-01 09:30:01 EHST"},
		{nil, "2000-01-01 00:00:21 UTC", "2000-01-01 00:00:01 UTC"},
	} {
		watching(t, func(d time.Duration) string { return dither(0.1, d) }, Past{}, func(t *testing.T, s *Station, m *memory) {
			at(time.Second)
			if err := s.Announce(0, alarm.Away, "J. Hale", "yearly survey", 20*time.Second); err != nil {
				t.Fatal(err)
			}
			if err := s.Withdraw("oven", "J. Hale", "door does not close"); err != nil {
				t.Fatal(err)
			}
			if err := s.Runs(0, "J. Hale", 20*time.Second); err != nil {
				t.Fatal(err)
			}
			at(5 * time.Second)
			st := s.Stats()[0]
			said := append([]string{st.Detail, st.Sight().Words(), strings.Join(st.Sight().Why, "; ")}, m.texts(KindAlarm)...)
			said = append(said, m.texts(KindHint)...)
			all := strings.Join(said, "\n")
			if strings.Count(all, "until "+tc.until) < 4 {
				t.Errorf("want %q in\n%s", tc.until, all)
			}
			for _, found := range regexp.MustCompile(`\d\d:\d\d(:\d\d)? ?[A-Z]+`).FindAllString(all, -1) {
				if !strings.HasSuffix(tc.until, found) && !strings.HasSuffix(tc.since, found) {
					t.Errorf("%q is told in\n%s", found, all)
				}
			}
		}, func(o *Options) { o.Zone = tc.zone })
	}
}
