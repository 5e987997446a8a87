package registry

import (
	"bytes"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

func good() map[string]string {
	return map[string]string{"id": "kitchen-left", "place": "main kitchen, \"left\", by the hatch", "maker": "Larkfield Works", "model": "two; shelves", "serial": "LH-2231", "power": "1.1 kW",
		"frequency": "2450 MHz", "limit": "in-use", "next_check": "2027-03-31", "state": "in use", "remark": "=1+1"}
}

func TestEveryFaultIsToldByItsField(t *testing.T) {
	form := OvenForm([]string{"in-use", "public"})
	for _, c := range []struct{ field, value, why, do string }{
		{"id", "Kitchen Left", "no name for the record", "small letters"},
		{"id", "", "missing", "kitchen-left"},
		{"place", " ", "missing", "main kitchen"},
		{"place", strings.Repeat("x", 121), "121 characters", "at most 120"},
		{"place", "a\nb", "cannot be printed", "one line"},
		{"power", "1100", "no power of an oven", "1100 W"},
		{"power", "5 W", "no power of an oven", "from 10 W"},
		{"frequency", "50 Hz", "no frequency of microwaves", "2450 MHz"},
		{"limit", "in-sue", "none of those", "in-use or public"},
		{"next_check", "31.3.2027", "no day", "year-month-day"},
		{"next_check", "2027-02-30", "no day", "year-month-day"},
		{"state", "broken", "none of those", "in use or withdrawn"},
		{"colour", "white", "no such field", "id, place"},
	} {
		written := good()
		written[c.field] = c.value
		_, faults := form.Parse(Oven{}, written)
		if len(faults) != 1 || faults[0].Field != c.field || !strings.Contains(faults[0].Why, c.why) || !strings.Contains(faults[0].Do, c.do) {
			t.Errorf("%s = %q: %v, want one with %q, %q", c.field, c.value, faults, c.why, c.do)
		}
	}
	if _, faults := form.Parse(Oven{}, map[string]string{}); len(faults) != 4 {
		t.Errorf("of nothing: %v, want the four that are needed", faults)
	}
	o, faults := form.Parse(Oven{}, good())
	if len(faults) > 0 || o.Power != 1100 || o.Frequency != 2.45e9 || o.Withdrawn {
		t.Errorf("%v %+v", faults, o)
	}
	o.Power = 0
	changed, faults := form.Parse(o, map[string]string{"place": "pantry"}) // what is not written stays
	if len(faults) > 0 || changed.Place != "pantry" || changed.Serial != o.Serial {
		t.Errorf("%v %+v", faults, changed)
	}
}

// What is printed reads back as the same, whatever it is.
func TestFormsRoundTrip(t *testing.T) {
	form := OvenForm(nil)
	rapid.Check(t, func(t *rapid.T) {
		o, _ := form.Parse(Oven{}, good())
		o.Power = quantity.Power(rapid.Float64Range(10, 1e6).Draw(t, "power"))
		o.Frequency = quantity.Frequency(rapid.Float64Range(300e6, 300e9).Draw(t, "frequency"))
		o.Place = strings.TrimSpace(rapid.StringMatching(`[a-z ,;"=+äß]{1,40}`).Draw(t, "place")) + "x"
		o.Withdrawn = rapid.Bool().Draw(t, "withdrawn")
		back, faults := form.Parse(Oven{}, form.Print(o))
		if len(faults) > 0 || back != o {
			t.Fatalf("%v\n%+v\n%+v", faults, o, back)
		}
		var table bytes.Buffer
		if err := form.Write(&table, []Oven{o}); err != nil {
			t.Fatal(err)
		}
		all, wrong := form.Read(table.Bytes(), func(string) (Oven, bool) { return Oven{}, false }, nil)
		if len(wrong) > 0 || len(all) != 1 || all[0] != o {
			t.Fatalf("%v\n%+v\n%+v\n%s", wrong, o, all, table.Bytes())
		}
	})
}

func TestEveryBadRowOfATableIsTold(t *testing.T) {
	form := OvenForm([]string{"in-use"})
	none := func(string) (Oven, bool) { return Oven{}, false }
	for _, c := range []struct{ table, want string }{
		{"id,place,frequency,limit\na,Kitchen,2450 MHz,in-use\nb,,50 Hz,in-use\na,Pantry,2450 MHz,out\n",
			`row 3, column place: "": it is missing; write for example main kitchen, left of the hatch|` +
				`row 3, column frequency: "50 Hz": it is no frequency of microwaves; write a number with MHz or GHz, from 300 MHz to 300 GHz, for example 2450 MHz|` +
				`row 4, column id: "a": it is on row 2 already; keep one of the two rows`},
		{"id,place\na,Kitchen,2450 MHz\n", `row 2: it has 3 fields, and the first row has 2; write one field for each column, and put a field with a comma into quotes`},
		{"id,plaice,id\n", `row 1, column plaice: "plaice": there is no such column; write one of id, place, maker, model, serial, power, frequency, limit, next_check, state, remark|` +
			`row 1, column id: "id": the column is there twice; keep one of the two`},
		{"place\nx\n", `row 1, column id: "": the column is missing; add it: it says whom a row is of`},
		{"", `row 1: the file is empty; write the names of the columns into its first row, as an exported table has them`},
		{"id\n", `row 2: there is nothing below the names of the columns; write a row for each`},
		{"id,place\na,\"open\n", `row 2: it is no row of CSV: extraneous or missing " in quoted-field; put a field with a comma, a quote or a line end into quotes, and write a quote in it twice`},
	} {
		all, faults := form.Read([]byte(c.table), none, nil)
		var got []string
		for _, f := range faults {
			got = append(got, f.Error())
		}
		if strings.Join(got, "|") != c.want || all != nil {
			t.Errorf("%q:\n%s\nwant\n%s", c.table, strings.Join(got, "|"), c.want)
		}
	}
	// A table from a spreadsheet: a mark in front, semicolons, columns in another
	// order, and one oven that is known of old.
	all, faults := form.Read([]byte("\xef\xbb\xbfPlace;ID\r\nPantry;a\r\n"), func(id string) (Oven, bool) {
		o, _ := form.Parse(Oven{}, good())
		o.ID = "a"
		return o, id == "a"
	}, nil)
	if len(faults) > 0 || len(all) != 1 || all[0].Place != "Pantry" || all[0].Frequency != 2.45e9 {
		t.Errorf("%v %+v", faults, all)
	}
}

func TestCertificateOfARowIsWholeOrNone(t *testing.T) {
	form := ProbeTable()
	read := func(row string) ([]ProbeRow, []RowFault) {
		return form.Read([]byte("id,serial,certificate_number,certificate_laboratory,certificate_date,certificate_due,certificate_factor,certificate_expanded_uncertainty,certificate_k\n"+row+"\n"),
			func(string) (ProbeRow, bool) { return ProbeRow{}, false }, ProbeRow.CheckRow)
	}
	all, faults := read("hatch,7,LH-0417,a laboratory,2026-02-10,2027-02-10,1.03,15 %,2")
	if len(faults) > 0 || len(all) != 1 || len(all[0].CheckRow()) > 0 || all[0].Newest.U != 0.15 || all[0].Newest.Factor != 1.03 || all[0].Serial != "7" {
		t.Fatalf("%v %+v %v", faults, all, all[0].CheckRow())
	}
	if all, faults = read("hatch,7,,,,,,,"); len(faults) > 0 || len(all[0].CheckRow()) > 0 || !reflect.DeepEqual(all[0].Newest, ProbeRow{}.Newest) {
		t.Errorf("%v %+v", faults, all)
	}
	if all, faults = read("hatch,7,LH-0417,,2026-02-10,,1.03,15 %,2"); len(faults) != 2 || faults[0].Column != "certificate_laboratory" || faults[0].Row != 2 {
		t.Errorf("%v %v", faults, all)
	}
	if _, faults = read("hatch,7,LH-0417,a laboratory,2026-02-10,2026-02-10,1.03,15 %,2"); len(faults) != 1 || faults[0].Column != "certificate_due" {
		t.Errorf("due on the day of calibration: %v", faults)
	}
}
