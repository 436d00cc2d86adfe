package act

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
)

func aLine() Line {
	reel := 0.0
	return Line{PumpHeadM: 25, PumpFlowLPM: 500, PumpRated: 3600, PumpIdle: 2200, PumpNeedsM: 2.5,
		SuctionBoreM: 0.05, SuctionLengthM: 4, HoseBoreM: 0.016, HoseLengthM: 40, HoseOnReelM: &reel, DrumM: 0.5, NozzleBoreM: 0.009,
		ScreenLoss: []Loss{{PressureKPa: 1, FlowLPM: 40}},
		MeterLoss:  []Loss{{PressureKPa: 12, FlowLPM: 40}, {PressureKPa: 90, FlowLPM: 20, ViscosityMPS: 500}},
		Heights:    &Heights{PumpM: -0.2, NozzleM: 1.5}}
}

// Nothing said is the usual line; what is said is taken, and nothing else moves.
func TestLineOf(t *testing.T) {
	if got := LineOf(Line{}); got != line.Usual() {
		t.Errorf("of nothing: %+v", got)
	}
	got, usual := LineOf(aLine()), line.Usual()
	want := usual
	want.Pump = line.Pump{Rated: 60, Shutoff: 25, MaxFlow: 500 * quantity.LitrePerMinute, Idle: 2200 * quantity.PerMinute, Needs: 2.5}
	want.Suction = line.Suction{Bore: 0.05, Length: 4, Fittings: line.TwoK(800, 0.4, 0.05/0.0254).Times(3)}
	want.Hose = line.Hose{Bore: 0.016, Length: 40, Drum: 0.5, Fittings: line.TwoK(800, 0.4, 0.016/0.0254).Times(4)}
	want.Nozzle.Bore = 0.009
	want.Heights = line.Heights{Pump: -0.2, Nozzle: 1.5}
	want.Screen, want.Meter = got.Screen, got.Meter
	for _, f := range []*float64{&got.Suction.Fittings.K, &want.Suction.Fittings.K, &got.Hose.Fittings.K, &want.Hose.Fittings.K} {
		*f = math.Round(*f*1e9) / 1e9
	}
	if math.Abs(float64(got.Pump.Rated-60)) > 1e-9 {
		t.Errorf("rated at %v", got.Pump.Rated)
	}
	got.Pump.Rated = 60
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	// A longer hose has its third on the reel, too.
	if l := LineOf(Line{HoseLengthM: 2 * float64(usual.Hose.Length)}); math.Abs(float64(l.Hose.OnReel/usual.Hose.OnReel)-2) > 1e-9 {
		t.Errorf("%v of %v on the reel", l.Hose.OnReel, l.Hose.Length)
	}
}

// lost is what an element loses, kPa.
func lost(e line.Element, p Loss) float64 {
	mu, q := max(p.ViscosityMPS, 1)/1000, p.FlowLPM/60000
	return (e.Viscous*mu*q + e.Square*1000*q*q) / 1000
}

// Points that an element made give that element back; a point alone is met.
func TestLosses(t *testing.T) {
	usual := line.Usual().Meter
	for _, e := range []line.Element{usual, {Viscous: 3e9, Square: 1e6}, {Viscous: 0, Square: 5e6}, {Viscous: 1e9, Square: 0}} {
		var points []Loss
		for _, at := range []Loss{{FlowLPM: 40}, {FlowLPM: 10}, {FlowLPM: 20, ViscosityMPS: 100}, {FlowLPM: 5, ViscosityMPS: 500}} {
			at.PressureKPa = lost(e, at)
			points = append(points, at)
		}
		l := Line{MeterLoss: points}
		if err := l.Check(); err != nil {
			t.Fatal(err)
		}
		got := LineOf(l).Meter
		if math.Abs(got.Viscous-e.Viscous) > 1e-6*(1+e.Viscous) || math.Abs(got.Square-e.Square) > 1e-6*(1+e.Square) {
			t.Errorf("got %+v, want %+v", got, e)
		}
		for _, p := range points {
			got := LineOf(Line{MeterLoss: []Loss{p}}).Meter
			if math.Abs(lost(got, p)/p.PressureKPa-1) > 1e-9 || math.Abs(got.Viscous/got.Square/(usual.Viscous/usual.Square)-1) > 1e-9 {
				t.Errorf("of %+v alone: %+v", p, got)
			}
		}
	}
	// Water alone, with a loss to the power of 1.75 as in a smooth pipe (Blasius), must not be
	// taken for a share that grows with viscosity: at 200 mPa·s it would be most of all loss.
	var water []Loss
	for _, q := range []float64{10, 20, 40} {
		water = append(water, Loss{PressureKPa: 10 * math.Pow(q/20, 1.75), FlowLPM: q})
	}
	if got := LineOf(Line{MeterLoss: water}).Meter; math.Abs(got.Viscous/got.Square/(usual.Viscous/usual.Square)-1) > 1e-9 {
		t.Errorf("water told a viscous share: %+v", got)
	}
	// Loss that falls as the liquid gets thicker has no viscous share, and none below nothing.
	if got := LineOf(Line{MeterLoss: []Loss{{10, 20, 0}, {9, 20, 50}}}).Meter; got.Viscous != 0 || got.Square <= 0 {
		t.Errorf("%+v", got)
	}
}

