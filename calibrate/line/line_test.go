package line

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

func between2(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }

// odds draws evenly in the logarithm.
func odds(r *rand.Rand, a, b float64) float64 { return math.Exp(between2(r, math.Log(a), math.Log(b))) }

// anyLine draws a line and conditions, of hoses wide and narrow, syrups thin and thick.
func anyLine(r *rand.Rand) (Line, Conditions) {
	l := Usual()
	l.Pump.Shutoff = quantity.Length(odds(r, 5, 60))
	l.Pump.MaxFlow = quantity.Flow(odds(r, 5e-4, 3e-2))
	if r.IntN(5) == 0 {
		l.Pump.MaxFlow = 0
	}
	l.Suction.Bore = quantity.Length(odds(r, 0.015, 0.08))
	l.Meter.Viscous = odds(r, 1e6, 1e9)
	l.Hose.Bore = quantity.Length(odds(r, 0.008, 0.06))
	l.Hose.Length = quantity.Length(odds(r, 1, 100))
	l.Hose.OnReel = l.Hose.Length * quantity.Length(r.Float64())
	l.Hose.Drum = quantity.Length(between2(r, 0.25, 0.8))
	l.Nozzle.Bore = quantity.Length(odds(r, 0.003, 0.03))
	l.Heights.Nozzle = quantity.Length(between2(r, -1, 2))
	c := Even(quantity.Density(between2(r, 1000, 1400)), quantity.Viscosity(odds(r, 1e-3, 3)),
		Setting{Speed: quantity.Frequency(between2(r, 15, 60)), Level: quantity.Length(r.Float64()), Open: between2(r, 0.05, 1)})
	for i := range c.Hose {
		c.Hose[i].Viscosity *= quantity.Viscosity(odds(r, 1, 3))
	}
	return l, c
}

// TestMonotone: flow grows with bore and pressure and the nozzle, and falls with length; it falls
// with viscosity where all is laminar. Of thinner syrup near the transition nothing is claimed.
func TestMonotone(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	laminar, flowing := 0, 0
	for i := range 4000 {
		l, c := anyLine(r)
		p := at(t, &l, &c)
		check := func(what string, more Line, c Conditions, sign float64) {
			t.Helper()
			q := at(t, &more, &c)
			if sign*float64(q.Flow-p.Flow) < -1e-8*float64(p.Flow) {
				t.Errorf("%d: %s: from %g to %g m³/s at Re %.0f\n%+v\n%+v", i, what, float64(p.Flow), float64(q.Flow), p.HoseRe[0], l, c)
			}
		}
		if p.Flow > 0 {
			flowing++
		}
		check("pressure", l.With(Scale{LnPressure: 0.1}), c, 1)
		check("nozzle", l.With(Scale{LnNozzle: 0.1}), c, 1)
		longer := l
		longer.Hose.Length *= 1.1 // more of it lies straight
		check("length", longer, c, -1)
		if critical := Schmidt(float64(l.Hose.Bore / l.Hose.Drum)); p.HoseRe[0] < 1900 || p.HoseRe[0] > 1.5*critical && p.HoseRe[Cells-1] > 4000 {
			wider := l.With(Scale{LnBore: 0.02})
			wider.Hose.Drum *= wider.Hose.Bore / l.Hose.Bore // a wider hose on the same drum is bent more
			check("bore", wider, c, 1)
		}
		if p.HoseRe[0] < 1800 && p.SuctionRe < 1800 {
			laminar++
			thicker := c
			for k := range Cells + 2 {
				thicker.section(k).Viscosity *= 1.1
			}
			check("viscosity", l, thicker, -1)
		}
	}
	if laminar < 1000 || flowing < 3500 {
		t.Errorf("only %d laminar, %d flowing", laminar, flowing)
	}
}

// FuzzBracket: whatever the line, what is left changes sign at the flow found; and plain halving
// finds the same.
func FuzzBracket(f *testing.F) {
	for i := range uint64(64) {
		f.Add(i)
	}
	f.Fuzz(func(t *testing.T, seed uint64) {
		l, c := anyLine(rand.New(rand.NewPCG(seed, 2)))
		if l.Check() != nil || c.check() != nil {
			t.Fatal("drew what is refused")
		}
		var w works
		w.set(&l, &c, nudge{})
		q := w.flow()
		if q == 0 {
			if all := w.weight*w.pump.shut + w.lift; all > 0 {
				t.Fatalf("stalled with %g Pa", all)
			}
			return
		}
		if a, b := w.left(q*(1-2e-9)), w.left(q*(1+2e-9)); !(a >= 0 && b <= 0) {
			t.Fatalf("at %g m³/s there is %g Pa left just below, %g just above", q, a, b)
		}
		lo, hi := 0.0, 100*q
		for range 80 {
			if mid := lo + (hi-lo)/2; w.left(mid) > 0 {
				lo = mid
			} else {
				hi = mid
			}
		}
		if math.Abs(lo/q-1) > 1e-8 {
			t.Fatalf("found %g, halving finds %g", q, lo)
		}
		if !(w.left(hi*2) < w.left(hi)) {
			t.Fatal("what is left does not fall")
		}
	})
}

