package limit

import "time"

const (
	mhz = 1e6 // Hz
	ghz = 1e9

	fiveCentimetres = 0.05 // m
	slowestMeter    = 3 * time.Second
)

// flat is a level that does not change with frequency.
func flat(x float64) Formula { return Formula{Times: x} }

// per is f/n, f in MHz.
func per(n float64) Formula { return Formula{Times: 1, Power: 1, Over: n} }

// times is x·f^p, f in MHz.
func times(x, p float64) Formula { return Formula{Times: x, Power: p} }

// everywhere is one level at all microwaves by the usual definition.
func everywhere(w float64, as Status) []Band {
	return []Band{{From: 300 * mhz, To: 300 * ghz, S: flat(w), As: as}}
}

// emissions are the limits on ovens. They are maxima at any point, at a stated
// distance from the outer surface, and no mean is taken over time beyond the
// meter's response.
func emissions() []Entry {
	const (
		cfr       = "21 CFR 1030.10(c)(1)"
		cited     = "HEW Publication (FDA) 77-8037, Procedures for Field Testing Microwave Ovens, 1977, App. I A-1"
		manual    = "as quoted in HEW Publication (FDA) 77-8037, 1977"
		redr      = "Radiation Emitting Devices Regulations, C.R.C. c. 1370, Schedule II Part III"
		amended   = "as amended to 2025-10-09"
		noScope   = "the range of frequencies it applies to is not in our table"
		noStage   = "our table knows of no other limit for a new oven or for one in use"
		iecMeter  = "asks a meter that shows 90 % of a step in 2 s to 3 s (not confirmed)"
		japanLaw  = "Electrical Appliance Safety Act, Annex 8, 2(95)"
		japanCopy = "as the makers' association tells it"
	)
	us := func(w float64) []Band { return []Band{{From: 890 * mhz, To: 6000 * mhz, S: flat(w), As: Seen}} }
	all := []Entry{
		{ID: "us-emission-new", Title: "United States, oven before purchase", Source: cfr, Edition: manual, Tier: "before purchase",
			Basis: EmissionNew, Bands: us(10), CitedAbove: 1.25, CitedBy: cited},
		{ID: "us-emission-in-use", Title: "United States, oven after purchase, through its useful life", Source: cfr, Edition: manual,
			Tier: "after purchase", Basis: EmissionInUse, Bands: us(50), CitedAbove: 1.25, CitedBy: cited},
		{ID: "us-emission-before-1971", Title: "United States, oven made before October 1971",
			Source: "HEW Publication (FDA) 77-8037, 4.1.1", Edition: "1977", Tier: "voluntary industry figure", Basis: EmissionInUse,
			Bands: us(100), Notes: []string{"an industry figure, not a regulation"}},
		{ID: "ca-emission", Title: "Canada, oven with the test load", Source: redr, Edition: amended, Tier: "with load",
			Basis: EmissionInUse, Bands: everywhere(10, Seen), Notes: []string{noStage, noScope}},
		{ID: "ca-emission-empty", Title: "Canada, oven without a load, where it can run so", Source: redr, Edition: amended, Tier: "without load",
			Basis: EmissionInUse, Bands: everywhere(50, Seen), Notes: []string{noStage, noScope}},
		{ID: "iec-emission-household", Title: "IEC, household oven", Source: "IEC 60335-2-25 cl. 32",
			Edition: "as quoted from AS/NZS 60335.2.25:2011", Tier: "household", Basis: EmissionInUse, Bands: everywhere(50, Reproduced),
			Notes: []string{"the production test of a new oven has the same value: iec-emission-routine", noScope, iecMeter}},
		{ID: "iec-emission-commercial", Title: "IEC, commercial oven", Source: "IEC 60335-2-90", Edition: "2015 with A1:2019",
			Tier: "commercial", Basis: EmissionInUse, Bands: everywhere(50, FromMemory), Notes: []string{noStage, noScope, iecMeter}},
		{ID: "jp-emission-closed", Title: "Japan, oven with its door closed", Source: japanLaw, Edition: japanCopy, Tier: "door closed",
			Basis: EmissionInUse, Bands: everywhere(10, Reproduced), Notes: []string{noStage, noScope}},
		{ID: "jp-emission-opening", Title: "Japan, oven with its door opened to just before cut-off", Source: japanLaw, Edition: japanCopy,
			Tier: "door opening", Basis: EmissionInUse, Bands: everywhere(50, Reproduced), Notes: []string{noStage, noScope}},
		{ID: "cn-emission-household", Title: "China, household oven", Source: "GB 4706.21-2008", Edition: "adopts IEC 60335-2-25",
			Tier: "household", Basis: EmissionInUse, Bands: everywhere(50, FromMemory),
			Notes: []string{noStage, noScope, "popular pages disagree: 10 W/m² and 50 W/m²"}},
	}
	return append(atFiveCentimetres(all), Entry{
		ID: "su-emission-household", Title: "USSR and Russia, household oven, at 50 cm", Source: "SN 2666-83", Edition: "1983",
		Tier: "household", Basis: EmissionInUse, Distance: 0.5, Bands: everywhere(0.1, Reproduced),
		Notes: []string{"stated at 50 ± 5 cm; it meets 10 W/m² at 5 cm only where the field falls with the square of the distance"},
	})
}

