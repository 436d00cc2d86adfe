package ledger

import (
	"math"
	"math/rand/v2"

	"yardtally/meter/act"
)

// The physics of the simulated rigs, written apart from the rooms that it
// holds to account.

// doubt is one cause of error of a simulated rig, so that each can be left out.
type doubt uint16

const (
	wholePulses  doubt = 1 << iota // counts are whole numbers
	scatterOf                      // one pull differs from the next
	wrongBrix                      // of the batch
	wrongTemp                      // of the probe at the meter
	wrongFormula                   // of density and viscosity
	wrongScale                     // calibration, common to all provings
	wrongProving                   // weighing, Brix, temperature, air, film
	slips                          // the meter is one of many, not the ideal one of its type
	drifts                         // and wears
	allDoubts    doubt = 1<<iota - 1
)

// nature is what of the world is not as the formulas say.
type nature struct {
	density     float64 // kg/m³ at 76 % and 20 °C, less in proportion at less
	densityPerK float64 // relative, for a kelvin above 20 or below 15 °C
	viscosity   float64 // relative
	airDensity  float64 // kg/m³
	scale       float64 // relative error of the scale
	probe       float64 // K, what the probe at the meter shows too much
}

// natureOf draws what is off: density within 0.36 kg/m³ and viscosity within
// 5 % as the formulas' tables bear out, density by up to 0.0015 % for each
// kelvin outside 15 to 20 °C where no table was at hand.
func natureOf(r *rand.Rand, on doubt) nature {
	n := nature{airDensity: 1.2}
	if d, k, v := within1(r, 0.36), within1(r, 1.5e-5), within1(r, 0.05); on&wrongFormula != 0 {
		n.density, n.densityPerK, n.viscosity = d, k, v
	}
	if s := r.NormFloat64(); on&wrongScale != 0 {
		n.scale = 0.00025 * s
	}
	if a := r.NormFloat64(); on&wrongProving != 0 {
		n.airDensity += 0.06 * max(-2, min(2, a))
	}
	if p := r.NormFloat64(); on&wrongTemp != 0 {
		n.probe = 0.5 * p
	}
	return n
}

// within1 returns any number within ±w, each as likely.
func within1(r *rand.Rand, w float64) float64 { return w * (2*r.Float64() - 1) }

// densityAt is the density of sucrose syrup, kg/m³: x mass fraction, t °C.
// Formula A of the project's reference (Bubnik et al. 1995, in two public codes,
// read), and what nature has it differ.
func (n *nature) densityAt(x, t float64) float64 {
	w := (999.83952 + t*(16.952577+t*(-7.9905127e-3+t*(-46.241757e-6+t*(105.84601e-9-t*281.03006e-12))))) / (1 + 16.887236e-3*t)
	T := (t - 20) / 100
	poly := func(c ...float64) float64 {
		sum := 0.0
		for i := len(c) - 1; i >= 0; i-- {
			sum = (sum + c[i]) * x
		}
		return sum
	}
	rho := w + poly(385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890) +
		T*(poly(-46.2720, -7.1720, 1.1597, 5.1126, 17.5254)+
			T*(poly(59.7712, 7.2491, 12.3630, -35.4791)+
				T*(poly(-47.2207, -21.6977, 27.6301)+
					T*poly(18.3184, 12.3081))))
	far := max(0, t-20) - max(0, 15-t)
	return (rho + n.density*x/0.76) * (1 + n.densityPerK*far)
}

// viscosityAt is the viscosity of sucrose syrup, Pa·s. Formula B of the
// project's reference (fitted there to NBS and CRC tables), and what nature has it
// differ.
func (n *nature) viscosityAt(x, t float64) float64 {
	var log float64
	if t >= 20 {
		log = math.Log10(1.002) + (1.3272*(20-t)-0.001053*(t-20)*(t-20))/(t+105)
	} else {
		log = 1301/(998.333+8.1855*(t-20)+0.00585*(t-20)*(t-20)) - 1.30233
	}
	w := 100 * x
	N, p := w/(1900-18*w), (20-t)/(90+t)
	log += 22.1671*N + 35.3314*N*N - 124.920*N*N*N + p*(15.1091*N+96.1406*N*N)
	return 1e-3 * math.Pow(10, log) * (1 + n.viscosity)
}

const gpm = 3.785411784e-3 / 60 // US gallon a minute, m³/s

// flowOf is what a trigger gives of syrup of that viscosity, m³/s: thin syrup is
// held by nozzle and pump, thick by the hose.
func flowOf(visc float64) float64 { return gpm * max(0.5, 10/(1+visc/0.050)) }

// device is a flow meter as it truly is.
type device struct {
	turbine bool
	k       float64 // pulses/m³ without slip at 20 °C
	expand  float64 // of its chamber's volume, 1/K
	repeat  float64 // relative standard deviation of one pull

	a, b        float64 // oval gear: K = k (1 - a/(mu Q) - b rho Q/mu); N·m, and m
	x0, p       float64 // turbine: K = k (1 - (x0/x)^p), x = f/nu in Hz/(m²/s),
	wave, shift float64 // and off that, relative, as no meter follows a formula

	worn float64 // relative change of k so far
	at   int64   // as of then, Unix ns
}

