package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

const standoffHelp = `usage: ovenward standoff FILE.csv [--level="0.1 mW/cm2"] [--format=text|json]

Fits S(r) = S0·(r0/r)^n + background to a walk back from an oven, and prints at which
distances along that line levels are reached, each with its interval for 95 %. FILE:
  limit,fcc-public
  frequency,2450 MHz
  floor,0.01 mW/cm2
  distance (cm),value (mW/cm2),standard uncertainty (%)
  5,0.412,6
  off,0.002,6
Up to the headings all is optional, and so is the uncertainty: that which differs from
mark to mark (stirrer, noise, distance), standard or expanded (k = 2). "off" is a hold
with the oven off. Five distances over 3 : 1 are needed.

  --level=VALUE          a level to find; may stand more than once
  --limit=ID --frequency=FREQUENCY   a built-in limit on people (ovenward limits), and the oven's
  --floor=VALUE          the probe's noise floor
  --take=POST --who=NAME --marks="off 5 10 20 40 80"   takes the marks, in cm, with that
                         post's probe on the running daemon, and writes FILE; --turn="12 s"
                         of the stirrer, --url=URL, --user=NAME, --password-file=FILE
`

// levels collects the values of a flag that may stand more than once.
type levels []survey.Level

func (l *levels) String() string { return "" }

func (l *levels) Set(s string) error {
	v, err := quantity.ParsePowerDensity(s)
	if err != nil {
		return err
	}
	if !(v > 0) {
		return fmt.Errorf("%q is not above zero: a level is", s)
	}
	*l = append(*l, survey.Level{Name: "stated level", Value: v})
	return nil
}

// standoff is what the command was asked for, and what came of it.
type standoff struct {
	file   string
	walk   survey.WalkFile
	levels []survey.Level
	lacks  []string // levels that could not be asked for
	notes  []string
	result survey.StandOff
}

// standoffCommand fits a walk back, prints what it bears and returns the exit
// code.
func standoffCommand(args []string, stdout, stderr io.Writer) int {
	var stated levels
	flags := flag.NewFlagSet("ovenward standoff", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.Var(&stated, "level", "")
	id, frequency := flags.String("limit", "", ""), flags.String("frequency", "", "")
	floor, format := flags.String("floor", "", ""), flags.String("format", "text", "")
	take := markTaker{in: os.Stdin, out: stdout}
	take.flags(flags)
	file, err := fileAndFlags(flags, args)
	switch {
	case err != nil:
		return ended("standoff", standoffHelp, err, stdout, stderr)
	case *format != "text" && *format != "json":
		return fail(stderr, "--format=%s is not known: use text or json", *format)
	}
	if take.post != "" { // nobody walks for a fit that is refused before it
		s := &standoff{file: file}
		if err = s.ask(*id, *frequency, *floor); err == nil {
			err = s.named()
		}
		if err == nil {
			err = take.run(file)
		}
		if err != nil {
			return fail(stderr, "%v", err)
		}
	}
	s, err := readStandoff(file, *id, *frequency, *floor)
	if err == nil {
		err = s.fit(stated)
	}
	if err != nil {
		return fail(stderr, "%v", err)
	}
	text := s.text()
	if *format == "json" {
		text, err = s.json()
	}
	if err == nil {
		_, err = io.WriteString(stdout, text)
	}
	if err != nil {
		return fail(stderr, "printing the stand-off: %v", err)
	}
	return 0
}

// fileAndFlags reads flags that stand before and after the one file.
func fileAndFlags(flags *flag.FlagSet, args []string) (file string, err error) {
	for {
		if err := parseSome(flags, args); err != nil {
			return "", err
		}
		switch {
		case flags.NArg() == 0 && file == "":
			return "", errors.New("no file of marks is named: ovenward standoff FILE.csv; see ovenward standoff --help")
		case flags.NArg() == 0:
			return file, nil
		case file != "":
			return "", fmt.Errorf("%q is not expected here; see ovenward standoff --help", flags.Arg(0))
		}
		file, args = flags.Arg(0), flags.Args()[1:]
	}
}

const largestWalk = 1 << 20 // bytes

func readStandoff(file, id, frequency, floor string) (*standoff, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("reading the walk: %w: name a file as ovenward standoff --help shows it", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, largestWalk+1))
	if err != nil {
		return nil, fmt.Errorf("reading the walk: %w", err)
	}
	if len(data) > largestWalk {
		return nil, fmt.Errorf("reading the walk: %s is larger than %d bytes: this is no walk back", file, largestWalk)
	}
	s := &standoff{file: file}
	if s.walk, err = survey.ParseWalk(file, data); err != nil {
		return nil, err
	}
	return s, s.ask(id, frequency, floor)
}