// atFiveCentimetres adds what all limits on ovens but one have in common.
func atFiveCentimetres(all []Entry) []Entry {
	for i := range all {
		all[i].Distance = fiveCentimetres
		switch all[i].ID[:3] {
		case "us-", "ca-": // (c)(3)(i) and Part III; IEC says the same, not confirmed
			all[i].Slowest = slowestMeter
		}
	}
	return all
}

// lowRegimes are limits on people far below the others.
func lowRegimes() []Entry {
	const unstated = "the averaging time is not in our table, so nothing can be within it"
	return []Entry{
		{ID: "ru-public", Title: "USSR 1958 and Russia, the public", Source: "as cited in NSSA 49, ch. 30 (abstract)", Tier: "population",
			Basis: ExposurePublic, Bands: everywhere(0.1, Reproduced), Notes: []string{unstated}},
		{ID: "ru-occupational", Title: "Russia, workers, energy load of a shift", Source: "as told by a public page",
			Tier: "occupational energy load", Basis: ExposureOccupational, Averaging: 8 * time.Hour, AveragingAs: Reproduced,
			Bands: everywhere(0.25, Reproduced), Notes: []string{
				"the document limits the energy load to 200 µW·h/cm² in a shift; this is the mean over one of 8 h, and another length has another mean",
				"its number, SanPiN 2.2.4/2.1.8.055-96, and its range of frequencies are not confirmed"}},
		{ID: "be-flanders-public", Title: "Flanders, the public", Source: "Flemish environmental law, as its public navigator tells it", Tier: "public",
			Basis: ExposurePublic, Averaging: 6 * time.Minute, AveragingAs: Reproduced,
			Bands: []Band{{From: 400 * mhz, To: 2000 * mhz, E: times(0.686, 0.5), As: Reproduced}},
			Notes: []string{"our table holds the range from 400 MHz to 2 GHz only, and the document gives V/m"}},
		{ID: "cn-public", Title: "China, the public", Source: "GB 8702-2014", Tier: "public", Basis: ExposurePublic,
			Averaging: 6 * time.Minute, AveragingAs: FromMemory,
			Bands: []Band{
				{From: 30 * mhz, To: 3000 * mhz, S: flat(0.4), E: flat(12), As: Reproduced, FieldsAs: FromMemory},
				{From: 3000 * mhz, To: 15 * ghz, S: per(7500), As: FromMemory},
			}},
		{ID: "it-attention", Title: "Italy, attention value until 2024", Source: "Italian attention value, 6 V/m", Tier: "attention value",
			Basis: ExposurePublic, Averaging: 24 * time.Hour, AveragingAs: FromMemory,
			Bands: []Band{{From: 300 * mhz, To: 300 * ghz, S: flat(0.1), E: flat(6), As: FromMemory, FieldsAs: FromMemory}},
			Notes: []string{"the averaging time was 6 min before, and the value is 15 V/m since 2024 (not confirmed)"}},
	}
}
