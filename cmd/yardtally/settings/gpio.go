package settings

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// GPIO is pins of this board to read.
type GPIO struct {
	Name       string
	Chip       string
	Pulses     int // lines of the chip
	Mark, Skip int // -1: there is none
	ActiveLow  bool
	Pull       string
	Debounce   time.Duration
}

// Pin is one to drive.
type Pin struct {
	Chip      string
	Line      int
	ActiveLow bool
}

func (p *Pin) claim() string { return fmt.Sprintf("the pin %d of %s", p.Line, p.Chip) }

func (g *GPIO) claims() (out []string) {
	for _, l := range []int{g.Pulses, g.Mark, g.Skip} {
		if l >= 0 {
			out = append(out, (&Pin{Chip: g.Chip, Line: l}).claim())
		}
	}
	return out
}

type gpioTable struct {
	Name     string  `toml:"name"`
	Chip     string  `toml:"chip"`
	Pulses   *int    `toml:"pulses"`
	Mark     *int    `toml:"mark"`
	Skip     *int    `toml:"skip"`
	Active   string  `toml:"active"`
	Pull     string  `toml:"pull"`
	Debounce measure `toml:"debounce"`
}

// Defaults and bounds of pins. Judgement, no source.
const (
	usualChip     = "gpiochip0"
	usualDebounce = 0.001 // s
	mostDebounce  = 0.1   // s
	mostLine      = 511   // the kernel had as many for a whole board once
)

func (r *reader) gpio(f *file, name func(at, given, fallback string, i int) string) {
	for i := range f.GPIO {
		x := &f.GPIO[i]
		at := fmt.Sprintf("gpio[%d]", i)
		g := GPIO{Name: name(at, x.Name, "gpio", i), Chip: r.chip(at+".chip", x.Chip), ActiveLow: r.active(at+".active", x.Active, "low"),
			Pull: orElse(x.Pull, "up"), Debounce: r.within(at+".debounce", x.Debounce, usualDebounce, 0, mostDebounce)}
		if !slices.Contains([]string{"up", "down", "none"}, g.Pull) {
			r.fail(at+".pull", `must be "up", "down" or "none"`)
		}
		r.need(at+".pulses", x.Pulses != nil, "17, as presses of buttons are told from old ones by it")
		before := r.s.claims()
		for _, l := range []struct {
			key  string
			from *int
			to   *int
		}{{"pulses", x.Pulses, &g.Pulses}, {"mark", x.Mark, &g.Mark}, {"skip", x.Skip, &g.Skip}} {
			if *l.to = -1; l.from == nil {
				continue
			}
			*l.to = *l.from
			claim := (&Pin{Chip: g.Chip, Line: *l.from}).claim()
			switch {
			case *l.from < 0 || *l.from > mostLine:
				r.fail(at+"."+l.key, fmt.Sprintf("must be a line of the chip, between 0 and %d", mostLine))
			case slices.Contains(before, claim):
				r.fail(at+"."+l.key, "must be a pin of its own")
			}
			before = append(before, claim)
		}
		r.s.GPIO = append(r.s.GPIO, g)
	}
}

// chip checks a chip's name.
func (r *reader) chip(field, text string) string {
	if len(text) > 64 || strings.ContainsFunc(text, func(c rune) bool {
		return !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_')
	}) {
		r.fail(field, `must be a GPIO chip's name in /dev, like "gpiochip0"`)
	}
	return orElse(text, usualChip)
}

// active reports whether a pin is active when low.
func (r *reader) active(field, text, usual string) bool {
	if text = orElse(text, usual); text != "low" && text != "high" {
		r.fail(field, `must be "low" or "high"`)
	}
	return text == "low"
}

// lamp reads the pin that signals are given on.
func (r *reader) lamp(f *file, s *Signal) {
	g := f.Signal
	if g.Pin == nil {
		for _, key := range []string{"signal.pin_chip", "signal.pin_active"} {
			if r.text(key) != "" {
				r.fail(key, "must stand beside a pin")
			}
		}
		return
	}
	p := &Pin{Chip: r.chip("signal.pin_chip", g.PinChip), Line: *g.Pin, ActiveLow: r.active("signal.pin_active", g.PinActive, "high")}
	switch {
	case p.Line < 0 || p.Line > mostLine:
		r.fail("signal.pin", fmt.Sprintf("must be a line of the chip, between 0 and %d", mostLine))
	case slices.Contains(r.s.claims(), p.claim()):
		r.fail("signal.pin", "must be a pin of its own, and [[gpio]] reads it")
	}
	s.Pin = p
}
