package simulate

import (
	"bytes"
	"fmt"
	"io"
	"strconv"
)

// The languages a simulated probe can speak.
const (
	Textline = "textline" // the default
	SCPI     = "scpi"
	Modbus   = "modbus"
)

// Languages lists what a simulated probe can speak.
func Languages() []string { return []string{Textline, SCPI, Modbus} }

// language is how one conversation goes: what comes is heard in any pieces, and
// answered on line. It belongs to one goroutine.
type language interface {
	hear(line io.Writer, chunk []byte) error
}

func (p *Probe) language() language {
	switch p.spec.Language {
	case SCPI:
		return &commands{answer: (&scpiMind{probe: p}).answer}
	case Modbus:
		return &slave{probe: p}
	}
	return &commands{answer: p.answer, deaf: p.spec.Stream > 0}
}

// commands puts commands together, ended by CR or LF, and has them answered.
type commands struct {
	answer  func(line io.Writer, command []byte) error
	deaf    bool // the probe talks by itself
	command []byte
}

func (c *commands) hear(line io.Writer, chunk []byte) error {
	for _, b := range chunk {
		if b != '\n' && b != '\r' {
			if len(c.command) < longestCommand {
				c.command = append(c.command, b)
			}
			continue
		}
		if len(c.command) > 0 && !c.deaf {
			if err := c.answer(line, c.command); err != nil {
				return err
			}
		}
		c.command = c.command[:0]
	}
	return nil
}

const (
	scpiOver  = "9.9E+37"  // SCPI-99's infinity
	scpiFault = "-9.9E+37" // and its negative

	mostErrors = 16 // entries of the list of errors
)

// scpiMind is what a probe remembers of a conversation in SCPI: its errors.
type scpiMind struct {
	probe  *Probe
	errors []string
	unfit  bool
}

// answer answers one command: *IDN?, READ? (the power density in mW/cm²),
// READ:ALL? (that, the temperature in °C and the battery in %), SYST:ERR?, *CLS.
// Any other is an error and has no answer.
func (m *scpiMind) answer(line io.Writer, command []byte) error {
	command = bytes.ToUpper(bytes.TrimSpace(command))
	switch string(command) {
	case "READ?", "READ:ALL?":
		a := m.probe.tell(m.probe.kitchen.options.Now())
		m.note(a)
		said := a.Line
		if len(command) > len("READ?") {
			said += fmt.Sprintf(",%.1f,%.1f", a.shown.temperature, 100*a.shown.charge)
		}
		return m.probe.write(line, []byte(said+"\n"))
	case "*IDN?":
		return m.probe.write(line, []byte("Ovenward,simulated probe,"+m.probe.spec.ID+",0\n"))
	case "SYST:ERR?", "SYST:ERR:NEXT?", "SYSTEM:ERROR?", "SYSTEM:ERROR:NEXT?":
		said := `0,"No error"`
		if len(m.errors) > 0 {
			said, m.errors = m.errors[0], m.errors[1:]
		}
		return m.probe.write(line, []byte(said+"\n"))
	case "*CLS":
		m.errors = nil
	default:
		m.fail(fmt.Sprintf(`-113,"Undefined header;%s"`, bytes.Map(plainASCII, command)))
	}
	return nil
}

// note makes an error of the beginning of a fault.
func (m *scpiMind) note(a Answer) {
	unfit := a.shown.status == StatusFault
	if unfit && !m.unfit {
		m.fail(`-240,"Hardware error"`)
	}
	m.unfit = unfit
}

// fail adds to the list; what does not fit is told by the last entry.
func (m *scpiMind) fail(entry string) {
	if m.errors = append(m.errors, entry); len(m.errors) > mostErrors {
		m.errors = append(m.errors[:mostErrors-1], `-350,"Queue overflow"`)
	}
}

func plainASCII(r rune) rune {
	if r < ' ' || r > '~' || r == '"' {
		return '?'
	}
	return r
}

// scpi is the reading as an NR3 number in mW/cm², or what stands for one.
func (s shown) scpi() string {
	switch s.status {
	case StatusOver:
		return scpiOver
	case StatusFault:
		return scpiFault
	}
	if s.counts == 0 {
		return decimal(0, s.decimals) + "E+00"
	}
	digits := strconv.FormatInt(s.counts, 10)
	mantissa := digits[:1]
	if len(digits) > 1 {
		mantissa += "." + digits[1:]
	}
	return fmt.Sprintf("%sE%+03d", mantissa, len(digits)-1-s.decimals)
}
