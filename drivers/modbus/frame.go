package modbus

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

const (
	header         = 6   // bytes of an MBAP header before the unit
	maxFrame       = 254 // bytes that an MBAP header may announce: unit and 253 of PDU
	exception      = 0x80
	exceptionFrame = 5 // bytes in RTU

	// transaction is the same in each TCP request, for a Protocol keeps no state;
	// a link drops what is late before it asks again.
	transaction = 0x4F57
)

// crc16 is the check of an RTU frame: polynomial 1+x²+x¹⁵+x¹⁶, reflected
// (A001), from FFFF, sent low byte first.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			odd := crc&1 != 0
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// frame puts a PDU in a frame.
func (p *protocol) frame(pdu []byte) []byte {
	if p.tcp {
		b := binary.BigEndian.AppendUint16(nil, transaction)
		b = binary.BigEndian.AppendUint16(b, 0)
		b = binary.BigEndian.AppendUint16(b, uint16(1+len(pdu)))
		return append(append(b, p.unit), pdu...)
	}
	b := append([]byte{p.unit}, pdu...)
	return binary.LittleEndian.AppendUint16(b, crc16(b))
}

func checked(b []byte) bool {
	return len(b) >= 4 && crc16(b[:len(b)-2]) == binary.LittleEndian.Uint16(b[len(b)-2:])
}

// Split finds the first answer. What can be no beginning of one is dropped.
func (p *protocol) Split(buf []byte) (advance int, frame []byte) {
	if p.tcp {
		return p.splitTCP(buf)
	}
	return p.splitRTU(buf)
}

// splitRTU finds an answer by unit, function and byte count, for silence cannot
// be seen in a stream of bytes, and knows it by its check. One that fails it is
// handed out, for Parse to refuse, up to where the next may begin. The echo of
// the request, as two-wire adapters give it, is dropped.
func (p *protocol) splitRTU(buf []byte) (advance int, frame []byte) {
	if !p.mayBegin(buf[:min(2, len(buf))]) {
		return p.next(buf), nil
	}
	if len(buf) < 3 {
		return 0, nil
	}
	length := p.length(buf)
	if length > 0 && len(buf) < length {
		return 0, nil
	}
	if length > 0 && checked(buf[:length]) {
		return length, buf[:length]
	}
	// Not a good answer: an echo, when all of it is there.
	if n := min(len(buf), len(p.request)); bytes.Equal(buf[:n], p.request[:n]) {
		if n == len(p.request) {
			return n, nil
		}
		return 0, nil
	}
	if length == 0 {
		return 3, buf[:3]
	}
	n := p.next(buf[:length])
	return n, buf[:n]
}

// length is that of the answer whose first three bytes are given; 0 when it
// has another number of registers than was asked for.
func (p *protocol) length(b []byte) int {
	switch {
	case b[1] == p.fn|exception:
		return exceptionFrame
	case int(b[2]) == p.bytes:
		return 5 + p.bytes
	}
	return 0
}

// mayBegin says whether b, which may be cut short, can begin an answer.
func (p *protocol) mayBegin(b []byte) bool {
	return len(b) == 0 || b[0] == p.unit && (len(b) == 1 || b[1] == p.fn || b[1] == p.fn|exception)
}

// next finds where, behind its first byte, b may hold the beginning of an answer.
func (p *protocol) next(b []byte) int {
	for i := 1; i < len(b); i++ {
		if p.mayBegin(b[i:min(i+2, len(b))]) {
			return i
		}
	}
	return len(b)
}

// splitTCP finds an answer by its header. One from another unit, or of another
// length, is handed out, for Parse to refuse.
func (p *protocol) splitTCP(buf []byte) (advance int, frame []byte) {
	begins := p.request[:4] // transaction and protocol
	n := 0
	for n < len(buf) && !bytes.HasPrefix(buf[n:], begins) && !bytes.HasPrefix(begins, buf[n:]) {
		n++
	}
	if n > 0 || len(buf) < header {
		return n, nil
	}
	length := int(binary.BigEndian.Uint16(buf[4:]))
	switch {
	case length < 3 || length > maxFrame:
		return len(begins), nil
	case len(buf) < header+length:
		return 0, nil
	}
	// TCP framing has no check. An answer that was cut shows itself by the next
	// one's header in its place.
	frame = buf[:header+length]
	for i := header + 1; i+5 <= len(frame); i++ {
		if p.mayBeHeader(frame[i:]) {
			return i, frame[:i]
		}
	}
	return len(frame), frame
}

