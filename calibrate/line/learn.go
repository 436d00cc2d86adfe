package line

import (
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/fit"
	"yardtally/calibrate/quantity"
)

// Of names what pulls have in common: one batch's Brix is off by the same in all of its pulls, one
// night's throttle and thermometer in all of that night's.
type Of struct{ Batch, Night string }

// Pull is one pull of a good night: the trigger fully open, and long enough for a steady flow.
type Pull struct {
	Name       string // names it where it does not fit
	Of         Of
	Conditions Conditions
	Flow       quantity.Flow // its plateau
	RelU       float64       // relative standard uncertainty of Flow alone, 0 to 0.5
	SolidsU    quantity.Solids
	TempU      float64 // standard uncertainty of the temperature, K
	OutletU    float64 // relative standard uncertainty of the gauge, common to all pulls, if there is one
}

// Widths are the standard deviations of what is believed before any pull. All zero: UsualWidths.
type Widths struct {
	LnBore     float64
	LnPressure float64
	LnNozzle   float64
	Reel       float64 // which part of the hose is on the reel
	Friction   float64 // logarithm of the friction where it is transitional
	Night      float64 // logarithm of the pump's pressure, from night to night, its speed not being measured
	Measured   float64 // the same where it is
	Scatter    float64 // of pulls against each other, to begin with
}

// UsualWidths returns the widths where nothing better is known. Judgement: a bore within some 1 mm of 19, a
// pump and its speed within a third, a nozzle and all other losses like it; a hand on the throttle
// within 6 % of the speed; ±30 % of friction, any value as likely.
func UsualWidths() Widths {
	return Widths{LnBore: 0.035, LnPressure: 0.3, LnNozzle: 0.35, Reel: 0.2, Friction: 0.3 / 1.7320508,
		Night: 0.12, Measured: 0.02, Scatter: 0.025}
}

// Limits of learning. From the scatter of some pulls much less than leastScatter would be luck.
const (
	maxPulls     = 400
	maxGroups    = 60   // batches, nights
	leastScatter = 0.01 // of ln flow
	widest       = 0.4  // of ln flow: more is no line at work
	beliefs      = 5    // pulls' worth of Widths.Scatter
	oddZ         = 4.0
	huber        = 1.5
)

// Parameters of the fit, in their order; then the batches' Brix, then for each night the
// logarithm of the pump's pressure and the thermometer's error. Formula errors are in the standard
// uncertainties that the syrup room states.
const (
	parBore = iota
	parPressure
	parNozzle
	parReel
	parFriction
	parCane
	parCorn
	parGauge
	parFirst // of the groups
)

// Outlier is a pull that was left out. Off is infinite where nothing should have flowed.
type Outlier struct {
	Pull int // its index
	Name string
	Off  float64 // of its flow, relative to what the others let expect
}

// Words says it in a sentence.
func (o Outlier) Words() string {
	if math.IsInf(o.Off, 1) {
		return fmt.Sprintf("Pull %s flowed where the line as labelled lets nothing flow, and was left out.", o.Name)
	}
	what := "slower"
	if o.Off > 0 {
		what = "faster"
	}
	return fmt.Sprintf("Pull %s was %.0f %% %s than the others let expect and was left out.", o.Name, 100*math.Abs(o.Off), what)
}

// Learnt is a line as its own pulls have it.
type Learnt struct {
	Label Line
	Scale Scale
	Prior Widths
	// U are the standard uncertainties of Scale; Told how much of the prior's width the pulls left,
	// 1 being that they said nothing. Together is the same for 4·LnBore + LnPressure, which is all
	// that thick syrup hangs on.
	U, Told  Scale
	Together float64
	Scatter  float64 // of pulls, relative standard deviation: what no cause explains
	Outliers []Outlier
	Used     int
	Chi2     float64 // of pulls and priors, DOF degrees of freedom
	DOF      int

	coef   []float64 // all parameters
	cov    [][]float64
	batch  map[string]int // their parameter
	night  map[string]int // the first of theirs
	linked Line           // Label with Scale
	hangs  float64        // by how much pulls hang on the nozzle, mean
}

// learner is the fit while it is under way.
type learner struct {
	*Learnt
	pulls  []Pull
	widths []float64 // of all parameters
	taken  float64   // how many of them the pulls tell, in all
	out    []bool
	rows   [][]float64 // slopes of ln flow
	resid  []float64   // of ln flow
}

