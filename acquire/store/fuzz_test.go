package store

import (
	"testing"
)

// The parts of a record that are read past SQLite's own checks: fragments in a log
// or in a broken page, the number of the last commit, sums, a public key. Whatever
// they hold is read or refused.
func FuzzReadBack(f *testing.F) {
	for _, b := range [][]byte{nil, []byte("OWF1"), make([]byte, 64), []byte("-----BEGIN PUBLIC KEY-----\nMCowBQYDK2VwAyEA\n-----END PUBLIC KEY-----\n")} {
		f.Add(b)
	}
	whole := fragment{}
	f.Add(whole.append(nil, [32]byte{}))
	f.Add(append([]byte("noise"), whole.append(nil, [32]byte{1})...))
	f.Fuzz(func(t *testing.T, b []byte) {
		if got, size, err := readFragment(b); err == nil && (size <= 0 || size > len(b)) {
			t.Errorf("a fragment of %d bytes in %d: %+v", size, len(b), got)
		}
		scanFragments(b, func(_ fragment, whole []byte) {
			if len(whole) > len(b) {
				t.Errorf("%d bytes were found in %d", len(whole), len(b))
			}
		})
		readPromise(b)
		_ = readEntries(b, 0, 60, func(int64, *entry) {})
		_, _ = ParseKey(string(b))
		if v, n := sqliteVarint(b); n > len(b) || n > 9 {
			t.Errorf("a varint of %d bytes in %d: %d", n, len(b), v)
		}
	})
}
