package syrup

import (
	"errors"
	"math"

	"yardtally/calibrate/quantity"
)

// Scale is what a refractometer shows.
type Scale uint8

// The scales.
const (
	BrixScale  Scale = iota // sucrose Brix: what of sucrose, in mass percent, would bend light so
	IndexScale              // refractive index nD
)

// String returns "Brix" or "nD".
func (s Scale) String() string {
	if s == IndexScale {
		return "nD"
	}
	return "Brix"
}

// Refractometer is an instrument that reads dissolved solids by their
// refractive index. Its zero value is a plain one with a Brix scale.
type Refractometer struct {
	Compensated bool // it corrects for temperature itself ("ATC")
	Scale       Scale

	ReadingU float64 // standard uncertainty of a reading, Brix; 0: UsualReadingU
	TempU    float64 // the same of the prism's temperature, K; 0: UsualTempU
}

// What a hand-held refractometer is good for: ±0.2 Brix, and a thermometer that
// is 1 K off the prism, as even odds within (common practice, no source).
const (
	UsualReadingU = 0.2 / 1.7320508075688772
	UsualTempU    = 1 / 1.7320508075688772
)

// The range of temperature of a plain refractometer's correction.
const (
	MinPrism quantity.Temperature = 5
	MaxPrism quantity.Temperature = 30
)

// The range of readings: water at 30 °C shows -0.7 on a plain Brix scale.
const (
	minReading, maxReading = -1.5, 80       // Brix
	minIndex, maxIndex     = 1.3309, 1.4907 // nD, the same within 0.05 Brix
)

// ErrCompensated refuses to correct what the instrument has corrected already.
var ErrCompensated = errors.New("refractometer: temperature correction must not be added to a compensated (ATC) instrument: it has done so itself")

// Finding is what a reading says.
type Finding struct {
	Solids quantity.Solids // true dry solids

	// What was added to the reading: for temperature (0 if compensated), and for
	// sugars other than sucrose.
	TemperatureAdded, MakeupAdded quantity.Solids

	// Standard uncertainties of Solids, by cause: the instrument, the correction for
	// temperature with the thermometer's error, and the correction for makeup
	// with the formula for the index.
	ReadingU, TemperatureU, MakeupU quantity.Solids

	Mark Mark // Within or Beyond the data of the corrections
}

// U returns the combined standard uncertainty of Solids.
func (f Finding) U() quantity.Solids {
	return quantity.Solids(root(float64(f.ReadingU), float64(f.TemperatureU), float64(f.MakeupU)))
}

// True returns the true dry solids of a syrup of that makeup which shows that
// reading (on the instrument's scale) with the prism at t.
//
// A plain instrument is corrected for temperature, 5 to 30 °C. A compensated one
// is taken at its word; it does that well from 10 to 30 °C (common practice, no
// source), outside and where t is NaN, not known, it is held less sure. Errors
// are *RangeError.
func (r Refractometer) True(reading float64, t quantity.Temperature, m Makeup) (Finding, error) {
	if err := r.check(t); err != nil {
		return Finding{}, err
	}
	brix, indexU := reading, 0.0
	switch r.Scale {
	case IndexScale:
		if !(reading >= minIndex && reading <= maxIndex) {
			return Finding{}, &RangeError{"refractometer", "reading", reading, minIndex, maxIndex, "nD"}
		}
		brix, indexU = brixOf(reading), 0.02
	default:
		if !(reading >= minReading && reading <= maxReading) {
			return Finding{}, &RangeError{"refractometer", "reading", reading, minReading, maxReading, "Brix"}
		}
	}
	add, gain, tempU := 0.0, 1.0, 0.0
	mark := Within
	corn := 1 - m.Share(Sucrose)
	if r.Compensated {
		tempU, mark = compensatedU(float64(t))
	} else {
		c := correctionAt(float64(t))
		add = c.at(brix)
		gain += c.slope(brix)
		tempU, mark = correctionU(brix, float64(t), corn, or(r.TempU, UsualTempU))
	}
	at20 := brix + add
	// ds - corn (e1 ds + e2 ds²) = at20, for ds.
	ds := solve(-corn*offset2, 1-corn*offset1, at20)
	further := 1 / (1 - corn*(offset1+2*offset2*ds)) // of ds for at20
	f := Finding{
		Solids:           quantity.FromBrix(ds),
		TemperatureAdded: quantity.FromBrix(add),
		MakeupAdded:      quantity.FromBrix(ds - at20),
		ReadingU:         quantity.FromBrix(or(r.ReadingU, UsualReadingU) * gain * further),
		TemperatureU:     quantity.FromBrix(tempU * further),
		MakeupU:          quantity.FromBrix(root(indexU, corn*offsetU0, corn*offsetU*ds)),
		Mark:             mark,
	}
	if f.Solids < 0 {
		// Water, as well as the instrument can tell.
		if f.Solids < -2*f.U() {
			return Finding{}, &RangeError{"refractometer", "corrected reading", ds, 0, maxReading, "Brix"}
		}
		f.Solids = 0
	}
	return f, nil
}

