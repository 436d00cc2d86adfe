package proving

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// some returns the curves that the properties are asked of, by name.
func some(t testing.TB) map[string]*Curve {
	t.Helper()
	out := map[string]*Curve{}
	add := func(name string, m Meter, tests []Test, label float64) {
		c, err := NewCurve(m, tests, label, 1)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = c
	}
	for n := 1; n <= 12; n++ {
		for _, turbine := range []bool{false, true} {
			w := newWorld(uint64(5000+n), turbine)
			w.x0 = 0.1
			var ts []Test
			for k := range n {
				c, ok := w.sound(30, 5, 0.7)
				if !ok {
					t.Fatal("no condition")
				}
				ts = append(ts, w.prove(fmt.Sprint("proving ", k), c))
			}
			m := Meter{Body: Body(n % 3)}
			if turbine {
				m.Type = Turbine + Type(n%2)
			}
			add(fmt.Sprint(m.Type, " of ", n), m, ts, 0)
		}
	}
	for _, ty := range []Type{OvalGear, Turbine, PaddleWheel} {
		add(ty.String()+" by label", Meter{Type: ty}, nil, 50)
		mass := twoToOne
		mass.NoBrix = true
		add(ty.String()+" by mass", Meter{Type: ty}, []Test{mass}, 50)
	}
	add("not timed", Meter{}, []Test{twoToOne}, 0)
	return out
}

func at(brix, temp float64) Liquid {
	p := sucrose(brix).Near(quantity.Temperature(temp))
	return Liquid{p.Density, p.Viscosity, quantity.Temperature(temp)}
}

// TestWorthIsSound: whatever it is given, a worth is finite and positive, and so is its uncertainty.
func TestWorthIsSound(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	odd := []float64{0, -1, 1e-300, 1e-9, 1e-3, 1, 30, 1e6, 1e300, inf, -inf, nan}
	for name, c := range some(t) {
		for _, f := range odd {
			for _, mu := range odd {
				for _, rho := range []float64{-1, 0, 1e-9, 1200, 1e30, nan} {
					for _, temp := range []float64{-inf, -300, 20, 1e5, nan} {
						w := c.At(f, Liquid{quantity.Density(rho), quantity.Viscosity(mu), quantity.Temperature(temp)})
						u := c.RelU(w)
						if !(w.Volume > 0 && w.Volume < 1) || !(u > 0 && u < 10) || math.IsNaN(w.PerFlow+w.PerViscosity) {
							t.Fatalf("%s at %v Hz, %v Pa·s, %v, %v: %+v, %v", name, f, mu, rho, temp, w, u)
						}
						if (math.IsNaN(f) || f <= 0) && w.Mark != Unknown {
							t.Fatalf("%s at %v Hz: %v", name, f, w.Mark)
						}
					}
				}
			}
		}
		unknown, known := c.At(0, Liquid{}), c.At(c.rate, c.liquid)
		if unknown.Volume <= 0 || c.RelU(unknown) <= c.RelU(known) {
			t.Errorf("%s: not known %v, known %v", name, c.RelU(unknown), c.RelU(known))
		}
	}
}

