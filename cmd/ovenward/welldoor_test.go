package main

import (
	"context"
	"errors"
	"sync"
	"time"

	"ovenward/acquire"
)

// latch is a contact at a door that a test moves.
type latch struct {
	mu   sync.Mutex
	open bool
	err  error
}

func (l *latch) Read(context.Context) (bool, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.open, l.err
}

func (l *latch) Close() error { return nil }

// inputs are the contacts of the configuration.
func (y *trying) inputs() []acquire.Input {
	if y.unwired {
		return nil
	}
	return []acquire.Input{{ID: "latch", Says: acquire.SaysDoor, On: true, Every: 250 * time.Millisecond, Source: y.door}}
}

// doDoor does what is of the door; false: that is something else.
func (y *trying) doDoor(what string) bool {
	y.door.mu.Lock()
	defer y.door.mu.Unlock()
	switch what {
	case "door open":
		y.door.open, y.door.err = true, nil
	case "door shut":
		y.door.open, y.door.err = false, nil
	case "door not read":
		y.door.err = errors.New("no answer")
	default:
		return false
	}
	return true
}
