package config

import "time"

// RemoteWrite is one [[remote_write]]: a time-series database that gets every
// sample.
type RemoteWrite struct {
	Line         int
	ID           string
	URL          string // http or https, without user or password
	CAFile       string // PEM; may be empty
	Username     string // with PasswordFile; may be empty
	PasswordFile string
	TokenFile    string // bearer token; may be empty
	History      time.Duration
	Every        time.Duration
	Rate         int64 // samples a second
	Timeout      time.Duration
}

func readRemoteWrites(root *table) []RemoteWrite {
	var all []RemoteWrite
	for _, t := range root.tables("remote_write") {
		w := RemoteWrite{
			Line:         t.at.line,
			ID:           t.id("remote_write", `"fleet"`),
			CAFile:       t.wholePath(ask{"ca_file", `"/etc/ovenward/fleet-ca.pem"`, false}),
			Username:     t.text(ask{"username", `"larkfield"`, false}),
			PasswordFile: t.wholePath(ask{"password_file", `"/etc/ovenward/fleet.password"`, false}),
			TokenFile:    t.wholePath(ask{"token_file", `"/etc/ovenward/fleet.token"`, false}),
			History: t.duration(ask{"history", `"1 d"`, false},
				span[time.Duration]{0, 36600 * 24 * time.Hour, `"0 s" to "36600 d"`}, 24*time.Hour),
			Every: t.duration(ask{"every", `"5 s"`, false},
				span[time.Duration]{time.Second, 5 * time.Minute, `"1 s" to "5 min"`}, 5*time.Second),
			Rate: t.integer(ask{"rate", "10000", false},
				span[int64]{100, 1_000_000, "100 to 1000000 samples a second"}, 10_000),
			Timeout: t.duration(ask{"timeout", `"30 s"`, false},
				span[time.Duration]{time.Second, 5 * time.Minute, `"1 s" to "5 min"`}, 30*time.Second),
		}
		w.URL = readURL(t, ask{"url", `"https://fleet.example/api/v1/write"`, true}, w.TokenFile != "" || w.PasswordFile != "")
		switch {
		case w.TokenFile != "" && w.PasswordFile != "":
			t.problem("token_file", "password_file is set too, and a request carries one of them; keep the one that the receiver wants")
		case (w.Username == "") != (w.PasswordFile == "") && !t.has("username"):
			t.needs("username", `password_file belongs to a user; write for example username = "larkfield"`)
		case (w.Username == "") != (w.PasswordFile == "") && !t.has("password_file"):
			t.needs("password_file", `a user needs a password; write for example password_file = "/etc/ovenward/fleet.password"`)
		}
		t.finish()
		all = append(all, w)
	}
	return all
}

// wholePath reads the path of a file, which must not depend on where the program
// was started.
func (t *table) wholePath(a ask) string {
	s := t.text(a)
	if s != "" && !absolutePath.MatchString(s) {
		t.problem(a.key, "%s is relative, and to what is not known; write the whole path, beginning with /", shown(s))
		return ""
	}
	return s
}
