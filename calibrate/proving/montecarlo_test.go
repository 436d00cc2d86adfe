package proving

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// A world of meters of its own: nothing here asks the room what it believes
// of meters. Of syrup the formulas are asked, and then wrong by what they are
// said to be.

// world is one rig: a meter and a scale as they truly are.
type world struct {
	rnd      *rand.Rand
	pulses   float64 // per m³ of what the wheels truly pass
	friction float64 // leak of a gear times viscosity, m³/s Pa·s
	inertia  float64 // leak times viscosity by density and flow squared
	x0, p    float64 // of a turbine; x0 in Hz per mm²/s
	turbine  bool
	growth   float64 // of the chamber, 1/K
	scale    float64 // relative error of its calibration
	dens     float64 // errors of the formulas, in standard uncertainties
	visc     float64
}

// condition is what flows, as it truly is.
type condition struct {
	solids, temp float64
	rate         float64 // Hz
}

func newWorld(seed uint64, turbine bool) *world {
	r := rand.New(rand.NewPCG(seed, 20))
	w := &world{rnd: r, turbine: turbine}
	w.pulses = 1000 * math.Exp(between(r, math.Log(36), math.Log(100)))
	// Leaks: 0.15 % and 0.1 % of 10 L/min at 10 mPa·s (and 1200 kg/m³) as root mean
	// square, and never less than nothing.
	const q = 10e-3 / 60
	w.friction = math.Abs(r.NormFloat64()) * 0.0015 * q * 0.010
	w.inertia = math.Abs(r.NormFloat64()) * 0.0010 * 0.010 / (1200 * q)
	w.x0 = 0.2 * math.Exp(0.8*r.NormFloat64())
	w.p = math.Exp(0.25 * r.NormFloat64())
	w.growth = 3 * 16e-6 * (1 + 0.1*r.NormFloat64())
	w.scale = 0.00025 * r.NormFloat64()
	w.dens, w.visc = r.NormFloat64(), r.NormFloat64()
	return w
}

func between(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }

// liquid returns what flows: as it is, and as the formulas say.
func (w *world) liquid(c condition) (truly, said Liquid) {
	p := syrup.Syrup{Solids: quantity.Solids(c.solids)}.Near(quantity.Temperature(c.temp))
	said = Liquid{p.Density, p.Viscosity, quantity.Temperature(c.temp)}
	truly = said
	truly.Density *= quantity.Density(1 + w.dens*p.DensityU)
	truly.Viscosity *= quantity.Viscosity(math.Exp(w.visc * p.ViscosityU))
	return truly, said
}

// pulse returns what a pulse is truly worth, m³, and for a turbine which part
// of its plateau the K-factor has reached.
func (w *world) pulse(c condition) (volume, reached float64) {
	l, _ := w.liquid(c)
	mu, rho := float64(l.Viscosity), float64(l.Density)
	chamber := (1 + w.growth*(c.temp-20)) / w.pulses
	if w.turbine {
		nu := mu / rho * 1e6
		reached = 1 - math.Pow(w.x0*nu/c.rate, w.p)
		return chamber / reached, reached
	}
	wheels := c.rate * chamber
	leak := (w.friction + w.inertia*rho*wheels*wheels) / mu
	return (wheels + leak) / c.rate, 1
}

// draw returns a condition as the rig meets it: the hose passes 30 L/min of
// thin syrup and less of thick, and the trigger or the pump makes it less or more.
func (w *world) draw(warmest, coldest float64) condition {
	return w.pour(condition{solids: between(w.rnd, 0.40, 0.67), temp: between(w.rnd, coldest, warmest)})
}

// pour gives the condition its rate.
func (w *world) pour(c condition) condition {
	_, l := w.liquid(c)
	flow := 1 / (1/30. + float64(l.Viscosity)*1000/1150) / 60000 * math.Exp(between(w.rnd, math.Log(0.4), math.Log(1.3)))
	c.rate = flow * w.pulses
	return c
}

