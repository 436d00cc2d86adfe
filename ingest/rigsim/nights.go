package rigsim

import (
	"math"
	"math/rand/v2"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// off returns the place so many metres east and north of p.
func (p Place) off(east, north float64) Place { return point{east, north}.place(p) }

// NearNight returns a night on which places are close together. Orchard End and
// Mill Bottom are 120 m apart; the road to Larch Bank passes Ferry Lane, which
// is not fed, at 40 m, and the rig stands for 90 s at a crossroads 100 m short
// of Larch Bank. With a yard of 75 m, 1.6 times which is 120 m, all of these
// are hard to tell.
func NearNight(seed uint64) Scenario {
	s := SmallNight(seed)
	at := s.Yards[0].Place
	mill, ferry, larch := at.off(0, 120), at.off(900, 400), at.off(2000, 120)
	s.Yards = []Yard{
		{ID: "orchard", Name: "Orchard End", Place: at, Colonies: 4, Fill: quantity.USGallon},
		{ID: "mill", Name: "Mill Bottom", Place: mill, Colonies: 4, Fill: quantity.USGallon},
		{ID: "ferry", Name: "Ferry Lane", Place: ferry, Colonies: 6, Fill: quantity.USGallon, Past: true,
			Via: []Place{ferry.off(-400, -40)}, Passing: ferry.off(0, -40)},
		{ID: "larch", Name: "Larch Bank", Place: larch, Colonies: 4, Fill: quantity.USGallon,
			Via: []Place{ferry.off(400, -40)}, Halts: []Halt{{larch.off(-100, 0), 90 * time.Second}}},
	}
	return s
}

// dice draws an odd night.
type dice struct{ *rand.Rand }

// odd is true one time in four.
func (d dice) odd() bool { return d.Float64() < 0.25 }

func (d dice) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

func (d dice) seconds(lo, hi float64) time.Duration {
	return time.Duration(1000*d.between(lo, hi)) * time.Millisecond
}

func (d dice) litres(lo, hi float64) quantity.Volume {
	return quantity.Volume(d.between(lo, hi) * float64(quantity.Litre))
}

// OddNight returns a night of two to four yards on which each of the odd things
// that this package knows happens with a chance of one in four, over a wire that
// loses a tenth, doubles and delays a twentieth each, by up to 5 s, and is dead
// for three minutes.
func OddNight(seed uint64) Scenario {
	d := dice{stream(seed, seedNight)}
	s := DemoNight()
	s.Seed = seed
	d.yards(&s)
	d.hand(&s)
	d.board(&s)
	if d.odd() {
		s.Home = s.Yards[0].off(d.between(-1500, 1500), -1800)
		s.Hand.FlushHome = s.Hand.Flush > 0 && d.odd()
	}
	s.Tail = d.seconds(60, 240)
	d.happenings(&s, s.lasts())
	return s
}

// CleanTwin returns the same night as OddNight over a wire without dirt.
func CleanTwin(seed uint64) Scenario {
	s := OddNight(seed)
	s.Wire = Rough{}
	return s
}

func (d dice) yards(s *Scenario) {
	at := s.Yards[0].Place
	names := [4][2]string{{"orchard", "Orchard End"}, {"mill", "Mill Bottom"}, {"larch", "Larch Bank"}, {"ferry", "Ferry Lane"}}
	s.Yards = nil
	for i := range 2 + d.IntN(3) {
		y := Yard{ID: names[i][0], Name: names[i][1], Place: at, Colonies: 4 + d.IntN(6), Fill: d.litres(1.5, 4)}
		colony := func() int { return d.IntN(y.Colonies) }
		taken := map[int]bool{}
		free := func(c int) bool {
			was := taken[c] || c >= y.Colonies
			taken[c] = true
			return !was
		}
		if d.odd() {
			if c := colony(); free(c) {
				y.Dead = append(y.Dead, c)
			}
		}
		if d.odd() {
			if c := colony(); free(c) {
				y.Twice = append(y.Twice, c)
			}
		}
		if d.odd() {
			if c := colony(); free(c) && free(c+1) {
				y.Shared = append(y.Shared, Share{c, 1})
			}
		}
		if i > 0 && d.odd() {
			y.Halts = []Halt{{at.off(-d.between(80, 200), d.between(-20, 20)), d.seconds(20, 120)}}
		}
		s.Yards = append(s.Yards, y)
		step := d.between(500, 2500)
		if d.odd() {
			step = 120
		}
		angle := 2 * math.Pi * d.Float64()
		at = at.off(step*math.Cos(angle), step*math.Sin(angle))
	}
	if d.odd() { // the last is driven past, if two are left
		if y := &s.Yards[len(s.Yards)-1]; len(s.Yards) > 2 {
			y.Past, y.Passing = true, y.off(0, 40)
			y.Dead, y.Twice, y.Shared = nil, nil, nil
			s.Home = y.off(600, 40)
		}
	}
}

func (d dice) hand(s *Scenario) {
	h := &s.Hand
	h.Walk, h.Setup = d.seconds(15, 75), d.seconds(20, 80)
	if d.odd() {
		h.Pallet, h.PalletStep = 4, d.seconds(7.5, 7.5)
	}
	if d.odd() {
		h.Skip = 0.15
	}
	if d.odd() {
		h.Prime, h.PrimeEach = d.litres(0.3, 2.5), d.odd()
	}
	if d.odd() {
		h.Flush = d.litres(0.5, 4)
	}
	if d.Float64() < 0.5 {
		s.Fitted = append(s.Fitted, meter.Mark, meter.Skip)
	}
	for i, y := range s.Yards {
		if y.Past {
			continue
		}
		if d.odd() {
			s.Drained = append(s.Drained, i)
		}
		switch d.IntN(8) {
		case 0:
			s.MarkForgotten = append(s.MarkForgotten, i)
		case 1:
			s.MarkTwice = append(s.MarkTwice, i)
		}
	}
	if d.odd() {
		s.Provings = []Proof{{Yard: 0, Buckets: 2 + d.IntN(2), Volume: 18 * quantity.Litre}}
	}
}

func (d dice) board(s *Scenario) {
	m := &s.Meter
	m.Surges = true
	if d.odd() {
		m.WrapBits, m.Count = 16, 3<<16-uint64(200+d.IntN(6000))
	}
	if d.odd() { // runs dry
		s.Load = s.Tote.Unusable + d.litres(15, 45)
	}
}

// happenings strews what has a time over a night of that length.
func (d dice) happenings(s *Scenario, length time.Duration) {
	when := func(lo, hi float64) time.Duration {
		return time.Duration(d.between(lo, hi) * length.Seconds() * float64(time.Second)).Truncate(time.Millisecond)
	}
	if d.odd() {
		s.PositionGone = []Span{{when(0, 0.9), d.seconds(20, 400)}}
	}
	if d.odd() {
		s.PositionBad = []Span{{when(0, 0.9), d.seconds(20, 300)}}
	}
	if d.odd() {
		for range 1 + d.IntN(4) {
			s.Phantom = append(s.Phantom, Burst{when(0.02, 1), d.seconds(2, 60), d.between(0.3, 15), d.odd()})
		}
	}
	if d.odd() {
		s.Phantom = append(s.Phantom, Burst{when(0.02, 1), d.seconds(1, 4), 2000, false})
	}
	if d.odd() {
		s.Restarts = []time.Duration{when(0.1, 0.95)}
	}
	gallons := quantity.USGallonPerMinute
	low := s.Load < 100*quantity.Litre
	if d.odd() || low && d.IntN(4) > 0 { // where it runs dry, mostly as soon as it does
		x := Refill{After: when(0.05, 0.9), Volume: d.litres(50, 300), Rate: quantity.Flow(d.between(15, 60)) * gallons, WhenDry: low}
		if low {
			x.After = 0
		}
		s.Refills = []Refill{x}
		if d.Float64() < 0.5 {
			s.Batches = []NewBatch{{x.After, d.between(50, 66)}}
		}
	}
	if d.odd() {
		s.Swaps = []Swap{{when(0.1, 0.9), d.seconds(60, 600), d.litres(400, 1000)}}
	}
	if d.odd() {
		s.Transfers = []Transfer{{After: when(0.1, 0.9), Volume: d.litres(20, 150), In: d.Float64() < 0.3}}
	}
	if d.odd() {
		s.Leaks = []Leak{{when(0, 0.8), d.seconds(60, 3600), quantity.Flow(d.between(0.05, 2)) * quantity.LitrePerMinute}}
	}
	if d.odd() {
		s.Offs = []Off{{when(0.1, 0.95), d.seconds(30, 1200), 0}}
		if d.Float64() < 0.5 {
			s.Offs[0].Change = d.litres(-60, 200)
		}
	}
	dead := s.Start.Add(when(0, 0.9))
	s.Wire = Rough{
		Seed: s.Seed, Lose: 0.1, Double: 0.05, Late: 0.05, LateBy: 5 * time.Second,
		Outages: []Window{{dead, dead.Add(3 * time.Minute)}},
	}
}

// lasts returns about how long the night is, without what is done to the tote:
// syrup is taken to flow at 7 L/min.
func (s *Scenario) lasts() time.Duration { return s.lastsAt(7) }

// lastsAt returns about how long the night is at that flow, L/min.
func (s *Scenario) lastsAt(flow float64) time.Duration {
	tasks, _, _ := plan(s, stream(s.Seed, seedHand), stream(s.Seed, seedOdd))
	seconds := 0.0
	for _, t := range tasks {
		switch t.kind {
		case taskWait, taskPause:
			seconds += float64(t.wait) / 1000
		case taskDrive:
			seconds += t.path.time
		case taskPull:
			seconds += t.fill.Aim.Litres() * 60 / flow
		}
	}
	return time.Duration(seconds * float64(time.Second))
}
