package store

// schemaProof puts all that is never changed into the chain of hashes, and keeps
// evidence.
//
// chain.kind is 'chunk', 'event', or one of these: the name of a table whose rows
// never change (ref is the row's number, sha256 that of the row as rowHash writes
// it); 'removed' (ref is chunks.id, sha256 as removedHash writes it, entered with
// the event that tells of the removal); 'rollups' (ref is rollups.id, sha256 that
// of data; entered when nothing more is added, and the newest entry of a ref
// counts); 'signing' (sha256 is that of the public key that signs the heads from
// then on, 32 zero bytes: none does).
//
// evidence holds what is kept whatever its age: the samples of a post from from_ns
// to to_ns (NULL: for as long as it goes on), for the sake of a survey, a soak, or
// what else why says; what is which one. Its rows never change: of those of the
// same post, why and what the newest counts, and it holds nothing when released
// is 1. Alarms keep their samples by themselves.
//
// set_aside holds pages of this file that were damaged and replaced while running:
// their number, the table they were of, the keys they may have held (above lo, up
// to hi), the key of the row that stood in for them, and their bytes; done is 1 when
// what these still held was put back.
//
// chain_before lists what was there before, until it is in the chain.
const schemaProof = `
CREATE TABLE evidence (
  evidence      INTEGER PRIMARY KEY,
  entered_at_ns INTEGER NOT NULL,
  post          TEXT NOT NULL,
  from_ns       INTEGER NOT NULL,
  to_ns         INTEGER,
  why           TEXT NOT NULL,
  what          TEXT NOT NULL,
  who           TEXT NOT NULL,
  released      INTEGER NOT NULL
) STRICT;
CREATE INDEX evidence_of ON evidence (post, why, what, evidence);

CREATE TABLE set_aside (
  aside  INTEGER PRIMARY KEY,
  at_ns  INTEGER NOT NULL,
  page   INTEGER NOT NULL,
  tab    TEXT NOT NULL,
  lo     INTEGER NOT NULL,
  hi     INTEGER NOT NULL,
  row    INTEGER NOT NULL,
  root   INTEGER NOT NULL,
  done   INTEGER NOT NULL,
  data   BLOB NOT NULL
) STRICT;

CREATE INDEX chain_of ON chain (kind, ref);
CREATE TABLE chain_before (kind TEXT NOT NULL, ref INTEGER NOT NULL) STRICT;
INSERT INTO chain_before SELECT 'posts', post FROM posts;
INSERT INTO chain_before SELECT 'certificates', certificate FROM certificates;
INSERT INTO chain_before SELECT 'post_versions', version FROM post_versions;
INSERT INTO chain_before SELECT 'corrections', correction FROM corrections;
INSERT INTO chain_before SELECT 'told', told FROM told;
INSERT INTO chain_before SELECT 'removed', id FROM chunks WHERE state = 2;
INSERT INTO chain_before SELECT 'rollups', r.id FROM rollups AS r WHERE (r.id & 2147483647) <> 2147483647 AND EXISTS
  (SELECT 1 FROM rollups AS n WHERE n.id > r.id AND n.id >> 31 = r.id >> 31 AND (n.id & 2147483647) <> 2147483647);
`