// sound draws until the meter works as one should: a turbine has reached such a
// part of its plateau.
func (w *world) sound(warmest, coldest, part float64) (condition, bool) {
	for range 200 {
		c := w.draw(warmest, coldest)
		if _, reached := w.pulse(c); reached >= part {
			return c, true
		}
	}
	return condition{}, false
}

// careful is the person of the tests.
var careful = Means{ScaleRelU: 0.00025, ScaleStep: 0.020, Left: 0.010, Brix: 0.002, Temp: 1, AirU: 0.08, Scatter: 0.001, Tests: 1}

// prove is a bucket test of 20 kg as a careful person makes one: two readings of a scale
// within 10 g, Brix within 0.2, 1 K, a count within a pulse.
func (w *world) prove(name string, c condition) Test {
	r := w.rnd
	within := func(v float64) float64 { return between(r, -v, v) }
	truly, _ := w.liquid(c)
	worth, _ := w.pulse(c)
	rho, air := float64(truly.Density), 1.2+0.08*r.NormFloat64()
	volume := 20 / rho * between(r, 0.95, 1.05)
	weighed := volume * (rho - air) / (1 - air/8000) * (1 + w.scale)
	n := math.Floor(volume/worth*(1+0.001*r.NormFloat64()) + r.Float64())
	return Test{
		Name: name, At: 1, Pulses: n,
		Net:     quantity.Mass(weighed + within(0.010) + within(0.010) + within(0.010)),
		Syrup:   syrup.Syrup{Solids: quantity.Solids(c.solids + within(0.002))},
		Temp:    quantity.Temperature(c.temp + within(1)),
		Seconds: volume / worth / c.rate,
		Means:   careful,
	}
}

// tally counts how often intervals held the truth, and how far off it was.
type tally struct {
	n, held int
	off     []float64
}

func (t *tally) add(off, u float64) {
	t.n++
	if math.Abs(off) <= 1.959964*u {
		t.held++
	}
	t.off = append(t.off, math.Abs(off))
}

func (t *tally) share() float64 { return float64(t.held) / float64(max(1, t.n)) }

// quantile of the absolute errors.
func (t *tally) quantile(p float64) float64 {
	if len(t.off) == 0 {
		return 0
	}
	slices.Sort(t.off)
	return t.off[min(len(t.off)-1, int(p*float64(len(t.off))))]
}

func (t *tally) String() string {
	return fmt.Sprintf("%5.1f %% of %5d, error 50 %%: %.3f %%, 95 %%: %.3f %%, 99.9 %%: %.3f %%, all: %.3f %%", 100*t.share(), t.n, 100*t.quantile(0.5), 100*t.quantile(0.95), 100*t.quantile(0.999), 100*t.quantile(1))
}

// meters is how many are simulated. Seeds were fixed before the first look.
func meters() int {
	if os.Getenv("YARDTALLY_FULL") != "" {
		return 2000
	}
	return 300
}

// slack is what chance may add to a share found from n meters (not from all their asks, which go together): 3 standard
// deviations of a binomial share near 0.95.
func slack(n int) float64 { return 3 * math.Sqrt(0.95*0.05/float64(n)) }

