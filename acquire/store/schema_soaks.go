package store

// schemaSoakChain puts soak tests, their marks and the steps of surveys, whose rows
// never change, into the chain of hashes. soaks.number counts tests as they were
// planned; a step's number in the chain is survey << 32 | n.
const schemaSoakChain = `
ALTER TABLE soaks ADD COLUMN number INTEGER NOT NULL DEFAULT 0;
UPDATE soaks SET number = (SELECT count(*) FROM soaks AS s WHERE (s.entered_ns, s.soak) <= (soaks.entered_ns, soaks.soak));
CREATE UNIQUE INDEX soaks_number ON soaks (number);
CREATE UNIQUE INDEX survey_steps_number ON survey_steps ((survey << 32 | n));
CREATE TABLE IF NOT EXISTS chain_before (kind TEXT NOT NULL, ref INTEGER NOT NULL) STRICT;
INSERT INTO chain_before SELECT 'soaks', number FROM soaks ORDER BY number;
INSERT INTO chain_before SELECT 'soak_marks', mark FROM soak_marks ORDER BY mark;
INSERT INTO chain_before SELECT 'survey_steps', (survey << 32 | n) FROM survey_steps ORDER BY survey, n;
`
