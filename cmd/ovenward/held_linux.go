package main

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// heldBy names who listens at an address that could not be had; empty when nobody
// shows that does.
func heldBy(err error, address string) string {
	_, port, serr := net.SplitHostPort(address)
	n, perr := strconv.ParseUint(port, 10, 16)
	if !errors.Is(err, syscall.EADDRINUSE) || serr != nil || perr != nil {
		return ""
	}
	return strings.Join(machine{proc: "/proc"}.listening(uint16(n)), " and ")
}

// listening names the processes that listen at a TCP port, as far as they show it.
func (m machine) listening(port uint16) (who []string) {
	const listen = "0A" // the state of a socket, proc_pid_net(5); column 4, and its inode is column 10
	holders, _ := m.holders("socket:[")
	for _, table := range []string{"net/tcp", "net/tcp6"} {
		f, err := os.Open(filepath.Join(m.proc, table))
		if err != nil {
			continue
		}
		for s := bufio.NewScanner(f); s.Scan(); {
			if c := strings.Fields(s.Text()); len(c) > 9 && c[3] == listen && strings.HasSuffix(c[1], fmt.Sprintf(":%04X", port)) {
				who = append(who, words(holders["socket:["+c[9]+"]"])...)
			}
		}
		f.Close()
	}
	return who
}
