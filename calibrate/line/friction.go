// Package line says how much syrup should flow: pump, suction, screen, meter, hose, nozzle and
// lift against friction, from the batch and its temperature. Line is the rig as labelled, Operate
// finds its flow, Learn corrects three of the labels from the rig's own pulls, and Learnt.Predict
// says what a pull should have been and how sure that is.
//
// Between pulls Warmth.Cool and Warmth.Pass keep how warm hose and meter are; Under makes the conditions
// of the next pull of it, of the batch and of what is set on the rig. Of nights and batches that Learn
// saw, Predict knows what was the matter with them: learn tonight's first pulls with the season's, and
// the next are foretold to some 3 %, while a new night is known to some 10-20 %.
//
// Inside all is SI: m, s, Pa, kg. Heads are metres of the liquid itself.
package line

import "math"

// Churchill returns the Darcy friction factor of a straight pipe for all regimes: S. W. Churchill,
// Chemical Engineering 84 (1977) no. 24, 91. re is the Reynolds number, above 0; rough the
// roughness by the bore. Between Re 2100 and 3000 it dips and then jumps by some 40 %: nobody knows
// the flow there better than to ±30 %, which Point marks Transitional.
// Below Re 1000 it is 64/Re, the rest being less than 1e-12 of it.
func Churchill(re, rough float64) float64 {
	if re < 1000 {
		return 64 / re
	}
	a := square(square(square(square(2.457 * -math.Log(pow(7/re, 0.9)+0.27*rough)))))
	b := square(square(square(square(37530 / re))))
	low := 8 / re
	low = square(low * low * low) // to the 6th
	low *= low
	s := a + b
	return 8 * math.Cbrt(math.Sqrt(math.Sqrt(low+1/(s*math.Sqrt(s)))))
}

// pow is math.Pow of v > 0, at a third of its cost.
func pow(v, by float64) float64 { return math.Exp(by * math.Log(v)) }

func square(v float64) float64 { return v * v }

// White returns by how much a coil's laminar friction is above a straight pipe's (C. M. White,
// Proc. R. Soc. A 123 (1929) 645, as open codes carry it). curve is bore by the coil's diameter.
// Data reach to Dean numbers (Re times the root of curve) of some 2000 (memory).
func White(re, curve float64) float64 {
	dean := re * math.Sqrt(curve)
	if !(dean > 11.6) {
		return 1
	}
	return 1 / (1 - pow(1-pow(11.6/dean, 0.45), 1/0.45))
}

// Schmidt returns up to which Reynolds number flow in a coil stays laminar (E. F. Schmidt 1967, as
// open codes carry it): 2300 in a straight pipe.
func Schmidt(curve float64) float64 { return straight * (1 + 8.6*pow(curve, 0.45)) }

const (
	straight = 2300.0 // critical Re of a straight pipe
	ramp     = 1.3    // coils: turbulent by this times their critical Re; judgement
)

// coiled returns the Darcy factor in a coil. Turbulent it is the straight pipe's and 0.03 roots of
// curve more (Mishra and Gupta 1979: 0.0075 of Fanning's; memory), where that is the larger.
func coiled(re, rough, curve, critical float64) float64 {
	f := 64 / re * White(re, curve)
	if re <= critical {
		return f
	}
	turbulent := max(f, Churchill(re, rough)+0.03*math.Sqrt(curve))
	return f + (turbulent-f)*min(1, (re/critical-1)/(ramp-1))
}

// unsure returns how far a Reynolds number is in what nobody knows well, 0 to 1: fully from 0.9 to
// 1.6 of the critical one, not at all below 0.7 and above 2.2. Judgement, wide of 2100-3000.
func unsure(re, critical float64) float64 {
	r := re / critical
	return max(0, min(1, (r-0.7)/0.2, (2.2-r)/0.6))
}

// Fitting is a sum of minor losses, K = K1/Re + K in velocity heads of the pipe it stands in.
type Fitting struct{ K1, K float64 }

// TwoK returns the fitting of Hooper's constants (W. B. Hooper, Chemical Engineering, 24 August 1981,
// 96) in a pipe of this bore, in inches as he has it: K = k1/Re + k(1 + 1/bore). A threaded elbow
// has 800 and 0.4 (memory). Crane's K alone holds for turbulent flow only.
func TwoK(k1, k, boreInches float64) Fitting { return Fitting{k1, k * (1 + 1/boreInches)} }

// Times returns n such fittings.
func (f Fitting) Times(n float64) Fitting { return Fitting{f.K1 * n, f.K * n} }

// Element loses Viscous·µ·Q + Square·ρ·Q²: a meter or a screen, from two points of its data sheet.
type Element struct {
	Viscous float64 // 1/m³
	Square  float64 // 1/m⁴
}
