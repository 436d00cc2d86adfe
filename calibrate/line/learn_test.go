package line

import (
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// said is a pull as a meter and a keeper have it.
func (e *evening) said(name string, flow float64, c Conditions) Pull {
	return Pull{Name: name, Of: e.of, Conditions: c, Flow: quantity.Flow(flow), RelU: 0.01, SolidsU: quantity.Solids(e.solidsU), TempU: e.tempU, OutletU: e.outletU}
}

// season lets a rig be learnt from some nights, one pull in twenty with the trigger half shut.
func (w *rigged) season(nights, each int, thick, thin bool) (pulls []Pull) {
	for n := range nights {
		e := w.evening(fmt.Sprintf("night %d", n), syrup.Makeup{}, thick, thin)
		for i := range each {
			flow, c := w.pull(&e)
			if w.r.IntN(20) == 0 {
				flow *= between2(w.r, 0.3, 0.75)
			}
			pulls = append(pulls, e.said(fmt.Sprintf("%d of night %d", i, n), flow, c))
		}
	}
	return pulls
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}

// tally is how predictions of one kind came out, over many rigs.
type tally struct {
	n, in         int
	z2            float64
	off, label, u []float64
}

func (y *tally) take(flow float64, p *Prediction, label float64) {
	d := math.Log(flow / float64(p.Flow))
	if y.n++; flow >= float64(p.Lo) && flow <= float64(p.Hi) {
		y.in++
	}
	y.z2 += square(d / p.RelU)
	y.off, y.label, y.u = append(y.off, math.Abs(d)), append(y.label, math.Abs(math.Log(flow/label))), append(y.u, p.RelU)
}

// check holds the tally to 95 of 100 within three standard deviations of the binomial, to
// uncertainties that are not blown up, and to doing better than the label by a factor.
func (y *tally) check(t *testing.T, what string, better float64) {
	t.Helper()
	share, rms := float64(y.in)/float64(y.n), math.Sqrt(y.z2/float64(y.n))
	times := median(y.label) / median(y.off)
	t.Logf("%-28s %d of %d within 95 %% (%.1f %%), rms %.2f; off by %4.1f %%, the label by %4.1f %%: %.1f times; stated u %.1f %%",
		what+":", y.in, y.n, 100*share, rms, 100*median(y.off), 100*median(y.label), times, 100*median(y.u))
	if three := 3 * math.Sqrt(0.95*0.05/float64(y.n)); share < 0.95-three || rms < 0.7 {
		t.Errorf("%s: %.1f %% within 95 %%, rms %.2f", what, 100*share, rms)
	}
	if times < better {
		t.Errorf("%s: only %.2f times as near as the label", what, times)
	}
}

// TestLearntCovers: rigs of another physics than this room's, each learnt from four nights of twelve
// pulls, of thick syrup alone, thin alone, or both; then one pull of a new night with a new batch,
// and one of a night of which five pulls were learnt too.
func TestLearntCovers(t *testing.T) {
	seeds := uint64(200)
	switch os.Getenv("YARDTALLY_FULL") {
	case "":
	case "long":
		seeds = 1000
	default:
		seeds = 400
	}
	label := Usual()
	for _, from := range []struct {
		name        string
		thick, thin bool
		gauged      bool
		better      float64 // than the label, in a new night
		// What may be left of the priors, median: bore, pressure, nozzle, bore and pressure together.
		atMost, atLeast [4]float64
	}{
		{"thick nights", true, false, false, 1.4, [4]float64{1, 0.6, 1, 0.3}, [4]float64{0.7, 0.3, 0.85, 0.1}},
		{"thin nights", false, true, false, 1.4, [4]float64{1, 0.6, 0.8, 0.45}, [4]float64{0.6, 0.3, 0.5, 0.2}},
		{"both", true, true, false, 1.4, [4]float64{1, 0.6, 0.85, 0.35}, [4]float64{0.7, 0.3, 0.5, 0.1}},
		{"both, gauged", true, true, true, 1.1, [4]float64{0.5, 0.4, 0.7, 0.3}, [4]float64{0.1, 0.1, 0.2, 0.05}},
	} {
		var thick, thin, again, corn tally
		var told [4][]float64
		left, right, halves := 0, 0, 0
		for seed := range seeds {
			w := newRig(seed)
			if from.gauged {
				w.outletU, w.gauge = 0.02, 0.02*w.r.NormFloat64()
			}
			pulls := w.season(4, 12, from.thick, from.thin)
			tonight := w.evening("tonight", syrup.Makeup{}, from.thick, from.thin)
			for i := range 5 {
				flow, c := w.pull(&tonight)
				pulls = append(pulls, tonight.said(fmt.Sprint(i, " tonight"), flow, c))
			}
			l, err := Learn(pulls, label, Widths{})
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			ask := func(e evening, y *tally) {
				flow, c := w.pull(&e)
				p, err := l.Predict(&c, Known{Of: e.of, SolidsU: quantity.Solids(e.solidsU), TempU: e.tempU})
				if err != nil {
					t.Fatal(err)
				}
				y.take(flow, &p, float64(at(t, &label, &c).Flow))
			}
			ask(w.evening("new", syrup.Makeup{}, true, false), &thick)
			ask(w.evening("new", syrup.Makeup{}, false, true), &thin)
			ask(tonight, &again)
			hfcs := w.evening("new", hfcs55.Makeup, true, false)
			hfcs.saidSolids += 0.765 - hfcs.solids
			hfcs.solids = 0.765
			ask(hfcs, &corn)
			for i, v := range []float64{l.Told.LnBore, l.Told.LnPressure, l.Told.LnNozzle, l.Together} {
				told[i] = append(told[i], v)
			}
			left += len(l.Outliers)
			for _, o := range l.Outliers {
				if o.Off < -0.2 {
					right++
				}
			}
			halves += len(pulls)
		}
		thick.check(t, from.name+", thick pull", from.better)
		thin.check(t, from.name+", thin pull", from.better)
		again.check(t, from.name+", later tonight", 2.5)
		corn.check(t, from.name+", pull of HFCS-55", 0.9) // of its viscosity nothing was learnt
		text := ""
		for i, name := range []string{"bore", "pressure", "nozzle", "together"} {
			m := median(told[i])
			text += fmt.Sprintf(" %s %.2f,", name, m)
			if m > from.atMost[i] || m < from.atLeast[i] {
				t.Errorf("%s: of %s %.2f of the prior's width is left", from.name, name, m)
			}
		}
		t.Logf("%s leave of the prior's widths:%s; %.1f of %d pulls left out, %.0f %% of them slower by a fifth",
			from.name, text, float64(left)/float64(seeds), halves/int(seeds), 100*float64(right)/float64(left))
	}
}

// TestLearnOwn: from pulls of the room's own physics without error, labels that are off come back
// where thin and thick syrup and several speeds tell them apart, and nothing is left out but what is odd.
func TestLearnOwn(t *testing.T) {
	label, want := Usual(), Scale{LnBore: 0.04, LnPressure: -0.2, LnNozzle: 0.3}
	truly := label.With(want)
	var pulls []Pull
	for i, brix := range []float64{45, 50, 55, 60, 64, 66.7} {
		for j, deg := range []quantity.Temperature{5, 15, 25} {
			c := Under(cane(brix), deg, AllAt(deg), Setting{Speed: quantity.Frequency(35+3*j) * 1, Level: 0.5})
			p := Pull{Name: fmt.Sprintf("%g Brix, %g °C", brix, float64(deg)), Of: Of{fmt.Sprint(i), fmt.Sprint(j)}, Conditions: c,
				Flow: at(t, &truly, &c).Flow, RelU: 0.002, SolidsU: 0.0001, TempU: 0.05}
			pulls = append(pulls, p)
		}
	}
	pulls[7].Flow *= 0.6
	l, err := Learn(pulls, label, Widths{LnBore: 0.1, LnPressure: 0.5, LnNozzle: 0.5, Reel: 0.01, Friction: 0.01, Night: 0.1, Measured: 0.001, Scatter: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ got, u, want float64 }{
		{l.Scale.LnBore, l.U.LnBore, want.LnBore}, {l.Scale.LnPressure, l.U.LnPressure, want.LnPressure}, {l.Scale.LnNozzle, l.U.LnNozzle, want.LnNozzle},
	} {
		if math.Abs(x.got-x.want) > 2.5*x.u {
			t.Errorf("%+v, u %+v, want %+v", l.Scale, l.U, want)
			break
		}
	}
	// One whose gauge shows less than the way up costs neither stops Learn.
	stuck := slices.Clone(pulls)
	stuck[3].Conditions.Outlet = 100
	if m, err := Learn(stuck, label, Widths{}); err != nil || len(m.Outliers) == 0 || m.Outliers[0].Pull != 3 || !strings.Contains(m.Outliers[0].Words(), "lets nothing flow") {
		t.Errorf("with a pull that stalls: %+v, %v", m.Outliers, err)
	}
	if len(l.Outliers) != 1 || l.Outliers[0].Pull != 7 || math.Abs(l.Outliers[0].Off+0.4) > 0.05 || l.Used != len(pulls)-1 {
		t.Errorf("left out: %+v, used %d", l.Outliers, l.Used)
	}
	if twice, err := Learn(pulls, label, l.Prior); err != nil || !reflect.DeepEqual(l, twice) {
		t.Error("learnt twice is not the same")
	}
	if l.Chi2 > float64(l.DOF) {
		t.Errorf("chi² %.1f of %d", l.Chi2, l.DOF)
	}
	text := strings.Join(l.Words(), "\n")
	t.Log(text)
	for _, w := range []string{"From 17 pulls", "The nozzle's area is +3", "Pull 55 Brix, 15 °C was 40 % slower", "The hose's bore is"} {
		if !strings.Contains(text, w) {
			t.Errorf("no %q", w)
		}
	}
}

// TestThickTells: from thick pulls of one night bore and pressure are known together and not apart,
// and the nozzle not at all; the words say so.
func TestThickTells(t *testing.T) {
	l, err := Learn(newRig(5).season(3, 15, true, false), Usual(), Widths{})
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(l.Words(), "\n")
	t.Log(text)
	if !strings.Contains(text, "Bore and pressure together are known") || l.Told.LnNozzle < 0.85 || l.Together > 0.5 || l.Together > 0.6*l.Told.LnBore ||
		!strings.Contains(text, "The nozzle's area can not be told from these pulls: syrup so thick") {
		t.Errorf("%+v, together %.2f\n%s", l.Told, l.Together, text)
	}
}

func TestLearnRefuses(t *testing.T) {
	good := newRig(1).season(2, 28, true, false)
	bad := func(change func(*Pull)) []Pull {
		p := slices.Clone(good)
		change(&p[4])
		return p
	}
	many := make([]Pull, 401)
	wild := slices.Clone(good)
	for i := range wild {
		wild[i].Flow *= quantity.Flow(math.Pow(3, float64(i%4)))
	}
	wrong := Usual()
	wrong.Hose.Length = 0
	for _, c := range []struct {
		pulls []Pull
		label Line
		w     Widths
		want  string
	}{
		{nil, Usual(), Widths{}, "pulls: must be between 1 and 400, is 0"},
		{many, Usual(), Widths{}, "pulls: must be between 1 and 400, is 401"},
		{good, wrong, Widths{}, "hose length, m"},
		{good, Usual(), Widths{LnBore: 1}, "width of pressure"},
		{bad(func(p *Pull) { p.Flow = 0 }), Usual(), Widths{}, "pull 4 of night 0: flow, m³/s: must be between"},
		{bad(func(p *Pull) { p.Flow = quantity.Flow(math.NaN()) }), Usual(), Widths{}, "pull 4 of night 0: flow, m³/s: must be between"},
		{bad(func(p *Pull) { p.TempU = -1 }), Usual(), Widths{}, "pull 4 of night 0: uncertainty of temperature"},
		{bad(func(p *Pull) { p.Conditions.Density = 0 }), Usual(), Widths{}, "pull 4 of night 0: density"},
		{wild, Usual(), Widths{}, "scatter of pulls: must be between"},
	} {
		if _, err := Learn(c.pulls, c.label, c.w); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("want %q, got %v", c.want, err)
		}
	}
	if _, err := (&Learnt{}).Predict(&good[0].Conditions, Known{}); err == nil {
		t.Error("predicted from nothing")
	}
}

func BenchmarkLearn(b *testing.B) {
	for _, nights := range []int{4, 24} {
		pulls := newRig(3).season(nights, 12, true, true)
		b.Run(fmt.Sprint(len(pulls), " pulls"), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Learn(pulls, Usual(), Widths{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkPredict(b *testing.B) {
	l, err := Learn(newRig(3).season(4, 12, true, true), Usual(), Widths{})
	if err != nil {
		b.Fatal(err)
	}
	c := Under(cane(60), 15, AllAt(15), Setting{Level: 0.4})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := l.Predict(&c, Known{SolidsU: 0.003, TempU: 0.7}); err != nil {
			b.Fatal(err)
		}
	}
}
