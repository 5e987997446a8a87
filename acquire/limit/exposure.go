package limit

import (
	"math"
	"slices"
	"time"
)

const (
	sixMinutes    = 6 * time.Minute
	thirtyMinutes = 30 * time.Minute
)

// exposures are the limits on people where they stand. All but those marked
// local are means over the whole body.
func exposures() []Entry {
	return slices.Concat(fcc(), icnirp1998(), icnirp2020(), euAndCanada(), ieee2019())
}

func fcc() []Entry {
	const source, edition = "47 CFR 1.1310(e)(1), Table 1", "as in OET Bulletin 65, edition 97-01"
	const c = Reproduced
	bracketed := "below 30 MHz the power density is the plane-wave equivalent"
	return []Entry{
		{ID: "fcc-public", Title: "FCC, general population, uncontrolled", Source: source, Edition: edition, Tier: "general population, uncontrolled exposure",
			Basis: ExposurePublic, Averaging: thirtyMinutes, AveragingAs: c, Notes: []string{bracketed},
			Bands: []Band{
				{From: 0.3 * mhz, To: 1.34 * mhz, S: flat(1000), E: flat(614), H: flat(1.63), As: c, FieldsAs: c},
				{From: 1.34 * mhz, To: 30 * mhz, S: times(1800, -2), E: times(824, -1), H: times(2.19, -1), As: c, FieldsAs: c},
				{From: 30 * mhz, To: 300 * mhz, S: flat(2), E: flat(27.5), H: flat(0.073), As: c, FieldsAs: c},
				{From: 300 * mhz, To: 1500 * mhz, S: per(150), As: c},
				{From: 1500 * mhz, To: 100 * ghz, S: flat(10), As: c},
			}},
		{ID: "fcc-occupational", Title: "FCC, occupational, controlled", Source: source, Edition: edition, Tier: "occupational, controlled exposure",
			Basis: ExposureOccupational, Averaging: sixMinutes, AveragingAs: c, Notes: []string{bracketed},
			Bands: []Band{
				{From: 0.3 * mhz, To: 3 * mhz, S: flat(1000), E: flat(614), H: flat(1.63), As: c, FieldsAs: c},
				{From: 3 * mhz, To: 30 * mhz, S: times(9000, -2), E: times(1842, -1), H: times(4.89, -1), As: c, FieldsAs: c},
				{From: 30 * mhz, To: 300 * mhz, S: flat(10), E: flat(61.4), H: flat(0.163), As: c, FieldsAs: c},
				{From: 300 * mhz, To: 1500 * mhz, S: per(30), As: c},
				{From: 1500 * mhz, To: 100 * ghz, S: flat(50), As: c},
			}},
	}
}

// icnirp1998 gives the guidelines and the EU recommendation that took them up.
// Of both, the power densities are confirmed; field strengths and the averaging
// time are not.
func icnirp1998() []Entry {
	const c, m = Reproduced, FromMemory
	public := []Band{
		{From: 10 * mhz, To: 400 * mhz, S: flat(2), E: flat(28), H: flat(0.073), As: c, FieldsAs: m},
		{From: 400 * mhz, To: 2000 * mhz, S: per(200), E: times(1.375, 0.5), H: times(0.0037, 0.5), As: c, FieldsAs: m},
		{From: 2 * ghz, To: 10 * ghz, S: flat(10), E: flat(61), H: flat(0.16), As: c, FieldsAs: m},
		{From: 10 * ghz, To: 300 * ghz, Above: true, S: flat(10), E: flat(61), H: flat(0.16), As: c, FieldsAs: m, NoAveraging: true},
	}
	workers := []Band{
		{From: 10 * mhz, To: 400 * mhz, S: flat(10), E: flat(61), H: flat(0.16), As: c, FieldsAs: m},
		{From: 400 * mhz, To: 2000 * mhz, S: per(40), E: times(3, 0.5), H: times(0.008, 0.5), As: c, FieldsAs: m},
		{From: 2 * ghz, To: 10 * ghz, S: flat(50), E: flat(137), H: flat(0.36), As: c, FieldsAs: m},
		{From: 10 * ghz, To: 300 * ghz, Above: true, S: flat(50), E: flat(137), H: flat(0.36), As: c, FieldsAs: m, NoAveraging: true},
	}
	ten := []string{"6 min holds up to 10 GHz; above, our table gives no averaging time, so that nothing can be within it"}
	all := []Entry{
		{ID: "icnirp-1998-public", Title: "ICNIRP 1998, general public", Source: "ICNIRP guidelines 1998", Tier: "general public",
			Basis: ExposurePublic, Averaging: sixMinutes, AveragingAs: m, Bands: public, Notes: ten},
		{ID: "icnirp-1998-occupational", Title: "ICNIRP 1998, occupational", Source: "ICNIRP guidelines 1998", Tier: "occupational",
			Basis: ExposureOccupational, Averaging: sixMinutes, AveragingAs: m, Bands: workers, Notes: ten},
		{ID: "eu-1999-519-public", Title: "EU recommendation, general public", Source: "Council Recommendation 1999/519/EC", Edition: "1999", Tier: "general public",
			Basis: ExposurePublic, Averaging: sixMinutes, AveragingAs: m, Bands: public, Notes: ten},
	}
	for i := range all { // above 10 MHz, where all of these bands lie
		all[i].PulseS, all[i].PulseE, all[i].PulseAs = 1000, 32, c
	}
	return all
}