// Learn fits bore, pressure and nozzle of a line to pulls, beside what pulls have in common: Brix of a
// batch, throttle and thermometer of a night, the formulas, the reel, friction in the transition.
// It takes 400 pulls at most, of 60 batches and 60 nights. Pulls that are off by four standard
// deviations are left out and named; pulls that scatter by more than 0.4 are refused. Errors are *Error.
func Learn(pulls []Pull, label Line, prior Widths) (Learnt, error) {
	if prior == (Widths{}) {
		prior = UsualWidths()
	}
	l := &learner{Learnt: &Learnt{Label: label, Prior: prior, Scatter: prior.Scatter}, pulls: pulls}
	if err := l.prepare(); err != nil {
		return Learnt{}, err
	}
	// Gauss and Newton: the logarithm of a flow is close to straight in those of the labels. Pulls far
	// off count less (Huber), then not at all.
	var f *fit.Fit
	for round := range 40 {
		l.expect(round < 3 || round%3 == 0) // slopes change little
		if round > 0 {
			l.spread()
		}
		var err error
		if f, err = l.solve(round); err != nil {
			return Learnt{}, &Error{"pulls", "must let a line be fitted", err}
		}
		step := 0.0
		for j := range l.coef {
			d := f.Coef[j]
			if limit := 0.5 * l.widths[j]; round < 20 {
				d = min(max(d, -3*l.widths[j]), 3*l.widths[j])
			} else { // a wobble across the transition ends
				d = min(max(d/2, -limit), limit)
			}
			l.coef[j] += d
			step = max(step, math.Abs(d)/l.widths[j])
		}
		l.place()
		if step < 1e-3 && round > 5 { // of their widths
			break
		}
	}
	l.expect(false)
	l.cov, l.Chi2, l.DOF = f.Cov, f.RSS, f.DOF
	for i, out := range l.out {
		if out {
			l.Outliers = append(l.Outliers, Outlier{i, pulls[i].Name, math.Expm1(l.resid[i])})
		}
	}
	if err := between("scatter of pulls", l.Scatter, 0, widest); err != nil {
		return Learnt{}, err
	}
	u := func(j int) float64 { return math.Sqrt(l.cov[j][j]) }
	l.U = Scale{u(parBore), u(parPressure), u(parNozzle)}
	l.Told = Scale{l.U.LnBore / prior.LnBore, l.U.LnPressure / prior.LnPressure, l.U.LnNozzle / prior.LnNozzle}
	for _, row := range l.rows {
		l.hangs += row[parNozzle] / float64(len(pulls))
	}
	both := 16*l.cov[parBore][parBore] + 8*l.cov[parBore][parPressure] + l.cov[parPressure][parPressure]
	l.Together = math.Sqrt(both / (16*square(prior.LnBore) + square(prior.LnPressure)))
	return *l.Learnt, nil
}

// prepare checks what came in and gives every group its parameters.
func (l *learner) prepare() error {
	if err := l.Label.Check(); err != nil {
		return err
	}
	w := &l.Prior
	for _, x := range [...]struct {
		field string
		v     float64
	}{{"width of bore", w.LnBore}, {"width of pressure", w.LnPressure}, {"width of nozzle", w.LnNozzle}, {"width of reel", w.Reel},
		{"width of friction", w.Friction}, {"width of nights", w.Night}, {"width of measured nights", w.Measured}, {"width of scatter", w.Scatter}} {
		if err := between(x.field, x.v, 1e-4, 2); err != nil {
			return err
		}
	}
	if err := between("pulls", float64(len(l.pulls)), 1, maxPulls); err != nil {
		return err
	}
	l.widths = []float64{w.LnBore, w.LnPressure, w.LnNozzle, w.Reel, w.Friction, 1, 1, 1e-3}
	l.batch, l.night = map[string]int{}, map[string]int{}
	for i := range l.pulls {
		p := &l.pulls[i]
		err := p.Conditions.check()
		for _, e := range []error{
			between("flow, m³/s", float64(p.Flow), 1e-9, 10), between("uncertainty of flow", p.RelU, 0, 0.5),
			between("uncertainty of solids", float64(p.SolidsU), 0, 0.2), between("uncertainty of temperature, K", p.TempU, 0, 20),
			between("uncertainty of outlet pressure", p.OutletU, 0, 0.5),
		} {
			if err == nil {
				err = e
			}
		}
		if err != nil {
			return &Error{"pull " + p.Name, err.Error(), i}
		}
		l.widths[parGauge] = max(l.widths[parGauge], p.OutletU)
		if _, ok := l.batch[p.Of.Batch]; !ok {
			l.batch[p.Of.Batch] = len(l.widths)
			l.widths = append(l.widths, max(1e-5, float64(p.SolidsU)))
		}
		if _, ok := l.night[p.Of.Night]; !ok {
			l.night[p.Of.Night] = len(l.widths)
			l.widths = append(l.widths, l.nightWidth(&p.Conditions), max(1e-3, p.TempU))
		}
	}
	if err := between("batches", float64(len(l.batch)), 1, maxGroups); err != nil {
		return err
	}
	if err := between("nights", float64(len(l.night)), 1, maxGroups); err != nil {
		return err
	}
	n := len(l.pulls)
	l.coef = make([]float64, len(l.widths))
	l.out, l.rows, l.resid = make([]bool, n), make([][]float64, n), make([]float64, n)
	for i := range l.rows {
		l.rows[i] = make([]float64, len(l.widths))
	}
	l.place()
	return nil
}

