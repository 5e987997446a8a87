package limit

// testEmissions are limits on ovens in the states of a type, repair or production
// test: a door that is opening, an interlock that is defeated, an enclosure that
// is off. They hold in that state alone, which the configuration cannot know, so
// that only whoever makes the test should name them.
func testEmissions() []Entry {
	const (
		interlocks = "21 CFR 1030.10(c)(2)"
		manual     = "as told in HEW Publication (FDA) 77-8037, 1977"
		redr       = "Radiation Emitting Devices Regulations, C.R.C. c. 1370, Schedule II Part III"
		amended    = "as amended to 2025-10-09"
		noScope    = "the range of frequencies it applies to is not in our table"
	)
	state := func(s string) []string { return []string{"holds only " + s, noScope} }
	us := func(w float64) []Band { return []Band{{From: 890 * mhz, To: 6000 * mhz, S: flat(w), As: Seen}} }
	return atFiveCentimetres([]Entry{
		{ID: "us-emission-opening-new", Title: "United States, while the door opens, before purchase", Source: interlocks, Edition: manual,
			Tier: "primary interlock", Basis: EmissionNew, Bands: us(10), Notes: []string{"holds only until the required interlock has stopped generation"}},
		{ID: "us-emission-opening-in-use", Title: "United States, while the door opens, after purchase", Source: interlocks, Edition: manual,
			Tier: "primary interlock", Basis: EmissionInUse, Bands: us(50), Notes: []string{"holds only until the required interlock has stopped generation"}},
		{ID: "us-emission-secondary-interlock", Title: "United States, with the secondary interlock alone", Source: interlocks, Edition: manual,
			Tier: "secondary interlock", Basis: EmissionInUse, Bands: us(50), Notes: []string{"holds only with the primary interlock defeated"}},
		{ID: "ca-emission-enclosure-off", Title: "Canada, outer enclosure removed, with the test load", Source: redr, Edition: amended,
			Tier: "enclosure removed", Basis: EmissionInUse, Bands: everywhere(50, Seen), Notes: state("with the outer enclosure off, at 5 cm from accessible parts")},
		{ID: "iec-emission-routine", Title: "IEC, household oven, production test", Source: "IEC 60335-2-25 Annex A",
			Edition: "as quoted from AS/NZS 60335.2.25", Tier: "routine test", Basis: EmissionNew, Bands: everywhere(50, Reproduced),
			Notes: []string{"stated at about 50 mm", noScope}},
		{ID: "iec-emission-abnormal", Title: "IEC, household oven, abnormal operation", Source: "IEC 60335-2-25 cl. 19", Tier: "abnormal operation",
			Basis: EmissionInUse, Bands: everywhere(100, FromMemory), Notes: state("in the abnormal operation of that clause")},
		{ID: "de-emission-empty", Title: "Germany, oven without a load", Source: "VDE 0700 Part 25, older edition", Edition: "as a service manual quotes it",
			Tier: "without load", Basis: EmissionInUse, Bands: everywhere(100, Reproduced), Notes: state("without a load; with one the same document has 50 W/m²")},
		{ID: "au-emission", Title: "Australia, oven", Source: "ARPANSA RHS 17; NH&MRC 1985", Edition: "as a public page tells it", Tier: "all ovens",
			Basis: EmissionInUse, Bands: everywhere(50, Reproduced), Notes: []string{noScope}},
	})
}