// ieee2019 gives the whole-body levels of a table that nobody here has read. Those
// for a part of the body differ in form from ICNIRP's, and are not in our table.
func ieee2019() []Entry {
	const source, edition, m = "IEEE C95.1", "2019", FromMemory
	notes := []string{"said to agree with ICNIRP 2020 for the whole body; levels for a part of the body are not in our table"}
	entry := func(id, tier string, basis Basis, s, e, rising, above float64) Entry {
		return Entry{ID: id, Title: "IEEE C95.1, " + tier + " environment, whole body", Source: source, Edition: edition, Tier: tier,
			Basis: basis, Averaging: thirtyMinutes, AveragingAs: m, Notes: notes, Bands: []Band{
				{From: 30 * mhz, To: 400 * mhz, S: flat(s), E: flat(e), As: m, FieldsAs: m},
				{From: 400 * mhz, To: 2000 * mhz, S: per(rising), As: m},
				{From: 2 * ghz, To: 300 * ghz, S: flat(above), As: m},
			}}
	}
	return []Entry{
		entry("ieee-2019-unrestricted", "unrestricted", ExposurePublic, 2, 27.5, 200, 10),
		entry("ieee-2019-restricted", "restricted", ExposureOccupational, 10, 61.4, 40, 50),
	}
}

func icnirp2020() []Entry {
	const c, m = Reproduced, FromMemory
	const whole, local = "Health Phys. 118(5):483-524, Table 5", "Health Phys. 118(5):483-524, Table 6"
	noE := []string{"above 2 GHz this edition gives no V/m and no A/m"}
	return []Entry{
		{ID: "icnirp-2020-public", Title: "ICNIRP 2020, general public, whole body", Source: whole, Edition: "ICNIRP 2020", Tier: "general public",
			Basis: ExposurePublic, Averaging: thirtyMinutes, AveragingAs: c, Notes: noE, Bands: []Band{
				{From: 30 * mhz, To: 400 * mhz, Above: true, S: flat(2), E: flat(27.7), H: flat(0.073), As: c, FieldsAs: c},
				{From: 400 * mhz, To: 2000 * mhz, Above: true, S: per(200), E: times(1.375, 0.5), H: times(0.0037, 0.5), As: c, FieldsAs: c},
				{From: 2 * ghz, To: 300 * ghz, Above: true, S: flat(10), As: c},
			}},
		{ID: "icnirp-2020-occupational", Title: "ICNIRP 2020, occupational, whole body", Source: whole, Edition: "ICNIRP 2020", Tier: "occupational",
			Basis: ExposureOccupational, Averaging: thirtyMinutes, AveragingAs: c, Notes: noE, Bands: []Band{
				{From: 30 * mhz, To: 400 * mhz, Above: true, S: flat(10), E: flat(61), H: flat(0.16), As: c, FieldsAs: m},
				{From: 400 * mhz, To: 2000 * mhz, Above: true, S: per(40), E: times(3, 0.5), H: times(0.008, 0.5), As: c, FieldsAs: m},
				{From: 2 * ghz, To: 300 * ghz, Above: true, S: flat(50), As: c},
			}},
		{ID: "icnirp-2020-public-local", Title: "ICNIRP 2020, general public, a part of the body", Source: local, Edition: "ICNIRP 2020", Tier: "general public, local",
			Basis: ExposurePublic, Local: true, Averaging: sixMinutes, AveragingAs: c, Notes: noE, Bands: []Band{
				{From: 30 * mhz, To: 400 * mhz, Above: true, S: flat(10), E: flat(62), H: flat(0.163), As: c, FieldsAs: c},
				{From: 400 * mhz, To: 2000 * mhz, Above: true, S: times(0.058, 0.86), E: times(4.72, 0.43), H: times(0.0123, 0.43), As: c, FieldsAs: c},
				{From: 2 * ghz, To: 6 * ghz, Above: true, S: flat(40), As: c},
				{From: 6 * ghz, To: 300 * ghz, Above: true, S: times(55*math.Pow(1000, 0.177), -0.177), As: c},
			}},
		{ID: "icnirp-2020-occupational-local", Title: "ICNIRP 2020, occupational, a part of the body", Source: local, Edition: "ICNIRP 2020", Tier: "occupational, local",
			Basis: ExposureOccupational, Local: true, Averaging: sixMinutes, AveragingAs: c, Notes: noE, Bands: []Band{
				{From: 30 * mhz, To: 400 * mhz, Above: true, S: flat(50), E: flat(139), H: flat(0.36), As: c, FieldsAs: c},
				{From: 400 * mhz, To: 2000 * mhz, Above: true, S: times(0.29, 0.86), E: times(10.58, 0.43), H: times(0.0274, 0.43), As: c, FieldsAs: c},
				{From: 2 * ghz, To: 6 * ghz, Above: true, S: flat(200), As: c},
			}},
	}
}

