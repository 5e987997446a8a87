package round

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

func date(s string) time.Time {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		panic(err)
	}
	return t
}

// TestPlan: each status on its day, and the order of places.
func TestPlan(t *testing.T) {
	ovens := []Oven{
		{ID: "a", Place: "floor 10"}, {ID: "b", Place: "floor 2"}, {ID: "c", Place: "floor 2"}, {ID: "d", Place: "Floor 1"}, {ID: "e"},
		{ID: "f", Place: "cellar", Withdrawn: true}, {ID: "g", Place: "annexe", Next: date("2031-06-30")}, {ID: "h", Place: "annexe", Next: date("2031-05-19")}, {ID: "i", Place: "hall"},
		{ID: "j", Place: "hall"}, {ID: "l", Place: "loft"}, {ID: "m", Place: "mill", Next: date("2031-04-30")}, {ID: "n", Place: "mill"},
	}
	checks := []Check{
		{Oven: "a", On: date("2029-01-02"), Outcome: limit.Within},
		{Oven: "a", On: date("2030-05-25"), Outcome: limit.Within},                           // due 2031-05-25
		{Oven: "b", On: date("2030-05-19"), Outcome: limit.Within},                           // due 2031-05-19: yesterday
		{Oven: "c", On: date("2031-01-10"), Outcome: limit.Exceeds},                          // and nothing since
		{Oven: "d", On: date("2031-01-10"), Outcome: limit.NotDecided},                       //
		{Oven: "h", On: date("2031-05-01"), Outcome: limit.Within, Next: date("2032-05-01")}, // the oven's own day counts
		{Oven: "i", On: date("2031-05-01"), Outcome: limit.Within, Next: date("2031-08-01")}, // the check's day counts
		{Oven: "j", On: date("2031-05-21"), Outcome: limit.Within},                           // after the day
		{Oven: "k", Place: "hall", On: date("2031-05-01")},                                   // only a check knows it; no outcome
		{Oven: "l", On: date("2031-05-02"), Outcome: limit.Exceeds, Imported: true},          // surveyed the same day
		{Oven: "l", On: date("2031-05-02"), Outcome: limit.Within},                           //
		{Oven: "m", On: date("2031-04-30"), Outcome: limit.Within},                           // on the oven's own day, which is done with
		{Oven: "n", On: date("2031-02-01"), Outcome: limit.Exceeds},                          // and one that was given up since
		{Oven: "n", On: date("2031-03-01"), Outcome: limit.NotDecided},                       //
	}
	all := Plan(ovens, checks, Ask{Day: date("2031-05-20").Add(15 * time.Hour), Ahead: 14, Every: 12})
	var got []string
	for _, e := range all {
		due := "-"
		if !e.Due.IsZero() {
			due = fmt.Sprint(e.Due.Format(time.DateOnly), " ", e.Days)
		}
		got = append(got, fmt.Sprintf("%s|%s|%s|%s", e.Place, e.ID, e.Status, due))
	}
	want := []string{
		"annexe|g|never checked|2031-06-30 41", "annexe|h|overdue|2031-05-19 -1", "cellar|f|withdrawn|-", "Floor 1|d|not decided|-", "floor 2|b|overdue|2031-05-19 -1", "floor 2|c|exceeded|-",
		"floor 10|a|due|2031-05-25 5", "hall|i|not due|2031-08-01 73", "hall|j|never checked|-", "hall|k|not decided|-", "loft|l|not due|2032-05-02 348", "mill|m|not due|2032-04-30 346", "mill|n|exceeded|-", "|e|never checked|-",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, e := range List(all) {
		if e.Status == Later || e.Status == Withdrawn {
			t.Errorf("%s, %s, is on the list", e.ID, e.Status)
		}
	}
	if n := len(List(all)); n != 10 {
		t.Errorf("%d on the list", n)
	}
}

// TestDueAtTheEndOfAMonth: no month after it begins before a check is due.
func TestDueAtTheEndOfAMonth(t *testing.T) {
	all := Plan(nil, []Check{{Oven: "a", On: date("2026-08-31"), Outcome: limit.Within}}, Ask{Day: date("2027-03-01"), Every: 6})
	if got := all[0].Due; !got.Equal(date("2027-02-28")) || all[0].Status != Overdue {
		t.Errorf("due %s, %s", got.Format(time.DateOnly), all[0].Status)
	}
}

// TestParseChecks reads what people keep, in units of theirs.
func TestParseChecks(t *testing.T) {
	text := "\ufeffOven, place,Day,outcome,highest (W/m2),by,next_check,remark\ncombi 2,\"kitchen, left\",2029-11-20,Within,3.1,M. Ashdown,2030-11-20,\n\nfryer,,2028-01-02,,,,,no paper\n"
	all, err := ParseChecks("old.csv", []byte(text), date("2031-05-20"))
	if err != nil || len(all) != 2 {
		t.Fatal(all, err)
	}
	c := all[0]
	if c.Oven != "combi 2" || c.Place != "kitchen, left" || !c.On.Equal(date("2029-11-20")) || c.Outcome != limit.Within || c.Highest != 3.1 || !c.HasValue ||
		!c.Next.Equal(date("2030-11-20")) || c.Source != "old.csv:2" || !c.Imported {
		t.Errorf("%+v", c)
	}
	if c = all[1]; c.HasValue || c.Outcome != "" || c.Source != "old.csv:4" {
		t.Errorf("%+v", c)
	}
	own, err := ParseChecks("x.csv", []byte("oven,day,highest\na,2030-01-01,0.31 mW/cm2\n"), date("2031-05-20"))
	if err != nil || own[0].Highest.String() != quantity.PowerDensity(3.1).String() {
		t.Error(own, err)
	}
	if fresh := New(append(own, own...), nil); len(fresh) != 1 {
		t.Errorf("%d of two of the same", len(fresh))
	}
	if fresh := New(own, own); len(fresh) != 0 {
		t.Errorf("%d that are in the record are new", len(fresh))
	}
}

// TestParseChecksTellsEachRow: every mistake with its line, and nothing taken.
func TestParseChecksTellsEachRow(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"oven,day\na,2031-05-21\n", "old.csv:2: day: 2031-05-21 has not come yet"},
		{"oven,day\na,20.5.2030\n", `old.csv:2: day: "20.5.2030" is no day`},
		{"oven,day\n,2030-01-01\n", "old.csv:2: no oven is named"},
		{"oven,day,outcome\na,2030-01-01,pass\n", `old.csv:2: outcome: "pass" is none`},
		{"oven,day,highest\na,2030-01-01,0.3\n", "old.csv:2: highest:"},
		{"oven,day,highest (mW/cm2)\na,2030-01-01,-1\n", "below zero"},
		{"oven,day,highest (V/m)\n", "no unit of power density"},
		{"oven,day,next check\na,2030-01-01,2029-01-01\n", "not after the check itself"},
		{"oven,date\n", `there is no column "date"; there are oven`},
		{"place,day\n", `no column "oven", which is needed`},
		{"oven,day,day\n", "stands twice"},
		{"", "no line of headings"},
		{"oven,day\n\"a\"b,2030-01-01\n", "old.csv:2: "},
		{"oven,day\na\xff,2030-01-01\n", "old.csv:2: a cell is no text"},
		{"oven,day\na,2030-01-01\n,\nb,x\nc,2030-01-01\nd,y\n", "old.csv:6: day"},
	} {
		all, err := ParseChecks("old.csv", []byte(c.text), date("2031-05-20"))
		if err == nil || !strings.Contains(err.Error(), c.want) || len(all) > 0 {
			t.Errorf("%q: %v, %v; want %q", c.text, all, err, c.want)
		}
	}
	all, err := ParseChecks("old.csv", []byte("oven,day\n"+strings.Repeat("a,x\n", 500)), date("2031-05-20"))
	if err == nil || strings.Count(err.Error(), "\n") > 25 || len(all) > 0 {
		t.Error("500 mistakes are all told, or none")
	}
}

func FuzzParseChecks(f *testing.F) {
	f.Add([]byte("oven,place,day,outcome,highest (mW/cm2),by,next check,remark\ncombi 2,kitchen,2029-11-20,within,0.31,M. Ashdown,2030-11-20,\n"))
	f.Add([]byte("oven,day,highest\na,2030-01-01,0.31 mW/cm2\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		all, err := ParseChecks("x.csv", data, date("2031-05-20"))
		if err != nil && len(all) > 0 {
			t.Error("some were taken from a file with mistakes")
		}
		for _, c := range all {
			if c.Oven == "" || c.On.IsZero() || c.On.After(date("2031-05-20")) || c.HasValue && !(c.Highest >= 0) {
				t.Errorf("%+v", c)
			}
		}
		Plan(nil, all, Ask{Day: date("2031-05-20"), Ahead: 1, Every: 1})
	})
}