// Shows returns what the instrument would show of s with the prism at t: the
// inverse of True. Errors are *RangeError.
func (r Refractometer) Shows(s Syrup, t quantity.Temperature) (float64, error) {
	if err := r.check(t); err != nil {
		return 0, err
	}
	if !(s.Solids >= 0 && s.Solids <= MaxSolids) {
		return 0, &RangeError{"refractometer", "dry solids", s.Solids.Brix(), 0, MaxSolids.Brix(), "%"}
	}
	ds := s.Solids.Brix()
	brix := ds - (1-s.Makeup.Share(Sucrose))*offset(ds)
	if !r.Compensated {
		c := correctionAt(float64(t))
		brix = solve(c[2], 1+c[1], brix-c[0]) // brix + c0 + c1 brix + c2 brix² is what it is at 20 °C
	}
	if r.Scale == IndexScale {
		n, _ := horner(brix, indexOf[:])
		return n, nil
	}
	return brix, nil
}

// TemperatureCorrection returns what must be added, in Brix, to a plain
// instrument's reading of that many Brix with the prism at t, 5 to 30 °C. Of
// a compensated instrument the error is ErrCompensated, else a *RangeError.
//
// It is our fit to OIV-MA-AS2-02 Table I, 5-17 °C, which it meets to 0.015 Brix.
// The rows above 20 °C were not seen; there it is carried on, and is 0.03-0.07
// off at 30 °C, by glucose syrup in GOST R 50546-93 (ISO 1743:1973).
func (r Refractometer) TemperatureCorrection(brix float64, t quantity.Temperature) (float64, error) {
	if r.Compensated {
		return 0, ErrCompensated
	}
	if err := r.check(t); err != nil {
		return 0, err
	}
	if !(brix >= minReading && brix <= maxReading) {
		return 0, &RangeError{"refractometer", "reading", brix, minReading, maxReading, "Brix"}
	}
	return correctionAt(float64(t)).at(brix), nil
}

func (r Refractometer) check(t quantity.Temperature) error {
	if !(r.ReadingU >= 0 && r.ReadingU <= 10) {
		return &RangeError{"refractometer", "uncertainty of reading", r.ReadingU, 0, 10, "Brix"}
	}
	if !(r.TempU >= 0 && r.TempU <= 10) {
		return &RangeError{"refractometer", "uncertainty of temperature", r.TempU, 0, 10, "K"}
	}
	if !r.Compensated {
		return checkTemperature("refractometer", t, MinPrism, MaxPrism)
	}
	if t != t {
		return nil // not known
	}
	return checkTemperature("refractometer", t, MinTemperature, MaxTemperature)
}

// correction is the temperature correction of a plain instrument at one
// temperature: c0 + c1 b + c2 b² of a reading b, in Brix.
type correction [3]float64

