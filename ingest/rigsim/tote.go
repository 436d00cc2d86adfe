package rigsim

import (
	"math"

	"yardtally/calibrate/quantity"
)

// Tote is a box whose walls bulge a little, most at half height: its area at
// height z is Length*Width*(1 + Bulge*sin(πz/Height)).
type Tote struct {
	Length, Width, Height quantity.Length // inside
	Bulge                 float64         // fraction of the area
	Sensor                quantity.Length // face of the headspace sensor above the floor
	Head                  quantity.Length // pressure sensor above the floor
	Unusable              quantity.Volume // stays below the outlet
}

// DefaultTote is a tote of 275 US gallons: a bottle of about 45 x 37 inches,
// as supplier size guides have it, with 2 % bulge.
func DefaultTote() Tote {
	return Tote{Length: 1.14, Width: 0.94, Height: 0.9592, Bulge: 0.02, Sensor: 1.1, Head: 0.05, Unusable: 12 * quantity.Litre}
}

// Volume returns what the tote holds up to a level above its floor.
func (t *Tote) Volume(level quantity.Length) quantity.Volume {
	return quantity.VolumeOf(t.cubic(float64(level)))
}

func (t *Tote) cubic(z float64) float64 {
	h := float64(t.Height)
	return float64(t.Length) * float64(t.Width) * (z + t.Bulge*h/math.Pi*(1-math.Cos(math.Pi*z/h)))
}

// Level returns the level at which the tote holds v, by bisection. Newton's
// steps before it spare it most of the looks: the level rises with the volume.
func (t *Tote) Level(v quantity.Volume) quantity.Length {
	want, h := v.CubicMetres(), float64(t.Height)
	area := float64(t.Length) * float64(t.Width)
	z := want / area
	for range 8 {
		z = math.Min(h, math.Max(0, z))
		step := (t.cubic(z) - want) / (area * (1 + t.Bulge*math.Sin(math.Pi*z/h)))
		z -= step
		if math.Abs(step) < 3e-6*h { // its square is what is still amiss, at most
			break
		}
	}
	const close = 1e-11 // of the height
	below, above := z-close*h, z+close*h
	if t.cubic(below) >= want || t.cubic(above) < want {
		below, above = math.Inf(-1), math.Inf(1)
	}
	lo, hi := 0.0, h
	for range 40 {
		mid := lo + (hi-lo)/2
		if mid <= below || mid < above && t.cubic(mid) < want {
			lo = mid
		} else {
			hi = mid
		}
	}
	return quantity.Length(lo + (hi-lo)/2)
}

// Capacity returns what the tote holds when full.
func (t *Tote) Capacity() quantity.Volume { return t.Volume(t.Height) }

// Strap is one line of a strapping table.
type Strap struct {
	Level  quantity.Length // above the floor
	Volume quantity.Volume // held up to there
}

// Straps returns the strapping table of the tote as built, in n equal steps of
// level from the floor to the top; n is at least 1.
func (t *Tote) Straps(n int) []Strap {
	out := make([]Strap, 0, n+1)
	for i := 0; i <= n; i++ {
		z := t.Height * quantity.Length(i) / quantity.Length(n)
		out = append(out, Strap{z, t.Volume(z)})
	}
	return out
}

// slosh returns the frequency in 1/s of the first mode of a level in a box:
// sqrt(g k tanh kh)/2π, k = π/length.
func slosh(length, level float64) float64 {
	k := math.Pi / length
	return math.Sqrt(gravity*k*math.Tanh(k*level)) / (2 * math.Pi)
}
