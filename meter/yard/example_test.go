package yard_test

import (
	"fmt"

	"yardtally/meter/yard"
)

// A rig that stood 40 m from the mark of one yard is in it, and in no other.
func ExampleLocate() {
	places := []yard.Place{{ID: "orchard", Lat: 43.22, Lon: -91.88, Enter: 90, Leave: 140}, {ID: "mill", Lat: 43.235, Lon: -91.925, Enter: 60, Leave: 96}}
	at := []yard.Stay{{From: 0, To: 600e9, LeftAt: 600e9, Lat: 43.22036, Lon: -91.88, U: 3, N: 600}}
	for _, f := range yard.Locate(at, func(int64) []yard.Place { return places }) {
		fmt.Println(f.Yard, f.Why == yard.InYard)
	}
	fmt.Printf("%.0f m\n", float64(yard.Distance(43.22036, -91.88, 43.22, -91.88)))
	// Output:
	// orchard true
	// 40 m
}
