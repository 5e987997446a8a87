package textline_test

import (
	"bytes"
	"errors"
	"strconv"
	"testing"

	"ovenward/drivers"
)

// BenchmarkLine compares a line in columns read by the driver with the plain
// way to do it, which checks less and allocates.
func BenchmarkLine(b *testing.B) {
	stream := []byte("12.40 mW/cm2 OK\r\n")
	b.Run("textline", func(b *testing.B) {
		p := language(b, "polled")
		var r drivers.Reading
		b.ReportAllocs()
		for b.Loop() {
			_, frame := p.Split(stream)
			if err := p.Parse(frame, &r); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("bytes.Split and strconv.ParseFloat", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			line := bytes.Split(stream, []byte("\r\n"))[0]
			fields := bytes.Split(line, []byte(" "))
			v, err := strconv.ParseFloat(string(fields[0]), 64)
			if err != nil || v == 0 {
				b.Fatal(err)
			}
			if string(fields[1]) != "mW/cm2" || string(fields[2]) != "OK" {
				b.Fatal(errors.New("unit or status"))
			}
		}
	})
}
