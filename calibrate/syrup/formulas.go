package syrup

import "math"

// The formulas, in plain numbers: x is the mass fraction of dry solids, deg °C.
// Each returns its value and its slopes for x and for deg. The conversions
// float64(a*b) keep the compiler from fusing multiply and add, so that every
// machine agrees.

// water is what the formulas need of pure water at one temperature.
type water struct {
	density, densityPerKelvin float64 // kg/m³
	log, logPerKelvin         float64 // of the viscosity in mPa·s, to base 10
}

// Density: the water term of Bubnik's density of sucrose solutions, the form of
// Kell 1975; within 0.01 kg/m³ of the handbook at 0-50 °C. Below 0 °C it is
// carried on (Kell's own range for supercooled water reaches further: memory).
//
// Viscosity: Swindells, CRC Handbook (constants from memory but for two). The
// last constant of the cold branch is 1.30233 there, which jumps by 0.006 % at
// 20 °C; here the branches meet, so that viscosity never rises with temperature.
var (
	waterNum  = [...]float64{999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12}
	log1002   = math.Log10(1.002)
	coldWater = 1301/998.333 - log1002
)

func waterOf(deg float64) water {
	var w water
	num, slope := horner(deg, waterNum[:])
	den := 1 + float64(16.887236e-3*deg)
	w.density = num / den
	w.densityPerKelvin = (slope - float64(w.density*16.887236e-3)) / den
	d := deg - 20
	if deg >= 20 {
		top, bottom := float64(1.3272*d)+float64(0.001053*float64(d*d)), deg+105
		w.log = log1002 - top/bottom
		w.logPerKelvin = (top/bottom - 1.3272 - float64(0.002106*d)) / bottom
	} else {
		den := 998.333 + float64(8.1855*d) + float64(0.00585*float64(d*d))
		w.log = 1301/den - coldWater
		w.logPerKelvin = -1301 * (8.1855 + float64(0.0117*d)) / float64(den*den)
	}
	return w
}

// Coefficients of the density of sucrose solutions: Bubnik et al., Sugar
// Technologists Manual (Bartens 1995) p. 164, 0 to 100 °C, as carried by two
// unrelated public codes. The codes differ in the fourth of densityA (-3.9643
// and -3.9646), which is worth 0.0001 kg/m³. It is said to be the equation of
// the PTB (Emmerich) behind ICUMSA SPS-4: memory.
// densityA stands at 20 °C; B to E are for each power of (t-20)/100.
var (
	densityA = [...]float64{385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890}
	densityB = [...]float64{-46.2720, -7.1720, 1.1597, 5.1126, 17.5254}
	densityC = [...]float64{59.7712, 7.2491, 12.3630, -35.4791}
	densityD = [...]float64{-47.2207, -21.6977, 27.6301}
	densityE = [...]float64{18.3184, 12.3081}
)

// sucroseVolume returns the specific volume of sucrose syrup, m³/kg.
func sucroseVolume(x, deg float64, w water) (v, perSolids, perKelvin float64) {
	T := (deg - 20) / 100
	a, a1 := horner(x, densityA[:])
	b, b1 := horner(x, densityB[:])
	c, c1 := horner(x, densityC[:])
	d, d1 := horner(x, densityD[:])
	e, e1 := horner(x, densityE[:])
	sum := float64((float64((float64((float64(e*T)+d)*T)+c)*T)+b)*T) + a
	sum1 := float64((float64((float64((float64(e1*T)+d1)*T)+c1)*T)+b1)*T) + a1
	sumT := float64((float64((float64(4*e*T)+3*d)*T)+2*c)*T) + b
	v = 1 / (w.density + float64(x*sum))
	perSolids = -(sum + float64(x*sum1)) * v * v
	perKelvin = -(w.densityPerKelvin + float64(x*sumT)/100) * v * v
	return v, perSolids, perKelvin
}

// cornVolume returns the specific volume of syrup of invert or HFCS, m³/kg: our own
// fit to the HFCS densities of Buck (in Alternative Sweeteners, tables 4 and 5)
// and the CRC Handbook's of fructose and glucose at 20 °C. One formula serves the three
// kinds: at 71 and 77 % it meets HFCS-42 and HFCS-55 alike, to 0.02 %.
func cornVolume(x, deg float64, w water) (v, perSolids, perKelvin float64) {
	d := deg - 20
	v0 := 1 / w.density
	v = float64((1-x)*v0) + float64(x*(6.11756e-4+float64(3.55496e-5*x))) +
		float64(float64(x*(2.23617e-7+float64(2.13397e-7*x)))*d)
	perSolids = -v0 + 6.11756e-4 + float64(7.10992e-5*x) + float64((2.23617e-7+float64(4.26794e-7*x))*d)
	perKelvin = -float64((1-x)*w.densityPerKelvin)*v0*v0 + float64(x*(2.23617e-7+float64(2.13397e-7*x)))
	return v, perSolids, perKelvin
}

// thickness is a viscosity formula of the form of Genotelle (Mathlouthi and
// Genotelle 1995, chapter 6): a power of ten of N = w/(top - bottom w), w in
// percent, and of p = (20-t)/(90+t), times the viscosity of water.
type thickness struct{ top, bottom, n1, n2, n3, p1, p2 float64 }

var (
	// sucroseThick is our own fit to the tables of the CRC Handbook, the 1918
	// series of the Bureau of Standards and NBS Circular 440, all of which the
	// tests compare with. Genotelle's own constants are 10-15 % high below 10 °C.
	sucroseThick = thickness{1900, 18, 22.1671, 35.3314, -124.920, 15.1091, 96.1406}

	// cornThick is our own fit to Buck's HFCS and the CRC Handbook's fructose and glucose.
	cornThick = thickness{1000, 9, 11.1066, 5.8427, 0, 8.6136, 32.8148}
)

// thick returns the base-10 logarithm of the viscosity in mPa·s.
func thick(k thickness, x, deg float64, w water) (log, perSolids, perKelvin float64) {
	pc := 100 * x
	den := k.top - float64(k.bottom*pc)
	n := pc / den
	n1 := 100 * k.top / float64(den*den)
	p := (20 - deg) / (90 + deg)
	nn := float64(n * n)
	warm := float64(k.p1*n) + float64(k.p2*nn)
	log = w.log + float64(k.n1*n) + float64(k.n2*nn) + float64(k.n3*float64(nn*n)) + float64(p*warm)
	perSolids = n1 * (k.n1 + float64(2*k.n2*n) + float64(3*k.n3*nn) + float64(p*(k.p1+float64(2*k.p2*n))))
	perKelvin = w.logPerKelvin - warm*110/float64((90+deg)*(90+deg))
	return log, perSolids, perKelvin
}

// horner returns c[0] + c[1] x + c[2] x² + ... and its slope.
func horner(x float64, c []float64) (sum, slope float64) {
	for i := len(c) - 1; i >= 0; i-- {
		slope = float64(slope*x) + sum
		sum = float64(sum*x) + c[i]
	}
	return sum, slope
}