func euAndCanada() []Entry {
	const c, m = Reproduced, FromMemory
	const sc6, edition = "Health Canada, Safety Code 6", "2015"
	return []Entry{
		{ID: "eu-2013-35-occupational", Title: "EU directive, workers, thermal action levels", Source: "Directive 2013/35/EU, Annex III, Table B1",
			Tier: "action level, thermal effects", Basis: ExposureOccupational, Averaging: sixMinutes, AveragingAs: m,
			Notes: []string{"up to 6 GHz the directive gives V/m only; the mean is that of the square of the field strength",
				"above 6 GHz it also limits the mean over any 1 cm² to 20 times 50 W/m², which one probe cannot see"},
			Bands: []Band{
				{From: 10 * mhz, To: 400 * mhz, E: flat(61), As: c},
				{From: 400 * mhz, To: 2 * ghz, E: times(3, 0.5), As: c}, // 3.0e-3·√f with f in Hz
				{From: 2 * ghz, To: 6 * ghz, E: flat(140), As: c},
				{From: 6 * ghz, To: 10 * ghz, S: flat(50), E: flat(140), As: c, FieldsAs: c, AveragingAs: c},
				{From: 10 * ghz, To: 300 * ghz, Above: true, S: flat(50), E: flat(140), As: c, FieldsAs: c,
					Averaging: times(68*60*math.Pow(1000, 1.05), -1.05), AveragingAs: c},
			}},
		{ID: "ca-sc6-uncontrolled", Title: "Canada, Safety Code 6, uncontrolled environment", Source: sc6, Edition: edition, Tier: "uncontrolled environment",
			Basis: ExposurePublic, Averaging: sixMinutes, AveragingAs: m,
			Notes: []string{"agrees with the exemption powers of RSS-102, which are these values times 4π(0.2 m)²"},
			Bands: []Band{
				{From: 48 * mhz, To: 300 * mhz, S: flat(1.291), E: flat(22.06), H: flat(0.05852), As: m, FieldsAs: m},
				{From: 300 * mhz, To: 6000 * mhz, S: times(0.02619, 0.6834), E: times(3.142, 0.3417), H: times(0.008335, 0.3417), As: m, FieldsAs: m},
				{From: 6 * ghz, To: 15 * ghz, S: flat(10), E: flat(61.4), H: flat(0.163), As: m, FieldsAs: m},
			}},
		{ID: "ca-sc6-controlled", Title: "Canada, Safety Code 6, controlled environment", Source: sc6, Edition: edition, Tier: "controlled environment",
			Basis: ExposureOccupational, Averaging: sixMinutes, AveragingAs: m,
			Bands: []Band{
				{From: 20 * mhz, To: 100 * mhz, S: flat(6.455), E: flat(49.33), H: flat(0.1309), As: m, FieldsAs: m},
				{From: 100 * mhz, To: 6000 * mhz, S: times(0.6455, 0.5), E: times(15.60, 0.25), H: times(0.04138, 0.25), As: m, FieldsAs: m},
				{From: 6 * ghz, To: 15 * ghz, S: flat(50), E: flat(137), H: flat(0.364), As: m, FieldsAs: m},
			}},
	}
}
