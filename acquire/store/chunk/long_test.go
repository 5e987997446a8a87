package chunk

import "testing"

// What a symbol leaves open may be longer than a token has room for.
func TestLongStepsComeBack(t *testing.T) {
	rows := signalRows(600, 3)
	for i := range rows {
		if rows[i].Said = nil; i%7 == 3 {
			rows[i].Digits += 1 << (40 + i%23)
		}
	}
	var e Encoder
	b, n := e.packed(nil, "fryer", rows, 1<<20)
	if len(e.dense.long) < 50 || n != len(rows) {
		t.Errorf("%d of %d rows, %d steps are long", n, len(rows), len(e.dense.long))
	}
	for i, r := range all(t, b) {
		if !same(&r, &rows[i]) {
			t.Fatalf("row %d has %d, want %d", i, r.Digits, rows[i].Digits)
		}
	}
}
