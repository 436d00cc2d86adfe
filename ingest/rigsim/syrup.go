package rigsim

import (
	"math"

	"yardtally/calibrate/quantity"
)

// Weigh returns what a scale with steps of 10 g shows, in air, of a volume of
// sucrose syrup of brix mass percent, without its bucket.
func Weigh(v quantity.Volume, brix float64, t quantity.Temperature) quantity.Mass {
	const air, weights, step = 1.2, 8000, 0.010 // kg/m³, kg/m³, kg
	shown := v.CubicMetres() * (density(brix, float64(t)) - air) / (1 - air/weights)
	return quantity.Mass(math.Round(shown/step) * step)
}

// viscosity returns the dynamic viscosity of a sucrose solution in Pa·s, of
// brix mass percent at t °C.
//
// Source: Genotelle's closed form, in Mathlouthi & Genotelle 1995, chapter 6
// (in Mathlouthi & Reiser, Sucrose). It is said to hold to 1 %; against tables
// of the National Bureau of Standards and the CRC Handbook it is within 6 %
// from 20 °C up, and reads 6 to 15 % high below 10 °C.
func viscosity(brix, t float64) float64 { return sugared(brix).viscosity(t) }

// sugar is what of the viscosity's formula depends on the Brix alone.
type sugar struct{ brix, thick, cold float64 }

func sugared(brix float64) sugar {
	n := brix / (1900 - 18*brix)
	return sugar{brix, 22.46*n - 0.114, 1.1 + 43.1*math.Pow(n, 1.25)}
}

func (s sugar) viscosity(t float64) float64 {
	return math.Pow(10, s.thick+(30-t)/(91+t)*s.cold) * 1e-3
}

// sip is a viscosity that was worked out, and what of.
type sip struct{ brix, t, mu float64 }

// viscosity returns the viscosity of the night's syrup, of brix at t °C, Pa·s.
// What it last returned for that part of the line is kept.
func (r *Rig) viscosity(part *sip, brix, t float64) float64 {
	if part.mu == 0 || part.brix != brix || part.t != t {
		if r.sugar.brix != brix || r.sugar.cold == 0 {
			r.sugar = sugared(brix)
		}
		*part = sip{brix, t, r.sugar.viscosity(t) * r.ailing.thick}
	}
	return part.mu
}

// density returns the density of a sucrose solution in kg/m³, of brix mass
// percent at t °C, 0 to 50 °C.
//
// It is this package's own form: specific volumes of water and of dissolved
// sucrose add, the latter a square of the concentration and straight in
// temperature. Its three terms at 20 °C were fitted here to the rows of the CRC
// Handbook, 102nd edition, from 20 to 80 % (worst miss 0.4 kg/m³); the last was
// set to an expansion of about 0.037 % a kelvin at 2:1.
func density(brix, t float64) float64 {
	x := brix / 100
	v := (1-x)/water(t) + x*(6.159802e-4+7.97444e-6*x+1.9452101e-5*x*x+3.0e-7*(t-20))
	return 1 / v
}

// water returns the density of water in kg/m³ at t °C: Kell, Journal of
// Chemical and Engineering Data 20 (1975) 97.
func water(t float64) float64 {
	p := -280.54253e-12*t + 105.56302e-9
	p = p*t - 46.170461e-6
	p = p*t - 7.9870401e-3
	p = p*t + 16.945176
	p = p*t + 999.83952
	return p / (1 + 16.879850e-3*t)
}
