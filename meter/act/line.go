package act

import (
	"fmt"
	"math"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
)

// Line is the rig's line as its labels and a tape measure have it. What is not
// said is as usual, see line.Usual. It is where learning begins: the rig's own
// good pulls correct it.
type Line struct {
	PumpHeadM   float64 `json:"pump_head_m,omitempty"`         // head at no flow, of water at the rated speed, m
	PumpFlowLPM float64 `json:"pump_flow_l_per_min,omitempty"` // flow at no head, L/min
	PumpRated   float64 `json:"pump_rated_per_min,omitempty"`  // shaft speed of the plate, 1/min
	PumpIdle    float64 `json:"pump_idle_per_min,omitempty"`   // where the throttle stands while feeding, 1/min
	PumpNeedsM  float64 `json:"pump_needs_m,omitempty"`        // suction head (NPSH) it needs, m

	SuctionBoreM   float64  `json:"suction_bore_m,omitempty"`
	SuctionLengthM float64  `json:"suction_length_m,omitempty"`
	HoseBoreM      float64  `json:"hose_bore_m,omitempty"`
	HoseLengthM    float64  `json:"hose_length_m,omitempty"`
	HoseOnReelM    *float64 `json:"hose_on_reel_m,omitempty"` // how much of it is wound up; nil: a third, as usual
	DrumM          float64  `json:"drum_m,omitempty"`         // diameter of its turns, m
	NozzleBoreM    float64  `json:"nozzle_bore_m,omitempty"`

	ScreenLoss []Loss `json:"screen_loss,omitempty"`
	MeterLoss  []Loss `json:"meter_loss,omitempty"`

	Heights *Heights `json:"heights,omitempty"` // nil: as usual
}

// Loss is a point of a screen's or meter's data sheet. Points of water alone
// tell how large the loss is, and leave it to the usual share how much of it
// grows with viscosity; points of liquids unlike in viscosity tell that too.
type Loss struct {
	PressureKPa  float64 `json:"pressure_kpa"`
	FlowLPM      float64 `json:"flow_l_per_min"`
	ViscosityMPS float64 `json:"viscosity_mpa_s,omitempty"` // of the liquid; 0: 1, water
}

// Heights are above any one ground, m.
type Heights struct {
	ToteFloorM float64 `json:"tote_floor_m"`
	PumpM      float64 `json:"pump_m"`
	NozzleM    float64 `json:"nozzle_m"`
}

// Kind implements Body.
func (Line) Kind() string { return "line" }

// Bounds and figures of losses. Judgement, no source.
const (
	mostLosses = 20
	unlike     = 3.0  // so many times as viscous: then the share is told
	mostMisfit = 0.35 // of a point from the curve through all
	sheetKgM3  = 1000 // density of what data sheets are made with: water, and oils within a fifth
)

// Check implements Body. Lengths are bounded as rigs of this kind have them;
// what is not said need not be so.
func (l Line) Check() error {
	length := l.HoseLengthM
	if length == 0 {
		length = float64(line.Usual().Hose.Length)
	}
	if err := firstOf(
		ifSaid("pump_head_m", l.PumpHeadM, 0.5, 500),
		ifSaid("pump_flow_l_per_min", l.PumpFlowLPM, 1, 20000),
		ifSaid("pump_rated_per_min", l.PumpRated, 60, 30000),
		ifSaid("pump_idle_per_min", l.PumpIdle, 60, 30000),
		ifSaid("pump_needs_m", l.PumpNeedsM, 0.1, 15),
		ifSaid("suction_bore_m", l.SuctionBoreM, 0.005, 0.2),
		ifSaid("suction_length_m", l.SuctionLengthM, 0.05, 100),
		ifSaid("hose_bore_m", l.HoseBoreM, 0.004, 0.1),
		ifSaid("hose_length_m", l.HoseLengthM, 0.5, 500),
	); err != nil {
		return err
	}
	if l.HoseOnReelM != nil {
		if err := within("hose_on_reel_m", *l.HoseOnReelM, 0, length); err != nil {
			return err
		}
	}
	bore := l.HoseBoreM
	if bore == 0 {
		bore = float64(line.Usual().Hose.Bore)
	}
	if err := firstOf(
		ifSaid("drum_m", l.DrumM, max(0.1, 2*bore), 5),
		ifSaid("nozzle_bore_m", l.NozzleBoreM, 0.001, 0.1),
		checkLosses("screen_loss", l.ScreenLoss, line.Usual().Screen),
		checkLosses("meter_loss", l.MeterLoss, line.Usual().Meter),
	); err != nil {
		return err
	}
	if h := l.Heights; h != nil {
		return firstOf(
			within("heights.tote_floor_m", h.ToteFloorM, -10, 10),
			within("heights.pump_m", h.PumpM, -10, 10),
			within("heights.nozzle_m", h.NozzleM, -10, 10),
		)
	}
	return nil
}

// ifSaid is within for what need not be said.
func ifSaid(field string, v, lo, hi float64) error {
	if v == 0 {
		return nil
	}
	return within(field, v, lo, hi)
}

