package civil

import (
	"testing"
	"time"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Days follow each other where midnight, or a day, is missing or comes twice.
func TestDaysWhereClocksChange(t *testing.T) {
	for _, tc := range []struct {
		zone, at string // local, before the change
		want     []string
	}{
		{"America/Santiago", "2026-09-04T12:00:00-04:00", []string{"2026-09-05T00:00:00-04:00", "2026-09-06T01:00:00-03:00", "2026-09-07T00:00:00-03:00"}},
		{"America/Santiago", "2026-04-04T12:00:00-03:00", []string{"2026-04-05T00:00:00-04:00", "2026-04-06T00:00:00-04:00"}},
		{"America/Havana", "2026-03-07T23:59:59-05:00", []string{"2026-03-08T01:00:00-04:00", "2026-03-09T00:00:00-04:00"}},
		{"America/Havana", "2026-10-31T12:00:00-04:00", []string{"2026-11-01T00:00:00-04:00", "2026-11-02T00:00:00-05:00"}}, // midnight twice
		{"America/Asuncion", "2024-10-05T12:00:00-04:00", []string{"2024-10-06T01:00:00-03:00", "2024-10-07T00:00:00-03:00"}},
		{"Africa/Cairo", "2026-04-23T12:00:00+02:00", []string{"2026-04-24T01:00:00+03:00", "2026-04-25T00:00:00+03:00"}},
		{"Africa/Cairo", "2026-10-29T12:00:00+03:00", []string{"2026-10-30T00:00:00+02:00", "2026-10-31T00:00:00+02:00"}},
		{"Australia/Lord_Howe", "2026-10-03T12:00:00+10:30", []string{"2026-10-04T00:00:00+10:30", "2026-10-05T00:00:00+11:00"}},
		{"Pacific/Apia", "2011-12-28T12:00:00-10:00", []string{"2011-12-29T00:00:00-10:00", "2011-12-31T00:00:00+14:00", "2012-01-01T00:00:00+14:00"}},
		{"America/St_Johns", "2010-11-06T12:00:00-02:30", []string{"2010-11-07T00:00:00-02:30", "2010-11-08T00:00:00-03:30"}}, // 00:01 back to 23:01
		{"Europe/Berlin", "2026-03-28T12:00:00+01:00", []string{"2026-03-29T00:00:00+01:00", "2026-03-30T00:00:00+02:00"}},
		{"UTC", "2026-02-28T12:00:00Z", []string{"2026-03-01T00:00:00Z", "2026-03-02T00:00:00Z"}},
	} {
		z := zone(t, tc.zone)
		at, err := time.Parse(time.RFC3339, tc.at)
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range tc.want {
			at = Next(at, z)
			if got := at.Format(time.RFC3339); got != want {
				t.Errorf("%s from %s: %s, want %s", tc.zone, tc.at, got, want)
			}
			y, m, d := at.Date()
			if got := Begin(y, m, d, z); !got.Equal(at) {
				t.Errorf("%s: %s begins at %s", tc.zone, at.Format(time.DateOnly), got)
			}
		}
	}
	if got := Begin(2011, 12, 30, zone(t, "Pacific/Apia")).Format(time.RFC3339); got != "2011-12-31T00:00:00+14:00" {
		t.Errorf("a day that there was not begins at %s", got)
	}
}

// By 130 years each day is later than that before, and lasts from what Begin says.
func TestDaysGoForward(t *testing.T) {
	for _, name := range []string{"America/Santiago", "America/Havana", "America/Asuncion", "Australia/Lord_Howe", "Africa/Cairo", "Pacific/Apia",
		"America/St_Johns", "America/Toronto", "Asia/Manila", "Asia/Beirut", "Atlantic/Azores", "Europe/Berlin", "America/New_York", "Asia/Kathmandu", "UTC"} {
		z := zone(t, name)
		for at := Begin(1900, 1, 1, z); at.Year() < 2030; {
			next := Next(at, z)
			long := next.Sub(at)
			if next.Format(time.DateOnly) <= at.Format(time.DateOnly) || long < 22*time.Hour || long > 49*time.Hour {
				t.Fatalf("%s: %s, and the next day from %s", name, at, next)
			}
			if y, m, d := next.Date(); !Begin(y, m, d, z).Equal(next) {
				t.Fatalf("%s: %s begins at %s, want %s", name, next.Format(time.DateOnly), Begin(y, m, d, z), next)
			}
			if mid := Next(at.Add(long/2), z); !mid.Equal(next) {
				t.Fatalf("%s: from the middle of %s the next day is from %s, want %s", name, at.Format(time.DateOnly), mid, next)
			}
			at = next
		}
	}
}

func TestAddMonths(t *testing.T) {
	for _, tc := range []struct {
		from string
		n    int
		want string
	}{
		{"2026-08-31", 6, "2027-02-28"}, {"2027-08-31", 6, "2028-02-29"}, {"2026-08-30", 6, "2027-02-28"}, {"2026-08-28", 6, "2027-02-28"},
		{"2028-02-29", 12, "2029-02-28"}, {"2028-02-29", 48, "2032-02-29"}, {"2026-03-31", 1, "2026-04-30"}, {"2026-12-31", 2, "2027-02-28"},
		{"2026-05-15", 12, "2027-05-15"}, {"2026-05-31", 0, "2026-05-31"},
	} {
		from, err := time.Parse(time.DateOnly, tc.from)
		if err != nil {
			t.Fatal(err)
		}
		if got := AddMonths(from.Add(7*time.Hour), tc.n).Format("2006-01-02 15"); got != tc.want+" 07" {
			t.Errorf("%s and %d months: %s, want %s", tc.from, tc.n, got, tc.want)
		}
	}
}