// deviceOf draws a meter of steel. An oval gear: at 10 L/min of a syrup of 10
// mPa·s and 1200 kg/m³ it lets slip some 0.15 % by its friction and 0.10 % by the
// weight of what it turns in, as half of a normal distribution: small meters keep
// within 0.15 to 0.5 % over 10:1 of flow (instrumentation.processengineer.info,
// read), one of 50 mm changed by 0.67 % from 1 to 12 mPa·s (Lim, IMEKO abstract,
// read). A pull repeats within 0.05 to 0.1 %.
//
// A turbine: its range of proportion starts at about 10 Hz per mm²/s, two of three
// within a factor of 2.2 (10 to 100: the project's reference, from memory), where (x0/x)^p is
// 2 %; a pull repeats within 0.2 %.
func deviceOf(r *rand.Rand, turbine bool, on doubt) device {
	d := device{turbine: turbine, expand: 3 * 16e-6}
	coarse := math.Exp(r.Float64()) // meters have from some to many pulses
	a, b, e, repeat := r.NormFloat64(), r.NormFloat64(), r.NormFloat64(), r.Float64()
	if on&slips == 0 {
		a, b, e = 0, 0, 0
	}
	d.expand *= 1 + 0.1*e
	fine := 1.0
	if on&wholePulses == 0 {
		fine = 300
	}
	if turbine {
		d.repeat = 0.002
		d.k = 100e3 * coarse * fine
		d.x0, d.p = 0.2e6*math.Exp(0.8*a)*fine, math.Exp(0.25*b)
		d.wave, d.shift = 0.001*e, 2*math.Pi*repeat
	} else {
		d.repeat = 0.0005 + 0.0005*repeat
		d.k = 35e3 * coarse * fine
		const mu, q, rho = 0.010, 10e-3 / 60, 1200
		d.a, d.b = 0.0015*math.Abs(a)*mu*q, 0.0010*math.Abs(b)*mu/(rho*q)
	}
	return d
}

// wear brings the meter to an instant: a walk of 0.1 % in a year. Common
// practice, no source.
func (d *device) wear(r *rand.Rand, on doubt, at int64) {
	step := 0.001 * r.NormFloat64() * math.Sqrt(max(0, float64(at-d.at)/(365.25*86400e9)))
	if d.at != 0 && on&drifts != 0 {
		d.worn += step
	}
	d.at = at
}

// kAt is the pulses for a cubic metre.
func (d *device) kAt(q, visc, dens, temp float64) float64 {
	k := d.k * (1 + d.worn) * (1 - d.expand*(temp-20))
	if !d.turbine {
		return k * max(0, 1-d.a/(visc*q)-d.b*dens*q/visc)
	}
	// f = K Q stands on both sides.
	f := k * q
	for range 20 {
		x := f * dens / visc
		next := k * q * max(0.1, 1-math.Pow(d.x0/x, d.p)) * (1 + d.wave*math.Sin(math.Log(x)+d.shift))
		if math.Abs(next-f) < 1e-7*f {
			return next / q
		}
		f = next
	}
	return f / q
}

// turns is how much of its pulses without slip the meter gives of a syrup.
func (d *device) turns(n *nature, brix, temp float64) float64 {
	visc, dens := n.viscosityAt(brix/100, temp), n.densityAt(brix/100, temp)
	return d.kAt(flowOf(visc), visc, dens, temp) / d.k
}

// prove draws a bucket of so many kg, and what the person writes down of it.
// Brix and temperature are within 0.2 and 1 K; a scale of 10 g is read empty
// and full; film and drops are within 10 g. By how the trigger is opened and shut
// buckets scatter by 0.1 %, more than the meter does (the project's reference,
// proving budget).
func (d *device) prove(r *rand.Rand, n *nature, on doubt, kg, brix, temp float64, done int64) act.Proving {
	d.wear(r, on, done)
	p := act.Proving{Brix: math.Round(brix*10) / 10, TempC: math.Round(temp*10) / 10, DoneNS: done}
	brix, temp = p.Brix+within1(r, 0.2), p.TempC+within1(r, 1)
	off := within1(r, 0.005) - within1(r, 0.005) + within1(r, 0.010)
	if on&wrongProving == 0 {
		brix, temp, off = p.Brix, p.TempC, 0
	}
	scatter := max(d.repeat, 0.001) * r.NormFloat64()
	if on&scatterOf == 0 {
		scatter = 0
	}
	dens, visc := n.densityAt(brix/100, temp), n.viscosityAt(brix/100, temp)
	q := flowOf(visc) * (0.9 + 0.2*r.Float64())
	vol := kg / dens
	p.Pulses = math.Floor(d.kAt(q, visc, dens, temp)*(1+scatter)*vol + r.Float64())
	p.Seconds = math.Round(vol / q)
	// The scale was adjusted with weights of 8000 kg/m³ in air of 1.2 kg/m³.
	p.NetKg = kg*(1-n.airDensity/dens)/(1-1.2/8000.)*(1+n.scale) + off
	return p
}
