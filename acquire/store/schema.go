package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// applicationID marks the file as ours: "OVWN" in ASCII, at byte 68 of the file.
const applicationID = 0x4F56574E

// step brings a record from the version before to this one. Steps are only ever
// added: a step once released is never edited, since files made by it exist.
type step struct {
	version int
	sql     string
}

// steps returns all versions of the schema, the first first.
func steps() []step {
	return []step{{1, schema1}, {2, limits2}, {3, schemaMore}, {4, schemaCalibration}, {5, schemaAlarms}, {6, schemaTold},
		{7, schemaChunks}, {8, schemaRemote}, {9, limitResponse}, {10, briefFragments}, {11, schemaProof}, {12, schemaRegister}, {14, schemaSurveys}, {16, schemaRuns}, {17, schemaSoaks}, {21, schemaSoakChain}, {23, schemaSought}, {24, schemaSumsCalibrated}, {25, schemaFoundChain}}
}

// schema1 is the first form of the record. It is written for a person with any
// SQLite tool; start with
//
//	SELECT * FROM events_read ORDER BY id DESC LIMIT 20;
//	SELECT * FROM alarms;
//
// Its tables samples and units, and the view samples_read, are gone since
// schemaChunks packs the samples.
//
// Names ending in _ns are nanoseconds: instants count from 1970-01-01 UTC,
// without leap seconds, and 0 or NULL is 'none'; _u_ns is how far the true
// instant may lie to either side. Names ending in _s are seconds, _m metres,
// _w_per_m2 watts per square metre (10 W/m² = 1 mW/cm²). A NULL in such a column
// is 'not known', never zero.
//
// samples holds what the instrument said and nothing derived. said is the
// answer byte for byte, text where it is valid UTF-8 and a blob where not;
// digits × 10^exp is the number in it, trailing zeros kept, NULL where it held
// none; unit is a row of units. status has bits 1 over-range, 2 fault, 4 battery
// low: what the instrument said of itself. quality has bits 1 fault, 2
// over-range, 4 uncalibrated, 8 under-floor, 16 clock-unsure: what we hold
// against the sample; 0 is good. correction is the row of corrections that was
// in force: corrected = (value in W/m² − zero) × certificate factor, and what
// schemaCalibration tells of. version is the row of post_versions that was in force. seq counts 1, 2, 3 … at each post;
// a number that is missing was lost, and an event names it. Within a post,
// at_ns never falls while seq rises.
//
// post_versions, certificates and corrections are never changed and never
// deleted: what shaped a value or a verdict stays. alarms holds the present
// state of each alarm; its history is in events, whose column alarm is JSON.
// cursors says up to which event each courier has told, NAME.first where it began, and
// NAME.done.POST/RULE how far an alarm is done that is ahead. record counts commits;
// an event number below next_event may have been told before it was lost, so
// none is used again.
const schema1 = `
CREATE TABLE record (
  one          INTEGER PRIMARY KEY CHECK (one = 1),
  commits      INTEGER NOT NULL,
  committed_ns INTEGER NOT NULL,
  next_event   INTEGER NOT NULL
) STRICT;
INSERT INTO record VALUES (1, 0, 0, 1);

CREATE TABLE posts (
  post INTEGER PRIMARY KEY,
  id   TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE certificates (
  certificate          INTEGER PRIMARY KEY,
  number               TEXT NOT NULL,
  laboratory           TEXT NOT NULL,
  date                 TEXT NOT NULL,
  due                  TEXT NOT NULL,
  factor               REAL,
  expanded_uncertainty REAL,
  k                    REAL
) STRICT;

CREATE TABLE post_versions (
  version              INTEGER PRIMARY KEY,
  post                 INTEGER NOT NULL REFERENCES posts,
  valid_from_ns        INTEGER NOT NULL,
  entered_at_ns        INTEGER NOT NULL,
  site                 TEXT NOT NULL,
  oven                 TEXT NOT NULL,
  oven_place           TEXT NOT NULL,
  distance_m           REAL,
  turned               INTEGER NOT NULL,
  limit_id             TEXT NOT NULL,
  limit_w_per_m2       REAL,
  limit_distance_m     REAL,
  limit_basis          TEXT NOT NULL,
  limit_source         TEXT NOT NULL,
  sustained_unbroken_s REAL,
  sustained_summed_s   REAL,
  sustained_within_s   REAL,
  sustained_clear_s    REAL,
  run_gap_s            REAL,
  silent_s             REAL,
  stale_s              REAL,
  stuck_s              REAL,
  probe                TEXT NOT NULL,
  probe_port           TEXT NOT NULL,
  probe_period_s       REAL,
  probe_timeout_s      REAL,
  probe_response_s     REAL,
  probe_range_w_per_m2 REAL,
  probe_floor_w_per_m2 REAL,
  probe_axes           INTEGER NOT NULL,
  probe_zero_bound_w_per_m2 REAL,
  probe_simulated      INTEGER NOT NULL,
  certificate          INTEGER REFERENCES certificates
) STRICT;
CREATE INDEX post_versions_newest ON post_versions (post, version);

CREATE TABLE corrections (
  correction    INTEGER PRIMARY KEY,
  post          INTEGER NOT NULL REFERENCES posts,
  entered_at_ns INTEGER NOT NULL,
  zero_w_per_m2 REAL,
  zero_at_ns    INTEGER,
  zero_by       TEXT NOT NULL,
  certificate   INTEGER REFERENCES certificates
) STRICT;
CREATE INDEX corrections_newest ON corrections (post, correction);

CREATE TABLE units (
  unit    INTEGER PRIMARY KEY,
  spelled TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE samples (
  post       INTEGER NOT NULL REFERENCES posts,
  seq        INTEGER NOT NULL,
  version    INTEGER NOT NULL REFERENCES post_versions,
  at_ns      INTEGER NOT NULL,
  at_u_ns    INTEGER NOT NULL,
  said       ANY,
  digits     INTEGER,
  exp        INTEGER,
  unit       INTEGER NOT NULL REFERENCES units,
  status     INTEGER NOT NULL,
  quality    INTEGER NOT NULL,
  correction INTEGER REFERENCES corrections,
  PRIMARY KEY (post, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE events (
  id    INTEGER PRIMARY KEY,
  at_ns INTEGER NOT NULL,
  post  TEXT NOT NULL,
  kind  TEXT NOT NULL,
  who   TEXT NOT NULL,
  text  TEXT NOT NULL,
  raw   BLOB,
  alarm TEXT
) STRICT;

CREATE TABLE alarms (
  post       TEXT NOT NULL,
  rule       TEXT NOT NULL,
  state      TEXT NOT NULL,
  id         TEXT NOT NULL,
  since_ns   INTEGER NOT NULL,
  changed_ns INTEGER NOT NULL,
  event      INTEGER NOT NULL REFERENCES events,
  PRIMARY KEY (post, rule)
) STRICT, WITHOUT ROWID;

CREATE TABLE cursors (
  name  TEXT PRIMARY KEY,
  event INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE VIEW samples_read AS
SELECT posts.id AS post, s.seq,
  strftime('%Y-%m-%dT%H:%M:%S', s.at_ns / 1000000000, 'unixepoch')
    || printf('.%09dZ', s.at_ns % 1000000000) AS utc,
  s.at_u_ns / 1e6 AS utc_within_ms,
  CAST(s.said AS TEXT) AS said,
  s.digits, s.exp, units.spelled AS unit,
  CASE s.quality WHEN 0 THEN 'good' ELSE trim(
    iif(s.quality & 1, 'fault ', '') || iif(s.quality & 2, 'over-range ', '') ||
    iif(s.quality & 4, 'uncalibrated ', '') || iif(s.quality & 8, 'under-floor ', '') ||
    iif(s.quality & 16, 'clock-unsure ', '')) END AS quality,
  s.version, s.correction
FROM samples AS s JOIN posts USING (post) JOIN units USING (unit);

CREATE VIEW events_read AS
SELECT id,
  strftime('%Y-%m-%dT%H:%M:%S', at_ns / 1000000000, 'unixepoch')
    || printf('.%09dZ', at_ns % 1000000000) AS utc,
  post, kind, who, text, CAST(raw AS TEXT) AS raw, alarm
FROM events;
`

