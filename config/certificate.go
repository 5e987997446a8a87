package config

import "time"

// Certificate is the [probe.certificate] of a probe: its calibration as the
// laboratory states it.
type Certificate struct {
	Line                int
	Number              string
	Laboratory          string
	Date                time.Time // first instant of that day, UTC
	Due                 time.Time // likewise; overdue from then on
	Factor              float64   // multiplies the reading
	ExpandedUncertainty float64   // relative: 25 % is 0.25
	K                   float64   // coverage factor of it
}

func readCertificate(t *table) *Certificate {
	c := &Certificate{
		Line:       t.at.line,
		Number:     t.text(ask{"number", `"LH-0417"`, true}),
		Laboratory: t.text(ask{"laboratory", `"the laboratory that signed it"`, true}),
		Date:       t.date(ask{"date", "2026-02-10", true}),
		Due:        t.date(ask{"due", "2027-02-10", true}),
		Factor:     t.number(ask{"factor", "1.03", true}, span[float64]{0.1, 10, "a number from 0.1 to 10"}, 0),
		ExpandedUncertainty: t.percent(ask{"expanded_uncertainty", `"25 %"`, true},
			span[float64]{0.0001, 1, `"0.01 %" to "100 %"`}),
		// With few degrees of freedom k for 95 % reaches 13.97 (JCGM 100:2008,
		// table G.2, 95.45 %, one degree of freedom; from memory).
		K: t.number(ask{"k", "2", true}, span[float64]{1, 14, "a number from 1 to 14; most certificates state 2"}, 0),
	}
	if !c.Date.IsZero() && !c.Due.IsZero() && !c.Due.After(c.Date) {
		t.problem("due", "it is not after date, %s; write the day by which the probe is to be calibrated again", c.Date.Format(time.DateOnly))
	}
	t.finish()
	return c
}
