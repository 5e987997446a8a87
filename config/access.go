package config

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Access is the [access] section: who may change things.
type Access struct {
	Line      int      // 0 when the file has no such section
	Operators []string // names of users of --web.config.file; everybody else reads
}

// maxOperator bounds a user's name, in characters: that of who did something.
const maxOperator = 64

func readAccess(root *table) Access {
	t := root.table("access")
	if t == nil {
		return Access{}
	}
	a := Access{Line: t.at.line, Operators: t.words(ask{"operators", `["okafor", "marlow"]`, true})}
	for i, name := range a.Operators {
		switch {
		case slices.Contains(a.Operators[:i], name):
			t.problem("operators", "%q stands in it twice; name each user once", name)
		case !userName(name):
			t.problem("operators", "%s can be no user's name; write it as in basic_auth_users of --web.config.file: 1 to %d printable characters with a letter, and no colon",
				shown(name), maxOperator)
		}
	}
	t.finish()
	return a
}

// userName says whether s can be the name of a user: RFC 7617 ends it at a colon.
func userName(s string) bool {
	letter := false
	for _, c := range s {
		if !unicode.IsPrint(c) || c == utf8.RuneError || c == ':' {
			return false
		}
		letter = letter || unicode.IsLetter(c)
	}
	return letter && utf8.RuneCountInString(s) <= maxOperator && strings.TrimSpace(s) == s
}
