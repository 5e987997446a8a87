package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"

	"ovenward/drivers"
)

// number is a Register, ready to be read.
type number struct {
	at, size      int // first register, and bytes
	signed, float bool
	words, bytes  bool // registers, or the bytes of each, are exchanged

	// Said is raw × mul × 10^exp, plus add × 10^exp.
	mul, add int64
	exp      int8

	overRange, fault []int64
}

const (
	mostSaid = 999_999_999_999_999_999 // 18 digits, what a Decimal can hold

	mostScale  = 18 // powers of ten either way
	leastFloat = 1e-110

	// notANumber says that a floating-point register holds none.
	notANumber drivers.Status = 1 << 7
)

func newNumber(r Register, sentinels bool) (number, error) {
	n := number{at: r.Address, mul: r.Scale.Digits, exp: r.Scale.Exp,
		overRange: slices.Clone(r.OverRange), fault: slices.Clone(r.Fault)}
	if n.mul == 0 {
		n.mul, n.exp = 1, 0
	}
	var errs []error
	if n.at < 0 || n.at > lastRegister {
		errs = append(errs, fmt.Errorf("register %d, want 0 to %d", n.at, lastRegister))
	}
	for _, exp := range []int8{r.Scale.Exp, r.Offset.Exp} {
		if exp < -mostScale || exp > mostScale {
			return n, fmt.Errorf("scale and offset within 1e-%d and 1e%d are wanted, and one has the exponent %d", mostScale, mostScale, exp)
		}
	}
	switch r.Type {
	case "int16", "int32":
		n.signed = true
	case "uint16", "uint32":
	case "float32", "float64":
		n.float = true
	default:
		return n, errors.Join(append(errs, fmt.Errorf("type %q, want one of %s", r.Type, strings.Join(Types(), ", ")))...)
	}
	n.size, _ = strconv.Atoi(r.Type[len(r.Type)-2:])
	n.size /= 8
	var known bool
	if n.words, n.bytes, known = n.order(r.Order); !known {
		errs = append(errs, fmt.Errorf("order %q, want one of %s", r.Order, strings.Join(Orders(), ", ")))
	}
	if n.float {
		errs = append(errs, n.scaleFloat(r))
	} else {
		errs = append(errs, n.scaleWhole(r))
	}
	lists := append(slices.Clone(n.overRange), n.fault...)
	if !sentinels && len(lists) > 0 {
		errs = append(errs, errors.New("over_range and fault are for value and axes"))
	}
	for i, s := range lists {
		width := 8 * n.size
		if width < 64 && (s < -1<<(width-1) || s >= 1<<width) {
			errs = append(errs, fmt.Errorf("%d is no number of %d bits", s, width))
		}
		if slices.Contains(lists[:i], s) {
			errs = append(errs, fmt.Errorf("%d stands in over_range and fault twice", s))
		}
	}
	return n, errors.Join(errs...)
}

// order reads the name of an order of bytes.
func (n *number) order(name string) (words, bytes, known bool) {
	if n.size == 8 {
		long := map[string]string{"ABCDEFGH": "ABCD", "GHEFCDAB": "CDAB", "BADCFEHG": "BADC", "HGFEDCBA": "DCBA"}
		if short, ok := long[name]; ok {
			name = short
		}
	}
	switch name {
	case "ABCD", "":
		return false, false, true
	case "CDAB":
		return true, false, true
	case "BADC":
		return false, true, true
	case "DCBA":
		return true, true, true
	}
	return false, false, false
}

// scaleWhole finds mul, add and exp for whole numbers, and refuses what could
// not be said exactly.
func (n *number) scaleWhole(r Register) error {
	tooFine := errors.New("scale and offset have too many digits for so large a number; shorten them")
	add := r.Offset
	if add.Digits != 0 {
		exp := min(n.exp, add.Exp)
		var ok1, ok2 bool
		n.mul, ok1 = shift(n.mul, int(n.exp)-int(exp))
		n.add, ok2 = shift(add.Digits, int(add.Exp)-int(exp))
		if n.exp = exp; !ok1 || !ok2 {
			return tooFine
		}
	}
	most := uint64(1)<<(8*n.size) - 1
	hi, lo := bits.Mul64(most, magnitude(n.mul))
	if hi != 0 || lo > mostSaid || lo+magnitude(n.add) > mostSaid {
		return tooFine
	}
	return nil
}

