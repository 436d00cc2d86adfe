package ledger

import (
	"math"
	"slices"
	"strconv"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	ltote "yardtally/meter/tote"
)

// ToteStep is a settled level of the tote, and what the meter had counted by
// then: what a strapping table can be learnt from.
type ToteStep struct {
	At      int64
	Run     int // grows where something went into the tote that was not metered
	Level   quantity.Length
	LevelU  quantity.Length // standard uncertainty of this level alone
	Metered quantity.Volume // since the first reading
}

// What makes a new step, and a new run: common practice, no source.
const (
	stepApart  = 10 * quantity.Millimetre
	runRise    = 25 * quantity.Millimetre
	runDropped = 60 * quantity.Millimetre // more than the meter can have passed
	mostSteps  = 1900
)

// stepTote notes a settled level.
func (s *State) stepTote(t *ToteNow, metered quantity.Volume) {
	n := len(s.Steps)
	step := ToteStep{At: t.At, Level: t.Level, LevelU: t.LevelU, Metered: metered}
	if n > 0 {
		last := &s.Steps[n-1]
		step.Run = last.Run
		rise := step.Level - last.Level
		// The least plan area that a tote has says how far metered flow can lower it.
		passed := quantity.Length((metered - last.Metered).CubicMetres() / 0.3)
		switch {
		case rise > runRise, -rise > runDropped+passed:
			step.Run++
		case rise > -stepApart && rise < stepApart:
			return
		}
	}
	if n >= mostSteps {
		s.Steps = append([]ToteStep(nil), s.Steps[n/4:]...)
	}
	s.Steps = append(s.Steps, step)
}

// A level whose surface is not at rest is good to this, standard uncertainty,
// where the readings do not say worse: common practice, no source.
const (
	restlessM  = 0.01 // m
	restlessPa = 120  // Pa, the same of 2:1
)

// headSwing is when a pressure counts: 40 Pa are 3 mm of syrup.
const headSwing = 40

// point offers a level to those worth keeping, and to what sees it fall.
func (s *State) point(sp *span, t *ToteNow, p ltote.Point, metered quantity.Volume) {
	if p.At <= s.PointAt {
		return // no news
	}
	s.PointAt = p.At
	p.Metered, p.Silent = metered, s.Silent
	s.Silent = 0
	kept, n := s.Keeper.Offer(p)
	s.Points = append(s.Points, kept[:n]...)
	s.fall(sp, t, &p)
}

// levelLags is how long after flow no level shows what fell meanwhile, ns: it is
// a mean of what was read in some 20 s, and comes after what was metered.
const levelLags = int64(40_000_000_000)

// fall shows a level to what sees it fall while the rig stands.
func (s *State) fall(sp *span, t *ToteNow, p *ltote.Point) {
	if !p.Rest || s.Fill.Open || len(s.Flows) > 0 && p.At-s.Flows[len(s.Flows)-1].End < levelLags {
		return
	}
	q := *p
	q.U = quantity.VolumeOf(sp.space.Table.At(t.Level).Area * float64(t.LevelU))
	if f, ok := s.Falling.Offer(q); ok && f.Until != 0 {
		s.Falls = append(s.Falls, f)
	}
}

// falls are all that were seen, and the one that goes on.
func (s *State) falls() []ltote.Fall {
	if f := &s.Falling; f.Told {
		return append(slices.Clip(s.Falls), f.Fall)
	}
	return s.Falls
}

// How often both level sensors are held against each other, ns, and how many of
// that are kept: of a long night and some time before it.
const (
	headEvery = int64(60_000_000_000)
	mostHeads = 1000
)

// head notes what both level sensors say where both are at rest.
func (s *State) head(sp *span, t *ToteNow, at int64) {
	if t.By != "headspace" || !t.Settled || s.Head.N == 0 || sp.batch == nil ||
		len(s.Heads) > 0 && at-s.Heads[len(s.Heads)-1].At < headEvery {
		return
	}
	rule := sp.rest
	rule.Swing = headSwing
	set := s.Head.Settle(at, s.Stand.Stand(at), rule)
	if !set.OK() {
		return
	}
	sight := tote.Sight{Value: set.Value, ValueU: set.U}
	s.dense(sp, &sight)
	r := sp.head.Read(sight)
	if r.Notes&tote.NotRead != 0 || r.Mark != tote.Within {
		return
	}
	if n := len(s.Heads); n >= mostHeads {
		s.Heads = append([]ltote.Head(nil), s.Heads[n/4:]...)
	}
	s.Heads = append(s.Heads, ltote.Head{At: at, Pressure: r.Level, Face: t.Level})
}

// heads are those from an instant on.
func (s *State) heads(since int64) []ltote.Head {
	i := len(s.Heads)
	for i > 0 && s.Heads[i-1].At >= since {
		i--
	}
	return slices.Clip(s.Heads[i:])
}