// TestSense: the slopes at one flow are those of flows found again.
func TestSense(t *testing.T) {
	for _, brix := range []float64{45, 60, 66.7, 70} {
		l, c := Usual(), Under(cane(brix), 12, AllAt(12), Setting{Level: 0.4})
		got, err := Sensitivities(&l, &c)
		if err != nil {
			t.Fatal(err)
		}
		flow := func(n nudge) float64 {
			var w works
			w.set(&l, &c, n)
			return math.Log(w.flow())
		}
		for _, x := range []struct {
			name     string
			got      float64
			up, down nudge
			width    float64
		}{
			{"bore", got.LnBore, nudge{bore: .01}, nudge{bore: -.01}, .02},
			{"pressure", got.LnPressure, nudge{pressure: .01}, nudge{pressure: -.01}, .02},
			{"viscosity", got.LnViscosity, nudge{viscosity: .01}, nudge{viscosity: -.01}, .02},
			{"friction", got.LnFriction, nudge{friction: .01}, nudge{friction: -.01}, .02},
			{"reel", got.Reel, nudge{reel: .01}, nudge{reel: -.01}, .02},
			{"kelvin", got.Kelvin, nudge{kelvin: .1}, nudge{kelvin: -.1}, .2},
			{"solids", got.Solids, nudge{solids: .001}, nudge{solids: -.001}, .002},
		} {
			want := (flow(x.up) - flow(x.down)) / x.width
			if math.Abs(x.got-want) > 0.002+0.01*math.Abs(want) {
				t.Errorf("%g Brix, %s: %.4f, want %.4f", brix, x.name, x.got, want)
			}
		}
		up, down := l.With(Scale{LnNozzle: 0.01}), l.With(Scale{LnNozzle: -0.01})
		if want := math.Log(float64(at(t, &up, &c).Flow/at(t, &down, &c).Flow)) / 0.02; math.Abs(got.LnNozzle-want) > 0.002 {
			t.Errorf("%g Brix, nozzle: %.4f, want %.4f", brix, got.LnNozzle, want)
		}
		t.Logf("%g Brix: %s", brix, got.Words())
	}
	// Hagen-Poiseuille in a hose alone: the fourth power of the bore, the first of pressure, none of the nozzle.
	l, c := reference(0.625, 200, 30*quantity.PSI, 1327), Even(1327, 1, Setting{})
	s, err := Sensitivities(&l, &c)
	if err != nil || math.Abs(s.LnBore-4) > 0.02 || math.Abs(s.LnPressure-1) > 0.01 || math.Abs(s.LnNozzle) > 0.01 || math.Abs(s.LnViscosity+1) > 0.01 {
		t.Errorf("thick: %+v, %v", s, err)
	}
}

// TestMarks: each mark is set where it should be and not elsewhere.
func TestMarks(t *testing.T) {
	under := func(l Line, brix float64, deg quantity.Temperature) Point {
		c := Under(cane(brix), deg, AllAt(deg), Setting{Level: 0.5})
		return at(t, &l, &c)
	}
	plain, far, thin, high, cold := Usual(), Usual(), Usual(), Usual(), Usual()
	far.Hose.OnReel, thin.Hose.OnReel = 0, 0
	high.Heights.Nozzle = 18
	cold.Screen, cold.Meter = Element{}, Element{}
	cold.Suction.Length = 30 * quantity.Foot
	cold.Hose = Hose{Bore: 2 * quantity.Inch, Length: 5, Fittings: Fitting{0, 3}}
	cold.Nozzle = Nozzle{Bore: 2 * quantity.Inch, Discharge: 1}
	for _, c := range []struct {
		name string
		p    Point
		want Marks
	}{
		{"2:1 in the cool", under(plain, 66.7, 15), 0},
		{"77 Brix", under(plain, 76.9, 20), Beyond},
		{"1:1, straight", under(thin, 50, 20), Transitional},
		{"2:1 in the cold through two inches", under(cold, 66.7, 3), Starved},
		{"too high", under(high, 66.7, 20), Stalled},
	} {
		if c.p.Marks != c.want {
			t.Errorf("%s: %v, want %v (Re %.0f, margin %.1f m)", c.name, c.p.Marks, c.want, c.p.HoseRe[0], float64(c.p.Margin))
		}
	}
	if m := (Beyond | Starved).String(); m != "beyond, starved" {
		t.Error(m)
	}
	// The pressures join: from the inlet up through the pump to the outlet.
	p := under(plain, 66.7, 20)
	sum := p.Losses.Screen + p.Losses.Meter + p.Losses.Hose + p.Losses.Nozzle
	rho := float64(cane(66.7).Near(20).Density)
	if d := float64(p.Outlet-sum) - rho*gravity*0.5; math.Abs(d) > 1 {
		t.Errorf("outlet %g Pa, losses %g", float64(p.Outlet), float64(sum))
	}
	if rise := float64(p.Outlet - p.Inlet); rise > float64(plain.Pump.Shut(plain.Pump.Idle, quantity.Density(rho))) {
		t.Errorf("the pump adds %g Pa", rise)
	}
}