// TestContinuous: along any of rate, viscosity and temperature a small step makes a
// small change, of the worth and of its uncertainty; slopes are those of the worth.
func TestContinuous(t *testing.T) {
	for name, c := range some(t) {
		for _, along := range []string{"rate", "viscosity", "temperature"} {
			f, l := 10.0, at(60, 20)
			walk := func(s float64) (float64, Liquid) { // s from -1 to 1
				f, l := f, l
				switch along {
				case "rate":
					f *= math.Exp(6 * s)
				case "viscosity":
					l.Viscosity *= quantity.Viscosity(math.Exp(5 * s))
				default:
					l.Temp += quantity.Temperature(30 * s)
				}
				return f, l
			}
			const n = 4000
			var before Worth
			for i := range n + 1 {
				w := c.At(walk(2*float64(i)/n - 1))
				if i > 0 {
					if d := math.Abs(math.Log(w.Volume / before.Volume)); d > 0.03 {
						t.Fatalf("%s: a jump of %v along %s at step %d", name, d, along, i)
					}
					if a, b := c.RelU(w), c.RelU(before); math.Abs(a-b) > 0.05*(a+b) {
						t.Fatalf("%s: uncertainty jumps from %v to %v along %s at step %d", name, b, a, along, i)
					}
				}
				before = w
			}
		}
		for _, f := range []float64{2, 5, 11, 23} { // slopes
			const h = 1e-7
			l := at(52, 18)
			w, up := c.At(f, l), c.At(f*math.Exp(h), l)
			if got := math.Log(up.Volume/w.Volume) / h; math.Abs(got-w.PerFlow) > 1e-3+1e-3*math.Abs(got) {
				t.Errorf("%s at %v Hz: PerFlow %v, is %v", name, f, w.PerFlow, got)
			}
			l.Viscosity *= quantity.Viscosity(math.Exp(h))
			if got := math.Log(c.At(f, l).Volume/w.Volume) / h; math.Abs(got-w.PerViscosity) > 1e-3+1e-3*math.Abs(got) {
				t.Errorf("%s at %v Hz: PerViscosity %v, is %v", name, f, w.PerViscosity, got)
			}
		}
	}
}

// TestInversion: volume to pulses and back is the identity.
func TestInversion(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 3))
	for name, c := range some(t) {
		for range 50 {
			l := at(between(rnd, 40, 67), between(rnd, 0, 35))
			f := math.Exp(between(rnd, math.Log(0.5), math.Log(50)))
			w := c.At(f, l)
			if w.PerFlow < -0.9 {
				continue // so steep that two rates can show the same flow
			}
			flow := f * w.Volume
			back := c.Rate(flow, l)
			if got := back * c.At(back, l).Volume; math.Abs(got/flow-1) > 1e-9 {
				t.Errorf("%s: %v m3/s shows at %v Hz, which is %v m3/s", name, flow, back, got)
			}
			if c.shape != shapeGrid && math.Abs(back/f-1) > 1e-9 {
				t.Errorf("%s: %v Hz comes back as %v", name, f, back)
			}
		}
		if c.Rate(0, c.liquid) != 0 || c.Rate(math.NaN(), c.liquid) != 0 {
			t.Errorf("%s: no flow shows", name)
		}
	}
}

// TestMonotoneTurbine: with more flow by viscosity a pulse is worth less or the same, and
// outside what was proved it is held.
func TestMonotoneTurbine(t *testing.T) {
	for name, c := range some(t) {
		if c.shape != shapeGrid {
			continue
		}
		l := at(50, 20)
		last := math.Inf(1)
		for i := range 5000 {
			v := c.At(math.Exp(-4+12*float64(i)/5000), l).Volume
			if v > last*(1+1e-12) {
				t.Fatalf("%s: worth rises from %v to %v", name, last, v)
			}
			last = v
		}
		perX := toX * float64(l.Density) / float64(l.Viscosity)
		for _, x := range []float64{c.grid.lo - 0.1, c.grid.hi + 0.1} {
			if x > math.Log(gridHi)-1 {
				continue
			}
			w := c.At(math.Exp(x)/perX, l)
			far := c.At(math.Exp(x+math.Copysign(0.7, x-c.grid.lo-0.05))/perX, l)
			if math.Abs(far.Volume/w.Volume-1) > 1e-12 || w.PerFlow != 0 || !(c.RelU(far) > c.RelU(w)) {
				t.Errorf("%s: beyond, %v ± %v and %v ± %v", name, w.Volume, c.RelU(w), far.Volume, c.RelU(far))
			}
			if w.Mark == Proved {
				t.Errorf("%s: proved beyond what was proved", name)
			}
		}
	}
}

