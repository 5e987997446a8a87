package store

// schemaChunks keeps samples packed, and makes the record provable.
//
// chunks holds the samples of a post in the order of their numbers. id is
// post × 2^32 + 1, 2, 3 …, so no number of a post is ever missing. data is the
// form that package chunk describes: it can be read without anything else in
// this file, and names post, numbers, instants and units by itself. state is 0
// while samples are still added (the newest of a post), 1 when it is sealed and
// will not change, 2 when the samples were removed on purpose: then data is
// NULL, removed names the event that says so, and its hash stays in chain.
//
// fragments holds what the newest commits wrote, one blob for all posts and a
// commit, until it is merged into chunks. id is commit × 65536 + part; type
// fragment describes the bytes. record.link is the link of the last fragment
// that was merged, record.commits its commit.
//
// chain lists what must never change: kind is 'chunk' (ref is chunks.id) or
// 'event' (ref is events.id), sha256 that of chunks.data, or of the row as
// eventHash writes it. Of each entry a head is made, SHA-256 of the head before
// (32 zero bytes at first), kind, ref as 8 bytes low byte first, and sha256.
// days holds the head after the last entry of each UTC day, by the clock of the
// host when it was entered, and its signature where there is a key.
//
// rollups holds sums over minutes and hours; id is post × 2^32 + level × 2^31 +
// slot. It can be made again from the samples while those are kept. See type
// rollup.
const schemaChunks = `
CREATE TABLE fragments (
  id   INTEGER PRIMARY KEY,
  data BLOB NOT NULL
) STRICT;

CREATE TABLE chunks (
  id       INTEGER PRIMARY KEY,
  from_seq INTEGER NOT NULL,
  to_seq   INTEGER NOT NULL,
  samples  INTEGER NOT NULL,
  from_ns  INTEGER NOT NULL,
  to_ns    INTEGER NOT NULL,
  state    INTEGER NOT NULL,
  removed  INTEGER REFERENCES events,
  data     BLOB
) STRICT;

CREATE TABLE chain (
  entry  INTEGER PRIMARY KEY,
  day    INTEGER NOT NULL,
  kind   TEXT NOT NULL,
  ref    INTEGER NOT NULL,
  sha256 BLOB NOT NULL
) STRICT;

CREATE TABLE days (
  day       INTEGER PRIMARY KEY,
  entry     INTEGER NOT NULL,
  head      BLOB NOT NULL,
  signature BLOB,
  signer    BLOB
) STRICT;

CREATE TABLE rollups (
  id   INTEGER PRIMARY KEY,
  data BLOB NOT NULL
) STRICT;

ALTER TABLE record ADD COLUMN link BLOB;
ALTER TABLE samples RENAME TO samples_before;
DROP VIEW samples_read;

CREATE VIEW chunks_read AS
SELECT posts.id AS post, c.from_seq, c.to_seq, c.samples,
  strftime('%Y-%m-%dT%H:%M:%fZ', c.from_ns / 1e9, 'unixepoch') AS from_utc,
  strftime('%Y-%m-%dT%H:%M:%fZ', c.to_ns / 1e9, 'unixepoch') AS to_utc,
  CASE c.state WHEN 0 THEN 'growing' WHEN 1 THEN 'sealed' ELSE 'removed' END AS state,
  length(c.data) AS bytes
FROM chunks AS c JOIN posts ON posts.post = c.id >> 32;

CREATE VIEW days_read AS
SELECT strftime('%Y-%m-%d', day * 86400, 'unixepoch') AS day, entry AS entries,
  lower(hex(head)) AS head, lower(hex(signature)) AS signature, lower(hex(signer)) AS signer
FROM days;
`

// chunkPage is the size of a page of a new record: a chunk fills one.
const chunkPage = 16384

const (
	growing    = 0
	sealed     = 1
	removed    = 2
	asideState = 3 // its page was damaged: see schemaProof
)

// chunkRange returns the first and the last id that a chunk of a post may have.
func chunkRange(post int32) (first, last int64) {
	return int64(post)<<32 | 1, int64(post)<<32 | 0xffffffff
}

// partsOfCommit is how many fragments one commit may have.
const partsOfCommit = 1 << 16

// briefFragments changes no table: from here on fragments may hold chunks that an
// older program cannot read, and would take for damaged.
const briefFragments = "-- fragments may hold chunks of the brief form"
