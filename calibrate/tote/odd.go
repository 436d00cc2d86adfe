package tote

import (
	"math"
	"slices"

	"yardtally/calibrate/quantity"
)

func limit(shift bool) float64 {
	if shift {
		return shiftLimit
	}
	return oddZ2
}

// oddest returns the step or shift that fits worst, if by the steps' own
// uncertainties it fits too badly to be chance, with the square of its distance.
func (l *learner) oddest() (Odd, float64, bool) {
	best, bestZ2, used := Odd{}, 0.0, 0
	for i, out := range l.out {
		if out {
			continue
		}
		used++
		if z2 := float64(l.resi[i]*l.resi[i]) / l.loo[i]; z2 > bestZ2 {
			off := l.resi[i] * l.variance(&l.steps[i]) / l.loo[i]
			best, bestZ2 = Odd{Step: i, Name: l.steps[i].Name, Off: quantity.VolumeOf(off)}, z2
		}
	}
	if used <= 4 {
		return Odd{}, 0, false // nothing to go by
	}
	if shift, z2 := l.shift(); z2 > bestZ2 {
		best, bestZ2 = shift, z2
	}
	return best, bestZ2, bestZ2 > limit(best.Shift)
}

// wide returns how widely the steps scatter by their own uncertainties, at
// least 1, whatever a few of them do.
func (l *learner) wide() float64 {
	var z []float64
	for i, out := range l.out {
		if !out {
			z = append(z, math.Sqrt(float64(l.resi[i]*l.resi[i])/l.loo[i]))
		}
	}
	slices.Sort(z)
	return max(1, 1.4826*z[len(z)/2]) // from a normal distribution's median distance
}

// shift returns the place where a run jumps most, and by how much the sum of
// squares would fall if it were cut there: with one parameter more, a 1 for all
// steps q of the run from there on, that is (q'Wr)²/(q'Wq - t'Ct), t = B'Wq.
func (l *learner) shift() (Odd, float64) {
	best, bestZ2 := Odd{}, 0.0
	n := l.size
	t := make([]float64, n)
	for r := range l.runs {
		all := 0
		for i := range l.steps {
			if l.run[i] == r && !l.out[i] {
				all++
			}
		}
		clear(t)
		var qr, qq float64
		after := 0
		for i := len(l.steps) - 1; i >= 0; i-- {
			if l.run[i] != r || l.out[i] {
				continue
			}
			w := 1 / l.variance(&l.steps[i])
			qr += float64(w * l.resi[i])
			qq += w
			l.basis(l.row, float64(l.steps[i].Level))
			for j, v := range l.row {
				t[j] += float64(w * v)
			}
			t[nodes+r] -= w
			if after++; after < leastPiece || all-after < leastPiece {
				continue
			}
			left := qq
			for j, v := range t {
				if v != 0 {
					left -= float64(v * dot(l.c[j*n:(j+1)*n], t))
				}
			}
			if left < 1e-6*qq {
				continue
			}
			if z2 := qr * qr / left; z2 > bestZ2 {
				// In says less than the level does: that much came in unseen.
				best, bestZ2 = Odd{Step: i, Name: l.steps[i].Name, Off: quantity.VolumeOf(-qr / left), Shift: true}, z2
			}
		}
	}
	return best, bestZ2
}

// cut makes a run of its own of what follows in a step's run.
func (l *learner) cut(step int) {
	old := l.run[step]
	for i := step; i < len(l.run); i++ {
		if l.run[i] == old {
			l.run[i] = l.runs
		}
	}
	l.runs++
}
