package tote

import (
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/quantity"
)

// Step is a settled level, and what the meter had counted by then.
type Step struct {
	Name string // names it where it does not fit
	// Run joins the steps between which everything that went in or out was
	// metered. What the tote held when a run began is not known.
	Run    string
	Level  quantity.Length
	LevelU quantity.Length // standard uncertainty of this level alone; 0: 2 mm
	// In is what the meter counted into the tote since the run began; what it
	// counted out is below zero.
	In  quantity.Volume
	InU quantity.Volume // standard uncertainty of In alone, the meter's common error not in it; 0: 20 mL
}

// Learning says how to learn.
type Learning struct {
	// MeterRelU is the relative standard uncertainty that all metered volumes
	// share: the K-factor's.
	MeterRelU float64
	// Stray is how far the plan area strays from its mean over a quarter of a
	// metre, relative standard deviation; 0: 3 %, a caged tote's bulge (common
	// practice, no source).
	Stray float64
	// FloorU is the standard uncertainty of what lies below level 0; 0: 5 L.
	FloorU quantity.Volume
	// Known are volumes that are known apart from the meter, such as a weighed
	// load; may be none. Their U must be above 0.
	Known []Strap
}

// Odd is what does not fit the rest.
type Odd struct {
	Step int    // its index
	Name string // and name
	Off  quantity.Volume
	// Shift: from this step on the rest of its run stands off by Off against
	// what came before. The steps are used, with the run cut in two here. Else
	// the step alone is off by Off, and is not used.
	Shift bool
}

// Words says it in a sentence.
func (o Odd) Words(s quantity.System) string {
	size := max(o.Off, -o.Off)
	if o.Shift {
		what := "more went out than the meter counted, or less came in"
		if o.Off > 0 {
			what = "more came in than the meter counted, or less went out"
		}
		return fmt.Sprintf("From step %s on the tote stands off by %s: %s. The run was cut in two there.", o.Name, s.Volume(size), what)
	}
	return fmt.Sprintf("Step %s is off by %s against all others and was left out: a bad level, or flow that was not metered.", o.Name, s.Volume(size))
}

// Range is a stretch of levels.
type Range struct{ From, To quantity.Length }

// Learnt is what came of learning.
type Learnt struct {
	Table Table // from the lowest to the highest level seen; below and above it is not covered
	Odd   []Odd
	Gaps  []Range // stretches inside the table that no step covers; marked Gap
	Used  int     // steps
	Runs  int     // runs that say something, those that were cut counted apart
	// Spread is how much wider the steps scatter than their uncertainties say;
	// the table's own uncertainty is widened by it where it is above 1.
	Spread float64
}

// LeastRange is how much of the level all steps together must cover. Judgement.
const LeastRange = 50 * quantity.Millimetre

// Limits of learning.
const (
	maxSteps   = 2000
	maxRuns    = 64
	learnLines = 40
	stray      = 0.03
	strayOver  = 0.25                  // m
	widestGap  = 0.25 * quantity.Metre // between two steps
	oddZ2      = 16.0                  // a step off by 4 standard deviations
	maxOdd     = 100
	leastPiece = 3                        // steps on either side of a cut
	shiftLimit = 20.0                     // a cut; many places are tried
	usualInU   = 20 * quantity.Millilitre // some pulses
	usualStepU = 2 * quantity.Millimetre  // a settled level
	usualFloor = 5 * quantity.Litre       // a floor that is not flat, a sensor's mounting
	weakArea   = 20.0                     // m², standard deviation of what is not known at all
	weakRun    = 100.0                    // m³, the same
	maxMetered = 10 * quantity.CubicMetre // into or out of a tote in a run
)

// learner holds the steps and the linear model
//
//	V(x) = V0 + ∫0..x a(z) dz,  a = mean + stray(z);  V(level) - start of the run = In
//
// a is straight between learnLines+1 nodes from the floor to the highest level.
// Its stray is an Ornstein-Uhlenbeck process: no shape is assumed, only how
// far and how fast it strays. All are normal distributions, so the least-squares
// answer is the mean, and the inverse of its normal matrix the covariance.
type learner struct {
	steps []Step
	run   []int  // index of the run, grows where runs are cut
	out   []bool // left out
	runs  int
	o     Learning
	h     float64 // between nodes
	area  float64 // about, to turn a level's error into a volume's
	scale float64 // of the steps' uncertainties

	row  []float64
	p    []float64 // parameters: V0, mean area, stray at the nodes, runs' starts
	c    []float64 // their covariance
	size int
	resi []float64 // residuals of the steps, m³
	loo  []float64 // variance of a step against the fit of all others, m⁶
}

// nodes is how many parameters come before the runs' starts.
const nodes = 2 + learnLines + 1

