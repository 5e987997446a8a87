package config

import (
	"math"
	"time"
)

// Keep is how much of the samples is kept.
type Keep struct {
	Age   time.Duration // 0: for good
	Bytes int64         // packed, of one post; 0: any
}

// Retention is the [retention] section: what is removed from the record.
type Retention struct {
	Keep
	Sums   time.Duration // sums over minutes and hours; 0: for good
	Told   time.Duration // what was told to whom
	Around time.Duration // round each event of an alarm, whatever their age

	Evidence time.Duration // samples of alarms, surveys and soaks that are over; 0: for good
}

// Record is the [record] section: what proves the record.
type Record struct {
	SigningKey string // path of a file with an Ed25519 key; may be empty
}

// defaultAround is how near to an alarm samples stay by default: twice the longest
// averaging time of the built-in limits.
const defaultAround = time.Hour

// defaultTold is how long the record says what was told to whom: about three years,
// in which people dispute. Our own choice.
const defaultTold = 1100 * 24 * time.Hour

func ageSpan() span[time.Duration] {
	return span[time.Duration]{time.Hour, 100_000 * time.Hour * 24 / 10, `"1 h" to "10000 d"`}
}

func readKeep(t *table, age, bytes string) Keep {
	return Keep{
		Age:   t.duration(ask{age, `"400 d"`, false}, ageSpan(), 0),
		Bytes: t.integer(ask{bytes, "2000000000", false}, span[int64]{100_000, math.MaxInt64, "a number of bytes from 100000 on"}, 0),
	}
}

func readRetention(root *table) Retention {
	r := Retention{Told: defaultTold, Around: defaultAround}
	t := root.table("retention")
	if t == nil {
		return r
	}
	r.Keep = readKeep(t, "samples", "bytes_per_post")
	r.Sums = t.duration(ask{"sums", `"3650 d"`, false}, ageSpan(), 0)
	r.Told = t.duration(ask{"told", `"1100 d"`, false}, ageSpan(), defaultTold)
	r.Around = t.duration(ask{"around_alarms", `"1 h"`, false}, span[time.Duration]{0, 30 * 24 * time.Hour, `"0 s" to "30 d"`}, defaultAround)
	r.Evidence = t.duration(ask{"evidence", `"3650 d"`, false}, ageSpan(), 0)
	switch {
	case r.Evidence > 0 && r.Age == 0 && r.Bytes == 0:
		t.problem("evidence", "evidence is what stays when samples go, and samples are kept for good; set samples too, or remove evidence")
	case r.Evidence > 0 && r.Evidence < r.Age:
		t.problem("evidence", "it would go before samples that are none; keep it at least as long as samples")
	}
	switch {
	case r.Sums > 0 && r.Age == 0 && r.Bytes == 0:
		t.problem("sums", "sums are kept longer than samples, and samples are kept for good; set samples too, or remove sums")
	case r.Sums > 0 && r.Sums < r.Age:
		t.problem("sums", "they would go before the samples that they are of; keep them at least as long as samples")
	}
	t.finish()
	return r
}

func readRecord(root *table) Record {
	var r Record
	t := root.table("record")
	if t == nil {
		return r
	}
	r.SigningKey = t.text(ask{"signing_key", `"/etc/ovenward/record.key"`, false})
	if r.SigningKey != "" && !absolutePath.MatchString(r.SigningKey) {
		t.problem("signing_key", "%s is relative, and to what is not known; write the whole path, beginning with /", shown(r.SigningKey))
	}
	t.finish()
	return r
}
