package main

import (
	"net"
	"slices"
	"strings"
)

// beyond says whether an address is reached from other machines.
func beyond(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return true
	}
	ip := net.ParseIP(host)
	return ip == nil || !ip.IsLoopback()
}

// tellAccess logs who may read and who may change things, where that may
// surprise.
func (g *generation) tellAccess() {
	names, operators := g.names, g.file.Access.Operators
	switch {
	case len(names) == 0 && len(operators) > 0:
		g.log.Warn("[access] names operators, but --web.config.file has no users: nobody may change anything", "operators", strings.Join(operators, ", "))
	case len(names) > 0 && len(operators) == 0:
		g.log.Warn("[access] of the configuration names no operators: every user reads, and nobody may change anything", "users", strings.Join(names, ", "))
	case len(names) == 0 && beyond(g.Addr()):
		g.log.Warn("the page can be read from other machines, by everybody and without a password; changes are taken from this machine only", "address", g.Addr())
	}
	for _, o := range operators {
		if len(names) > 0 && !slices.Contains(names, o) {
			g.log.Warn("[access] names an operator who is no user of --web.config.file, and so is not let in", "operator", o)
		}
	}
}