// TestStatedInterval: over meters drawn from what is known of such meters, proved one to six
// times, the stated interval of 95 % holds the truth as often as it says: at conditions inside what was
// proved (of a single proving: at its own, as it was read), and outside. Turbines are
// proved where they have reached four fifths of their plateau.
func TestStatedInterval(t *testing.T) {
	for _, c := range []struct {
		name    string
		meter   Meter
		turbine bool
		seed    uint64
	}{
		{"oval gear", Meter{Type: OvalGear}, false, 1_000_000},
		{"turbine", Meter{Type: Turbine, Repeat: 0.001}, true, 2_000_000}, // as this world's meters repeat
	} {
		t.Run(c.name, func(t *testing.T) {
			var inside, outside tally
			byTests := make([][2]tally, 7)
			n := meters()
			for i := range n {
				w := newWorld(c.seed+uint64(i), c.turbine)
				tests := 1 + i%6
				var ts []Test
				var first condition
				for k := range tests {
					at, ok := w.sound(30, 5, 0.8)
					if !ok {
						break
					}
					one := w.prove(fmt.Sprint("proving ", k), at)
					if k == 0 { // as it was taken to be
						first = condition{float64(one.Syrup.Solids), float64(one.Temp), at.rate}
					}
					ts = append(ts, one)
				}
				if len(ts) < tests {
					continue // a turbine too stiff for any of these syrups
				}
				curve, err := NewCurve(c.meter, ts, 0, 1)
				if err != nil {
					t.Fatal(err)
				}
				for k := range 20 {
					at, ok := w.sound(35, 0, 0.5)
					if !ok {
						break
					}
					if tests == 1 && k%2 == 0 {
						at = first // the one condition that is proved
					}
					_, said := w.liquid(at)
					worth := curve.At(at.rate, said)
					truth, _ := w.pulse(at)
					off, u := math.Log(worth.Volume/truth), curve.RelU(worth)
					if in := worth.Mark == Proved || tests == 1 && k%2 == 0; in {
						inside.add(off, u)
						byTests[tests][0].add(off, u)
					} else {
						outside.add(off, u)
						byTests[tests][1].add(off, u)
					}
				}
			}
			for k := 1; k <= 6; k++ {
				t.Logf("%d tests, inside:  %v", k, &byTests[k][0])
				t.Logf("%d tests, outside: %v", k, &byTests[k][1])
			}
			t.Logf("inside:  %v", &inside)
			t.Logf("outside: %v", &outside)
			more := 0.0
			if n < 2000 {
				more = slack(n) - slack(2000)
			}
			if s := inside.share(); s < 0.93-more || s > 0.97+more {
				t.Errorf("inside, %.1f %% of intervals hold the truth", 100*s)
			}
			if s := outside.share(); s < 0.93-more {
				t.Errorf("outside, %.1f %% of intervals hold the truth", 100*s)
			}
		})
	}
}

// TestFiveProvings: five provings spread over 40 to 67 % and 5 to 30 °C, one in
// each fifth of both, carry a gear over 0 to 35 °C, and a turbine where it was proved.
func TestFiveProvings(t *testing.T) {
	for _, turbine := range []bool{false, true} {
		m, seed, part := Meter{Type: OvalGear}, uint64(4_000_000), 0.0
		if turbine {
			m, seed, part = Meter{Type: Turbine}, 5_000_000, 0.8
		}
		var off tally
		for i := range meters() {
			w := newWorld(seed+uint64(i), turbine)
			var ts []Test
			temps := w.rnd.Perm(5)
			for k := range 5 {
				for range 50 {
					c := w.pour(condition{
						solids: 0.40 + 0.054*(float64(k)+w.rnd.Float64()),
						temp:   5 + 5*(float64(temps[k])+w.rnd.Float64()),
					})
					if _, reached := w.pulse(c); reached >= part {
						ts = append(ts, w.prove(fmt.Sprint("proving ", k), c))
						break
					}
				}
			}
			if len(ts) < 2 {
				continue // a turbine too stiff for these syrups
			}
			curve, err := NewCurve(m, ts, 0, 1)
			if err != nil {
				t.Fatal(err)
			}
			for range 20 {
				c := w.draw(35, 0)
				_, said := w.liquid(c)
				if worth := curve.At(c.rate, said); !turbine || worth.Mark == Proved {
					truth, _ := w.pulse(c)
					off.add(math.Log(worth.Volume/truth), curve.RelU(worth))
				}
			}
		}
		t.Logf("%v: %v", m.Type, &off)
		if e := off.quantile(0.95); e > 0.003 && !turbine || e > 0.015 {
			t.Errorf("%v: 95 %% within %.3f %%", m.Type, 100*e)
		}
		// Of single conditions a few in ten thousand are worse than 1 %: the leakiest of meters, wide open
		// on the thinnest syrup in the heat, where none of the five was proved.
		if e := off.quantile(0.999); e > 0.01 && !turbine {
			t.Errorf("%v: 99.9 %% within %.3f %%", m.Type, 100*e)
		}
	}
}
