package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"
)

const (
	barWidth = 40
	barEvery = 100 * time.Millisecond
	barRows  = 512 // between looks at the clock
)

// progressBar shows how far a long command has come, on a terminal and nowhere
// else.
type progressBar struct {
	to    io.Writer // nil: nobody looks
	begun time.Time
	shown time.Time
	rows  int

	passes int // over the same rows
}

// newProgress makes a bar on stderr, if that is a terminal, and output is not
// one too.
func newProgress(stderr, output io.Writer) *progressBar {
	p := &progressBar{begun: time.Now(), passes: 1}
	if terminal(stderr) && !terminal(output) {
		p.to = stderr
	}
	return p
}

func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// at counts a row; share is how much is done, 0 to 1, and asked for when it is
// shown.
func (p *progressBar) at(share func() float64) {
	p.rows++
	if p.to == nil || p.rows%barRows != 0 || time.Since(p.shown) < barEvery {
		return
	}
	p.shown = time.Now()
	p.draw(share())
}

func (p *progressBar) draw(share float64) {
	share = min(max(share, 0), 1)
	full := int(share * barWidth)
	left := ""
	if spent := time.Since(p.begun); share > 0.01 && spent > time.Second {
		left = fmt.Sprintf(", %s left", time.Duration(float64(spent)*(1-share)/share).Round(time.Second))
	}
	fmt.Fprintf(p.to, "\r[%s%s] %3.0f %%, %d rows%s\x1b[K", strings.Repeat("#", full), strings.Repeat(".", barWidth-full), 100*share, p.rows/p.passes, left)
}

// end takes the bar away, and says how many rows there were.
func (p *progressBar) end() {
	if p.to != nil {
		fmt.Fprintf(p.to, "\r\x1b[K%d rows in %s\n", p.rows/p.passes, time.Since(p.begun).Round(10*time.Millisecond))
	}
}

// share shows how much is done, 0 to 1, of a work that is not counted in rows.
func (p *progressBar) share(done float64) {
	if p.to == nil || time.Since(p.shown) < barEvery {
		return
	}
	p.shown = time.Now()
	done = min(max(done, 0), 1)
	full := int(done * barWidth)
	fmt.Fprintf(p.to, "\r[%s%s] %3.0f %%\x1b[K", strings.Repeat("#", full), strings.Repeat(".", barWidth-full), 100*done)
}

// gone takes the bar away.
func (p *progressBar) gone() {
	if p.to != nil {
		fmt.Fprint(p.to, "\r\x1b[K")
	}
}
