package config

import (
	"fmt"
	"path"
	"regexp"
	"strings"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
	"ovenward/drivers/plugged"
)

// Probe is one [[probe]]: an instrument, how it is reached and what it can do.
type Probe struct {
	Line      int
	ID        string
	Driver    string // one of Drivers
	Port      string // as written
	Simulated string // the NAME of a port "simulate:NAME"; else empty
	Serial    Serial

	Reach     Reach
	Device    string            // path of the device file, or name of the port; empty when it is found by USB, or needs none
	USB       *plugged.Identity // whose device file it is; nil when it is not said
	USBPath   string            // the USB socket, as written
	Recording string            // the file of a port "replay:FILE"
	Speed     float64           // recorded seconds in one; 0: as fast as it is taken
	Quiet     time.Duration     // silence before each request
	Identity  string            // "MAKER,MODEL,SERIAL" that must answer; empty: the first that does is remembered
	Set       []string          // all settings but port and certificate, as "key = value"

	Poll    time.Duration // from question to question; 0 when it talks by itself
	Stream  bool          // it talks by itself
	Timeout time.Duration // how long an answer may take
	Instant Instant       // when the field of an answer was sensed, and the pauses round a question
	Vitals  Vitals        // within what its temperature and its battery should stay

	Response time.Duration         // to 90 % of a step
	Range    quantity.PowerDensity // upper end, W/m²
	Floor    quantity.PowerDensity // noise floor, W/m²
	Axes     int                   // 1 or 3

	Textline    *Textline    // with driver "textline"
	SCPI        *SCPI        // with driver "scpi"
	Modbus      *Modbus      // with driver "modbus"
	HID         *HID         // with driver "hid"
	Certificate *Certificate // the newest; nil: uncalibrated, and never 'within'

	Certificates  []*Certificate   // all, the newest first
	Doubt         calib.Doubt      // what is stated of its uncertainty beside the certificate
	Impedance     field.Impedance  // by which field strengths become power densities; 0: not stated
	SensingCentre *quantity.Length // m from the front of its housing to its sensing centre; nil: not stated
}

// Serial is how a probe's line is set.
type Serial struct {
	Baud     int
	DataBits int           // 5 to 8
	Parity   string        // none, odd, even, mark or space
	StopBits string        // 1, 1.5 or 2
	DTR, RTS *bool         // nil: left as the system sets it
	Settle   time.Duration // from opening to the first byte sent
}

// Drivers returns the names of the drivers the file may name.
func Drivers() []string { return []string{"textline", "scpi", "modbus", "hid"} }

const simulatePrefix = "simulate:"

func readProbes(root *table, alarm Alarm) []Probe {
	var probes []Probe
	for _, t := range root.tables("probe") {
		p := Probe{
			Line:   t.at.line,
			ID:     t.id("probe", `"hatch"`),
			Driver: t.oneOf(ask{"driver", `"textline"`, true}, Drivers()...),
		}
		p.Port, p.Simulated = readPort(t)
		p.Serial = readSerial(t, p.Simulated == "" && !named(p.Port))
		readPace(t, &p, alarm)
		readReach(t, &p)
		p.Instant = readInstant(t, &p, alarm)
		p.Vitals = readVitals(t)
		readAbility(t, &p)
		readField(t, &p)
		if text := t.table("textline"); text != nil {
			p.Textline = readTextline(text, p.Poll > 0, p.Stream, p.Impedance)
		} else if p.Driver == "textline" && !t.has("textline") {
			t.needs("textline", `the driver must know the probe's language: write [probe.textline] and, below it, for example value = 1`)
		}
		if x := t.table("scpi"); x != nil {
			p.SCPI = readSCPI(x, p.Stream, p.Impedance)
		} else if p.Driver == "scpi" && !t.has("scpi") {
			t.needs("scpi", `the driver must know the unit at least: write [probe.scpi] and, below it, for example unit = "mW/cm2"`)
		}
		if x := t.table("modbus"); x != nil {
			p.Modbus = readModbus(x, p.Stream, p.Impedance)
		} else if p.Driver == "modbus" && !t.has("modbus") {
			t.needs("modbus", `the driver must know the probe's registers: write [probe.modbus] and, below it, for example framing = "rtu"`)
		}
		if h := t.table("hid"); h != nil {
			p.HID = readHID(h, p.Poll > 0, p.Stream, p.Impedance)
		} else if p.Driver == "hid" && !t.has("hid") {
			t.needs("hid", `the driver must know the probe's reports: write [probe.hid] and, below it, for example offset = 1`)
		}
		checkVitals(t, &p)
		if p.Certificates = readCertificates(t); len(p.Certificates) > 0 {
			p.Certificate = p.Certificates[0]
		}
		if d := t.table("uncertainty"); d != nil {
			p.Doubt = readDoubt(d, p.Axes)
		}
		t.finish()
		root.r.probeKeys = t.known
		p.Set = settings(t.values, "id", "driver", "port", "usb_path", "certificate")
		probes = append(probes, p)
	}
	return probes
}

var comPort = regexp.MustCompile(`^COM[1-9][0-9]{0,2}$`)

