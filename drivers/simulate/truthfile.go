package simulate

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
)

// truthHeader names the columns of a truth file: CLOCK_REALTIME nanoseconds at
// which the instrument took the value it answered with; the true field, in the
// mean over the mains cycle then; the expected output of the probe, with lag and
// zero and without noise and steps; both in W/m².
const truthHeader = "instant_ns,true_w_per_m2,expected_w_per_m2\n"

// TruthFile is a CSV file with one line for each answer of a probe. It may not
// be used by two goroutines at once.
type TruthFile struct {
	file *os.File
	row  []byte
}

// OpenTruthFile begins a truth file, or goes on with one that is there. It
// refuses a file that holds anything else.
func OpenTruthFile(path string) (*TruthFile, error) {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("opening the truth file: %w", err)
	}
	if err := toEnd(file); err != nil {
		_ = file.Close() // nothing of ours is in it
		return nil, fmt.Errorf("opening the truth file %s: %w", path, err)
	}
	return &TruthFile{file: file}, nil
}

// toEnd leaves file with a header and at the start of a line.
func toEnd(file *os.File) error {
	head := make([]byte, len(truthHeader))
	n, err := io.ReadFull(file, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	if !bytes.HasPrefix([]byte(truthHeader), head[:n]) {
		return errors.New("it holds something else; name a new file, or one that an earlier run has written")
	}
	if n < len(head) {
		if _, err := file.Seek(0, io.SeekStart); err != nil {
			return err
		}
		_, err := file.WriteString(truthHeader)
		return err
	}
	end, err := file.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	var last [1]byte
	if _, err := file.ReadAt(last[:], end-1); err != nil {
		return err
	}
	if last[0] != '\n' { // a run that was killed left half a line
		_, err = file.WriteString("\n")
	}
	return err
}

// Add writes the line of one answer through to the file.
func (f *TruthFile) Add(a Answer) error {
	f.row = strconv.AppendInt(f.row[:0], a.Instant.UnixNano(), 10)
	f.row = append(f.row, ',')
	f.row = strconv.AppendFloat(f.row, a.True, 'g', -1, 64)
	f.row = append(f.row, ',')
	f.row = strconv.AppendFloat(f.row, a.Expected, 'g', -1, 64)
	f.row = append(f.row, '\n')
	if _, err := f.file.Write(f.row); err != nil {
		return fmt.Errorf("writing to the truth file: %w", err)
	}
	return nil
}

// Close closes the file.
func (f *TruthFile) Close() error { return f.file.Close() }
