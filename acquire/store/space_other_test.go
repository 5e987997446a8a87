//go:build !linux

package store

import "fmt"

func limited(string) { fmt.Println("limit: this system has none") }