func (l *Learnt) nightWidth(c *Conditions) float64 {
	if c.Speed > 0 {
		return l.Prior.Measured
	}
	return l.Prior.Night
}

// place takes the first parameters over into the line.
func (l *Learnt) place() {
	l.Scale = Scale{l.coef[parBore], l.coef[parPressure], l.coef[parNozzle]}
	l.linked = l.Label.With(l.Scale)
}

// expect fills residuals, and rows if asked to.
func (l *learner) expect(rows bool) {
	for i := range l.pulls {
		p := &l.pulls[i]
		var row []float64
		if rows {
			row = l.rows[i]
		}
		at, _, ok := l.point(&p.Conditions, l.batch[p.Of.Batch], l.night[p.Of.Night], row)
		l.resid[i] = math.Inf(1) // it flowed where nothing should
		if ok {
			l.resid[i] = math.Log(float64(p.Flow / at.Flow))
		}
	}
}

// spread finds how much pulls scatter beyond what each is said to, by the median.
func (l *learner) spread() {
	off, own := make([]float64, 0, len(l.pulls)), 0.0
	for i, r := range l.resid {
		off = append(off, math.Abs(r))
		own += square(l.pulls[i].RelU) / float64(len(l.pulls))
	}
	slices.Sort(off)
	n := float64(len(off))
	median := (off[(len(off)-1)/2] + off[len(off)/2]) / 2
	// The fit follows its own pulls as far as it has parameters to.
	seen := max(0, square(1.4826*median)*n/max(n/3, n-l.taken)-own) * n
	l.Scatter = max(leastScatter, math.Sqrt((beliefs*square(l.Prior.Scatter)+seen)/(beliefs+n)))
}

// solve finds the next step of all parameters.
func (l *learner) solve(round int) (*fit.Fit, error) {
	l.Used = 0
	var x [][]float64
	var y, sd []float64
	for i, r := range l.resid {
		s := math.Hypot(math.Hypot(l.pulls[i].RelU, l.Scatter), l.form(l.rows[i]))
		z := math.Abs(r) / s
		if l.out[i] = z > oddZ && (round >= 4 || math.IsInf(z, 1)); l.out[i] {
			continue
		}
		l.Used++
		x, y = append(x, l.rows[i]), append(y, r)
		sd = append(sd, s*math.Sqrt(max(1, z/huber)))
		if row, off, s, ok := l.lift(&l.pulls[i]); ok {
			x, y, sd = append(x, row), append(y, off), append(sd, s*math.Sqrt(max(1, math.Abs(off)/s/huber)))
		}
	}
	if l.Used == 0 {
		return nil, fit.ErrShape
	}
	priors := make([]fit.Prior, len(l.widths))
	for j, w := range l.widths {
		priors[j] = fit.Prior{Coef: j, Mean: -l.coef[j], SD: w}
	}
	f, err := fit.Linear(fit.WithPriors(x, y, sd, priors...))
	if err != nil {
		return nil, err
	}
	l.taken = 0
	for j, w := range l.widths {
		l.taken += 1 - min(1, f.Cov[j][j]/(w*w))
	}
	return f, nil
}
