package main

import (
	"fmt"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// speaker collects what a keeper says.
type speaker struct {
	n    *night
	acts []act.Act
}

func (s *speaker) say(when time.Time, from time.Time, b act.Body) {
	a := act.Act{ID: fmt.Sprint("n", len(s.acts)), Rig: s.n.Rig, Who: "wren", When: when.UnixNano(), Body: b}
	if !from.IsZero() {
		a.From = from.UnixNano()
	}
	s.acts = append(s.acts, a)
}

// now says something at the moment that it is about.
func (s *speaker) now(at time.Time, b act.Body) { s.say(at, at, b) }

func momentOf(t time.Time) act.Moment { return act.Moment{NS: t.UnixNano()} }

// factor is the K-factor of a night's meter, as it counted all syrup of the night, pulses/L.
func (n *night) factor() float64 {
	var counts uint64
	var volume quantity.Volume
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		if f.Session == f.EndSession && f.Settled >= f.Last {
			counts += f.Settled - f.First - f.Phantom - f.Air
			volume += f.Volume + f.Dribble
		}
	}
	return float64(counts) / volume.Litres()
}

// settled is what an owner has set before the night: the rig, the meter, the
// tote, the yards and the batch.
func (n *night) settled(route bool) *speaker {
	s := &speaker{n: n}
	before := n.Start.Add(-24 * time.Hour)
	always := func(b act.Body) { s.say(before, time.Time{}, b) }
	always(act.Rig{WrapBits: n.Meter.WrapBits, QuietS: 2.5, LeastL: 0.25, MostLPM: 120, Zone: n.Zone, HoseL: n.Plumbing.HoseVolume().Litres()})
	always(act.Proving{PulsesPerL: n.factor()})
	tote := act.Tote{Name: "white", CapacityL: n.Tote.Capacity().Litres(), SensorM: float64(n.Tote.Sensor),
		HeadM: float64(n.Tote.Head), UnusableL: n.Tote.Unusable.Litres(), LengthM: float64(n.Tote.Length), WidthM: float64(n.Tote.Width)}
	for _, x := range n.Tote.Straps(20) {
		tote.Straps = append(tote.Straps, act.Strap{LevelM: float64(x.Level), VolumeL: x.Volume.Litres()})
	}
	always(tote)
	var yards []string
	for _, y := range n.Yards {
		always(act.Yard{ID: y.ID, Name: y.Name, Lat: y.Lat, Lon: y.Lon, EnterM: 75, LeaveM: 120, Colonies: y.Colonies, FillL: y.Fill.Litres(), Numbered: true})
		if !y.Past {
			yards = append(yards, y.ID)
		}
	}
	if route {
		always(act.Route{Yards: yards})
	}
	always(act.Batch{Syrup: "sucrose", Brix: n.Brix})
	for _, h := range n.truth.Handlings {
		if h.Brix != 0 && h.Brix != n.Brix && !h.To.IsZero() {
			s.now(h.To, act.Batch{Syrup: "sucrose", Brix: h.Brix})
		}
	}
	return s
}