func correctionAt(deg float64) correction {
	u := deg - 20
	uu := float64(u * u)
	return correction{
		float64(u*0.0623317) + float64(uu*9.359026e-4),
		float64(u*5.865963e-4) - float64(uu*1.101057e-5),
		-u * 5.42149e-6,
	}
}

func (c correction) at(b float64) float64 {
	return c[0] + float64(b*(c[1]+float64(b*c[2])))
}

func (c correction) slope(b float64) float64 { return c[1] + float64(2*c[2]*b) }

// correctionU returns the standard uncertainty of a correction, in Brix: 0.01 for
// the fit up to 20 °C, 0.0035 a kelvin more above it; for other sugars 0.004 a
// kelvin, a twentieth (no data); and the thermometer's error.
func correctionU(brix, deg, corn, tempU float64) (float64, Mark) {
	const step = 0.5
	perKelvin := (correctionAt(deg+step).at(brix) - correctionAt(deg-step).at(brix)) / (2 * step)
	mark := Within
	if deg > 20 {
		mark = Beyond
	}
	return root(0.01, 0.0035*max(0, deg-20), 0.004*corn*(deg-20), perKelvin*tempU), mark
}

// compensatedU returns the standard uncertainty of an instrument's own
// correction, in Brix (common practice, no source).
func compensatedU(deg float64) (float64, Mark) {
	switch {
	case deg != deg:
		return 0.1, Beyond
	case deg < 10 || deg > 30:
		return root(0.05, 0.02*max(10-deg, deg-30)), Beyond
	}
	return 0.05, Within
}

// The sucrose scale reads invert, honey and HFCS low, by 0.0132 ds + 9.2e-5 ds²
// for ds percent of true dry solids, 40 to 87 %: from the CRC Handbook's indices of
// fructose and glucose, and the official table of honey; met to 0.1 Brix. What
// they are made of is worth 0.2 Brix, so the standard uncertainty is 0.03 Brix
// and 0.15 % of the solids (below 40 % it is 0.07 off at most). The rule of the AOAC, 0.022 a percent of invert, gives 0.1 more
// (memory). Blends take their part of it.
const (
	offset1, offset2  = 0.0132, 9.2e-5
	offsetU, offsetU0 = 0.0015, 0.03
)

func offset(ds float64) float64 { return float64(ds * (offset1 + float64(offset2*ds))) }

// indexOf: our fit, 0 to 80 %, to the ICUMSA 1974 scale (SPS-3; memory), which it
// meets to 7e-6; within 1.1e-4, 0.04 Brix, of the CRC Handbook's 102nd edition.
var indexOf = [...]float64{1.33298069, 1.43174900e-3, 5.05847641e-6, 2.624010e-8, -6.413105e-11}

// RefractiveIndex returns the refractive index nD, at 20 °C, of sucrose syrup,
// 0 to 80 %; it is good to 0.0001. Errors are *RangeError.
func RefractiveIndex(s quantity.Solids) (float64, error) {
	if !(s >= 0 && s <= 0.8) {
		return 0, &RangeError{"refractive index of sucrose syrup", "Brix", s.Brix(), 0, 80, "%"}
	}
	n, _ := horner(s.Brix(), indexOf[:])
	return n, nil
}

// brixOf returns the Brix of a refractive index: the inverse of indexOf, which
// is so nearly straight that Newton's rule settles in a few steps.
func brixOf(nD float64) float64 {
	w := (nD - indexOf[0]) / 2e-3
	for range 20 {
		n, slope := horner(w, indexOf[:])
		step := (nD - n) / slope
		w += step
		if math.Abs(step) < 1e-12 {
			break
		}
	}
	return w
}

func or(x, usual float64) float64 {
	if x == 0 {
		return usual
	}
	return x
}

// solve returns the x near q/p of a x² + p x = q, for small a.
func solve(a, p, q float64) float64 {
	return 2 * q / (p + math.Sqrt(max(0, float64(p*p)+float64(4*a*q))))
}