// Learn makes a table from metered steps: repeated fills and draws, in any
// number of runs. Steps of one run must stand in order of time. The table inherits the meter's error:
// its Source is Metered, and it can show drift only. Steps that do not fit are
// left out and named, jumps of a run are cut and named. It is refused where
// more than a quarter, or 100, do not fit. All errors are *Error.
func Learn(steps []Step, o Learning) (Learnt, error) {
	l, err := newLearner(steps, o)
	if err != nil {
		return Learnt{}, err
	}
	undetermined := &Error{"steps", "must determine the tote", "not so"}
	if !l.fit() {
		return Learnt{}, undetermined
	}
	var odd []Odd
	for {
		found, z2, ok := l.oddest()
		if !ok {
			break
		}
		// It is judged by how widely the others scatter once it is out.
		runs := slices.Clone(l.run)
		if found.Shift {
			l.cut(found.Step)
		} else {
			l.out[found.Step] = true
		}
		fits := l.fit()
		if wide := l.wide(); fits && z2 > float64(wide*wide)*limit(found.Shift) {
			if odd = append(odd, found); len(odd) > max(1, min(maxOdd, len(steps)/4)) {
				return Learnt{}, &Error{"steps", fmt.Sprintf("no more than a quarter, or %d, may be off against the rest", maxOdd), fmt.Sprintf("%d of %d, such as %s", len(odd), len(steps), found.Name)}
			}
			continue
		}
		l.out[found.Step] = false
		if found.Shift {
			l.run, l.runs = runs, l.runs-1
		}
		if !l.fit() {
			return Learnt{}, undetermined
		}
		break
	}
	spread := l.spread()
	if spread > 1 {
		l.scale = spread
		l.fit()
	}
	slices.SortFunc(odd, func(a, b Odd) int { return a.Step - b.Step })
	return l.learnt(odd, spread)
}

func newLearner(steps []Step, o Learning) (*learner, error) {
	if len(steps) < 3 || len(steps) > maxSteps {
		return nil, &Error{"steps", fmt.Sprintf("must be 3 to %d", maxSteps), len(steps)}
	}
	if !(o.MeterRelU >= 0 && o.MeterRelU <= 0.5) {
		return nil, &Error{"meter_rel_u", "must be between 0 and 0.5", o.MeterRelU}
	}
	if !(o.Stray >= 0 && o.Stray <= 0.5) {
		return nil, &Error{"stray", "must be between 0 and 0.5", o.Stray}
	}
	if o.FloorU < 0 || o.FloorU > quantity.CubicMetre {
		return nil, &Error{"floor_u", "must be between 0 and 1000 L", o.FloorU}
	}
	l := &learner{steps: slices.Clone(steps), run: make([]int, len(steps)), out: make([]bool, len(steps)), o: o, scale: 1,
		resi: make([]float64, len(steps)), loo: make([]float64, len(steps))}
	l.o.Stray = or(o.Stray, stray)
	if o.FloorU == 0 {
		l.o.FloorU = usualFloor
	}
	top := quantity.Length(0)
	names := map[string]int{}
	begin := []quantity.Volume{}
	for i := range l.steps {
		s := &l.steps[i]
		if s.Name == "" {
			s.Name = fmt.Sprint(i + 1)
		}
		field := func(f string) string { return fmt.Sprintf("steps[%d].%s", i, f) }
		switch {
		case !(s.Level >= 0 && s.Level <= maxLevel):
			return nil, &Error{field("level"), "must be between 0 and 20 m", s.Level}
		case !(s.LevelU >= 0 && s.LevelU <= 1):
			return nil, &Error{field("level_u"), "must be between 0 and 1 m", s.LevelU}
		case s.InU < 0 || s.InU > quantity.CubicMetre:
			return nil, &Error{field("in_u"), "must be between 0 and 1000 L", s.InU}
		}
		s.LevelU = quantity.Length(or(float64(s.LevelU), float64(usualStepU)))
		if s.InU == 0 {
			s.InU = usualInU
		}
		r, has := names[s.Run]
		if !has {
			if r = len(names); r == maxRuns {
				return nil, &Error{"steps", fmt.Sprintf("must be of %d runs at most", maxRuns), "more"}
			}
			names[s.Run] = r
			begin = append(begin, s.In)
		}
		// A season's running total may be given for In: only differences count.
		in := float64(s.In) - float64(begin[r])
		if math.Abs(in) > float64(maxMetered) {
			return nil, &Error{field("in"), "must be within 10000 L of its run's first", s.In}
		}
		s.In = quantity.Volume(in)
		l.run[i] = r
		top = max(top, s.Level)
	}
	for i, k := range o.Known {
		if !(k.Level >= 0 && k.Level <= maxLevel) {
			return nil, &Error{fmt.Sprintf("known[%d].level", i), "must be between 0 and 20 m", k.Level}
		}
		if k.Volume < 0 || k.Volume > maxCapacity || k.U <= 0 || k.U > maxCapacity {
			return nil, &Error{fmt.Sprintf("known[%d].volume", i), "must be between 0 and 1000000 L, with an uncertainty", k.Volume}
		}
		top = max(top, k.Level)
	}
	l.runs = len(names)
	l.h = float64(top) / learnLines
	if low, high := l.covered(); high-low < LeastRange {
		return nil, &Error{"steps", "must cover at least 50 mm of level", high - low}
	}
	if l.area = l.rough(); l.area == 0 {
		return nil, &Error{"steps", "must hold a run with two steps at least 10 mm apart", "none"}
	}
	return l, nil
}

