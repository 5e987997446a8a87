// Command bare serves what client_golang gives of a program that does nothing else:
// what a daemon at rest is held beside.
package main

import (
	"log"
	"net/http"
	"os"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

func main() {
	http.Handle("/metrics", promhttp.Handler())
	log.Fatal(http.ListenAndServe(os.Args[1], nil)) //nolint:gosec // for a benchmark on this machine
}
