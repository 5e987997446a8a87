package quantity

import (
	"slices"
	"strings"
)

// longestSpelling bounds what LookupUnit looks at, in bytes.
const longestSpelling = 24

// LookupUnit finds the unit that is spelled so: "mW/cm2", "mW/cm²" and
// "mW/cm^2" are one, and so are "uW/cm2" and "µW/cm2" with either micro sign,
// and "dBm/m2" and "dB(mW/m2)". Upper and lower case differ, as m (milli) and M
// (mega) do. Blanks at either end do not count. It allocates nothing.
func LookupUnit(spelling string) (Unit, bool) {
	var want, have [longestSpelling]byte
	key, ok := appendPlain(want[:0], strings.TrimSpace(spelling))
	if !ok {
		return Unit{}, false
	}
	for _, u := range units() {
		if symbol, _ := appendPlain(have[:0], u.symbol); string(symbol) == string(key) {
			return u, true
		}
	}
	return Unit{}, false
}

// UnitSpellings returns every spelling of every unit that LookupUnit knows, the
// most used units first. The spelling in ASCII comes first within each unit.
func UnitSpellings() []string {
	var all []string
	for _, u := range units() {
		forms := []string{u.ASCII()}
		if u.level {
			forms = append(forms, bracketed(u.ASCII()))
		}
		for _, form := range forms {
			for _, micro := range []string{"u", "µ", "μ"} {
				for _, square := range []string{"2", "²", "^2"} {
					s := strings.ReplaceAll(strings.Replace(form, "u", micro, 1), "2", square)
					if !slices.Contains(all, s) {
						all = append(all, s)
					}
				}
			}
		}
	}
	return all
}

// ASCII returns u as one types it, for example "mW/cm2".
func (u Unit) ASCII() string {
	b, _ := appendPlain(nil, u.String())
	return string(b)
}

// bracketed turns "dBm/m2" into "dB(mW/m2)" and "dBuV/m" into "dB(uV/m)".
func bracketed(ascii string) string {
	inner := strings.TrimPrefix(ascii, "dB")
	if rest, ok := strings.CutPrefix(inner, "m/"); ok {
		inner = "mW/" + rest
	}
	return "dB(" + inner + ")"
}

// appendPlain appends s to dst in its shortest ASCII form: both micro signs
// become u, a raised or careted 2 becomes 2, and "dB(mW/m2)" becomes "dBm/m2".
// It is false when s cannot be a unit.
func appendPlain(dst []byte, s string) ([]byte, bool) {
	if inner, ok := strings.CutPrefix(s, "dB("); ok {
		if inner, ok = strings.CutSuffix(inner, ")"); !ok {
			return nil, false
		}
		dst, s = append(dst, "dB"...), inner
		if rest, ok := strings.CutPrefix(s, "mW/"); ok {
			dst, s = append(dst, "m/"...), rest
		}
	}
	for i, r := range s {
		switch {
		case r == 'µ' || r == 'μ':
			r = 'u'
		case r == '²':
			r = '2'
		case r == '^' && strings.HasPrefix(s[i:], "^2"):
			continue
		case r > '~':
			return nil, false
		}
		if len(dst) >= longestSpelling {
			return nil, false
		}
		dst = append(dst, byte(r))
	}
	return dst, true
}

// nearUnit returns the unit one may have meant by an unknown spelling that
// differs only in case or inner blanks.
func nearUnit(spelling string) (Unit, bool) {
	key, ok := appendPlain(nil, strings.Join(strings.Fields(spelling), ""))
	if !ok {
		return Unit{}, false
	}
	for _, u := range units() {
		if strings.EqualFold(u.ASCII(), string(key)) {
			return u, true
		}
	}
	return Unit{}, false
}