// scaleFloat checks the scale of a floating-point number, whose digits leave
// little room.
func (n *number) scaleFloat(r Register) error {
	for n.mul%10 == 0 {
		n.mul, n.exp = n.mul/10, n.exp+1
	}
	room := map[int]uint64{4: 1e9, 8: 10}[n.size]
	switch {
	case r.Offset.Digits != 0:
		return errors.New("offset is for whole numbers; a floating-point one has none")
	case magnitude(n.mul) >= room:
		return fmt.Errorf("scale has too many digits for %s; write a power of ten", r.Type)
	}
	return nil
}

// shift returns v × 10^by, if it has no more than 18 digits.
func shift(v int64, by int) (int64, bool) {
	for range by {
		if magnitude(v) > mostSaid/10 {
			return 0, false
		}
		v *= 10
	}
	return v, true
}

func magnitude(v int64) uint64 { return uint64(max(v, -v)) }

// raw returns the bits of the number in its registers.
func (n *number) raw(registers []byte) uint64 {
	said := registers[2*n.at : 2*n.at+n.size]
	var v uint64
	for i := range said {
		from := i
		if n.words {
			from = (n.size - 2) - i&^1 | i&1
		}
		if n.bytes {
			from ^= 1
		}
		v = v<<8 | uint64(said[from])
	}
	return v
}

// read returns what the number says: a decimal, or else why there is none.
func (n *number) read(registers []byte) (drivers.Decimal, drivers.Status) {
	raw := n.raw(registers)
	signed := int64(raw<<(64-8*n.size)) >> (64 - 8*n.size)
	is := func(s int64) bool { return s == signed || uint64(s) == raw }
	switch {
	case slices.ContainsFunc(n.overRange, is):
		return drivers.Decimal{}, drivers.OverRange
	case slices.ContainsFunc(n.fault, is):
		return drivers.Decimal{}, drivers.Fault
	case n.float:
		return n.readFloat(raw)
	case n.signed:
		return drivers.Decimal{Digits: signed*n.mul + n.add, Exp: n.exp}, 0
	}
	return drivers.Decimal{Digits: int64(raw)*n.mul + n.add, Exp: n.exp}, 0
}

// readFloat says a floating-point number by its shortest decimal. Not a number
// and infinity are faults. A float64 beyond what a Decimal can hold is over-range
// when above, a fault when below, and 0 when nearer to 0 than 1e-110.
func (n *number) readFloat(raw uint64) (drivers.Decimal, drivers.Status) {
	v, width := math.Float64frombits(raw), 64
	if n.size == 4 {
		v, width = float64(math.Float32frombits(uint32(raw))), 32
	}
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return drivers.Decimal{}, notANumber
	case math.Abs(v) < leastFloat:
		return drivers.Decimal{Exp: n.exp}, 0
	}
	var text [32]byte
	d, err := drivers.ParseNRf(strconv.AppendFloat(text[:0], v, 'e', -1, width))
	exp := int(d.Exp) + int(n.exp)
	switch {
	case err == nil && exp < math.MinInt8:
		return drivers.Decimal{Exp: n.exp}, 0
	case err == nil && exp <= math.MaxInt8:
		digits := d.Digits * n.mul
		if whole, ok := shift(digits, exp); exp > 0 && ok {
			digits, exp = whole, 0 // 20 is said as such, and not as 2e1
		}
		return drivers.Decimal{Digits: digits, Exp: int8(exp)}, 0
	case (v > 0) == (n.mul > 0):
		return drivers.Decimal{}, drivers.OverRange
	}
	return drivers.Decimal{}, drivers.Fault
}

