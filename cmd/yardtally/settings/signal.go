package settings

import (
	"fmt"
	"strings"

	"yardtally/calibrate/quantity"
)

// Bounds on what is set of signals. Judgement, no source.
const (
	mostEarly   = 20 * quantity.Litre
	mostFailing = 90 // %: flow wavers by some per cent by itself
)

// UsualFailing is Signal.Failing where it is not said. Judgement, no source.
const UsualFailing = 0.5

func (r *reader) signal(f *file) {
	g := f.Signal
	if g == nil {
		return
	}
	s := &Signal{MQTT: g.MQTT == nil || *g.MQTT, Command: g.Command}
	switch {
	case g.Command != nil && (len(g.Command) == 0 || g.Command[0] == ""):
		r.fail("signal.command", `must begin with a program, like ["aplay", "-q", "/etc/yardtally/{signal}.wav"]`)
	case g.Command == nil && !s.MQTT && g.Pin == nil:
		r.bad(r.near("signal"), "signal", "must have mqtt = true, a command or a pin", "")
	case g.Command == nil && g.Pin == nil && r.s.Broker == nil && len(r.s.MQTT) == 0:
		r.bad(r.near("signal"), "signal", "must have a command or a pin where there is no [broker] and no [[mqtt]]", "")
	case g.Command != nil && strings.Contains(g.Command[0], "/"):
		s.Command[0] = r.beside(g.Command[0]) // a name alone is looked for in $PATH
	}
	s.Early = take(r, "signal.early", g.Early, quantity.ParseVolume, 0)
	if s.Early < 0 || s.Early > mostEarly {
		r.fail("signal.early", fmt.Sprintf("must be between 0 and %g L", mostEarly.Litres()))
	}
	failing := take(r, "signal.failing", g.Failing, percent, 100*UsualFailing)
	if !(failing >= 0 && failing <= mostFailing) {
		r.fail("signal.failing", fmt.Sprintf("must be between 0 and %d %%", mostFailing))
	}
	s.Failing = failing / 100
	r.lamp(f, s)
	r.s.Signal = s
}
