package report

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// All of it is invented: no such house, oven, probe or laboratory.

func noon() time.Time { return time.Date(2031, 5, 20, 12, 0, 0, 0, time.UTC) }

func inventedCertificate() *calib.Certificate {
	return &calib.Certificate{Number: "LM-2031-0117", Laboratory: "Larkfield Metrology", Date: noon().AddDate(0, -4, 0), Due: noon().AddDate(0, 8, 0), Factor: 1.04, U: 0.12, K: 2}
}

func inventedProbe() Instrument {
	return Instrument{Probe: "probe-1", Identity: "EXAMPLE,LP-3,0042", Port: "/dev/serial/by-id/usb-example", Axes: 1, Turned: true, TurnedBy: "M. Ashdown", TurnedOn: noon().AddDate(0, 0, -40),
		Range: 200, Floor: 0.1, Response: time.Second, Certificate: inventedCertificate()}
}

func inventedLimit() limit.Limit {
	return limit.Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "an invented standard, clause 4"}
}

func inventedMonitoring(days int) *Monitoring {
	from := noon().Truncate(24 * time.Hour)
	w := Watched{Post: "combi", Oven: "combi oven 2", Place: "kitchen, by the pass", Distance: 0.05, Frequency: 2.45e9, Stale: 3 * time.Second, Instruments: []Instrument{inventedProbe()},
		Samples: int64(days) * 86400, Classes: [6]int64{0, 0, 0, 12, 0, int64(days)*86400 - 12}, Span: time.Duration(days) * 24 * time.Hour, Seen: time.Duration(days)*24*time.Hour - 95*time.Second,
		Mean: limit.Average{To: time.Duration(days) * 24 * time.Hour, Lo: 0.812, Hi: 0.834}, Max: 7.31, MaxU: 0.88, MaxAt: from.Add(13*time.Hour + 7*time.Minute), Runs: 41, On: 3 * time.Hour,
		Gaps: []Gap{{from.Add(5 * time.Hour), from.Add(5*time.Hour + 95*time.Second)}}, GapsSum: 95 * time.Second,
		Judged: []Judged{{Limit: inventedLimit(), Outcome: limit.NotDecided, Reasons: []string{"a gap of 95 s is long enough to hide an exceedance", "1 day of 30 is not decided"},
			Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute}, Days: DaysOf{Within: days}}}}
	for i := range days {
		w.Days = append(w.Days, Day{From: from.AddDate(0, 0, i), Outcome: limit.Within, Limit: "in-use", Reasons: []string{"highest value plus expanded uncertainty at or below the limit"}, Cover: 1,
			Mean: limit.Average{To: 1, Lo: 0.81, Hi: 0.83}, Max: 6 + quantity.PowerDensity(i%5)/3, MaxU: 0.8, Runs: 3})
	}
	for i := range 300 {
		at := func(k int) time.Time { return from.Add(time.Duration(k) * time.Duration(days) * 24 * time.Hour / 300) }
		p := Stretch{at(i), at(i + 1), 0.1, 4 + 3*math.Sin(float64(i)/9), 0.8 + 0.4*math.Sin(float64(i)/9)}
		if i > 60 && i < 66 {
			p.Min, p.Max, p.Mean = math.NaN(), math.NaN(), math.NaN()
		}
		w.Points = append(w.Points, p)
	}
	w.Events = []Happened{{from.Add(9 * time.Hour), "zero", "M. Ashdown", "zero taken: -0.02 mW/cm² away from all fields"}}
	return &Monitoring{Site: "Larkfield House", From: from, To: from.AddDate(0, 0, days), Posts: []Watched{w}, Version: "test",
		Alarms: []Alarm{{Post: "combi", Rule: "silent", ID: "combi-silent-7", Raised: from.Add(5 * time.Hour), Steps: []Step{
			{from.Add(5 * time.Hour), "unacknowledged", "", "no answer for 5 s", ""}, {from.Add(5*time.Hour + 3*time.Minute), "acknowledged", "R. Penhale", "", "cable was loose"}},
			Told: []Told{{from.Add(5 * time.Hour), "mail", "kitchen@example.org", "accepted"}}}},
		Record: Record{Raw: []Raw{{"combi", int64(days) * 86400, "3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855e", 0}}, Day: "2031-06-18", Entries: 12044,
			Head: "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"}}
}

