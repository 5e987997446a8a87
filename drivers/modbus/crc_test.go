package modbus

import (
	"encoding/hex"
	"strings"
	"testing"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestCRC holds the check against frames of others. The worked example is that
// of the MODBUS over Serial Line guide V1.02 (CRC 0x1241 over 02 07), as
// goburrow/modbus crc_test.go has it; the other frames are of goburrow/modbus
// rtuclient_test.go, the last four (values in each order of bytes) of a public
// write-up of the orders (CSDN 104663989), their checks computed anew.
func TestCRC(t *testing.T) {
	for _, frame := range []string{
		"02 07 41 12",
		"01 03 50 00 00 18 54 C0",
		"01 03 00 00 00 02 C4 0B",
		"11 05 00 AC FF 00 4E 8B",
		"11 06 00 01 00 03 9A 9B",
		"11 0F 00 13 00 0A 02 CD 01 BF 0B",
		"11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
		"04 01 00 0A 00 0D DD 98",
		"01 83 02 C0 F1", // derived: an exception reply
		"01 10 00 04 00 02 04 3F 9E 04 19 5C AC",
		"01 10 00 06 00 02 04 4F 1E 16 40 0A C7",
	} {
		b := unhex(t, frame)
		if !checked(b) {
			t.Errorf("% X: the check is %#04x, want it to fit", b, crc16(b[:len(b)-2]))
		}
		for i := range 8 * len(b) {
			b[i/8] ^= 1 << (i % 8)
			if checked(b) {
				t.Errorf("% X: the check fits, with bit %d changed", b, i)
			}
			b[i/8] ^= 1 << (i % 8)
		}
	}
	// The check value of the catalogues of CRC parameters ("CRC-16/MODBUS"), from memory; computed anew.
	if got := crc16([]byte("123456789")); got != 0x4B37 {
		t.Errorf("crc16(123456789) = %#04x, want 0x4B37", got)
	}
}
