package simulate

import (
	"encoding/binary"
	"io"
	"math"
)

// The registers of a simulated Modbus probe, unit 1 over RTU, the same for
// functions 3 and 4: 0 and 1 the power density in mW/cm², float32 big-endian
// (infinity over range, not a number in a fault); 2 the status, its bits 0 over
// range, 1 fault, 2 battery low; 3 the temperature in tenths of a °C, int16; 4
// the battery in tenths of a per cent.
const (
	slaveUnit      = 1
	slaveRegisters = 5
	mostRegisters  = 125 // in one request
	longestRequest = 256 // bytes

	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3
)

// slave is a probe's side of a conversation in Modbus RTU.
type slave struct {
	probe *Probe
	heard []byte
	last  [slaveRegisters]uint16 // of the newest reading
}

func (s *slave) hear(line io.Writer, chunk []byte) error {
	s.heard = append(s.heard, chunk...)
	for {
		from, length := findRequest(s.heard)
		if length == 0 {
			break
		}
		request := s.heard[from : from+length]
		if request[0] == slaveUnit {
			answer := s.answer(request[1 : length-2])
			answer = append([]byte{slaveUnit}, answer...)
			if err := s.probe.write(line, binary.LittleEndian.AppendUint16(answer, checksum(answer))); err != nil {
				return err
			}
		}
		s.heard = append(s.heard[:0], s.heard[from+length:]...)
	}
	if excess := len(s.heard) - longestRequest; excess > 0 {
		s.heard = append(s.heard[:0], s.heard[excess:]...)
	}
	return nil
}

// findRequest finds the first whole request by its check, behind whatever noise;
// a length of 0 says that there is none yet.
func findRequest(b []byte) (from, length int) {
	for from := range b {
		rest := b[from:]
		if len(rest) < 4 {
			break
		}
		least, most := 4, 16 // of functions not known here, for our own unit
		switch f := rest[1]; {
		case f >= 1 && f <= 6:
			least, most = 8, 8
		case f == 15 || f == 16:
			if len(rest) < 7 {
				continue
			}
			least = 9 + int(rest[6])
			most = least
		case rest[0] != slaveUnit:
			continue
		}
		for n := least; n <= min(most, len(rest)); n++ {
			if checksum(rest[:n-2]) == binary.LittleEndian.Uint16(rest[n-2:n]) {
				return from, n
			}
		}
	}
	return 0, 0
}

// answer answers a PDU with one: registers, or an exception.
func (s *slave) answer(pdu []byte) []byte {
	refuse := func(code byte) []byte { return []byte{pdu[0] | 0x80, code} }
	if pdu[0] != 3 && pdu[0] != 4 {
		return refuse(illegalFunction)
	}
	if len(pdu) != 5 {
		return refuse(illegalValue)
	}
	first, count := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	switch {
	case count < 1 || count > mostRegisters:
		return refuse(illegalValue)
	case first+count > slaveRegisters:
		return refuse(illegalAddress)
	}
	if first == 0 { // a new reading; the rest goes with it
		s.last = s.probe.tell(s.probe.kitchen.options.Now()).shown.registers()
	}
	answer := []byte{pdu[0], byte(2 * count)}
	for _, r := range s.last[first : first+count] {
		answer = binary.BigEndian.AppendUint16(answer, r)
	}
	return answer
}

// registers holds a reading as the registers have it.
func (s shown) registers() [slaveRegisters]uint16 {
	value := float32(float64(s.counts) / math.Pow10(s.decimals))
	status := uint16(0)
	switch s.status {
	case StatusOver:
		value, status = float32(math.Inf(1)), 1<<0
	case StatusFault:
		value, status = float32(math.NaN()), 1<<1
	case StatusLowBattery:
		status = 1 << 2
	}
	bits := math.Float32bits(value)
	return [slaveRegisters]uint16{uint16(bits >> 16), uint16(bits), status,
		uint16(int16(math.Round(10 * s.temperature))), uint16(math.Round(1000 * s.charge))}
}

// checksum is the CRC-16 of a Modbus frame.
func checksum(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			if crc&1 == 1 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}