// TestCausesAddUp: the squares of the shares are the square of RelU, for one
// condition; each test has its own cause.
func TestCausesAddUp(t *testing.T) {
	for name, c := range some(t) {
		for _, l := range []Liquid{at(45, 30), at(60, 15), at(66, 5)} {
			w := c.At(7, l)
			g := w.Sense
			sum := 0.0
			seen := map[string]bool{}
			for _, s := range c.Causes(&g) {
				if seen[s.Cause] {
					t.Fatalf("%s: two causes %s", name, s.Cause)
				}
				seen[s.Cause] = true
				sum += s.U * s.U
			}
			if u := c.RelU(w); math.Abs(math.Sqrt(sum)/u-1) > 1e-9 {
				t.Errorf("%s: causes come to %v, RelU is %v", name, math.Sqrt(sum), u)
			}
			for i := range c.report.Points {
				if n := c.report.Points[i].Name; c.shape == shapeGear && !seen[n] {
					t.Errorf("%s: no cause %s in %v", name, n, seen)
				}
			}
			// The scale's calibration acts on the whole of what was proved with it.
			for _, s := range c.Causes(&g) {
				if s.Cause == CauseScale && math.Abs(math.Abs(s.U)/0.00025-1) > 0.02 && c.shape != shapeGear {
					t.Errorf("%s: scale's share %v", name, s.U)
				}
			}
		}
	}
}

// TestMoreTests: a second test at the same condition makes no jump and never
// widens, and nor does any further one that fits.
func TestMoreTests(t *testing.T) {
	for _, m := range []Meter{{Type: OvalGear}, {Type: Turbine}} {
		one := Test{Name: "1", At: 1, Pulses: 600, Net: 20, Syrup: sucrose(50), Temp: 20, Seconds: 60}
		ts := []Test{one}
		for n := 2; n <= 6; n++ {
			a, err := NewCurve(m, ts, 0, 1)
			if err != nil {
				t.Fatal(err)
			}
			next := one
			next.Name = fmt.Sprint(n)
			next.Pulses += float64(n % 2) // within a pulse
			next.Temp += quantity.Temperature(n) / 10
			ts = append(ts, next)
			b, err := NewCurve(m, ts, 0, 1)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range []float64{1, 5, 10, 20} {
				wa, wb := a.At(f, at(50, 20)), b.At(f, at(50, 20))
				if math.Abs(wb.Volume/wa.Volume-1) > 0.0015 {
					t.Errorf("%v: test %d makes %v of %v at %v Hz", m.Type, n, wb.Volume, wa.Volume, f)
				}
				// Away from it, a turbine's interval is from the same family.
				if ua, ub := a.RelU(wa), b.RelU(wb); ub > ua*1.001 && (f == 10 || m.Type == OvalGear) {
					t.Errorf("%v: test %d widens %v to %v at %v Hz", m.Type, n, ua, ub, f)
				}
			}
		}
	}
}

