package draw

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Part is a part of the rig on the run.
type Part uint8

// The parts of the run, in the order the syrup takes.
const (
	None Part = iota
	Tote
	Suction
	Pump
	Meter
	Hose
	Nozzle
)

// Run is what the picture of the rig shows.
type Run struct {
	Share   float64 // how full the tote is, 0 to 1; NaN where the level is not known
	Flowing bool
	Marks   []Part // the parts that need a person
}

// The run's view box; a page that lays words over it needs to know where the
// tote ends and the free space above the line begins.
const (
	RunWidth  = 328
	RunHeight = 172
	toteLeft  = 2.0
	toteRight = 112.0
	toteTop   = 10.0
	floor     = 138.0
)

// where each part's name stands, and the parts' names.
var parts = [...]struct {
	x    float64
	name string
}{Tote: {57, "tote"}, Suction: {139, "suction"}, Pump: {183, "pump"}, Meter: {223, "meter"}, Hose: {264, "hose"}, Nozzle: {305, "nozzle"}}

// Draw draws the rig as one line, from the tote to the nozzle, with the level
// in the tote where it truly stands.
func (r Run) Draw() string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="line" viewBox="0 0 %d %d" aria-hidden="true" focusable="false">`, RunWidth, RunHeight)
	if !math.IsNaN(r.Share) {
		surface := floor - (floor-toteTop)*min(max(r.Share, 0), 1)
		var still strings.Builder
		for y := floor - 5; y > surface+3; y -= 5 {
			fmt.Fprintf(&still, "M%s %sH%s", n(toteLeft+4), n(y), n(toteRight-4))
		}
		path(&b, "still level", still.String(), 1)
		path(&b, "ink level", fmt.Sprintf("M%s %sH%s", n(toteLeft), n(surface), n(toteRight)), 2.5)
	}
	var quarter strings.Builder
	for i := 1; i < 4; i++ {
		fmt.Fprintf(&quarter, "M%s %sh-5", n(toteRight), n(floor-(floor-toteTop)*float64(i)/4))
	}
	path(&b, "ink", quarter.String(), 1)
	// One stroke: round the tote and out at its foot, through the pump's turn,
	// past the meter's tally, along the coiled hose to the nozzle.
	path(&b, "ink whole", fmt.Sprintf("M%s %sV%sH%sV%sH183a10 10 0 1 0 -.1 0H256"+
		"a13 7 0 1 0 -.1 0h8a13 7 0 1 0 -.1 0h8a13 7 0 1 0 -.1 0H290l7 -9h20l9 8",
		n(toteRight), n(floor-9), n(toteTop), n(toteLeft), n(floor)), 2.5)
	path(&b, "ink", fmt.Sprintf("M214 %sv14m6 -14v14m6 -14v14m6 -14v14M209 %sl28 -10", n(floor-7), n(floor+5)), 1.8)
	if r.Flowing {
		path(&b, "drops", fmt.Sprintf("M326 %sv14", n(floor+3)), 2.5)
	}
	for p := Tote; p <= Nozzle; p++ {
		class := "part"
		if slices.Contains(r.Marks, p) {
			class = "part wrong"
			y := floor - 28
			if p == Tote {
				y = floor + 3 // figures stand in the tote
			}
			fmt.Fprintf(&b, `<path class="wrong" d="M%s %sl-7 12h14z"/>`, n(parts[p].x), n(y))
		}
		fmt.Fprintf(&b, `<text class="%s" x="%s" y="164">%s</text>`, class, n(parts[p].x), parts[p].name)
	}
	b.WriteString("</svg>")
	return b.String()
}
