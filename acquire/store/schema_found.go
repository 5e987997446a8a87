package store

// surveyOver is the condition of the rows of surveys that have ended, which are not
// changed any more.
const surveyOver = "ended_ns IS NOT NULL OR result IS NOT NULL OR outcome <> ''"

// schemaFoundChain puts what surveys found, and the register, into the chain of hashes.
// A survey enters it when it has ended; a place's number in the chain is survey << 32 | n.
//
// Samples may name rows of corrections and post_versions with numbers below
// record.next_correction and next_version though these rows are lost, so none of them is
// given again.
const schemaFoundChain = `
ALTER TABLE record ADD COLUMN next_correction INTEGER NOT NULL DEFAULT 1;
ALTER TABLE record ADD COLUMN next_version INTEGER NOT NULL DEFAULT 1;
CREATE UNIQUE INDEX survey_places_number ON survey_places ((survey << 32 | n));
CREATE TABLE IF NOT EXISTS chain_before (kind TEXT NOT NULL, ref INTEGER NOT NULL) STRICT;
INSERT INTO chain_before SELECT 'surveys', survey FROM surveys WHERE ended_ns IS NOT NULL OR result IS NOT NULL OR outcome <> '' ORDER BY survey;
INSERT INTO chain_before SELECT 'survey_places', (survey << 32 | n) FROM survey_places ORDER BY survey, n;
INSERT INTO chain_before SELECT 'ovens', version FROM ovens ORDER BY version;
INSERT INTO chain_before SELECT 'probes', version FROM probes ORDER BY version;
INSERT INTO chain_before SELECT 'probe_certificates', version FROM probe_certificates ORDER BY version;
INSERT INTO chain_before SELECT 'oven_tests', test FROM oven_tests ORDER BY test;
`
