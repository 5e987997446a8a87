package reference

import (
	_ "github.com/prometheus/prometheus/tsdb"
	_ "ovenward/acquire/store/storetest"
)