// TestGauge: with what the line itself says a gauge shows, the flow is the same, and the pump is not
// asked: another's label changes nothing but the inlet's side.
func TestGauge(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for range 300 {
		l, c := anyLine(r)
		p := at(t, &l, &c)
		if p.Flow == 0 {
			continue
		}
		gauged := c
		gauged.Outlet = p.Outlet
		if p.Outlet <= 0 { // below the air's: no gauge shows that
			continue
		}
		l.Pump = Usual().Pump
		q := at(t, &l, &gauged)
		if math.Abs(float64(q.Flow/p.Flow)-1) > 1e-6 || math.Abs(float64(q.Outlet/p.Outlet)-1) > 1e-6 || math.Abs(float64(q.Inlet-p.Inlet)) > 1 {
			t.Fatalf("%+v\ngauged %+v", p, q)
		}
	}
}

func TestRefuses(t *testing.T) {
	good, fine := Usual(), Even(1300, 0.1, Setting{})
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		want string
		line func(*Line)
		cond func(*Conditions)
	}{
		{"hose bore, m: must be between 0.002 and 0.3, is 0", func(l *Line) { l.Hose.Bore = 0 }, nil},
		{"drum, m", func(l *Line) { l.Hose.Drum = 0 }, nil},
		{"pump best flow, m³/s", func(l *Line) { l.Pump.BestFlow = 1 }, nil},
		{"nozzle discharge", func(l *Line) { l.Nozzle.Discharge = math.NaN() }, nil},
		{"viscosity, Pa·s", nil, func(c *Conditions) { c.Hose[3].Viscosity = 0 }},
		{"density, kg/m³", nil, func(c *Conditions) { c.Density = quantity.Density(math.Inf(1)) }},
		{"open part of the nozzle: must be between 0 and 1, is 1.5", nil, func(c *Conditions) { c.Open = 1.5 }},
		{"share of cane", nil, func(c *Conditions) { c.Cane = math.NaN() }},
		{"viscosity's slope, 1/K", nil, func(c *Conditions) { c.Body.PerKelvin = math.NaN() }},
		{"tote level, m", nil, func(c *Conditions) { c.Level = -1 }},
	} {
		l, cond := good, fine
		if c.line != nil {
			c.line(&l)
		} else {
			c.cond(&cond)
		}
		_, err := Operate(&l, &cond)
		_, err2 := Sensitivities(&l, &cond)
		_, err3 := Needed(&l, &cond, 1e-4)
		for _, err := range []error{err, err2, err3} {
			if err == nil || !strings.HasPrefix(err.Error(), c.want) {
				t.Errorf("want %q, got %v", c.want, err)
			}
		}
	}
	if _, err := Needed(&good, &fine, 0); err == nil {
		t.Error("no flow needs no pressure")
	}
}

func BenchmarkOperate(b *testing.B) {
	for name, brix := range map[string]float64{"1:1": 50, "2:1": 66.7} {
		b.Run(name, func(b *testing.B) {
			w := AllAt(20).Cool(9e11, 5).Pass(quantity.Litre, 20, Usual().Holdup())
			l, c := Usual(), Under(cane(brix), 20, w, Setting{Level: 0.4})
			b.ReportAllocs()
			for b.Loop() {
				at(b, &l, &c)
			}
		})
	}
}

func BenchmarkSensitivities(b *testing.B) {
	l, c := Usual(), Under(cane(50), 20, AllAt(20), Setting{Level: 0.4})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Sensitivities(&l, &c); err != nil {
			b.Fatal(err)
		}
	}
}