// readPort reads where the instrument is. The port counts as taken even by a
// probe that is wrong in other ways.
func readPort(t *table) (port, simulated string) {
	s := t.text(ask{"port", `"/dev/ttyUSB0"`, true})
	name, isSimulated := strings.CutPrefix(s, simulatePrefix)
	switch {
	case s == "":
		return "", ""
	case isSimulated && !validID(name):
		t.problem("port", "%q is no name of a simulated probe; %s", name, idRule)
		return "", name
	case isSimulated:
		simulated = name
	case strings.HasPrefix(s, "/"):
		if clean := path.Clean(s); clean != s || clean == "/" {
			t.problem("port", "%s is not a plain path; write the whole path of a device, without . and .. and doubled or closing /", shown(s))
			return "", ""
		}
	case named(s):
	case !comPort.MatchString(s):
		t.problem("port", `%s is no port; write a path like "/dev/ttyUSB0", a name like "COM3", "usb:1234:abcd:SERIAL", "tcp://host:port", "replay:FILE" or "simulate:NAME"`, shown(s))
		return "", ""
	}
	socket, _ := t.values["usb_path"].(string) // two of a kind differ by it
	if other, taken := t.r.claim("port", s+socket, t.label, t.line("port")); taken {
		t.problem("port", "%q is the port of %s already (line %d); give each probe a port of its own", s, other.label, other.line)
	}
	return s, simulated
}

// readSerial reads the line's settings. There is no usual baud rate to fall back
// on, so a real line must have it told; a simulated one takes any.
func readSerial(t *table, real bool) Serial {
	const simulatedBaud = 9600
	return Serial{
		Baud:     int(t.integer(ask{"baud", "9600", real}, span[int64]{50, 4000000, "50 to 4000000"}, simulatedBaud)),
		DataBits: int(t.integer(ask{"data_bits", "8", false}, span[int64]{5, 8, "5 to 8"}, 8)),
		Parity:   orElse(t.oneOf(ask{"parity", `"none"`, false}, "none", "odd", "even", "mark", "space"), "none"),
		StopBits: orElse(t.oneOf(ask{"stop_bits", `"1"`, false}, "1", "1.5", "2"), "1"),
		DTR:      t.boolean(ask{"dtr", "true", false}),
		RTS:      t.boolean(ask{"rts", "true", false}),
		Settle:   t.duration(ask{"settle", `"2 s"`, false}, span[time.Duration]{0, time.Minute, `"0 s" to "1 min"`}, 0),
	}
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// readPace reads when the probe is read, which must fit the alarms that watch it.
func readPace(t *table, p *Probe, alarm Alarm) {
	p.Poll = t.duration(ask{"poll", `"1 s"`, false},
		span[time.Duration]{time.Millisecond, time.Hour, `"1 ms" to "1 h"`}, 0)
	stream := t.boolean(ask{"stream", "true", false})
	p.Stream = stream != nil && *stream
	switch {
	case p.Stream && t.has("poll"):
		t.problem("stream", "the probe cannot both talk by itself and be asked; keep stream or poll")
	case !p.Stream && !t.has("poll") && (stream != nil || !t.has("stream")):
		t.r.add(t.at.line, `%s: nothing says when it is read; write for example poll = "1 s", or stream = true when it talks by itself`, t.label)
	}
	p.Timeout = time.Second
	if p.Poll > 0 {
		p.Timeout = min(p.Poll, time.Second)
	}
	p.Timeout = t.duration(ask{"timeout", `"500 ms"`, false},
		span[time.Duration]{time.Millisecond, time.Minute, `"1 ms" to "1 min"`}, p.Timeout)
	if p.Poll > 0 && p.Timeout > p.Poll {
		t.problem("timeout", "it is longer than poll, so a late answer would meet the next question; write at most %q", quantity.FormatDuration(p.Poll))
	}
	for _, rule := range []struct {
		name  string
		after time.Duration
	}{{"stale", alarm.Stale}, {"silent", alarm.Silent}} {
		if p.Poll >= rule.after {
			t.problem("poll", "%q would leave the probe always %s, which it is after %q; poll more often, or set a longer %s in [alarm]",
				quantity.FormatDuration(p.Poll), rule.name, quantity.FormatDuration(rule.after), rule.name)
		}
	}
}

// readField reads how the field comes to the reading: where it is sensed, and
// what makes a power density of a field strength.
func readField(t *table, p *Probe) {
	if z := t.oneOf(ask{"impedance", `"377"`, false}, "377", "codata"); z != "" {
		p.Impedance, _ = field.ParseImpedance(z)
	}
	const unset = -1
	if centre := quantityOf(t, ask{"sensing_centre", `"12 mm"`, false}, quantity.ParseLength,
		span[quantity.Length]{0, 0.5, `"0 mm" to "500 mm"`}, unset); centre != unset {
		p.SensingCentre = &centre
	}
}

func readAbility(t *table, p *Probe) {
	p.Response = t.duration(ask{"response", `"1 s"`, true},
		span[time.Duration]{time.Microsecond, 10 * time.Minute, `more than 0, at most "10 min"`}, 0)
	p.Range = t.powerDensity(ask{"range", `"20 mW/cm2"`, true})
	p.Floor = t.powerDensity(ask{"floor", `"0.01 mW/cm2"`, true})
	if p.Range > 0 && p.Floor >= p.Range {
		t.problem("floor", "it is not below range, so the probe could read nothing; write a floor below %s", p.Range)
	}
	p.Axes = int(t.integer(ask{"axes", "3", true}, span[int64]{1, 3, "1 or 3"}, 0))
	if p.Axes == 2 {
		t.problem("axes", "%s is out of range; write 1 or 3", fmt.Sprint(p.Axes))
	}
}
