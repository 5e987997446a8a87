package main

import (
	"math"
	"reflect"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/config"
)

// unchanged says whether a post is watched as before: same in all that shapes what
// it reads and how that is judged, and read from the same line by the same words.
// What a post's probe is asked by is made of its configuration, which is compared
// in its stead.
func unchanged(a, b acquire.Post, probeA, probeB config.Probe) bool {
	a.Probe.Protocol, a.Probe.Dial = nil, nil
	b.Probe.Protocol, b.Probe.Dial = nil, nil
	return equal(a, b) && equal(probeA, probeB)
}

// samePort says whether two posts ask the same probe in the same way over the same
// line: its calibration, and all that is not the probe's, may have changed.
func samePort(a, b acquire.Post, probeA, probeB config.Probe) bool {
	bare := func(p config.Probe) config.Probe {
		p.Certificate, p.Certificates, p.Doubt, p.SensingCentre = nil, nil, calib.Doubt{}, nil
		return p
	}
	return a.ID == b.ID && a.Probe.ID == b.Probe.ID && equal(bare(probeA), bare(probeB))
}

// equal compares values deeply as a person reads them: where something stands in a
// file does not count, and a number that is not known is like another such.
func equal(a, b any) bool { return alike(reflect.ValueOf(a), reflect.ValueOf(b)) }

func alike(a, b reflect.Value) bool {
	if a.IsValid() != b.IsValid() || a.IsValid() && a.Type() != b.Type() {
		return false
	}
	switch a.Kind() {
	case reflect.Invalid:
		return true
	case reflect.Pointer, reflect.Interface:
		return a.IsNil() == b.IsNil() && (a.IsNil() || alike(a.Elem(), b.Elem()))
	case reflect.Struct:
		return alikeStructs(a, b)
	case reflect.Slice, reflect.Array:
		for i := 0; a.Len() == b.Len() && i < a.Len(); i++ {
			if !alike(a.Index(i), b.Index(i)) {
				return false
			}
		}
		return a.Len() == b.Len()
	case reflect.Map:
		for _, k := range a.MapKeys() {
			if !alike(a.MapIndex(k), b.MapIndex(k)) {
				return false
			}
		}
		return a.Len() == b.Len()
	case reflect.Float64, reflect.Float32:
		return a.Float() == b.Float() || math.IsNaN(a.Float()) && math.IsNaN(b.Float())
	case reflect.Func, reflect.Chan:
		return a.IsNil() && b.IsNil() // what cannot be compared is not known to be the same
	}
	return a.Equal(b)
}

func alikeStructs(a, b reflect.Value) bool {
	if a.CanInterface() && b.CanInterface() {
		switch x := a.Interface().(type) {
		case time.Time:
			return x.Equal(b.Interface().(time.Time))
		case time.Location:
			y := b.Interface().(time.Location)
			return x.String() == y.String()
		}
	}
	for i := range a.NumField() {
		if f := a.Type().Field(i); f.Type.Kind() == reflect.Int && strings.HasSuffix(f.Name, "Line") {
			continue
		}
		if !alike(a.Field(i), b.Field(i)) {
			return false
		}
	}
	return true
}
