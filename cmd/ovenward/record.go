package main

import (
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"ovenward/acquire/store"
	"ovenward/config"
	"ovenward/metrics"
)

// keyCredential is the name of the signing key among a service's credentials.
const keyCredential = "record.key"

// recordOptions is how the record works by the configuration.
func recordOptions(f *config.File, log *slog.Logger, now func() time.Time) (store.Options, error) {
	o := store.Options{Log: log, Now: now, Retention: retention(f)}
	var err error
	o.SigningKey, err = signingKey(f.Record.SigningKey, os.Getenv("CREDENTIALS_DIRECTORY"))
	return o, err
}

// retention is what is removed from the record.
func retention(f *config.File) store.Retention {
	r := store.Retention{Keep: store.Keep(f.Retention.Keep), Rollups: f.Retention.Sums, Told: f.Retention.Told, Around: f.Retention.Around, Evidence: f.Retention.Evidence,
		Posts: map[string]store.Keep{}}
	for _, p := range f.Posts {
		if p.Keep != nil {
			r.Posts[p.ID] = store.Keep(*p.Keep)
		}
	}
	return r
}

// signingKey reads the key that signs the record's heads: from the file that the
// configuration names, or from the service's credentials; nil when there is none.
func signingKey(file, credentials string) (ed25519.PrivateKey, error) {
	named := file != ""
	if !named {
		if credentials == "" {
			return nil, nil
		}
		file = filepath.Join(credentials, keyCredential)
	}
	const make = "make one with: openssl genpkey -algorithm ed25519 -out FILE"
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) && !named {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the key that signs the record: %w; %s", err, make)
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, fmt.Errorf("read the key that signs the record: %s holds no PEM block; %s", file, make)
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("read the key that signs the record: %s: %w; %s", file, err, make)
	}
	ed, ok := key.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("read the key that signs the record: %s holds a %T, and an Ed25519 key is wanted; %s", file, key, make)
	}
	return ed, nil
}

func (g *generation) recordState() metrics.RecordState {
	s := g.record.Stats()
	return metrics.RecordState{Committed: s.CommittedAt, Pending: s.Pending, Lost: s.Lost, Writable: s.Err == nil,
		Damaged: s.Damaged, Salvaged: s.Salvaged, Head: metrics.RecordHead(s.DayHead), NumberKept: s.NumberErr == nil}
}