// covered returns the lowest and highest level of the steps that count.
func (l *learner) covered() (low, high quantity.Length) {
	low = maxLevel
	for i, s := range l.steps {
		if !l.out[i] {
			low, high = min(low, s.Level), max(high, s.Level)
		}
	}
	return low, high
}

// rough returns the median plan area that pairs of steps that follow each other in a run speak for.
func (l *learner) rough() float64 {
	var a []float64
	last := make([]int, l.runs) // index + 1
	for i, s := range l.steps {
		if j := last[l.run[i]]; j > 0 {
			d := s.Level - l.steps[j-1].Level
			if math.Abs(float64(d)) < 0.01 {
				continue // wait for one farther off
			}
			a = append(a, math.Abs((s.In-l.steps[j-1].In).CubicMetres()/float64(d)))
		}
		last[l.run[i]] = i + 1
	}
	if len(a) == 0 {
		return 0
	}
	slices.Sort(a)
	return max(0.001, a[len(a)/2])
}

// basis writes what V(level) is made of into row: by node parameters alone.
func (l *learner) basis(row []float64, level float64) {
	clear(row)
	row[0], row[1] = 1, level
	k := min(int(level/l.h), learnLines-1)
	f := level/l.h - float64(k)
	for j := range k {
		row[2+j] += l.h / 2
		row[3+j] += l.h / 2
	}
	row[2+k] += l.h * (f - float64(f*f)/2)
	row[3+k] += l.h * f * f / 2
}

// variance of a step's residual by its own uncertainties, m⁶.
func (l *learner) variance(s *Step) float64 {
	in, level := s.InU.CubicMetres(), l.area*float64(s.LevelU)
	return (float64(in*in) + float64(level*level)) * float64(l.scale*l.scale)
}

// fit solves for all parameters, twice: the second time with the area that the
// first found. It is false if they cannot be had.
func (l *learner) fit() bool {
	for range 2 {
		if !l.solve() {
			return false
		}
		if !(l.p[1] > 0) {
			break // learnt says what is wrong
		}
		l.area = l.p[1]
	}
	return true
}

func (l *learner) solve() bool {
	n := nodes + l.runs
	l.size = n
	l.row = make([]float64, nodes)
	a, b := make([]float64, n*n), make([]float64, n)
	l.prior(a)
	for i := range l.steps {
		if s := &l.steps[i]; !l.out[i] {
			l.basis(l.row, float64(s.Level))
			w := 1 / l.variance(s)
			r := nodes + l.run[i]
			l.add(a, b, w, s.In.CubicMetres())
			for j, v := range l.row {
				a[r*n+j] -= w * v
			}
			a[r*n+r] += w
			b[r] -= w * s.In.CubicMetres()
		}
	}
	for _, k := range l.o.Known {
		l.basis(l.row, float64(k.Level))
		u := k.U.CubicMetres()
		l.add(a, b, 1/float64(u*u), k.Volume.CubicMetres())
	}
	if l.c = invert(a, n); l.c == nil {
		return false
	}
	l.p = times(l.c, b)
	for i := range l.steps {
		s := &l.steps[i]
		l.basis(l.row, float64(s.Level))
		r := nodes + l.run[i]
		fit, spread := -l.p[r], l.c[r*n+r]
		for j, v := range l.row {
			if v == 0 {
				continue
			}
			fit += float64(v * l.p[j])
			sum := -2 * l.c[r*n+j]
			for k, x := range l.row {
				sum += float64(l.c[j*n+k] * x)
			}
			spread += float64(v * sum)
		}
		l.resi[i] = s.In.CubicMetres() - fit
		// Leaving a used step out: its residual grows to r/(1-h) with h =
		// spread/σ², and the variance it then has is σ²/(1-h).
		own := l.variance(s)
		l.loo[i] = max(own-spread, 1e-6*own)
	}
	return true
}

// add takes an observation with l.row and weight w into the lower half of the
// normal equations, for the node parameters.
func (l *learner) add(a, b []float64, w, y float64) {
	n := l.size
	for j, v := range l.row {
		if v == 0 {
			continue
		}
		wv := w * v
		for k, x := range l.row[:j+1] {
			a[j*n+k] += wv * x
		}
		b[j] += wv * y
	}
}