// dense says how dense the syrup is, as far as is known.
func (s *State) dense(sp *span, sight *tote.Sight) {
	if !sp.syrup.Known {
		return
	}
	p := s.passing(sp)
	now := sp.syrup.Syrup.Near(p.Temp)
	sight.Density = now.Density
	sight.DensityRelU = math.Sqrt(sq(now.DensityU) + sq(now.DensityPerSolids*p.SolidsU) + sq(now.DensityPerKelvin*p.TempU))
}

// toteNow tells what the level sensors say at an instant, and the same as a
// point, for the tote's own account; without a tote or a reading it has no At.
func (s *State) toteNow(sp *span, at int64) (ToteNow, ltote.Point) {
	t := ToteNow{}
	var point ltote.Point
	if sp.tote == nil {
		t.Why = "no tote is described yet"
		return t, point
	}
	t.Name, t.Capacity = sp.tote.Name, litres(sp.tote.CapacityL)
	stand := s.Stand.Stand(at)
	var g *tote.Gauge
	var set ltote.Settled
	restless := 0.0
	// A sensor that fell silent makes way for the other.
	silent := s.Head.Last()-s.Level.Last() > ltote.MaxAge
	if s.Level.N > 0 && sp.tote.SensorM > 0 && !(silent && sp.batch != nil) {
		g, set, restless = &sp.space, s.Level.Settle(at, stand, sp.rest), restlessM
		t.By = "headspace"
	} else if s.Head.N > 0 {
		if sp.batch == nil {
			t.Why = "the pressure sensor needs to know what is in the tote: no batch is booked yet"
			return t, point
		}
		rule := sp.rest
		rule.Swing = headSwing
		g, set, restless = &sp.head, s.Head.Settle(at, stand, rule), restlessPa
		t.By = "head"
	} else {
		t.Why = "no level reading yet"
		return t, point
	}
	t.At, t.Settled, t.Unsettled = set.At, set.OK(), set.Why.String()
	sight := tote.Sight{Value: set.Value, ValueU: set.U}
	if !t.Settled {
		sight.ValueU = max(set.U, set.Spread, restless)
	}
	if s.Air.Has && at-s.Air.At <= tempAge {
		sight.Air, sight.HasAir = quantity.Temperature(s.Air.Value), true
	}
	s.dense(sp, &sight)
	r := g.Read(sight)
	if r.Notes&tote.NotRead != 0 {
		t.Why = "the level sensor's reading cannot be used"
		return t, point
	}
	if r.Mark == tote.Below || r.Mark == tote.Above {
		t.Why = "the level is " + r.Mark.String() + " the strapping table"
	}
	t.Known, t.Level, t.Volume, t.Within = true, r.Level, r.Volume, r.Wide()
	t.LevelU = quantity.Length(sight.ValueU)
	if t.By == "head" {
		t.LevelU = quantity.Length(sight.ValueU / (float64(sight.Density) * tote.Gravity))
	}
	t.Usable = tote.Usable(r.Volume, litres(sp.tote.UnusableL))
	t.Mass, t.MassWithin = r.Mass, quantity.Mass(tote.Wide*r.MassU.U())
	t.Notes = r.Notes.Words()
	t.Most, t.Source = r.U.Largest().String(), g.Table.Source().Words()
	if r.Mass > 0 {
		if w, err := sp.tote.Load(r.Mass, quantity.Mass(r.MassU.U())); err == nil {
			t.Load = w
		}
	}
	alone := hypot(r.U[tote.BySlosh], r.U[tote.ByTilt], r.Area*readM)
	point = ltote.Point{At: set.At, Series: sp.series, Volume: r.Volume, U: quantity.VolumeOf(alone), Rest: t.Settled && r.Mark == tote.Within, Why: set.Why, Tote: t.Name}
	if t.By == "head" {
		point.Series = sp.headSeries // a pressure is a level only of one density
	}
	switch {
	case set.Why == ltote.Silent:
		point.At = at
	case t.Settled && r.Mark != tote.Within:
		point.Why = ltote.NoReading // nothing that the tote could hold
	}
	return t, point
}

// readM is how well a level sensor reads the same level again, m, standard
// uncertainty. Common practice, no source.
const readM = 0.001

func hypot(a, b, c float64) float64 { return math.Sqrt(sq(a) + sq(b) + sq(c)) }

func sq(x float64) float64 { return x * x }

// LearnTote learns a strapping table from the settled levels of the season
// from an instant on, by what the meter counted between them. The table
// shares the meter's error, whose relative standard uncertainty is meterU.
// Errors are *tote.Error.
func (v *View) LearnTote(from int64) (l tote.Learnt, meterU float64, err error) {
	var steps []tote.Step
	for i := range v.Steps {
		if s := &v.Steps[i]; s.At >= from {
			steps = append(steps, tote.Step{Name: strconv.Itoa(i), Run: strconv.Itoa(s.Run), Level: s.Level, LevelU: max(s.LevelU, quantity.Millimetre), In: -s.Metered})
		}
	}
	n := Tally(v, from, math.MaxInt64)
	rel := 0.01
	if all := n.Volume.CubicMetres(); all > 0 && n.Within > 0 {
		rel = n.Budget.U() / all
	}
	l, err = tote.Learn(steps, tote.Learning{MeterRelU: rel})
	return l, rel, err
}
