package watch

import "yardtally/meter/chart"

// The charts' limits, in standard deviations, and the average run lengths in
// pulls that they give while nothing changes, all of whose scores are normal: a test
// works them out anew. At 40 pulls an hour 100 feeding hours are 4,000.
const (
	// sumSlack and sumLimit: a sum sees a shift of 1.5 soonest. Three pulls that
	// are far off are beyond it, two are not.
	sumSlack = 0.75
	sumLimit = 7.5
	sumARL   = 1.91e5 // of both sides together
	// meanShare and meanWidth: drifts of a night. Pulls beyond clip are not shown to it.
	meanShare = 0.15
	meanWidth = 4.6
	meanARL   = 2.94e5
	// warn: two of three above it on the upper side, where no hand leads.
	point    = 5.5
	warn     = 3.4
	pointARL = 4.07e6 // that side alone is half as often off by chance
	// allARL is that of all together, at least: 2,500 feeding hours.
	allARL = 1e5
	// clip is what a score counts as at most.
	clip = 3.5
)

// SumLimit is what Judged.Slow and Fast signal beyond.
const SumLimit = sumLimit

func newCharts() (c charts) {
	c.sum, _ = chart.NewCusum(sumSlack, sumLimit, 0)
	c.mean, _ = chart.NewEwma(meanShare, meanWidth)
	c.high, _ = chart.NewPoints(point, warn)
	return c
}

// Judgement, where nothing else is said.
const (
	leastTold  = 0.10 // of ln flow: a tenth slower or faster is nobody's business
	leastGrown = 0.28 // the same of what grew: formulas are off by some 10 % over a night that gets cold
	leastWhole = 0.22 // of a night as a whole: what three nights taught carries no farther
	farOff     = 0.35 // the same until the rig is learnt
	threePulls = 3    // a verdict of flow needs so many
	manyHeld   = 5    // on end: no hand does that, however they differ
	manyPulls  = 6    // from then on it is told, sudden or gradual not being sure
	earlyPulls = 3
	plainStep  = 0.25 // of ln flow: three pulls as far off are no slope
	fewNights  = 3    // nights' worth of belief in what is said of how nights differ
	longPulls  = 12   // a sudden change that lasts so long stays
	beyond     = 3.3  // of the standard deviations that a night may be off by
	half       = 0.5  // of ln flow: told at once
	slowDrift  = 0.35 // of ln flow: what a night's base may wander
	heldShare  = 0.07 // of pulls held back by the hand, to begin with
	leastOpen  = 0.1  // of the nozzle's area, where the hand holds back
	leastHand  = 0.4  // of ln flow: that much at least is left to the hand, where the nozzle is not well known
	farHand    = 0.65 // what is beyond that, and beyond what the nozzle lets a hand do, is no hand's
	jump       = 0.2  // of ln flow, from pull to pull: more is no growth
	widely     = 0.6  // of ln flow: where a hand can hold back by more, two pulls are not alike by chance
	fastShare  = 0.01 // of pulls that are too fast for reasons of their own
	fastWidth  = 1.0
	wander     = 0.003 // of a night's base from pull to pull, ln flow
	tempU      = 0.7   // K, of the tote's temperature
	noTempU    = 6     // the same where nothing measures it
	solidsU    = 0.005 // of declared solids, where it is not said
	anySolids  = 0.62  // where no batch is said
	anySolidsU = 0.04
	unlike     = 0.4 // share of a formula's error that Prediction takes for other than what was learnt with
	outside    = 0.2 // of ln viscosity beyond what was learnt of: the line's own law may be another there
	hoseShare  = 0.3 // of the difference between tote and hose: how well the hose's own temperature is known
	speedStep  = 0.05
	deadhead   = int64(600e9)
	tooHot     = 45.0 // °C: HMF forms clearly from 40 °C on and leaps at 49 (LeBlanc et al. 2009, by summaries)
	hotBack    = 43.0
)
