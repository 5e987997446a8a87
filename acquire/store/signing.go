package store

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"ovenward/acquire"
)

// keepSigning enters into the chain from when on its heads are signed, and by
// which key, or that they no longer are; so a signature that somebody takes away
// is missed. It does nothing while nothing changes.
func (w *writer) keepSigning(ctx context.Context) error {
	var want [sha256.Size]byte
	key := w.s.o.SigningKey
	if key != nil {
		want = sha256.Sum256(key.Public().(ed25519.PublicKey))
	}
	var before []byte
	err := w.conn.QueryRowContext(ctx, "SELECT sha256 FROM chain WHERE kind = 'signing' ORDER BY entry DESC LIMIT 1").Scan(&before)
	if errors.Is(err, sql.ErrNoRows) {
		before = make([]byte, sha256.Size)
	} else if err != nil {
		return fmt.Errorf("read who signs the record: %w", err)
	}
	if string(before) == string(want[:]) {
		return nil
	}
	e := acquire.Event{At: w.s.o.Now().UTC(), Kind: acquire.KindRecord, Text: "the heads of the record's days are no longer signed"}
	if key != nil {
		e.Text = "the heads of the record's days are signed from now on, by the key " + hex.EncodeToString(key.Public().(ed25519.PublicKey))
	} else {
		w.s.o.Log.Warn("the heads of the record's days were signed so far and no longer are; set record.signing_key, or the credential record.key", "from", e.At)
	}
	_, err = w.within(ctx, func() (int, error) { return 0, w.enter(ctx, chainSigning, w.today, want) })
	if err != nil {
		return fmt.Errorf("enter who signs the record: %w", err)
	}
	w.s.Record(e)
	return nil
}