// newStatus checks the status register.
func newStatus(s Status) (*Status, error) {
	bitLists := [][]int{s.OverRangeBits, s.FaultBits, s.BatteryLowBits, s.OKBits}
	codeLists := [][]int{s.OKCodes, s.OverRangeCodes, s.FaultCodes, s.BatteryLowCodes}
	var named, codes []int
	for i := range bitLists {
		named, codes = append(named, bitLists[i]...), append(codes, codeLists[i]...)
	}
	var errs []error
	switch {
	case len(named) > 0 && len(codes) > 0:
		errs = append(errs, errors.New("status: bits and codes are named; keep one of the two"))
	case len(named)+len(codes) == 0:
		errs = append(errs, errors.New("status: say what it means, by bits or by codes"))
	case len(codes) > 0 && len(s.OKCodes) == 0:
		errs = append(errs, errors.New("status: ok_codes: list the codes of a plain reading; a code in no list is an error"))
	case len(named) > 0 && s.Mask != 0:
		errs = append(errs, errors.New("status: mask goes with codes; list bits of no concern in ok_bits"))
	}
	if s.Address < 0 || s.Address > lastRegister {
		errs = append(errs, fmt.Errorf("status: register %d, want 0 to %d", s.Address, lastRegister))
	}
	if s.Mask < 0 || s.Mask > 0xFFFF {
		errs = append(errs, fmt.Errorf("status: mask %d, want 1 to %d", s.Mask, 0xFFFF))
	}
	if s.Mask == 0 {
		s.Mask = 0xFFFF
	}
	for i, b := range named {
		if b < 0 || b > 15 || slices.Contains(named[:i], b) {
			errs = append(errs, fmt.Errorf("status: bit %d, want 0 to 15, each once", b))
		}
	}
	for i, c := range codes {
		if c < 0 || c&^s.Mask != 0 || slices.Contains(codes[:i], c) {
			errs = append(errs, fmt.Errorf("status: code %d, want one that mask leaves whole, each once", c))
		}
	}
	for i := range bitLists {
		bitLists[i] = slices.Clone(bitLists[i])
		codeLists[i] = slices.Clone(codeLists[i])
	}
	s.OverRangeBits, s.FaultBits, s.BatteryLowBits, s.OKBits = bitLists[0], bitLists[1], bitLists[2], bitLists[3]
	s.OKCodes, s.OverRangeCodes, s.FaultCodes, s.BatteryLowCodes = codeLists[0], codeLists[1], codeLists[2], codeLists[3]
	return &s, errors.Join(errs...)
}

// read returns what the status register says.
func (s *Status) read(registers []byte) (drivers.Status, error) {
	word := int(binary.BigEndian.Uint16(registers[2*s.Address:]))
	var said drivers.Status
	if len(s.OKCodes) > 0 {
		code := word & s.Mask
		switch {
		case slices.Contains(s.OKCodes, code):
			return 0, nil
		case slices.Contains(s.OverRangeCodes, code):
			return drivers.OverRange, nil
		case slices.Contains(s.FaultCodes, code):
			return drivers.Fault, nil
		case slices.Contains(s.BatteryLowCodes, code):
			return drivers.BatteryLow, nil
		}
		return 0, fmt.Errorf("the status register says %d, which is in none of ok_codes, over_range_codes, fault_codes, battery_low_codes", code)
	}
	for bit := range 16 {
		switch {
		case word>>bit&1 == 0 || slices.Contains(s.OKBits, bit):
		case slices.Contains(s.OverRangeBits, bit):
			said |= drivers.OverRange
		case slices.Contains(s.FaultBits, bit):
			said |= drivers.Fault
		case slices.Contains(s.BatteryLowBits, bit):
			said |= drivers.BatteryLow
		default:
			return 0, fmt.Errorf("bit %d of the status register is set (%#04x), and is in none of over_range_bits, fault_bits, battery_low_bits, ok_bits", bit, word)
		}
	}
	return said, nil
}

// Parse reads one answer. Where a number is none, the status register has the
// first word on why; infinity with the bit of an over-range is no fault.
func (p *protocol) Parse(frame []byte, r *drivers.Reading) (err error) {
	*r, err = p.parse(frame)
	return err
}

// parse makes a reading of one answer, field by field.
func (p *protocol) parse(frame []byte) (drivers.Reading, error) {
	registers, err := p.registers(frame)
	if err != nil {
		return drivers.Reading{}, err
	}
	r := drivers.Reading{Unit: p.powerDensity}
	if p.status != nil {
		if r.Status, err = p.status.read(registers); err != nil {
			return drivers.Reading{}, err
		}
	}
	explained := r.Status&(drivers.OverRange|drivers.Fault) != 0
	take := func(n *number) (drivers.Decimal, bool) {
		d, none := n.read(registers)
		switch {
		case none != notANumber:
			r.Status |= none
		case !explained:
			r.Status |= drivers.Fault
		}
		return d, none == 0
	}
	r.Value, r.HasValue = take(&p.value)
	if len(p.axes) == len(r.Axes) {
		r.HasAxes = true
		for i := range p.axes {
			var said bool
			r.Axes[i], said = take(&p.axes[i])
			r.HasAxes = r.HasAxes && said
		}
		if !r.HasAxes {
			r.Axes = [3]drivers.Decimal{}
		}
	}
	if p.temperature != nil {
		d, none := p.temperature.read(registers)
		r.Temperature, r.HasTemp = d, none == 0
	}
	if p.battery != nil {
		if d, none := p.battery.read(registers); none == 0 {
			r.Battery, r.BatteryUnit = d, p.batteryUnit
		}
	}
	return r, nil
}
