package config

import (
	"net"
	"strings"
	"time"
)

// MQTT is one [[mqtt]] section: a broker that keeps the state of each post.
type MQTT struct {
	Courier
	Server   string // HOST:PORT
	TLS      bool
	User     string
	Password Secret
	CAFile   string
	Topic    string // all topics begin with it
	ClientID string
	Timeout  time.Duration
}

func readMQTTs(root *table) []MQTT {
	var all []MQTT
	for _, t := range root.tables("mqtt") {
		m := MQTT{
			Courier:  readCourier(t, "mqtt", `"building"`),
			TLS:      true,
			User:     t.text(ask{"user", `"ovenward"`, false}),
			Password: t.secret("password"),
			CAFile:   t.file("ca_file"),
			Topic:    t.text(ask{"topic", `"ovenward"`, false}),
			ClientID: t.text(ask{"client_id", `"ovenward-larkfield"`, false}),
			Timeout:  t.attemptTime(),
		}
		if b := t.boolean(ask{"tls", "false", false}); b != nil {
			m.TLS = *b
		}
		port := "8883"
		if !m.TLS {
			port = "1883"
		}
		m.Server = t.server(`"broker.larkfield.example:8883"`, port)
		if m.Topic == "" {
			m.Topic = "ovenward"
		}
		if m.ClientID == "" {
			m.ClientID = "ovenward"
		}
		if m.Server != "" {
			// A broker lets each client id in once, and throws the other out.
			before, taken := t.r.claim("client at a broker", strings.ToLower(m.Server)+" "+m.ClientID, t.label, t.line("client_id"))
			if taken {
				t.problem("client_id", "%s is let in at %s as %s already (line %d), and each would throw the other out; give one of them a client_id of its own, for example client_id = %q",
					before.label, m.Server, shown(m.ClientID), before.line, "ovenward-"+m.ID)
			}
		}
		if strings.ContainsAny(m.Topic, "+#\x00") || strings.HasPrefix(m.Topic, "/") || strings.HasSuffix(m.Topic, "/") || strings.HasPrefix(m.Topic, "$") {
			t.problem("topic", `%s cannot begin all topics; write words with / between them, without + and #, for example topic = "larkfield/ovenward"`, shown(m.Topic))
		}
		t.checkMQTT(m)
		t.noHours(m.Courier, "let what listens choose the hours")
		t.finish()
		all = append(all, m)
	}
	return all
}

func (t *table) checkMQTT(m MQTT) {
	host, _, _ := net.SplitHostPort(m.Server)
	switch {
	case !m.TLS && m.Password.set() && m.Server != "" && !loopback(host):
		t.problem("tls", "the password would cross the network readable by anyone; remove tls = false, or the password")
	case m.User != "" && !m.Password.set():
		t.problem("user", "there is no password for it; name a file in password_file, or a credential in password_credential")
	case m.User == "" && m.Password.set():
		t.r.add(t.at.line, "%s: there is a password and no user for it; write user, or remove the password", t.label)
	}
}
