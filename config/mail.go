package config

import (
	"net"
	"net/mail"
	"time"
)

// Mail is one [[mail]] section: who gets e-mail, and through which server.
type Mail struct {
	Courier
	Server   string // HOST:PORT
	TLS      string // starttls, tls, or none (on this machine only)
	User     string // empty: the server asks for none
	Password Secret
	CAFile   string
	From     string
	To       []string
	HTML     Template
	Chart    bool // with a picture of the last minutes
	Most     int  // messages in ten minutes; those beyond come several in one
	Timeout  time.Duration
}

func readMails(root *table) []Mail {
	var mails []Mail
	for _, t := range root.tables("mail") {
		m := Mail{
			Courier:  readCourier(t, "mail", `"kitchen-manager"`),
			TLS:      t.oneOf(ask{"tls", `"starttls"`, false}, "starttls", "tls", "none"),
			User:     t.text(ask{"user", `"ovenward"`, false}),
			Password: t.secret("password"),
			CAFile:   t.file("ca_file"),
			HTML:     t.template("html_template"),
			Chart:    true,
			Most:     int(t.integer(ask{"most", "12", false}, span[int64]{1, 1000, "1 to 1000"}, 12)),
			Timeout:  t.attemptTime(),
		}
		if m.TLS == "" {
			m.TLS = "starttls"
		}
		port := "587"
		if m.TLS == "tls" {
			port = "465"
		}
		m.Server = t.server(`"mail.larkfield.example:587"`, port)
		if c := t.boolean(ask{"chart", "false", false}); c != nil {
			m.Chart = *c
		}
		m.From = t.address(ask{"from", `"ovenward@larkfield.example"`, true}, t.text(ask{"from", `"ovenward@larkfield.example"`, true}), t.line("from"))
		to := ask{"to", `["manager@larkfield.example"]`, true}
		for i, a := range t.words(to) {
			m.To = append(m.To, t.address(to, a, t.at.key("to").item(i).line))
		}
		t.checkMail(m)
		t.finish()
		mails = append(mails, m)
	}
	return mails
}

// address checks one address.
func (t *table) address(a ask, s string, line int) string {
	if s == "" {
		return ""
	}
	if _, err := mail.ParseAddress(s); err != nil {
		t.r.add(line, "%s: %s: %s is no e-mail address; write for example %s = %s", t.label, a.key, shown(s), a.key, a.example)
	}
	return s
}

func (t *table) checkMail(m Mail) {
	host, _, _ := net.SplitHostPort(m.Server)
	switch {
	case m.TLS == "none" && m.Server != "" && !loopback(host):
		t.problem("tls", "messages, and a password, would cross the network readable by anyone; write \"starttls\" or \"tls\"")
	case m.User != "" && !m.Password.set():
		t.problem("user", "there is no password for it; name a file in password_file, or a credential in password_credential")
	case m.User == "" && m.Password.set():
		t.r.add(t.at.line, "%s: there is a password and no user for it; write user, or remove the password", t.label)
	}
}
