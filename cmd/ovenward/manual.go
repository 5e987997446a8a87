package main

import (
	"fmt"
	"io"
	"strings"
)

const manualTop = `.TH OVENWARD 1 2026-11-26 "ovenward %s" "Ovenward"
.SH NAME
ovenward \- watch microwave ovens for leaking power
.SH SYNOPSIS
.B ovenward
.RI [ COMMAND ]
.RI [ FLAGS ]
.SH DESCRIPTION
Ovenward reads power-density probes beside microwave ovens, records every reading, judges it against the limit that applies,
and tells when a field stays above it or a probe has gone blind.
Without a command it watches a simulated model kitchen.
.PP
.B %s
.SH COMMANDS
`

const manualEnd = `.SH EXIT STATUS
0 when all is well and was done; 1 when not, with the reason on standard error.
.SH SIGNALS
SIGINT and SIGTERM stop the daemon within two seconds, with everything committed.
.SH FILES
.TP
.I /etc/ovenward/ovenward.toml
The configuration of the packaged service; a commented one is installed.
.I ovenward check
says what is wrong with it.
.TP
.I /etc/ovenward/web.yml
TLS and users of the page, where
.B OVENWARD_FLAGS
in
.I /etc/default/ovenward
names it:
.BR \-\-web.config.file=/etc/ovenward/web.yml .
.TP
.I /var/lib/ovenward
The record.
An upgrade brings it to its newest form and keeps all of it.
.SH ENVIRONMENT
.TP
.BR NOTIFY_SOCKET ", " WATCHDOG_USEC
Set by the service manager, which is told when the daemon is ready, and fed while every loop of it comes round.
.TP
.B CREDENTIALS_DIRECTORY
Set by the service manager: where secrets of the service are.
.SH SEE ALSO
.BR systemctl (1),
.BR udevadm (8),
.BR promtool (1)
`

// manual prints the manual page, made of what the commands say of themselves.
func manual(w io.Writer, all []told) {
	fmt.Fprintf(w, manualTop, roff(version()), roff(strings.ReplaceAll(caution, "\n", " ")))
	for _, t := range all {
		fmt.Fprintf(w, ".SS %s \\- %s\n.nf\n", roff(t.name), roff(t.what))
		for line := range strings.Lines(strings.TrimSpace(t.help)) {
			fmt.Fprintln(w, roff(strings.TrimRight(line, "\n")))
		}
		fmt.Fprint(w, ".fi\n")
	}
	fmt.Fprint(w, manualEnd)
}

// roff writes a line of text so that the formatter prints it as it is.
func roff(line string) string {
	line = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`).Replace(line)
	if strings.HasPrefix(line, ".") {
		line = `\&` + line
	}
	return line
}
