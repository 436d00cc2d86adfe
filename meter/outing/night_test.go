package outing

import (
	"fmt"
	"slices"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/fill"
	"yardtally/meter/worth"
	"yardtally/meter/yard"
)

// night is an outing written by hand: two yards, orchard and mill, 1.1 km
// apart, of four colonies each, who are meant to get 4 L. A pulse is 10 mL.
// Times are seconds after an instant of 2026, invented.
type night struct {
	Seen
	Said
	count   uint64
	session uint64
	sites   map[string]Site
	hose    quantity.Volume
	topUp   int64
	brix    []float64 // of batches, by litres at which they came
	since   []quantity.Volume
	untold  bool
}

const (
	t0    = int64(1_791_588_000) * second
	pulse = 10 * quantity.Millilitre
	litre = quantity.Litre
)

func at(s float64) int64 { return t0 + int64(s*1e9) }

func newNight() *night {
	n := &night{count: 1000, session: 7, topUp: 10 * second, sites: map[string]Site{
		"orchard": {Colonies: 4, Meant: 4 * litre, Numbered: true},
		"mill":    {Colonies: 4, Meant: 4 * litre, Numbered: true},
	}}
	n.Seen.From = t0 - 100*hour
	places := []yard.Place{{ID: "mill", Lat: 43.21, Lon: -91.9, Enter: 75, Leave: 120}, {ID: "orchard", Lat: 43.2, Lon: -91.9, Enter: 75, Leave: 120}}
	n.Said.TopUp = func(int64) int64 { return n.topUp }
	n.Said.Hose = func(int64) quantity.Volume { return n.hose }
	n.Said.Least = func(int64) quantity.Volume { return litre / 4 }
	n.Said.Places = func(int64) []yard.Place { return places }
	n.Said.Site = func(id string, _ int64) Site { return n.sites[id] }
	n.Said.Within = func(f *Flow) quantity.Volume { return f.Volume() / 100 }
	n.Said.BatchAt = func(through quantity.Volume) (Batch, quantity.Volume, bool) {
		for i := len(n.since) - 1; i >= 0; i-- {
			if n.since[i] <= through {
				until := quantity.Volume(1 << 62)
				if i+1 < len(n.since) {
					until = n.since[i+1]
				}
				return Batch{n.brix[i], func(quantity.Temperature) quantity.Density { return 1300 }}, until, true
			}
		}
		return Batch{}, 0, false
	}
	return n
}

// flow adds litres at 7.5 L/min from s on, and returns when they end.
func (n *night) flow(s, litres float64) float64 { return n.flowing(s, litres, 8*litres, fill.Pull) }

func (n *night) flowing(s, litres, takes float64, kind fill.Kind) float64 {
	pulses := uint64(litres*100 + 0.5)
	f := Flow{Session: n.session, First: n.count, Last: n.count + pulses, Start: at(s), End: at(s + takes),
		Flowing: int64(takes * 1e9), Kind: kind, Pulse: pulse, Metered: worth.Flow{Volume: litres / 1000}, Within: quantity.Volume(litres * float64(litre) / 100)}
	for i := range n.Flows {
		f.Through += n.Flows[i].Volume()
	}
	n.count += pulses
	n.Flows = append(n.Flows, f)
	n.Now = f.End + 3*second
	return s + takes
}

// fills adds pulls 40 s apart from s on, and returns when the last ends.
func (n *night) fills(s float64, litres ...float64) float64 {
	for i, l := range litres {
		if i > 0 {
			s += 40
		}
		s = n.flow(s, l)
	}
	return s
}

// level adds what the tote held over its outlet, at rest, ± 1 L.
func (n *night) level(s, over float64) {
	l := Level{At: at(s), Over: quantity.Volume(over * float64(litre)), U: litre}
	for i := range n.Flows {
		f := &n.Flows[i]
		if l.At >= f.End {
			l.Passed += f.Volume()
		} else if l.At > f.Start {
			l.Passed += quantity.Volume(float64(f.Volume()) * float64(l.At-f.Start) / float64(f.End-f.Start))
		}
	}
	n.Levels = append(n.Levels, l)
}

// stands adds a stay, with all the way there heard.
func (n *night) stands(from, to float64, id string) {
	lat := map[string]float64{"orchard": 43.2, "mill": 43.21, "": 43.205}[id]
	s := yard.Stay{From: at(from), To: at(to), Since: at(from), LeftAt: at(to + 1), Lat: lat, Lon: -91.9, U: 3, N: 100}
	if k := len(n.Stays); k > 0 {
		s.Since = n.Stays[k-1].LeftAt
	}
	n.Stays = append(n.Stays, s)
	n.Fix = s.To
}

// inOrchard is the rig in the orchard all along.
func inOrchard() *night {
	n := newNight()
	n.stands(0, 20000, "orchard")
	return n
}

func (n *night) press(s float64, count int, skip bool) {
	n.Presses = append(n.Presses, Press{From: at(s - 600), At: at(s), N: count, Skip: skip})
}

func (n *night) colony(s float64, what string, count int) {
	n.Said.Colony = append(n.Said.Colony, Colony{Act: fmt.Sprintf("%s@%g", what, s), At: at(s), When: at(s), What: what, N: count})
}

func (n *night) arrive(s float64, id string) {
	n.Arrives = append(n.Arrives, Arrive{Act: fmt.Sprintf("arrive@%g", s), At: at(s), Yard: id})
}

// over makes the outing one that is over.
func (n *night) over() *night {
	n.Ended = true
	return n
}

func (n *night) make() Account { return Make(&n.Seen, &n.Said) }

// lines writes an account down, an entry a line.
func lines(a *Account) []string {
	type line struct {
		at   int64
		text string
	}
	var all []line
	litres := func(v quantity.Volume) string { return fmt.Sprintf("%g", v.Litres()) }
	for i := range a.Fills {
		f := &a.Fills[i]
		s := "fill "
		if f.TopUp {
			s = "top-up "
		}
		s += litres(f.Volume) + " " + f.Yard + " " + string(f.Reason)
		if f.Colony > 0 {
			s += fmt.Sprintf(" #%d", f.Colony)
		}
		if f.To > 0 {
			s += fmt.Sprintf("-%d", f.To)
		}
		if f.Short {
			s += " short"
		}
		all = append(all, line{f.Start, s})
	}
	for i := range a.Loose {
		l := &a.Loose[i]
		all = append(all, line{l.Start, l.Why + " " + litres(l.Volume) + " " + l.Yard + " " + string(l.Reason)})
	}
	slices.SortStableFunc(all, func(x, y line) int { return int(x.at - y.at) })
	var out []string
	for _, l := range all {
		out = append(out, strings.Join(strings.Fields(l.text), " "))
	}
	return out
}