func inventedStandOff() (*StandOff, error) {
	w := survey.Walk{Floor: 0.05}
	for i, r := range []float64{0.05, 0.1, 0.15, 0.2, 0.3, 0.45, 0.6, 0.9} {
		s := 24*math.Pow(0.05/r, 1.7) + 0.02
		s *= 1 + 0.04*math.Sin(float64(3*i))
		w.Marks = append(w.Marks, survey.Mark{Distance: quantity.Length(r), Value: quantity.PowerDensity(s), U: quantity.PowerDensity(0.05 * s)})
	}
	w.Marks = append(w.Marks, survey.Mark{Distance: quantity.Length(math.Inf(1)), Value: 0.02, U: 0.004})
	r, err := survey.FitWalk(w, []survey.Level{{Name: "fcc-public", Source: "47 CFR 1.1310", Value: 10}, {Name: "stated level", Value: 1}, {Name: "noise floor", Source: "of the probe, as stated", Value: 0.05}})
	return &StandOff{Site: "Larkfield House", Oven: "combi oven 2", Place: "kitchen", Load: "275 mL water", By: "M. Ashdown", Day: noon(), Instruments: []Instrument{inventedProbe()},
		File: "walk.csv", SHA256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", Result: r, Remarks: []string{"what is common to all marks is in no interval"}, Version: "test"}, err
}

func inventedSoak(runs int) *Soak {
	s := &Soak{Site: "Larkfield test house", Oven: "prototype door 7", Place: "bay 3", From: noon().AddDate(0, -2, 0), As: noon(), State: "running", Version: "test",
		Plan:        SoakPlan{Procedure: "door endurance, our own of 2031", Source: "laboratory note 12", Limit: inventedLimit(), Operations: 100000, Checkpoints: []string{"at 10 000 operations", "at 100 000 operations"}, StopRules: []string{"an exceedance"}},
		Conditions:  []Pair{{"Line voltage", raw("230 V ± 1 %")}, {"Load", raw("1 000 mL water, changed each 10 min")}},
		Instruments: []Instrument{inventedProbe()}, Counts: SoakCounts{Operations: 61234, OperationsFrom: "the line at DI 2", Runs: int64(runs), On: 400 * time.Hour, Dose: 1.2e6, Cover: 0.998},
		Outcome: limit.NotDecided, Reasons: []string{"the test is still running"}, Ageing: []Pair{{"Trend", raw("+0.012 mW/cm² in 10 000 runs, 95 %: 0.008 to 0.016")}},
		Checkpoints:   []Checkpoint{{Name: "at 10 000 operations", Done: noon().AddDate(0, -1, 0), By: "M. Ashdown", Survey: "survey-12", Outcome: limit.Within, Value: 3.1, U: 0.4, Place: "seam, lower hinge side"}, {Name: "at 100 000 operations"}},
		Interruptions: []Interruption{{noon().AddDate(0, 0, -9), noon().AddDate(0, 0, -8), "R. Penhale", "mains work"}, {From: noon().Add(-time.Hour), Who: "M. Ashdown", Why: "water"}}}
	each := (runs + 239) / 240
	for i := 0; i < runs; i += each {
		s.PerRun = append(s.PerRun, RunPoint{int64(i + 1), int64(min(runs, i+each)), min(each, runs-i), 3 + quantity.PowerDensity(float64(i)/float64(runs)), 5 + quantity.PowerDensity(math.Mod(float64(i)*0.37, 2))})
	}
	for i := range 20 {
		b := Share{quantity.PowerDensity(i) * 0.5, quantity.PowerDensity(i+1) * 0.5, time.Duration(1000*math.Exp(-math.Pow(float64(i)-7, 2)/9)) * time.Minute}
		if i == 19 {
			b.To = quantity.PowerDensity(math.Inf(1))
		}
		s.Levels = append(s.Levels, b)
	}
	return s
}

func inventedCertificates() *Certificates {
	c := &Certificates{Site: "Larkfield House", As: noon(), Version: "test"}
	for i, due := range []int{200, 30, -3, 0} {
		h := Held{Probe: fmt.Sprintf("probe-%d", i+1), Posts: []string{"combi"}}
		if i < 3 {
			x := inventedCertificate()
			x.Number, x.Due = fmt.Sprintf("LM-%d", i), noon().AddDate(0, 0, due)
			h.Now = x
			h.Earlier = []*calib.Certificate{inventedCertificate()}
		}
		c.Probes = append(c.Probes, h)
	}
	return c
}
