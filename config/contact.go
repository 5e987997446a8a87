package config

import (
	"path"
	"strings"
	"time"

	"ovenward/drivers/tcplink"
)

// Contact is one [[contact]]: something outside that is on or off and tells of the
// oven of a post: its door, or its power.
type Contact struct {
	Line int
	ID   string
	Post string // id
	Says string // door: it is open; power: the oven is switched to heat
	On   bool   // what is read when it is so

	File   string         // a digital line that the kernel shows as a file; else Modbus
	Port   string         // of a Modbus server, as written
	Serial Serial         // of that port, where it is a terminal
	Modbus *ContactModbus // nil with File

	Every   time.Duration // how often it is asked
	Timeout time.Duration // how long an answer may take
	Delay   time.Duration // by how much it may lag behind
}

// ContactModbus is which coil or discrete input of a Modbus server it is.
type ContactModbus struct {
	Framing  string // rtu or tcp
	UnitID   int
	Function int // 1: coil, 2: discrete input
	Address  int
}

// TCP says whether the contact is reached over raw TCP.
func (c Contact) TCP() bool { return strings.HasPrefix(c.Port, tcplink.Prefix) }

func readContacts(root *table) []Contact {
	const ms, s = time.Millisecond, time.Second
	var contacts []Contact
	for _, t := range root.tables("contact") {
		c := Contact{
			Line:    t.at.line,
			ID:      t.id("contact", `"fryer-latch"`),
			Post:    t.ref(ask{"post", `"hatch-door"`, true}),
			Says:    t.oneOf(ask{"says", `"door"`, true}, "door", "power"),
			On:      t.oneOf(ask{"when", `"on"`, false}, "on", "off") != "off",
			Every:   t.duration(ask{"every", `"100 ms"`, false}, span[time.Duration]{10 * ms, 10 * s, `"10 ms" to "10 s"`}, 100*ms),
			Timeout: t.duration(ask{"timeout", `"500 ms"`, false}, span[time.Duration]{10 * ms, 10 * s, `"10 ms" to "10 s"`}, 500*ms),
			Delay:   t.duration(ask{"delay", `"20 ms"`, false}, span[time.Duration]{0, 10 * s, `"0 s" to "10 s"`}, 0),
		}
		readContactSource(t, &c)
		if c.Post != "" && c.Says != "" {
			if other, taken := t.r.claim("contact that says "+c.Says, c.Post, t.label, t.line("says")); taken {
				t.problem("says", "the %s of post %q is told by %s already (line %d); a post has one contact for each", c.Says, c.Post, other.label, other.line)
			}
		}
		t.finish()
		contacts = append(contacts, c)
	}
	return contacts
}

// readContactSource reads where the contact is: a file, or a coil or input.
func readContactSource(t *table, c *Contact) {
	c.File = t.text(ask{"file", `"/sys/class/gpio/gpio17/value"`, false})
	m := t.table("modbus")
	switch {
	case c.File != "" && (m != nil || t.has("port")):
		t.problem("file", "a contact is read from a file or by Modbus, not both; keep file, or port with [contact.modbus]")
	case c.File != "":
		if clean := path.Clean(c.File); clean != c.File || !path.IsAbs(clean) {
			t.problem("file", "%s is not a plain path; write the whole path of the file that shows the line's value", shown(c.File))
		}
		return
	case m == nil && !t.has("file"):
		t.needs("file", `nothing says where it is read: write file = "/sys/class/gpio/gpio17/value", or port and [contact.modbus]`)
		return
	}
	if m == nil {
		return
	}
	c.Port = t.text(ask{"port", `"tcp://192.0.2.5:502"`, true})
	line := path.IsAbs(c.Port) || comPort.MatchString(c.Port)
	if c.TCP() {
		if _, err := tcplink.Address(c.Port); err != nil {
			t.problem("port", "%v", err)
		}
	} else if c.Port != "" && !line {
		t.problem("port", `%s is no port of a Modbus server; write "tcp://host:port", a path like "/dev/ttyUSB1" or a name like "COM4"`, shown(c.Port))
	}
	c.Serial = readSerial(t, line)
	if c.Port != "" {
		if other, taken := t.r.claim("port", c.Port, t.label, t.line("port")); taken {
			t.problem("port", "%q is the port of %s already (line %d); give each its own", c.Port, other.label, other.line)
		}
	}
	x := &ContactModbus{Framing: m.oneOf(ask{"framing", `"rtu"`, true}, "rtu", "tcp")}
	unitID := span[int64]{1, 247, "1 to 247"}
	if x.Framing == "tcp" {
		unitID = span[int64]{0, 255, "0 to 255"}
	}
	x.UnitID = int(m.integer(ask{"unit_id", "1", true}, unitID, 1))
	x.Function = int(m.integer(ask{"function", "2", true}, span[int64]{1, 2, "1 (coils) or 2 (discrete inputs)"}, 2))
	x.Address = m.register("address", true)
	m.finish()
	c.Modbus = x
}
