package scpi

import (
	"bytes"
	"strings"
)

const (
	// maxAnswer bounds an answer in bytes, without its terminator.
	maxAnswer = 4096

	// piece is what Split hands out of a run without a terminator. It is more
	// than maxAnswer even after a "\r" is cut, so that Parse refuses it.
	piece = maxAnswer + 2

	maxPrompt = 16 // letters before the ">" of a prompt

	blanks = " \t\r\n"
)

// Split finds the first answer. Blank lines, prompts and the echo of a query are
// dropped: what an instrument says beside its answers is not one. A terminator
// within a definite-length block is data. A run that outgrows maxAnswer is handed
// out in pieces that Parse refuses, cut so that what is left of it before its
// terminator is too long as well.
func (p *protocol) Split(buf []byte) (advance int, frame []byte) {
	window := buf[:min(len(buf), 2*piece)]
	at, data := lineEnd(window, p.end)
	switch {
	case at >= 0:
		if frame = p.answer(buf[:at], data); len(frame) == 0 {
			return at + 1, nil
		}
		return at + 1, frame
	case len(window) < 2*piece:
		return 0, nil
	default:
		return piece, buf[:piece]
	}
}

// lineEnd finds the terminator that ends the line at the start of b; −1 when it
// has not come. A block can begin where a value can: at the start of the line,
// after a prompt, a comma or a blank, outside of quotes. Up to data, the line
// holds a block.
func lineEnd(b []byte, end byte) (at, data int) {
	quoted, start := false, true
	for i := 0; i < len(b); i++ {
		switch c := b[i]; {
		case c == end:
			return i, data
		case c == '"':
			quoted, start = !quoted, false
		case quoted:
		case c == '#' && start:
			from, length, state := blockAt(b[i:])
			if state == blockGrowing {
				return -1, 0
			}
			if state == blockWhole {
				i += from + length - 1
				data = i + 1
			}
			start = false
		default:
			start = c == ',' || c == ' ' || c == '\t' || c == '\r' || c == '\n' || c == '>'
		}
	}
	return -1, 0
}

// What stands at a '#'.
type blockState int

const (
	noBlock      blockState = iota
	blockGrowing            // header or data have not all come
	blockWhole
)

// blockAt looks at b, which begins with '#': a digit that says how many digits
// follow, those digits, and as many bytes of data as they say. A length beyond
// maxAnswer is taken for noise, so that no stray '#' swallows the line for long.
// '#0', a block without a length, ends with the line and is no block here.
func blockAt(b []byte) (from, length int, state blockState) {
	if len(b) < 2 {
		return 0, 0, blockGrowing
	}
	digits := int(b[1] - '0')
	if b[1] < '1' || b[1] > '9' {
		return 0, 0, noBlock
	}
	for i := range digits {
		if 2+i >= len(b) {
			return 0, 0, blockGrowing
		}
		c := b[2+i]
		if c < '0' || c > '9' {
			return 0, 0, noBlock
		}
		if length = length*10 + int(c-'0'); length > maxAnswer {
			return 0, 0, noBlock
		}
	}
	from = 2 + digits
	if from+length > len(b) {
		return from, length, blockGrowing
	}
	return from, length, blockWhole
}

// answer cuts off a line what is not the answer: blanks, prompts, echoes. The
// first bytes, up to data, hold a block and may end in what looks like blanks.
func (p *protocol) answer(line []byte, data int) []byte {
	line = line[:data+len(bytes.TrimRight(line[data:], blanks))]
	for {
		line = bytes.TrimLeft(line, blanks)
		rest := p.cutEcho(cutPrompt(line))
		if len(rest) == len(line) {
			return line
		}
		line = rest
	}
}

// cutPrompt cuts off a prompt: ">", or a word with ">", "->" or "=>" behind it.
// The word begins with a letter, for "12>" can be a number that was cut short.
func cutPrompt(line []byte) []byte {
	i := 0
	for i < len(line) && i < maxPrompt && isLetter(line[i]) || i > 0 && i < len(line) && i < maxPrompt && isDigit(line[i]) {
		i++
	}
	if i < len(line) && (line[i] == '-' || line[i] == '=') {
		i++
	}
	if i < len(line) && line[i] == '>' {
		return line[i+1:]
	}
	return line
}

// cutEcho cuts off a query of ours that came back.
func (p *protocol) cutEcho(line []byte) []byte {
	for _, echo := range p.echoes {
		if len(line) < len(echo) || string(line[:len(echo)]) != echo {
			continue
		}
		if rest := line[len(echo):]; len(rest) == 0 || strings.IndexByte(blanks, rest[0]) >= 0 {
			return rest
		}
	}
	return line
}

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' }
func isDigit(c byte) bool  { return c >= '0' && c <= '9' }
