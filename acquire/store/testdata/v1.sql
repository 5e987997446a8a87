-- A record written by version 1 of the schema, as sqlite3's .dump shows it.
-- It stands for all records in the field: it is never edited.
PRAGMA foreign_keys=OFF;
BEGIN TRANSACTION;
CREATE TABLE record (
  one          INTEGER PRIMARY KEY CHECK (one = 1),
  commits      INTEGER NOT NULL,
  committed_ns INTEGER NOT NULL,
  next_event   INTEGER NOT NULL
) STRICT;
INSERT INTO record VALUES(1,1,1937044800123456789,3);
CREATE TABLE posts (
  post INTEGER PRIMARY KEY,
  id   TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO posts VALUES(1,'fryer');
INSERT INTO posts VALUES(2,'combi');
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
INSERT INTO certificates VALUES(1,'LH-17','Larkfield Metrology','2031-01-01T00:00:00Z','2032-01-01T00:00:00Z',1.0400000000000000355,0.11999999999999999555,2.0);
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
INSERT INTO post_versions VALUES(1,1,1937044800123456789,1937044800123456789,'Larkfield House','combi fryer','by the pass',0.050000000000000002775,1,'in use',50.0,0.050000000000000002775,'emission in use','a standard',3.0,10.0,60.0,90.0,30.0,5.0,3.0,60.0,'probe fryer','/dev/ttyUSB0',0.10000000000000000555,0.050000000000000002775,1.0,200.0,0.10000000000000000555,1,1.0,0,1);
INSERT INTO post_versions VALUES(2,2,1937044800123456789,1937044800123456789,'Larkfield House','combi combi','by the pass',0.050000000000000002775,1,'in use',50.0,0.050000000000000002775,'emission in use','a standard',3.0,10.0,60.0,90.0,30.0,5.0,3.0,60.0,'probe combi','/dev/ttyUSB0',0.10000000000000000555,0.050000000000000002775,1.0,200.0,0.10000000000000000555,1,1.0,0,1);
CREATE TABLE corrections (
  correction    INTEGER PRIMARY KEY,
  post          INTEGER NOT NULL REFERENCES posts,
  entered_at_ns INTEGER NOT NULL,
  zero_w_per_m2 REAL,
  zero_at_ns    INTEGER,
  zero_by       TEXT NOT NULL,
  certificate   INTEGER REFERENCES certificates
) STRICT;
INSERT INTO corrections VALUES(1,1,1937044800123456789,0.25,1937044800123456789,'R. Okafor',1);
CREATE TABLE units (
  unit    INTEGER PRIMARY KEY,
  spelled TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO units VALUES(1,'mW/cm2');
INSERT INTO units VALUES(2,'');
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
INSERT INTO samples VALUES(1,1,1,1937044800223456789,1500000,'1.001 mW/cm2 OK',1001,-3,1,0,0,1);
INSERT INTO samples VALUES(1,2,1,1937044800323456789,1500000,'1.002 mW/cm2 OK',1002,-3,1,0,0,1);
INSERT INTO samples VALUES(1,3,1,1937044800423456789,1500000,'1.003 mW/cm2 OK',1003,-3,1,0,0,1);
INSERT INTO samples VALUES(1,4,1,1937044800523456789,1500000,'1.004 mW/cm2 OK',1004,-3,1,0,0,1);
INSERT INTO samples VALUES(1,5,1,1937044800623456789,1500000,'1.005 mW/cm2 OK',1005,-3,1,0,0,1);
INSERT INTO samples VALUES(1,6,1,1937044800723456789,1500000,'1.006 mW/cm2 OK',1006,-3,1,0,0,1);
INSERT INTO samples VALUES(1,7,1,1937044800823456789,1500000,'1.007 mW/cm2 OK',1007,-3,1,0,0,1);
INSERT INTO samples VALUES(1,8,1,1937044800923456789,1500000,'1.008 mW/cm2 OK',1008,-3,1,0,0,1);
INSERT INTO samples VALUES(1,9,1,1937044801023456789,1500000,'1.009 mW/cm2 OK',1009,-3,1,0,0,1);
INSERT INTO samples VALUES(1,10,1,1937044801123456789,1500000,'1.010 mW/cm2 OK',1010,-3,1,0,0,1);
INSERT INTO samples VALUES(1,11,1,1937044801223456789,1500000,'1.011 mW/cm2 OK',1011,-3,1,0,0,1);
INSERT INTO samples VALUES(1,12,1,1937044801323456789,1500000,'1.012 mW/cm2 OK',1012,-3,1,0,0,1);
INSERT INTO samples VALUES(1,13,1,1937044801423456789,1500000,'1.013 mW/cm2 OK',1013,-3,1,0,0,1);
INSERT INTO samples VALUES(1,14,1,1937044801523456789,1500000,'1.014 mW/cm2 OK',1014,-3,1,0,0,1);
INSERT INTO samples VALUES(1,15,1,1937044801623456789,1500000,'1.015 mW/cm2 OK',1015,-3,1,0,0,1);
INSERT INTO samples VALUES(1,16,1,1937044801723456789,1500000,'1.016 mW/cm2 OK',1016,-3,1,0,0,1);
INSERT INTO samples VALUES(1,17,1,1937044801823456789,1500000,'1.017 mW/cm2 OK',1017,-3,1,0,0,1);
INSERT INTO samples VALUES(1,18,1,1937044801923456789,1500000,'1.018 mW/cm2 OK',1018,-3,1,0,0,1);
INSERT INTO samples VALUES(1,19,1,1937044802023456789,1500000,'1.019 mW/cm2 OK',1019,-3,1,0,0,1);
INSERT INTO samples VALUES(1,20,1,1937044802123456789,1500000,'1.020 mW/cm2 OK',1020,-3,1,0,0,1);
INSERT INTO samples VALUES(2,1,2,1937044800123456789,0,X'ff00',NULL,NULL,2,0,1,NULL);
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
INSERT INTO events VALUES(1,1937044800123456789,'','station','','watching 2 posts',NULL,NULL);
INSERT INTO events VALUES(2,1937044800123456789,'fryer','alarm','','61.5 W/m² against 50 W/m²',NULL,'{"post":"fryer","rule":"exceeds","state":"unacknowledged","id":"fryer.exceeds.20310520T120000.123Z","since":"2031-05-20T12:00:00.123456789Z","changed":"2031-05-20T12:00:00.123456789Z","from":"normal","reason":"raised","verdict":{"outcome":"exceeds","value_w_per_m2":61.5,"limit_w_per_m2":50,"limit_id":"in use","limit_source":"a standard","reasons":["above the limit","uncertainty is NaN"]}}');
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
INSERT INTO alarms VALUES('fryer','exceeds','unacknowledged','fryer.exceeds.20310520T120000.123Z',1937044800123456789,1937044800123456789,2);
CREATE TABLE cursors (
  name  TEXT PRIMARY KEY,
  event INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO cursors VALUES('webhook',1);
CREATE INDEX post_versions_newest ON post_versions (post, version);
CREATE INDEX corrections_newest ON corrections (post, correction);
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
COMMIT;
PRAGMA application_id = 1331058510;
PRAGMA user_version = 1;