func checkLosses(field string, points []Loss, usual line.Element) error {
	if len(points) > mostLosses {
		return &FieldError{field, fmt.Sprintf("must have at most %d points", mostLosses), len(points)}
	}
	for i, p := range points {
		at := fmt.Sprintf("%s[%d].", field, i)
		if err := firstOf(
			within(at+"pressure_kpa", p.PressureKPa, 0.01, 1000),
			within(at+"flow_l_per_min", p.FlowLPM, 0.5, 5000),
			ifSaid(at+"viscosity_mpa_s", p.ViscosityMPS, 0.2, 1e5),
		); err != nil {
			return err
		}
	}
	e, odd, misfit := element(points, usual)
	if misfit > mostMisfit {
		return &FieldError{fmt.Sprintf("%s[%d]", field, odd), "must lie within 35 % of one curve through all points, loss growing with viscosity times flow and with flow squared",
			fmt.Sprintf("%.0f %% off it", 100*misfit)}
	}
	// The bounds of line.Check: no syrup would pass.
	if max(e.Viscous, e.Square) > 1e13 {
		return &FieldError{field, "must be losses with which syrup still flows", fmt.Sprintf("%g kPa at %g L/min", points[0].PressureKPa, points[0].FlowLPM)}
	}
	return nil
}

// LineOf returns the line that the labels say. Of labels that pass Check it is
// one that passes line.Check.
func LineOf(l Line) line.Line {
	out := line.Usual()
	usual := out
	set(&out.Pump.Shutoff, l.PumpHeadM, 1)
	set(&out.Pump.MaxFlow, l.PumpFlowLPM, quantity.LitrePerMinute)
	set(&out.Pump.Rated, l.PumpRated, quantity.PerMinute)
	set(&out.Pump.Idle, l.PumpIdle, quantity.PerMinute)
	set(&out.Pump.Needs, l.PumpNeedsM, 1)
	set(&out.Suction.Bore, l.SuctionBoreM, 1)
	set(&out.Suction.Length, l.SuctionLengthM, 1)
	set(&out.Hose.Bore, l.HoseBoreM, 1)
	set(&out.Hose.Length, l.HoseLengthM, 1)
	set(&out.Hose.Drum, l.DrumM, 1)
	set(&out.Nozzle.Bore, l.NozzleBoreM, 1)
	out.Hose.OnReel = usual.Hose.OnReel * (out.Hose.Length / usual.Hose.Length)
	if l.HoseOnReelM != nil {
		out.Hose.OnReel = quantity.Length(*l.HoseOnReelM)
	}
	out.Suction.Fittings = rebored(usual.Suction.Fittings, usual.Suction.Bore, out.Suction.Bore)
	out.Hose.Fittings = rebored(usual.Hose.Fittings, usual.Hose.Bore, out.Hose.Bore)
	if len(l.ScreenLoss) > 0 {
		out.Screen, _, _ = element(l.ScreenLoss, usual.Screen)
	}
	if len(l.MeterLoss) > 0 {
		out.Meter, _, _ = element(l.MeterLoss, usual.Meter)
	}
	if h := l.Heights; h != nil {
		out.Heights = line.Heights{ToteFloor: quantity.Length(h.ToteFloorM), Pump: quantity.Length(h.PumpM), Nozzle: quantity.Length(h.NozzleM)}
	}
	return out
}

func set[Q ~float64](to *Q, said float64, unit Q) {
	if said != 0 {
		*to = Q(said) * unit
	}
}

// rebored returns the same fittings in a pipe of another bore, as line.TwoK has it.
func rebored(f line.Fitting, from, to quantity.Length) line.Fitting {
	grow := func(bore quantity.Length) float64 { return 1 + float64(quantity.Inch/bore) }
	f.K *= grow(to) / grow(from)
	return f
}

// element returns what loses as the points say, in relative least squares, none
// of its two parts below 0; and which point is furthest off it, and how far.
func element(points []Loss, usual line.Element) (e line.Element, odd int, misfit float64) {
	if len(points) == 0 {
		return usual, 0, 0
	}
	// Shares of each point's loss that the usual element has, by cause.
	type share struct{ viscous, square float64 }
	shares := make([]share, len(points))
	thin, thick := math.Inf(1), 0.0
	var vv, vs, ss, v, s float64
	for i, p := range points {
		mu := float64(quantity.MillipascalSecond)
		if p.ViscosityMPS != 0 {
			mu *= p.ViscosityMPS
		}
		thin, thick = min(thin, mu), max(thick, mu)
		q := p.FlowLPM * float64(quantity.LitrePerMinute)
		loss := p.PressureKPa * float64(quantity.Kilopascal)
		x := share{usual.Viscous * mu * q / loss, usual.Square * sheetKgM3 * q * q / loss}
		shares[i] = x
		v, s = v+x.viscous, s+x.square
		vv, vs, ss = vv+x.viscous*x.viscous, vs+x.viscous*x.square, ss+x.square*x.square
	}
	left := func(fv, fs float64) (sum float64, odd int, worst float64) {
		for i, x := range shares {
			d := math.Abs(fv*x.viscous + fs*x.square - 1)
			sum += d * d
			if d > worst {
				odd, worst = i, d
			}
		}
		return sum, odd, worst
	}
	fv := (v + s) / (vv + 2*vs + ss)
	fs := fv
	if det := vv*ss - vs*vs; thick >= unlike*thin && det > 0 {
		fv, fs = (v*ss-s*vs)/det, (s*vv-v*vs)/det
		if fv < 0 || fs < 0 {
			// The best without the other part: which of the two, the points say.
			fv, fs = v/vv, 0
			a, _, _ := left(fv, 0)
			if b, _, _ := left(0, s/ss); b < a {
				fv, fs = 0, s/ss
			}
		}
	}
	_, odd, misfit = left(fv, fs)
	return line.Element{Viscous: usual.Viscous * fv, Square: usual.Square * fs}, odd, misfit
}