// prior puts in what is known before any step.
func (l *learner) prior(a []float64) {
	n := l.size
	floor := l.o.FloorU.CubicMetres()
	a[0] = 1 / float64(floor*floor)
	a[n+1] = 1 / (weakArea * weakArea)
	for r := range l.runs {
		a[(nodes+r)*(n+1)] = 1 / (weakRun * weakRun)
	}
	// Inverse covariance of an Ornstein-Uhlenbeck process at even spacing.
	sd := l.o.Stray * l.area
	rho := math.Exp(-l.h / strayOver)
	q := 1 / (sd * sd * (1 - rho*rho))
	for j := 2; j < nodes; j++ {
		d := 1 + rho*rho
		if j == 2 || j == nodes-1 {
			d = 1
		}
		a[j*n+j] = q * d
		if j > 2 {
			a[j*n+j-1] = -q * rho
		}
	}
}

// spread returns the root of the mean square of the residuals, by their own
// uncertainties, degrees of freedom counted; 1 where there are too few.
func (l *learner) spread() float64 {
	sum, free := 0.0, 0.0
	for i := range l.steps {
		if l.out[i] {
			continue
		}
		v := l.variance(&l.steps[i])
		sum += float64(l.resi[i]*l.resi[i]) / v
		free += min(1, l.loo[i]/v)
	}
	if free < 3 {
		return 1
	}
	return math.Sqrt(sum / free)
}

// learnt makes the table of what was fitted.
func (l *learner) learnt(odd []Odd, spread float64) (Learnt, error) {
	out := Learnt{Odd: odd, Spread: spread}
	seen := make([]int, l.runs)
	var levels []quantity.Length
	for i, s := range l.steps {
		if !l.out[i] {
			out.Used++
			levels = append(levels, s.Level)
			if seen[l.run[i]]++; seen[l.run[i]] == 2 {
				out.Runs++
			}
		}
	}
	slices.Sort(levels)
	low, high := levels[0], levels[len(levels)-1]
	if high-low < LeastRange {
		return Learnt{}, &Error{"steps", "must cover at least 50 mm of level without those that do not fit", high - low}
	}
	// Lines at both ends and at the nodes between, and the response of all to a
	// relative error of the meter: the fit is linear in In.
	at := []float64{float64(low)}
	for j := 1; j < learnLines; j++ {
		if z := float64(j) * l.h; z > float64(low)+l.h/4 && z < float64(high)-l.h/4 {
			at = append(at, z)
		}
	}
	at = append(at, float64(high))
	b := make([]float64, l.size)
	for i := range l.steps {
		if s := &l.steps[i]; !l.out[i] {
			l.basis(l.row, float64(s.Level))
			y := s.In.CubicMetres() / l.variance(s)
			for j, v := range l.row {
				b[j] += float64(v * y)
			}
			b[nodes+l.run[i]] -= y
		}
	}
	meter := times(l.c, b)[:nodes]
	n, m := l.size, len(at)
	rows := make([]float64, m*nodes)
	for i, z := range at {
		l.basis(rows[i*nodes:(i+1)*nodes], z)
	}
	cov := make([]float64, m*m)
	half := make([]float64, nodes)
	for i := range m {
		ri := rows[i*nodes : (i+1)*nodes]
		for j := range half {
			half[j] = dot(l.c[j*n:j*n+nodes], ri)
		}
		for k := range m {
			cov[i*m+k] = dot(half, rows[k*nodes:(k+1)*nodes])
		}
	}
	t := Table{lines: make([]line, m), cov: cov, source: Metered, meterU: l.o.MeterRelU}
	for i := range t.lines {
		ri := rows[i*nodes : (i+1)*nodes]
		v := dot(l.p[:nodes], ri)
		t.lines[i] = line{level: quantity.Length(at[i]), volume: max(0, quantity.VolumeOf(v)), u: math.Sqrt(max(0, cov[i*m+i])), meter: dot(meter, ri)}
		if i > 0 && t.lines[i].volume <= t.lines[i-1].volume {
			return Learnt{}, &Error{"steps", "the volume must rise with the level (is what was drawn below zero?); it does not from", t.lines[i-1].level}
		}
	}
	for i := 1; i < len(levels); i++ {
		if levels[i]-levels[i-1] <= widestGap {
			continue
		}
		out.Gaps = append(out.Gaps, Range{levels[i-1], levels[i]})
		for k := range m - 1 {
			if a, b := t.lines[k].level, t.lines[k+1].level; a < levels[i] && b > levels[i-1] && (a+b)/2 > levels[i-1] && (a+b)/2 < levels[i] {
				t.lines[k].gap = true
			}
		}
	}
	out.Table = t
	return out, nil
}