// TestGearKnown: without noise a gear's own numbers come out, and one proving
// says the same for every flow.
func TestGearKnown(t *testing.T) {
	w := newWorld(77, false)
	w.pulses, w.growth, w.scale, w.dens, w.visc = 50_000, 3*16e-6, 0, 0, 0
	w.friction, w.inertia = 0.002*(10e-3/60)*0.010, 0.001*0.010/(1200*10e-3/60)
	sure := Means{Tests: 1, Scatter: 1e-5}
	var ts []Test
	for i, c := range []condition{{0.45, 20, 2}, {0.45, 20, 20}, {0.50, 10, 5}, {0.60, 20, 6}, {0.67, 15, 3}} {
		l, _ := w.liquid(c)
		v, _ := w.pulse(c)
		const n = 1e5
		ts = append(ts, Test{Name: fmt.Sprint(i), Pulses: n, Seconds: n / c.rate, Means: sure,
			Net: quantity.Mass(n * v * float64(l.Density) / Buoyancy(l.Density, UsualAir)), Syrup: syrup.Syrup{Solids: quantity.Solids(c.solids)}, Temp: quantity.Temperature(c.temp)})
	}
	c, err := NewCurve(Meter{Repeat: 1e-5}, ts, 49, 0)
	if err != nil {
		t.Fatal(err)
	}
	for range 200 {
		at := w.draw(35, 0)
		_, l := w.liquid(at)
		truth, _ := w.pulse(at)
		if got := c.At(at.rate, l).Volume; math.Abs(got/truth-1) > 1e-4 {
			t.Errorf("%+v: %v, truly %v", at, got, truth)
		}
	}
	r := c.Report()
	if len(r.Points) != 5 || len(r.Outliers) > 0 || r.Disagree || math.Abs(r.OffLabel-0.02) > 0.004 || r.Linearity < 0.0005 || r.Linearity > 0.006 {
		t.Errorf("%+v", r)
	}
	if e := r.Equation; e.Kind != Slip || math.Abs(e.K/50_000-1) > 1e-4 || math.Abs(e.Friction/0.002-1) > 0.02 || math.Abs(e.Inertia/0.001-1) > 0.02 {
		t.Errorf("%+v", r.Equation)
	}

	one, err := NewCurve(Meter{}, ts[3:4], 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	l := at(60, 20)
	here, slow, thin := one.At(6, l), one.At(0.5, l), one.At(6, at(40, 35))
	thin.Volume *= 1 - 3*16e-6*15 // the body's growth
	if math.Abs(slow.Volume/here.Volume-1) > 1e-12 || math.Abs(thin.Volume/here.Volume-1) > 1e-6 || here.Mark != Alone {
		t.Errorf("one proving: %v, %v, %v", here, slow, thin)
	}
	if a, b, c := one.RelU(here), one.RelU(slow), one.RelU(thin); !(b > a) || !(c > 2*a) {
		t.Errorf("one proving: %v, slow %v, thin %v", a, b, c)
	}
}

// TestOutlier: one proving of six is 1.5 % off, as by a bucket not tared.
func TestOutlier(t *testing.T) {
	for _, turbine := range []bool{false, true} {
		w := newWorld(31, turbine)
		w.x0, w.p = 0.05, 1
		var ts []Test
		for k := range 6 {
			c, _ := w.sound(30, 5, 0.8)
			ts = append(ts, w.prove(fmt.Sprint("proving ", k), c))
		}
		m := Meter{}
		size := 1.015
		if turbine {
			m.Type, size = Turbine, 1.06
		}
		good, err := NewCurve(m, ts, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		if o := good.Report().Outliers; len(o) > 0 {
			t.Errorf("%v: %v named without reason", m.Type, o)
		}
		ts[2].Net *= quantity.Mass(size)
		bad, err := NewCurve(m, ts, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		r := bad.Report()
		if !slices.Equal(r.Outliers, []string{"proving 2"}) || r.Points[2].Weight > 0.2 || r.Points[1].Weight != 1 {
			t.Errorf("%v: %v named, %+v", m.Type, r.Outliers, r.Points[2])
		}
		for _, p := range r.Points {
			if a, b := bad.At(p.Rate, p.Liquid).Volume, good.At(p.Rate, p.Liquid).Volume; p.Name != "proving 2" && math.Abs(a/b-1) > 0.004 {
				t.Errorf("%v: at %s it shifts the curve by %v", m.Type, p.Name, a/b-1)
			}
		}
	}
	// Two that contradict each other: nobody can say which, so both are held less sure.
	a, b := twoToOne, twoToOne
	b.Net *= 1.02
	c, err := NewCurve(Meter{}, []Test{a, b}, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if r := c.Report(); !r.Disagree || len(r.Outliers) > 0 || c.RelU(c.At(c.rate, c.liquid)) < 0.004 {
		t.Errorf("%+v", r)
	}
}

// TestDrift: an old test weighs less, and two old ones share what came after the younger.
func TestDrift(t *testing.T) {
	day := int64(86400e9)
	mk := func(name string, at int64, pulses float64) Test {
		one := twoToOne
		one.Name, one.At, one.Pulses, one.Seconds = name, at, pulses, 120
		return one
	}
	now := 20 * 365 * day
	only, err := NewCurve(Meter{}, []Test{mk("old", 1, 540)}, 0, now)
	if err != nil {
		t.Fatal(err)
	}
	fresh, err := NewCurve(Meter{}, []Test{mk("old", 1, 540)}, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	w := only.At(only.rate, only.liquid)
	want := math.Hypot(fresh.RelU(fresh.At(fresh.rate, fresh.liquid)), DriftPerYear*math.Sqrt(float64(now)/year))
	if got := only.RelU(w); math.Abs(got/want-1) > 0.01 {
		t.Errorf("after twenty years %v, want %v", got, want)
	}
	both, err := NewCurve(Meter{}, []Test{mk("old", 1, 540), mk("new", now, 546)}, 0, now)
	if err != nil {
		t.Fatal(err)
	}
	k := 1 / both.At(both.rate, both.liquid).Volume
	lo, _ := mk("", 0, 540).Point()
	hi, _ := mk("", 0, 546).Point()
	if part := (k - lo.K) / (hi.K - lo.K); part < 0.8 || part > 1 {
		t.Errorf("the new one weighs %v", part)
	}
	// Of two from twenty years ago the walk since is the same: it is no better for there being two.
	two, err := NewCurve(Meter{}, []Test{mk("a", 1, 540), mk("b", 1, 540)}, 0, now)
	if err != nil {
		t.Fatal(err)
	}
	if got := two.RelU(two.At(two.rate, two.liquid)); got < DriftPerYear*math.Sqrt(float64(now)/year) {
		t.Errorf("two old ones: %v", got)
	}
}

// TestTwoCurves: a season over two curves that share a test, by simulation: the
// interval from the causes added up by name holds the truth as often as it should, and adding
// as if the curves were independent would not.
func TestTwoCurves(t *testing.T) {
	var named, loose tally
	n := 4 * meters()
	for i := range n {
		w := newWorld(uint64(3_000_000+i), false)
		var ts []Test
		for k := range 4 {
			ts = append(ts, w.prove(fmt.Sprint("proving ", k), w.draw(30, 5)))
		}
		first, err := NewCurve(Meter{}, ts[:3], 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		second, err := NewCurve(Meter{}, ts, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		shares := map[string]float64{}
		var off, apart float64
		for _, c := range []*Curve{first, second} {
			var g [Terms]float64
			var vol, truth float64
			for range 10 {
				at := w.draw(35, 0)
				_, l := w.liquid(at)
				worth := c.At(at.rate, l)
				true1, _ := w.pulse(at)
				vol, truth = vol+1000*worth.Volume, truth+1000*true1
				for k, s := range worth.Sense {
					g[k] += 1000 * worth.Volume * s
				}
			}
			off += vol - truth
			sum := 0.0
			for _, s := range c.Causes(&g) {
				shares[s.Cause] += s.U
				sum += s.U * s.U
			}
			apart += sum
		}
		sum := 0.0
		for _, u := range shares {
			sum += u * u
		}
		named.add(off, math.Sqrt(sum))
		loose.add(off, math.Sqrt(apart))
	}
	t.Logf("by name %.1f %%, as if independent %.1f %%", 100*named.share(), 100*loose.share())
	if s := named.share(); math.Abs(s-0.95) > 0.02+slack(n) {
		t.Errorf("by name, %.1f %% hold the truth", 100*s)
	}
	if loose.share() > named.share()-0.03 {
		t.Errorf("as if independent, %.1f %%: then the names are of no use", 100*loose.share())
	}
}

func TestMassCurve(t *testing.T) {
	a, b := twoToOne, twoToOne
	a.NoBrix, a.Name = true, "by mass"
	c, err := NewCurve(Meter{}, []Test{a}, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	w := c.At(4, Liquid{Temp: 20})
	if want := 20 * 1.000755 / 543; !c.Mass() || math.Abs(w.Volume/want-1) > 1e-4 || w.Mark != Alone {
		t.Errorf("%+v, want %v kg", w, want)
	}
	// 2:1 is 0.75 % heavier at 0 than at 20 °C (reference section A of syrup: 1336.3 and 1326.8 kg/m³, computed).
	cold := c.At(4, Liquid{Temp: 0})
	if got := cold.Volume / w.Volume; math.Abs(got-1336.3/1326.8*(1-3*16e-6*20)) > 0.0008 || c.RelU(cold) <= c.RelU(w) {
		t.Errorf("cold it is worth %v times as much", got)
	}
	b.Name = "with Brix"
	c, err = NewCurve(Meter{}, []Test{a, b}, 0, 0)
	if err != nil || c.Mass() || len(c.Report().LeftOut) != 1 || !strings.HasPrefix(c.Report().LeftOut[0], "by mass: ") {
		t.Errorf("%+v, %v", c.Report(), err)
	}
	nowhere := a
	nowhere.Temp = quantity.Temperature(math.NaN())
	if c, err := NewCurve(Meter{}, []Test{nowhere}, 0, 0); err != nil || !(c.At(4, Liquid{Temp: 10}).Volume > 0) {
		t.Errorf("without temperature: %v", err)
	}
}

func TestReport(t *testing.T) {
	ks := []float64{36.00, 36.02, 35.99, 36.01, 36.00}
	if got := Repeatability(ks); math.Abs(got-0.03/35.99) > 1e-9 {
		t.Errorf("repeatability %v", got)
	}
	if got := Linearity(ks); math.Abs(got-0.015/36.004) > 1e-9 {
		t.Errorf("linearity %v", got)
	}
	if Repeatability(ks[:1]) != 0 || Linearity(nil) != 0 || !math.IsNaN(MeanU(1, 1)) || !math.IsNaN(MeanU(11, 1)) {
		t.Error("of one")
	}
	var ts []Test
	for i, p := range []float64{543, 544, 543, 542, 560} {
		one := twoToOne
		one.Name, one.At, one.Pulses, one.Seconds = fmt.Sprint("run ", i), int64(i+1)*600e9, p, p/4
		ts = append(ts, one)
	}
	thin := Test{Name: "thin", At: 90 * 86400e9, Pulses: 1000, Net: 34.2, Syrup: sucrose(50), Temp: 20, Seconds: 60}
	c, err := NewCurve(Meter{}, append(ts, thin), 0, 90*86400e9)
	if err != nil {
		t.Fatal(err)
	}
	r := c.Report()
	if want := 18 / 542.; len(r.Repeat.Names) != 5 || math.Abs(r.Repeat.Repeatability-want) > 1e-4 || r.Repeat.Outlier != "run 4" || !(r.Repeat.MeanU > 0) {
		t.Errorf("%+v", r.Repeat)
	}
	if !slices.Contains(r.Outliers, "run 4") {
		t.Errorf("outliers %v", r.Outliers)
	}
	if r.Flow[0] <= 0 || r.Flow[1] < 2*r.Flow[0] || r.Viscosity[1] < 10*r.Viscosity[0] || r.Temp != [2]quantity.Temperature{20, 20} || r.PerNu[1] < 10*r.PerNu[0] {
		t.Errorf("%+v", r)
	}
	for name, c := range some(t) {
		if e := c.Report().Equation.Words(quantity.SI); !strings.HasPrefix(e, "K ") || strings.Contains(e, "NaN") || strings.Contains(e, "%!") {
			t.Errorf("%s: %q", name, e)
		}
	}
}

func TestAtAllocatesNothing(t *testing.T) {
	l := at(60, 20)
	for name, c := range some(t) {
		if n := testing.AllocsPerRun(100, func() { c.At(7, l); c.RelU(c.At(7, l)) }); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

func benchmarkAt(b *testing.B, name string) {
	c, l := some(b)[name], at(60, 20)
	b.ReportAllocs()
	b.ResetTimer()
	f, sum := 7.0, 0.0
	for b.Loop() {
		sum += c.At(f, l).Volume
		f += 1e-6
	}
	if sum == 0 {
		b.Fatal("nothing")
	}
}

func BenchmarkAtGear(b *testing.B)    { benchmarkAt(b, "oval gear of 5") }
func BenchmarkAtTurbine(b *testing.B) { benchmarkAt(b, "turbine of 6") }

func BenchmarkNewCurve(b *testing.B) {
	for _, m := range []Meter{{Type: OvalGear}, {Type: Turbine}} {
		w := newWorld(5, m.Type == Turbine)
		w.x0 = 0.1
		var ts []Test
		for k := range 5 {
			c, _ := w.sound(30, 5, 0.7)
			ts = append(ts, w.prove(fmt.Sprint(k), c))
		}
		b.Run(m.Type.String(), func(b *testing.B) {
			for b.Loop() {
				if _, err := NewCurve(m, ts, 0, 1); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// TestEquationWords: every form reads, in a person's own units and no others.
func TestEquationWords(t *testing.T) {
	slip := Equation{Kind: Slip, K: 36_000, Friction: 0.002, Inertia: 0.001, Ref: 20, PerKelvin: -48e-6}
	for _, c := range []struct {
		e      Equation
		si, us string
	}{
		{Equation{Kind: FromLabel, K: 36_000, Ref: 20}, "K = 36 pulses/L for every flow and temperature, from a label", "K = 136.27 pulses/gal for every flow and temperature, from a label"},
		{Equation{Kind: FromOne, K: 36_000, Ref: 20, PerKelvin: -48e-6}, "K = 36 pulses/L for every flow, from one proving; at 20.0 °C, and 0.0048 % less for 1 °C warmer",
			"K = 136.27 pulses/gal for every flow, from one proving; at 68.0 °F, and 0.0027 % less for 1 °F warmer"},
		{Equation{Kind: Flat, Mass: true, K: 27, Ref: 20, PerKelvin: 3e-4}, "K = 27 pulses/kg for every flow; at 20.0 °C, and 0.0300 % more for 1 °C warmer",
			"K = 12.247 pulses/lb for every flow; at 68.0 °F, and 0.0167 % more for 1 °F warmer"},
		{slip, "K = 36 pulses/L less slip: 0.200 % at 10 L/min of 10 mPa·s by friction, less with more flow or viscosity; 0.100 % by inertia, more with more flow, less with more viscosity; at 20.0 °C, and 0.0048 % less for 1 °C warmer",
			// 2 gal/min are 7.571 L/min: NIST SP 811, exact gallon (memory).
			"K = 136.27 pulses/gal less slip: 0.264 % at 2 gal/min of 10 mPa·s by friction, less with more flow or viscosity; 0.076 % by inertia, more with more flow, less with more viscosity; at 68.0 °F, and 0.0027 % less for 1 °F warmer"},
		{Equation{Kind: Rising, K: 90_000, HighK: 100_000, LowX: 0.5, HighX: 20, Ref: 20, PerKelvin: -48e-6},
			"K rises from 90 to 100 pulses/L between 0.5 and 20 Hz per mm²/s, and is held beyond; at 20.0 °C, and 0.0048 % less for 1 °C warmer",
			"K rises from 340.69 to 378.54 pulses/gal between 0.5 and 20 Hz per mm²/s, and is held beyond; at 68.0 °F, and 0.0027 % less for 1 °F warmer"},
		{Equation{Kind: Slip, K: 36_000, Friction: -1e-9, Ref: 20}, "K = 36 pulses/L less slip: 0.000 % at 10 L/min of 10 mPa·s by friction, less with more flow or viscosity; 0.000 % by inertia, more with more flow, less with more viscosity; at 20.0 °C, and 0.0000 % less for 1 °C warmer", ""},
	} {
		if got := c.e.Words(quantity.SI); got != c.si {
			t.Errorf("SI: %s\nwant %s", got, c.si)
		}
		if got := c.e.Words(quantity.US); c.us != "" && got != c.us {
			t.Errorf("US: %s\nwant %s", got, c.us)
		}
	}
}