// mayBeHeader says whether b, as far as it goes, is the header of an answer or
// an exception. Registers can hold the same; they seldom hold five such bytes.
func (p *protocol) mayBeHeader(b []byte) bool {
	for i, c := range b[:min(len(b), header+2)] {
		switch i {
		case 4:
			if c != 0 {
				return false
			}
		case 5:
			if int(c) != 3+p.bytes && c != 3 {
				return false
			}
		case header:
			if c != p.unit {
				return false
			}
		case header + 1:
			if c != p.fn && c != p.fn|exception {
				return false
			}
		default:
			if c != p.request[i] {
				return false
			}
		}
	}
	return true
}

// registers returns the registers that a frame holds. Its error says why there
// are none: another frame than was asked for, noise, or an exception.
func (p *protocol) registers(frame []byte) ([]byte, error) {
	b := frame
	if p.tcp {
		switch {
		case len(b) < header+3 || !bytes.Equal(b[:4], p.request[:4]) || int(binary.BigEndian.Uint16(b[4:])) < len(b)-header:
			return nil, fmt.Errorf("the frame is no answer to the request: %s", shown(frame))
		case int(binary.BigEndian.Uint16(b[4:])) > len(b)-header:
			return nil, fmt.Errorf("the frame is cut, %d bytes are left of it: %s", len(frame), shown(frame))
		}
		b = b[header:]
	} else {
		if len(b) == 3 && b[0] == p.unit && b[1] == p.fn && int(b[2]) != p.bytes {
			return nil, p.otherCount(b)
		}
		if len(b) < exceptionFrame || !checked(b) {
			return nil, p.spoilt(frame)
		}
		b = b[:len(b)-2]
	}
	switch {
	case b[0] != p.unit:
		return nil, fmt.Errorf("the frame comes from unit %d, want %d: %s", b[0], p.unit, shown(frame))
	case b[1] == p.fn|exception && len(b) == 3:
		return nil, fmt.Errorf("the instrument answers with exception %d, %s", b[2], exceptionName(b[2]))
	case b[1] != p.fn:
		return nil, fmt.Errorf("the frame is of function %d, want %d: %s", b[1], p.fn, shown(frame))
	case int(b[2]) != p.bytes || len(b) != 3+p.bytes:
		return nil, p.otherCount(b)
	}
	return b[3:], nil
}

func (p *protocol) otherCount(b []byte) error {
	return fmt.Errorf("the answer announces %d bytes of registers, want %d: compare address and count with the instrument's manual", b[2], p.bytes)
}

// spoilt tells of a frame whose check does not fit.
func (p *protocol) spoilt(frame []byte) error {
	if length := 5 + p.bytes; len(frame) < exceptionFrame || len(frame) < length && frame[1] != p.fn|exception {
		return fmt.Errorf("the frame is cut, %d bytes are left of it: %s", len(frame), shown(frame))
	}
	check, want := frame[len(frame)-2:], crc16(frame[:len(frame)-2])
	return fmt.Errorf("the checksum (CRC) is %X, want %02X%02X, so the frame was disturbed: %s", check, want&0xFF, want>>8, shown(frame))
}

// exceptionName names an exception as the MODBUS Application Protocol
// specification V1.1b3 does, section 7; 7 stands in older lists only.
func exceptionName(code byte) string {
	switch code {
	case 1:
		return "illegal function: set function to 3 or 4, whichever the instrument knows"
	case 2:
		return "illegal data address: it has no such registers; compare address and count with its manual"
	case 3:
		return "illegal data value: it does not give so many registers at once"
	case 4:
		return "server device failure: it could not read itself"
	case 5:
		return "acknowledge: it needs longer; poll less often"
	case 6:
		return "server device busy: it needs longer; poll less often"
	case 7:
		return "negative acknowledge"
	case 8:
		return "memory parity error"
	case 0x0A:
		return "gateway path unavailable: look at the gateway's settings"
	case 0x0B:
		return "gateway target device failed to respond: look at the line behind the gateway, and at unit_id"
	}
	return "which has no name"
}

// shown prints a frame in an error: whole when short, else its beginning.
func shown(b []byte) string {
	const most = 24
	if len(b) <= most {
		return fmt.Sprintf("% X", b)
	}
	return fmt.Sprintf("% X and %d bytes more", b[:most], len(b)-most)
}
