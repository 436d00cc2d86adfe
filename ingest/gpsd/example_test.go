package gpsd_test

import (
	"fmt"

	"yardtally/ingest/gpsd"
)

// A report of gpsd, protocol 3, and what is taken of it.
func ExampleRead() {
	m, drops := gpsd.Read([]byte(`{"class":"TPV","device":"/dev/ttyACM0","mode":3,"time":"2026-10-09T21:30:00.250Z","lat":47.2852395,"lon":8.5652537,"epx":7.2,"epy":9.1}`), "")
	for _, r := range m.Readings {
		fmt.Println(r.Channel, r.Value)
	}
	fmt.Println(drops)
	// Output:
	// lat 47.2852395
	// lon 8.5652537
	// utc 1.79158140025e+09
	// []
}
