package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"ovenward/config"
	"ovenward/drivers"
)

// framing is how a byte is put on a line.
type framing struct {
	bits   int
	parity string
}

func (f framing) String() string { return strconv.Itoa(f.bits) + strings.ToUpper(f.parity[:1]) + "1" }

// usualSpeeds are tried in this order (common practice, no source).
func usualSpeeds() []int { return []int{9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200} }

// usualFramings are tried at each speed on which anything comes: 8N1 first.
func usualFramings() []framing {
	return []framing{{8, "none"}, {7, "even"}, {7, "odd"}, {8, "even"}}
}

// heardLine is what came on a line with one setting.
type heardLine struct {
	baud    int
	framing framing
	bytes   []byte
	err     error
}

// keptBytes bounds what is kept of one setting.
const keptBytes = 64 << 10

// looksLikeText judges bytes: nearly all printable or a blank, with a line end.
func looksLikeText(b []byte) bool {
	return len(b) >= 4 && printable(b) >= 0.95 && bytes.ContainsAny(b, "\r\n")
}

// printable is the share of bytes that text is made of.
func printable(b []byte) float64 {
	if len(b) == 0 {
		return 0
	}
	n := 0
	for _, c := range b {
		if c >= ' ' && c < 0x7f || c == '\r' || c == '\n' || c == '\t' {
			n++
		}
	}
	return float64(n) / float64(len(b))
}

// listen tries speeds and framings on a line, sending nothing, and prints what it
// saw. The error says that nothing looked like text.
func listen(ctx context.Context, f readFlags, stdout io.Writer) error {
	f.trial.Driver = "textline"
	f.trial.Set = append([]string{"stream=true", "value=1", "unit=mW/cm2"}, f.trial.Set...)
	c, _, err := f.trial.Read()
	if err != nil {
		return err
	}
	if c.Reach != config.ReachSerial {
		return errors.New("--listen tries the speeds of a serial line; name one by its path or by USB identity")
	}
	fmt.Fprintf(stdout, "listening on %s, %s with each setting; nothing is sent\n", c.Port, f.listenTime)
	var text, all []heardLine
	for _, baud := range usualSpeeds() {
		for i, framing := range usualFramings() {
			h := hear(ctx, c, f, baud, framing)
			if ctx.Err() != nil {
				return nil
			}
			if h.err != nil {
				return h.err
			}
			all = append(all, h)
			fmt.Fprintln(stdout, h)
			if looksLikeText(h.bytes) {
				text = append(text, h)
			}
			if i == 0 && (len(h.bytes) == 0 || looksLikeText(h.bytes)) {
				break // silent, or found
			}
		}
	}
	return verdictOn(all, text, c.Port, stdout)
}

// hear listens with one setting.
func hear(ctx context.Context, c config.Probe, f readFlags, baud int, fr framing) (h heardLine) {
	h = heardLine{baud: baud, framing: fr}
	c.Serial.Baud, c.Serial.DataBits, c.Serial.Parity, c.Serial.StopBits = baud, fr.bits, fr.parity, "1"
	link, err := dialer(c, c.Port, f.tree, func(sent bool, b []byte, _ time.Time) {
		if room := keptBytes - len(h.bytes); room > 0 {
			h.bytes = append(h.bytes, b[:min(len(b), room)]...)
		}
	})(ctx)
	if err != nil {
		h.err = err
		return h
	}
	defer link.Close()
	all := func(b []byte) (int, []byte) { return len(b), nil }
	for end := time.Now().Add(f.listenTime); ctx.Err() == nil && time.Now().Before(end); {
		_, err := link.Receive(all, earlierOf(end, time.Now().Add(100*time.Millisecond)), nil)
		if err != nil && !errors.Is(err, drivers.ErrTimeout) {
			h.err = err
			return h
		}
	}
	return h
}

// String is one line of the table.
func (h heardLine) String() string {
	setting := fmt.Sprintf("%6d baud %s: ", h.baud, h.framing)
	if len(h.bytes) == 0 {
		return setting + "nothing"
	}
	const shown = 40
	kind := "no text"
	if looksLikeText(h.bytes) {
		kind = "text"
	}
	sample := h.bytes
	if at := bytes.IndexByte(sample, '\n'); kind == "text" && at >= 0 && at+1 < len(sample) {
		sample = sample[at+1:] // the first line is seldom whole
	}
	more := ""
	if len(sample) > shown {
		sample, more = sample[:shown], "…"
	}
	return fmt.Sprintf("%s%s, %s, %.0f %% printable: %s%s", setting, kind, count(len(h.bytes), "byte"),
		100*printable(h.bytes), strconv.Quote(string(sample)), more)
}

// verdictOn says what was found and what to do next.
func verdictOn(all, text []heardLine, port string, stdout io.Writer) error {
	heard := 0
	for _, h := range all {
		heard += len(h.bytes)
	}
	switch {
	case len(text) > 0:
		best := text[0]
		for _, h := range text {
			if len(h.bytes) > len(best.bytes) && printable(h.bytes) >= printable(best.bytes) {
				best = h
			}
		}
		if len(text) > 1 && len(text) == len(all) {
			fmt.Fprintln(stdout, "every setting shows text: this line may have no speed of its own, as that of some USB instruments")
		}
		fmt.Fprintf(stdout, "looks like text at %d baud, %s. Next, for example:\n"+
			"  ovenward read --driver=textline --port=%s --set stream=true --set baud=%d --set data_bits=%d --set parity=%s --set value=1 --set unit=mW/cm2\n",
			best.baud, best.framing, port, best.baud, best.framing.bits, best.framing.parity)
		return nil
	case heard == 0:
		return errors.New("nothing came at any speed: the probe may be off, may need to be asked (--set query=…), or may need DTR (--set dtr=true)")
	}
	return errors.New("bytes came, but nothing that looks like text: the probe may speak in binary, or at another speed")
}
