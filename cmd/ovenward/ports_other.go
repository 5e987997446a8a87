//go:build !linux

package main

import "errors"

func (m machine) ports() ([]portInfo, string, error) {
	return nil, "", errors.New("what is plugged in is listed on Linux only; name the port by its path or name here")
}
