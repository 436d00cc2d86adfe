package gauges_test

import (
	"fmt"
	"os"

	"yardtally/cmd/yardtally/gauges"
)

func ExampleWrite() {
	f := gauges.Family{Name: "yardtally_records_total", Help: "Records kept.", Kind: gauges.Counter}
	f.Add(184223, "rig", "heron")
	if err := gauges.Write(os.Stdout, []gauges.Family{f}); err != nil {
		fmt.Println(err)
	}
	// Output:
	// # HELP yardtally_records_total Records kept.
	// # TYPE yardtally_records_total counter
	// yardtally_records_total{rig="heron"} 184223
}
