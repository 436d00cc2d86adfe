package settings_test

import (
	"fmt"

	"yardtally/cmd/yardtally/settings"
)

// A quantity without its unit is refused, with line, field, rule and value.
func ExampleParse() {
	s, err := settings.Parse("yardtally.toml", []byte("rig = \"heron\"\n[counter]\nfill = \"1 gal\"\n"))
	fmt.Println(s.Rig, err)
	_, err = settings.Parse("yardtally.toml", []byte("rig = \"heron\"\n[counter]\nfill = \"1\"\n"))
	fmt.Println(err)
	// Output:
	// heron <nil>
	// yardtally.toml:3: counter.fill: must name its unit, one of gal, qt, pt, L, mL, m3, is "1"
}
