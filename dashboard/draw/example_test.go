package draw_test

import (
	"fmt"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
)

// Seven fills are two groups: an SVG for each five strokes.
func ExampleStrip() {
	const gal = quantity.USGallon
	strokes := make([]draw.Stroke, 7)
	for i := range strokes {
		strokes[i].Volume = gal
	}
	strokes[4] = draw.Stroke{Volume: gal / 2, Short: true}
	groups := draw.Strip(draw.Large, strokes, 3, nil, gal)
	fmt.Println(len(groups), strings.HasPrefix(groups[0], "<svg"))
	// Output:
	// 2 true
}