// told adds all that a keeper can say on the spot: dead colonies, two feeders,
// one pull for several, a drained hose, the bucket tests, what went onto the
// ground; colonies that get none, where there is no button for it; and of each
// yard that all is told.
func (s *speaker) told(v *ledger.View) {
	n := s.n
	const soon = 500 * time.Millisecond
	last := n.Start // the end of the newest pull
	lastYard := ""
	fitted := n.skipFitted()
	for i := range n.truth.Colonies {
		c := &n.truth.Colonies[i]
		if c.Yard != lastYard {
			lastYard, last = c.Yard, n.arrived(c.Yard)
		}
		done := func() {
			if i+1 == len(n.truth.Colonies) || n.truth.Colonies[i+1].Yard != c.Yard {
				last = last.Add(soon)
				s.now(last, act.Colony{At: momentOf(last), What: act.AllTold, Yard: c.Yard})
			}
		}
		switch c.Fate {
		case rigsim.Skipped, rigsim.DeadFound:
			// Before the pull that follows.
			what := act.Dead
			if c.Fate == rigsim.Skipped {
				what = act.Skipped
			}
			last = last.Add(soon)
			if what == act.Dead || !fitted {
				s.now(last, act.Colony{At: momentOf(last), What: what, Yard: c.Yard})
			}
		default:
			for _, k := range c.Fills {
				f := &n.truth.Fills[k]
				if f.End.After(last) {
					last = f.End
				}
				if f.Second {
					last = f.End.Add(soon)
					s.now(last, act.Colony{At: momentOf(last), What: act.TwoFeeders, Yard: c.Yard})
				}
			}
			if k := len(c.Fills) - 1; k >= 0 {
				if f := &n.truth.Fills[c.Fills[k]]; f.With > 0 && f.Colony == c.Index {
					last = f.End.Add(soon)
					s.now(last, act.Colony{At: momentOf(last), What: act.Shared, Yard: c.Yard, N: f.With + 1})
				}
			}
		}
		done()
	}
	s.named(v)
	for _, i := range n.Drained {
		s.now(n.arrived(n.Yards[i].ID), act.Drained{At: momentOf(n.arrived(n.Yards[i].ID))})
	}
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		if f.Kind != rigsim.Proving || f.Air > 0 || f.Phantom > 0 || f.Reached != f.Volume {
			continue
		}
		p := act.Proving{Pulses: float64(f.Settled - f.First), Brix: n.Brix, TempC: 19,
			NetKg: float64(rigsim.Weigh(f.Volume+f.Dribble, n.Brix, 19)), Seconds: f.End.Sub(f.Start).Seconds()}
		done := f.End.Add(20 * time.Second)
		p.DoneNS = done.UnixNano()
		if n.Seed%2 == 0 { // noted by the counter, as a guided proving does
			if k := n.spanned(v, i); k >= 0 {
				p.Session, p.First, p.Last = v.Fills[k].Session, v.Fills[k].First, v.Fills[k].Last
			}
		}
		if f.Session == f.EndSession {
			s.say(done, n.Start, p)
		}
	}
}

// named says of priming and flushing what it was, as the page shows the pull.
func (s *speaker) named(v *ledger.View) {
	n := s.n
	as := map[rigsim.Kind]string{rigsim.Priming: act.AsPriming, rigsim.Flush: act.AsFlush}
	items := n.items(v)
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		if as[f.Kind] == "" || f.Session != f.EndSession {
			continue
		}
		whole := truly{session: f.Session, first: f.First, last: max(f.Last, f.Settled)}
		best := -1
		for j := range items {
			if c := shared(&items[j], &whole); c > 0 && (best < 0 || c > shared(&items[best], &whole)) {
				best = j
			}
		}
		if best < 0 {
			continue
		}
		session, first, last := items[best].of(v)
		s.now(f.End.Add(3*time.Second), act.Deem{Session: session, First: first, Last: last, As: as[f.Kind]})
	}
}

// of returns the counts of an entry in the account's own terms.
func (x *posted) of(v *ledger.View) (session, first, last uint64) {
	if x.fill >= 0 {
		f := &v.Fills[x.fill]
		return f.Session, f.First, f.Last
	}
	for i := range v.Loose {
		if l := &v.Loose[i]; l.Start == x.start && l.Why == x.kind {
			return l.Session, l.First, l.Last
		}
	}
	panic("an entry that is not in the account")
}

func (n *night) skipFitted() bool {
	for i := range n.Fitted {
		if n.Fitted[i].String() == "skip" {
			return true
		}
	}
	return false
}

// arrived is when the rig has come to a yard, as a keeper would note it: well
// before its first pull.
func (n *night) arrived(yard string) time.Time {
	last := n.Start
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		if f.Yard == yard {
			return f.Start.Add(-min(8*time.Second, f.Start.Sub(last)/2))
		}
		last = f.End
	}
	return last
}

// spanned is the fill of a view that is a pull of the truth to the pulse; -1: none.
func (n *night) spanned(v *ledger.View, pull int) int {
	f := &n.truth.Fills[pull]
	for k := range v.Fills {
		x := &v.Fills[k]
		s, first, last := n.counts(x.End, x.First, x.Last)
		if s == f.Session && s == f.EndSession && first == f.First && last >= f.Last && last <= f.Settled {
			return k
		}
	}
	return -1
}

// counts gives counts of a view in the truth's terms: the board's session, and
// counts that never wrapped.
func (n *night) counts(end int64, first, last uint64) (int, uint64, uint64) {
	s := 0
	for _, r := range n.truth.Restarts {
		if r.At.Add(time.Second).UnixNano() < end {
			s++
		}
	}
	if s == 0 {
		base := n.Meter.Count &^ (1<<n.Meter.WrapBits - 1)
		return s, first + base, last + base
	}
	return s, first, last
}