// limits2 keeps what else shapes a verdict: the averaging time of a post's limit,
// the rule it is judged by, and the further limits of the post as JSON. NULL is
// a limit on each value, by guarded acceptance, and no further limit.
const limits2 = `
ALTER TABLE post_versions ADD COLUMN limit_averaging_s REAL;
ALTER TABLE post_versions ADD COLUMN limit_rule TEXT;
ALTER TABLE post_versions ADD COLUMN limits_more TEXT;
`

// limitResponse keeps the response that a limit's document asks of the meter; NULL
// is none stated. Emission limits of records before were judged with 3 s.
const limitResponse = `
ALTER TABLE post_versions ADD COLUMN limit_response_s REAL;
`

// ErrNewer is a record written by a later Ovenward than this one.
var ErrNewer = errors.New("the record was written by a newer Ovenward")

// ErrOlder is a record that the daemon has to bring to the newest form first.
var ErrOlder = errors.New("the record is of an earlier form")

// errForeign is a file that is no record of ours.
var errForeign = errors.New("the file is not a record of Ovenward")

// version reads the schema's version, 0 for an empty file. It refuses files of
// others and files of later versions; known is the newest version known.
func version(ctx context.Context, c *sql.Conn, known int) (int, error) {
	var id, v, tables int
	for _, q := range []struct {
		sql string
		to  *int
	}{
		{"PRAGMA application_id", &id},
		{"PRAGMA user_version", &v},
		{"SELECT count(*) FROM sqlite_schema", &tables},
	} {
		if err := c.QueryRowContext(ctx, q.sql).Scan(q.to); err != nil {
			return 0, fmt.Errorf("%s: %w", q.sql, err)
		}
	}
	switch {
	case id != applicationID && (id != 0 || v != 0 || tables > 0):
		return 0, fmt.Errorf("%w: give --storage.path a folder of its own", errForeign)
	case v > known:
		return 0, fmt.Errorf("%w: its version is %d, this program knows up to %d: use the newer program, or another --storage.path", ErrNewer, v, known)
	}
	return v, nil
}

// migrate brings the record to the newest step, each step whole or not at all.
func migrate(ctx context.Context, c *sql.Conn, all []step) (from, to int, err error) {
	to = all[len(all)-1].version
	from, err = version(ctx, c, to)
	if err != nil {
		return 0, 0, err
	}
	for _, st := range all {
		if st.version <= from {
			continue
		}
		script := strings.Join([]string{
			"BEGIN IMMEDIATE;", st.sql, ";",
			fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT;", applicationID, st.version),
		}, "\n")
		if _, err := c.ExecContext(ctx, script); err != nil {
			// The script stopped where it failed; nothing of it may stay.
			_, back := c.ExecContext(ctx, "ROLLBACK")
			return 0, 0, errors.Join(fmt.Errorf("bring the record to version %d: %w", st.version, err), back)
		}
	}
	return from, to, nil
}
