package watch

import (
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/meter/chart"
)

// Season is what earlier nights taught about the rig.
type Season struct {
	Learnt  line.Learnt
	Has     bool
	Nights  int
	NightU  float64 // usual difference between nights, standard deviation of ln flow
	Nightly float64 // the same as a multiple of what is said of it, with some belief in that; 1: just so
	Scatter float64 // of a pull about its night's own level, standard deviation of ln flow
	Held    float64 // share of pulls that the hand held back
	// Thin and Thick are the logarithms of the thinnest and the thickest syrup's
	// viscosity in the hose.
	Thin, Thick float64
}

const (
	maxLearnt    = 400 // pulls
	maxNights    = 60
	leastScatter = 0.01
	leastPulls   = 8 // of a night
)

// Learn learns the rig from its own good nights, the newest last: from pulls
// with a plateau, 400 at most, evenly from all nights of the newest 60. Nights on
// which something was the matter are not to be among them. The error is of line
// (no pulls, pulls that no line gives).
func Learn(nights [][]Pull, label line.Line) (Season, error) {
	nights = slices.DeleteFunc(slices.Clone(nights), func(n []Pull) bool {
		good := 0
		for i := range n {
			if n[i].judged() && !n[i].idling() && !n[i].Moving {
				good++
			}
		}
		return good < leastPulls
	})
	nights = nights[max(0, len(nights)-maxNights):]
	w := NewWatcher(&label, nil)
	each := make([][]lesson, len(nights))
	all := 0
	for i, n := range nights {
		each[i] = w.plan(n)
		all += len(each[i])
	}
	var pulls []line.Pull
	step, at := max(1, float64(all)/maxLearnt), 0.0
	for i := range each {
		for k := range each[i] {
			if at -= 1; at > 0 {
				continue
			}
			at += step
			e := &each[i][k]
			if len(pulls) == maxLearnt {
				break
			}
			pulls = append(pulls, line.Pull{Name: fmt.Sprint(e.session, "/", e.first), Of: line.Of{Batch: e.batch(i), Night: fmt.Sprint(i)},
				Conditions: e.c, Flow: e.flow, RelU: e.relU, SolidsU: e.known.SolidsU, TempU: e.known.TempU})
		}
	}
	learnt, err := line.Learn(pulls, label, line.Widths{})
	if err != nil {
		return Season{}, fmt.Errorf("learning the rig: %w", err)
	}
	s := Season{Learnt: learnt, Has: true, Nights: len(nights), Thin: math.Inf(1), Thick: math.Inf(-1)}
	for i := range pulls {
		mu := thickness(&pulls[i].Conditions)
		s.Thin, s.Thick = min(s.Thin, mu), max(s.Thick, mu)
	}
	s.measure(each)
	return s, nil
}

// thickness is the logarithm of the viscosity in the middle of the hose.
func thickness(c *line.Conditions) float64 {
	return math.Log(float64(c.Hose[line.Cells/2].Viscosity))
}

// lesson is what is kept of a pull to learn from: a season has thousands.
type lesson struct {
	session, first uint64
	flow           quantity.Flow
	relU           float64
	known          line.Known
	c              line.Conditions
}

// batch names a batch to the fit: one that is not said is the night's own.
func (e *lesson) batch(night int) string {
	if e.known.Of.Batch == "" {
		return fmt.Sprint("of night ", night)
	}
	return e.known.Of.Batch
}

// plan returns the pulls of a night that are worth learning from, with their
// conditions.
func (w *Watcher) plan(n []Pull) []lesson {
	out := make([]lesson, 0, len(n))
	var last *expected
	for i := range n {
		e := w.expect(last, &n[i])
		last = &e
		if e.ok {
			out = append(out, lesson{e.pull.Session, e.pull.First, e.pull.Flow, math.Hypot(e.pull.RelU, e.warmU), e.known, e.c})
		}
	}
	return out
}

// measure works out how pulls scatter about their night's level, and nights.
func (s *Season) measure(each [][]lesson) {
	var scatters []float64
	said, seen := 0.0, 0.0 // sums of squares of what nights are off by, as said and as seen
	held, all := 0, 0
	for i := range each {
		var off, anew, width []float64 // with what is known of that night, and as of any other
		for k := range each[i] {
			e := &each[i][k]
			for _, of := range [...]line.Of{{Batch: e.batch(i), Night: fmt.Sprint(i)}, {}} {
				known := e.known
				known.Of = of
				p, err := s.Learnt.Predict(&e.c, known)
				if err != nil || p.Flow <= 0 {
					continue
				}
				if r := math.Log(float64(e.flow / p.Flow)); of.Night == "" {
					anew = append(anew, r)
					width = append(width, whole(&p))
				} else {
					off = append(off, r)
				}
			}
		}
		if len(off) < leastPulls {
			continue
		}
		noise := max(leastScatter, chart.Noise(off))
		sorted := slices.Sorted(slices.Values(off))
		middle := sorted[len(sorted)/2]
		all += len(off)
		for _, x := range off {
			if x < middle-max(0.1, 5*noise) {
				held++
			}
		}
		scatters = append(scatters, noise)
		level := median(anew)
		said += square(level / median(width))
		seen += square(level)
	}
	s.Scatter = s.Learnt.Scatter
	if len(scatters) > 0 {
		slices.Sort(scatters)
		s.Scatter = max(leastScatter, scatters[(len(scatters)-1)/2])
	}
	s.Nightly = 1
	if n := float64(len(scatters)); n > 1 {
		// The line has been fitted to these very nights, and followed one of them at least.
		s.NightU = math.Sqrt(seen / (n - 1))
		s.Nightly = math.Sqrt((fewNights + said) / (fewNights + n - 1))
	}
	const belief = 100 // pulls' worth
	s.Held = (heldShare*belief + float64(held)) / (belief + float64(all))
}
