package store

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"sort"
)

// signingEntry is from when on the heads are signed, and by whom.
type signingEntry struct {
	entry, day int64
	key        [sha256.Size]byte // zeros: nobody
}

// signatures checks the heads of the days: that each that should be signed is, by
// the key that the chain names, and with keys by one of them.
func (v *verifier) signatures(context.Context) error {
	heads := make([]dayRow, 0, len(v.days))
	for _, d := range v.days {
		heads = append(heads, d)
	}
	if len(heads) == 0 && len(v.keys) > 0 {
		v.rep.addf("there is no head that the key could vouch for")
	}
	sort.SliceStable(heads, func(i, j int) bool { return heads[i].day < heads[j].day })
	for i, d := range heads {
		v.signed(d, v.inForce(d.entry), i == len(heads)-1)
	}
	if n := len(v.signing); n > 0 && v.signing[n-1].key != [sha256.Size]byte{} {
		v.rep.SignedFrom = dayName(v.signing[n-1].day)
	}
	return nil
}

// inForce returns who signs an entry by what the chain says; zeros for nobody.
func (v *verifier) inForce(entry int64) (key [sha256.Size]byte) {
	for _, s := range v.signing {
		if s.entry <= entry {
			key = s.key
		}
	}
	return key
}

// signed checks the head of a day. Each signature vouches for all entries up to
// it, so with keys the last head must have one; an earlier one may be missing only
// where the chain, up to a later signature, says that nobody signed.
func (v *verifier) signed(d dayRow, key [sha256.Size]byte, last bool) {
	day, should := dayName(d.day), key != [sha256.Size]byte{}
	by := hex.EncodeToString(d.signer)
	trusted := slices.ContainsFunc(v.keys, func(k ed25519.PublicKey) bool { return bytes.Equal(k, d.signer) })
	switch {
	case d.signature == nil && should:
		v.rep.addf("the head of %s is not signed, and the chain of hashes says that it was", day)
	case d.signature == nil && last && len(v.keys) > 0:
		v.rep.addf("the last head, of %s, is not signed: nobody vouches for what was entered since the last one that is", day)
	case d.signature == nil:
	case len(d.signer) != ed25519.PublicKeySize || !ed25519.Verify(d.signer, signedText(d.chainEnd), d.signature):
		v.rep.addf("the signature of the head of %s does not fit", day)
	case should && sha256.Sum256(d.signer) != key:
		v.rep.addf("the head of %s is signed by the key %s, and the chain of hashes names another", day, by)
	case len(v.keys) > 0 && !trusted:
		v.rep.addf("the head of %s is signed by the key %s, which is not the one given", day, by)
	default:
		v.rep.Signed++
		if !slices.Contains(v.rep.Signers, by) {
			v.rep.Signers = append(v.rep.Signers, by)
		}
	}
}

// ParseKey reads a public key of 64 hexadecimal digits, as verify prints it.
func ParseKey(text string) (ed25519.PublicKey, error) {
	b, err := hex.DecodeString(text)
	if err != nil || len(b) != ed25519.PublicKeySize {
		return nil, fmt.Errorf("%q is no Ed25519 public key: give its 32 bytes as 64 hexadecimal digits", text)
	}
	return b, nil
}