// ask sets what flags ask for beside, or in place of, what the file says.
func (s *standoff) ask(id, frequency, floor string) (err error) {
	if id != "" {
		s.walk.Limit = id
	}
	if frequency != "" {
		if s.walk.Frequency, err = quantity.ParseFrequency(frequency); err != nil {
			return fmt.Errorf("--frequency: %w", err)
		}
	}
	if floor != "" {
		if s.walk.Floor, err = quantity.ParsePowerDensity(floor); err != nil {
			return fmt.Errorf("--floor: %w", err)
		}
		if !(s.walk.Floor > 0) {
			return fmt.Errorf("--floor: %q is not above zero: leave it out where it is not known", floor)
		}
	}
	return nil
}

// fit asks for the limit, the stated levels and the floor.
func (s *standoff) fit(stated []survey.Level) error {
	if err := s.named(); err != nil {
		return err
	}
	s.levels = append(s.levels, stated...)
	if s.walk.Floor > 0 {
		s.levels = append(s.levels, survey.Level{Name: "noise floor", Source: "of the probe, as stated", Value: s.walk.Floor})
	} else {
		s.lacks = append(s.lacks, `the noise floor is not asked for: state the probe's with --floor or a line "floor,0.01 mW/cm2"`)
	}
	var err error
	s.result, err = survey.FitWalk(s.walk.Walk, s.levels)
	if err != nil {
		return fmt.Errorf("%s: %w", s.file, err)
	}
	return nil
}

// named looks up the limit on people.
func (s *standoff) named() error {
	id := s.walk.Limit
	if id == "" {
		s.lacks = append(s.lacks, `no limit on people is asked for: name one with --limit or a line "limit,ID"; ovenward limits lists them`)
		return nil
	}
	e, ok := limit.Lookup(id)
	if !ok {
		return fmt.Errorf("there is no built-in limit %q: ovenward limits --frequency=2450MHz lists them", id)
	}
	if e.Basis.Emission() {
		return fmt.Errorf("limit %s is one on ovens, at %s from their surface, and says nothing of other distances: name one on people", id, e.Distance)
	}
	if s.walk.Frequency == 0 {
		return fmt.Errorf(`limit %s depends on frequency: state the oven's with --frequency=2450MHz or a line "frequency,2450 MHz"`, id)
	}
	l, err := e.Limit(id, s.walk.Frequency)
	if err != nil {
		return err
	}
	if l.Averaging > 0 {
		s.notes = append(s.notes, fmt.Sprintf("limit %s is one on the mean over %s where somebody stands, and a hold is no such mean", id, quantity.FormatDuration(l.Averaging)))
	}
	if l.Unconfirmed != "" {
		s.notes = append(s.notes, fmt.Sprintf("limit %s: %s not confirmed", id, l.Unconfirmed))
	}
	s.levels = append(s.levels, survey.Level{Name: id, Source: l.Source, Value: l.Value})
	return nil
}

// lineCaution stands with every distance of a walk back.
const lineCaution = "Along this line, with this load and door, today; not a safety distance."

// warnings are those of the fit, one a line.
func (s *standoff) warnings() []string { return s.result.Warnings }

// remarks are all notes.
func (s *standoff) remarks() []string {
	notes := append([]string{}, s.result.Notes...)
	notes = append(append(notes, s.lacks...), s.notes...)
	if len(s.result.Refused) == 0 {
		notes = append(notes, "what is common to all marks (calibration, a wrong zero of the rule) is in no interval")
	}
	return notes
}

// refused joins why there is no fit.
func (s *standoff) refused() string { return strings.Join(s.result.Refused, "; ") }