func TestLineCheck(t *testing.T) {
	reel := func(m float64) *float64 { return &m }
	for _, tc := range []struct {
		name  string
		l     Line
		field string
		text  string
	}{
		{"a bore in millimetres", Line{HoseBoreM: 19}, "hose_bore_m", "between 0.004 and 0.1, is 19"},
		{"a bore of less than nothing", Line{HoseBoreM: -0.02}, "hose_bore_m", "is -0.02"},
		{"more on the reel than there is", Line{HoseLengthM: 20, HoseOnReelM: reel(30)}, "hose_on_reel_m", "between 0 and 20, is 30"},
		{"more on the reel than is usual", Line{HoseOnReelM: reel(31)}, "hose_on_reel_m", "between 0 and 30.48, is 31"},
		{"a drum narrower than two hoses", Line{HoseBoreM: 0.1, DrumM: 0.15}, "drum_m", "between 0.2 and 5"},
		{"a pump that stands", Line{PumpIdle: 3}, "pump_idle_per_min", "is 3"},
		{"no number", Line{PumpHeadM: math.NaN()}, "pump_head_m", "is NaN"},
		{"a loss of nothing", Line{MeterLoss: []Loss{{FlowLPM: 10}}}, "meter_loss[0].pressure_kpa", "is 0"},
		{"a loss at no flow", Line{ScreenLoss: []Loss{{10, 20, 0}, {PressureKPa: 10}}}, "screen_loss[1].flow_l_per_min", "is 0"},
		{"losses of no one curve", Line{MeterLoss: []Loss{{10, 10, 0}, {2, 20, 0}}}, "meter_loss[0]", "within 35 % of one curve"},
		{"a plug", Line{MeterLoss: []Loss{{1000, 0.5, 0}}}, "meter_loss", "still flows, is 1000 kPa at 0.5 L/min"},
		{"a table", Line{MeterLoss: make([]Loss, 21)}, "meter_loss", "at most 20 points, is 21"},
		{"a nozzle on a mast", Line{Heights: &Heights{NozzleM: 12}}, "heights.nozzle_m", "is 12"},
	} {
		var fe *FieldError
		if err := tc.l.Check(); !errors.As(err, &fe) || fe.Field != tc.field || !strings.Contains(err.Error(), tc.text) {
			t.Errorf("%s: %v, want %s: %s", tc.name, err, tc.field, tc.text)
		}
	}
}

// Whatever labels pass are a line that can be asked.
func TestLineCanBeAsked(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 4))
	passed := 0
	for range 20000 {
		maybe := func(lo, hi float64) float64 {
			switch rng.IntN(6) {
			case 0:
				return 0
			case 1:
				return lo
			case 2:
				return hi
			}
			return lo * math.Pow(hi/lo, rng.Float64())
		}
		l := Line{PumpHeadM: maybe(0.5, 500), PumpFlowLPM: maybe(1, 20000), PumpRated: maybe(60, 30000), PumpIdle: maybe(60, 30000), PumpNeedsM: maybe(0.1, 15),
			SuctionBoreM: maybe(0.005, 0.2), SuctionLengthM: maybe(0.05, 100), HoseBoreM: maybe(0.004, 0.1), HoseLengthM: maybe(0.5, 500),
			DrumM: maybe(0.1, 5), NozzleBoreM: maybe(0.001, 0.1)}
		if rng.IntN(2) == 0 {
			x := maybe(0.1, 500)
			l.HoseOnReelM = &x
		}
		for range rng.IntN(3) {
			l.MeterLoss = append(l.MeterLoss, Loss{maybe(0.01, 1000), maybe(0.5, 5000), maybe(0.2, 1e5)})
		}
		if rng.IntN(2) == 0 {
			l.Heights = &Heights{maybe(0.1, 10), -maybe(0.1, 10), maybe(0.1, 10)}
		}
		if l.Check() != nil {
			continue
		}
		passed++
		got := LineOf(l)
		if err := got.Check(); err != nil {
			t.Fatalf("%+v: %v", l, err)
		}
	}
	if passed < 2000 {
		t.Errorf("only %d lines passed", passed)
	}
}
