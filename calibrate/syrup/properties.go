package syrup

import (
	"math"

	"yardtally/calibrate/quantity"
)

// Mark says how far published data carry a figure.
type Mark uint8

// The marks.
const (
	// Within: data support it.
	Within Mark = iota
	// Beyond: outside the data; the formula is carried on and the uncertainty widened.
	Beyond
	// Held: outside the range of the formula, held at its edge and widened by
	// what the way to the edge is worth.
	Held
)

// String returns "within", "beyond" or "held".
func (m Mark) String() string { return [...]string{"within", "beyond", "held"}[min(m, Held)] }

// Properties is what metering needs to know of a syrup at one temperature.
type Properties struct {
	Density   quantity.Density
	Viscosity quantity.Viscosity

	// Relative standard uncertainties of the formulas alone. What Brix and
	// temperature add is slope times error: see Estimate.
	DensityU, ViscosityU float64

	// Slopes of the natural logarithms: for a mass fraction of 1, and for 1 K.
	DensityPerSolids, DensityPerKelvin     float64
	ViscosityPerSolids, ViscosityPerKelvin float64

	Mark Mark
}

// At returns the properties of s at t, for 0 to 77 % and -5 to 50 °C; outside
// it returns a *RangeError.
func (s Syrup) At(t quantity.Temperature) (Properties, error) {
	if err := check("properties of syrup", s.Solids, t); err != nil {
		return Properties{}, err
	}
	return s.properties(float64(s.Solids), float64(t)), nil
}

// Near returns the properties of s at t, and never fails: outside the range of At
// both are held at the edge, marked Held, and the uncertainties widened. Of
// solids or a temperature that is no number it knows nothing: all is NaN, Held.
func (s Syrup) Near(t quantity.Temperature) Properties {
	x, deg := float64(s.Solids), float64(t)
	if x >= 0 && x <= float64(MaxSolids) && deg >= float64(MinTemperature) && deg <= float64(MaxTemperature) {
		return s.properties(x, deg)
	}
	if math.IsNaN(x) || math.IsNaN(deg) {
		nan := math.NaN()
		return Properties{quantity.Density(nan), quantity.Viscosity(nan), nan, nan, nan, nan, nan, nan, Held}
	}
	heldX := min(max(x, 0), float64(MaxSolids))
	heldDeg := min(max(deg, float64(MinTemperature)), float64(MaxTemperature))
	p := s.properties(heldX, heldDeg)
	// A relative uncertainty above 1 says nothing more than 1.
	p.DensityU = min(1, root(p.DensityU, p.DensityPerSolids*(x-heldX), p.DensityPerKelvin*(deg-heldDeg)))
	p.ViscosityU = min(1, root(p.ViscosityU, p.ViscosityPerSolids*(x-heldX), p.ViscosityPerKelvin*(deg-heldDeg)))
	p.Mark = Held
	return p
}

// properties works within the range. Blends of sucrose with the others: their
// specific volumes, and the logarithms of their viscosities, at the same solids and
// temperature, are weighed with their shares of the solids.
func (s Syrup) properties(x, deg float64) Properties {
	cane := s.Makeup.Share(Sucrose)
	corn := 1 - cane
	w := waterOf(deg)
	var v, vx, vt, log, logx, logt, du, vu float64
	if cane > 0 {
		a, b, c := sucroseVolume(x, deg, w)
		v, vx, vt = cane*a, cane*b, cane*c
		a, b, c = thick(sucroseThick, x, deg, w)
		log, logx, logt = cane*a, cane*b, cane*c
		d, e := sucroseU(x, deg)
		du, vu = cane*d, cane*e
	}
	if corn > 0 {
		a, b, c := cornVolume(x, deg, w)
		v, vx, vt = v+float64(corn*a), vx+float64(corn*b), vt+float64(corn*c)
		a, b, c = thick(cornThick, x, deg, w)
		log, logx, logt = log+float64(corn*a), logx+float64(corn*b), logt+float64(corn*c)
		d, e := cornU(x, deg)
		du, vu = du+float64(corn*d), vu+float64(corn*e)
	}
	mark := Within
	if blend := 4 * cane * corn; blend > 0 {
		// Of blends no table was at hand. For viscosity: half way, the mean of the
		// logarithms and the plain mean differ by 6 % at 67 % of solids. For
		// density: a tenth of the 0.5 % by which the two kinds differ there.
		du = root(du, float64(blend*7e-4*x))
		vu = root(vu, float64(blend*0.06*min(1, x/0.67)))
		if blend > 0.2 { // a twentieth of the other kind
			mark = Beyond
		}
	}
	if cane > 0.05 && (deg < 0 || x > 0.75) || corn > 0.05 && (deg < 20 || deg > 40) {
		mark = Beyond
	}
	return Properties{
		Density:            quantity.Density(1 / v),
		Viscosity:          quantity.Viscosity(math.Exp(math.Ln10*log)) * quantity.MillipascalSecond,
		DensityU:           du,
		ViscosityU:         vu,
		DensityPerSolids:   -vx / v,
		DensityPerKelvin:   -vt / v,
		ViscosityPerSolids: math.Ln10 * logx,
		ViscosityPerKelvin: math.Ln10 * logt,
		Mark:               mark,
	}
}

// sucroseU returns the relative standard uncertainties of density and
// viscosity of sucrose syrup.
//
// Density: the formula is off the tables of the CRC Handbook and of Torun by 0.36
// kg/m³ at 76 %, less in proportion at less; that is taken as 1.5 of it. No
// table was at hand above 20 or below 15 °C: a maple hydrometer chart, read at
// 65-98 °C, is met to 0.1-0.2 Brix, some 0.1 % over 50-80 K, so 0.001 % a
// kelvin. Above 76 % it is carried on.
//
// Viscosity: 2.5 %; all but one of the tables' rows lie within 3.1 %, and fitted
// without either of them the formula predicts the 1918 series and the chart of
// NBS Circular 440 to 6 % (2 % rms). Thin syrup is nearer to water, surer. Without
// the chart it is 13-18 % low at 75 %, so above 70 % it is held less sure, and
// above 75 %, with no data, ever less. Below 0 °C it is carried on: a slope of 10 % a
// kelvin, itself known to some 6 %.
func sucroseU(x, deg float64) (density, viscosity float64) {
	far := max(0, 15-deg, deg-20)
	density = root(1.5e-5+float64(2.2e-4*x), float64(1e-5*far*min(1, x/0.5)), 0.02*max(0, x-0.76))
	thick := max(0, x-0.70) + 2*max(0, x-0.75)
	viscosity = root(0.005+float64(0.02*min(1, x/0.4)), thick, 0.006*max(0, -deg))
	return density, viscosity
}

// cornU returns the relative standard uncertainties of density and viscosity
// of syrup of invert or HFCS.
//
// Density: Buck does not say whether his lb/gal are weighed in air, which is
// 0.09 %, as even odds a standard uncertainty of 0.05 %; with the misfits, 0.06 %. In
// thin syrup less: fructose and glucose in equal parts (CRC Handbook) are met to 0.04 %, at
// 10 % to 0.03 %. Outside 10-40 °C there are no data: 0.002 % a kelvin, a
// twentieth of the expansion.
//
// Viscosity: ±15 % where there are data, 20-40 °C, ±30 % outside, as two standard
// uncertainties (glucose alone at 45-50 °C is 10-25 % below the formula), reached
// over 5 K so that nothing jumps; in thin syrup less, as it nears water.
func cornU(x, deg float64) (density, viscosity float64) {
	density = root(min(6e-4, 1.5e-5+float64(1.5e-3*x)), float64(2e-5*max(0, 10-deg, deg-40)*min(1, x/0.5)))
	out := min(1, max(0, 20-deg, deg-40)/5)
	viscosity = root(0.005+float64(0.075*(1+out)*min(1, x/0.5)), 0.006*max(0, -deg))
	return density, viscosity
}

// Parts are the relative standard uncertainties of one figure, by cause.
type Parts struct {
	Formula, Brix, Temperature float64
}

// Combined returns the root of the sum of squares: the causes are independent.
func (p Parts) Combined() float64 { return root(p.Formula, p.Brix, p.Temperature) }

// Estimate is Properties, and how sure they are, by cause.
type Estimate struct {
	Properties
	DensityParts, ViscosityParts Parts
}

// Estimate returns the properties of s at t where the solids are known to a
// standard uncertainty of solidsU (mass fraction) and the temperature to tempU
// (K). Errors are *RangeError.
func (s Syrup) Estimate(t quantity.Temperature, solidsU quantity.Solids, tempU float64) (Estimate, error) {
	p, err := s.At(t)
	if err != nil {
		return Estimate{}, err
	}
	if !(solidsU >= 0 && solidsU <= 1) {
		return Estimate{}, &RangeError{"properties of syrup", "uncertainty of Brix", solidsU.Brix(), 0, 100, "%"}
	}
	if !(tempU >= 0 && tempU <= 100) {
		return Estimate{}, &RangeError{"properties of syrup", "uncertainty of temperature", tempU, 0, 100, "K"}
	}
	u := float64(solidsU)
	return Estimate{
		Properties:     p,
		DensityParts:   Parts{p.DensityU, math.Abs(p.DensityPerSolids) * u, math.Abs(p.DensityPerKelvin) * tempU},
		ViscosityParts: Parts{p.ViscosityU, math.Abs(p.ViscosityPerSolids) * u, math.Abs(p.ViscosityPerKelvin) * tempU},
	}, nil
}

// root returns the root of the sum of squares.
func root(parts ...float64) float64 {
	sum := 0.0
	for _, p := range parts {
		sum += float64(p * p)
	}
	return math.Sqrt(sum)
}
