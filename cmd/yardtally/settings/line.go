package settings

import (
	"fmt"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// lineTable mirrors [line].
type lineTable struct {
	PumpHead      measure     `toml:"pump_head"`
	PumpFlow      measure     `toml:"pump_flow"`
	PumpRated     measure     `toml:"pump_rated"`
	PumpIdle      measure     `toml:"pump_idle"`
	PumpNeeds     measure     `toml:"pump_needs"`
	SuctionBore   measure     `toml:"suction_bore"`
	SuctionLength measure     `toml:"suction_length"`
	HoseBore      measure     `toml:"hose_bore"`
	HoseLength    measure     `toml:"hose_length"`
	HoseOnReel    measure     `toml:"hose_on_reel"`
	Drum          measure     `toml:"drum"`
	NozzleBore    measure     `toml:"nozzle_bore"`
	ScreenLoss    [][]measure `toml:"screen_loss"`
	MeterLoss     [][]measure `toml:"meter_loss"`
	ToteFloor     measure     `toml:"tote_floor"`
	PumpHeight    measure     `toml:"pump_height"`
	NozzleHeight  measure     `toml:"nozzle_height"`
	From          string      `toml:"from"`
}

// line turns [line] into the body of an act. What the file gives must be more
// than nothing, as an act takes 0 for what is not said.
func (r *reader) line(f *file) {
	l, mark := f.Line, len(r.wrong)
	if l == nil {
		return
	}
	body := act.Line{
		PumpHeadM:      some(r, "line.pump_head", l.PumpHead, waterHead, 1),
		PumpFlowLPM:    some(r, "line.pump_flow", l.PumpFlow, quantity.ParseFlow, quantity.LitrePerMinute),
		PumpRated:      some(r, "line.pump_rated", l.PumpRated, quantity.ParseFrequency, quantity.PerMinute),
		PumpIdle:       some(r, "line.pump_idle", l.PumpIdle, quantity.ParseFrequency, quantity.PerMinute),
		PumpNeedsM:     some(r, "line.pump_needs", l.PumpNeeds, quantity.ParseLength, 1),
		SuctionBoreM:   some(r, "line.suction_bore", l.SuctionBore, fraction, 1),
		SuctionLengthM: some(r, "line.suction_length", l.SuctionLength, quantity.ParseLength, 1),
		HoseBoreM:      some(r, "line.hose_bore", l.HoseBore, fraction, 1),
		HoseLengthM:    some(r, "line.hose_length", l.HoseLength, quantity.ParseLength, 1),
		DrumM:          some(r, "line.drum", l.Drum, quantity.ParseLength, 1),
		NozzleBoreM:    some(r, "line.nozzle_bore", l.NozzleBore, fraction, 1),
		ScreenLoss:     r.losses("line.screen_loss", l.ScreenLoss),
		MeterLoss:      r.losses("line.meter_loss", l.MeterLoss),
	}
	if l.HoseOnReel != "" {
		reel := float64(take(r, "line.hose_on_reel", l.HoseOnReel, quantity.ParseLength, 0))
		body.HoseOnReelM = &reel
	}
	if l.ToteFloor != "" || l.PumpHeight != "" || l.NozzleHeight != "" {
		height := func(field string, text measure) float64 {
			r.need(field, text != "", `"20 in", as they are from one ground: tote_floor, pump_height and nozzle_height`)
			return float64(take(r, field, text, quantity.ParseLength, 0))
		}
		body.Heights = &act.Heights{ToteFloorM: height("line.tote_floor", l.ToteFloor),
			PumpM: height("line.pump_height", l.PumpHeight), NozzleM: height("line.nozzle_height", l.NozzleHeight)}
	}
	r.say(mark, "line", "line", l.From, body)
}

// losses reads points of a data sheet: pressure, flow and, of other liquids
// than water, viscosity.
func (r *reader) losses(field string, points [][]measure) []act.Loss {
	var out []act.Loss
	for i, p := range points {
		at := fmt.Sprintf("%s[%d]", field, i)
		if len(p) != 2 && len(p) != 3 {
			r.fail(at, `must be a pressure, a flow and, of another liquid than water, its viscosity, like ["14 psi", "2 gal/min", "200 mPa·s"]`)
			continue
		}
		loss := act.Loss{
			PressureKPa: some(r, at+"[0]", p[0], quantity.ParsePressure, quantity.Kilopascal),
			FlowLPM:     some(r, at+"[1]", p[1], quantity.ParseFlow, quantity.LitrePerMinute),
		}
		if len(p) == 3 {
			loss.ViscosityMPS = some(r, at+"[2]", p[2], viscosity, quantity.MillipascalSecond)
		}
		out = append(out, loss)
	}
	return out
}

// some takes a quantity that must be above 0 where it is given, in a unit.
func some[Q ~float64](r *reader, field string, text measure, parse func(string) (Q, error), unit Q) float64 {
	before := len(r.wrong)
	q := take(r, field, text, parse, 0)
	if text != "" && len(r.wrong) == before && !(q > 0) {
		r.fail(field, "must be above 0")
	}
	return float64(q / unit)
}

// fraction reads a length that may be a fraction, as bores are labelled: "3/4
// in", "1 1/4 in".
func fraction(text string) (quantity.Length, error) {
	head, tail, ok := strings.Cut(strings.TrimSpace(text), "/")
	if !ok {
		return quantity.ParseLength(text)
	}
	rule := &quantity.ParseError{Quantity: "length", Input: text, Rule: `must be a number or a fraction and its unit, like "19 mm" or "3/4 in"`}
	n := strings.IndexFunc(tail, func(c rune) bool { return c < '0' || c > '9' })
	if n <= 0 {
		return 0, rule
	}
	whole, above, mixed := strings.Cut(strings.Join(strings.Fields(head), " "), " ")
	if !mixed {
		whole, above = "0", whole
	}
	var parts [3]float64
	for i, s := range []string{whole, above, tail[:n]} {
		x, err := strconv.ParseUint(s, 10, 16)
		if err != nil {
			return 0, rule
		}
		parts[i] = float64(x)
	}
	if parts[2] == 0 {
		return 0, rule
	}
	unit, err := quantity.ParseLength("1" + tail[n:])
	if err != nil {
		return 0, rule
	}
	return quantity.Length(parts[0]+parts[1]/parts[2]) * unit, nil
}

// waterHead reads a head as a pump's plate has it: metres or feet, or the
// pressure of water at 20 °C that does the same.
func waterHead(text string) (quantity.Length, error) {
	if h, err := quantity.ParseLength(text); err == nil {
		return h, nil
	}
	// Density of water 998.2 kg/m³ (20 °C; memory), standard gravity (NIST SP 811 appendix B.8).
	const perMetre = 998.2 * 9.80665
	p, err := quantity.ParsePressure(text)
	if err != nil {
		return 0, &quantity.ParseError{Quantity: "head", Input: text, Rule: `must be a head or a pressure of water and its unit, like "92 ft", "28 m" or "40 psi"`}
	}
	return quantity.Length(p / perMetre), nil
}

// viscosity reads a dynamic viscosity.
func viscosity(text string) (quantity.Viscosity, error) {
	s := strings.TrimSpace(text)
	for _, u := range []struct {
		end  string
		unit quantity.Viscosity
	}{{"mPa·s", quantity.MillipascalSecond}, {"mPa.s", quantity.MillipascalSecond}, {"mPas", quantity.MillipascalSecond},
		{"cP", quantity.MillipascalSecond}, {"Pa·s", 1}, {"Pa.s", 1}, {"Pas", 1}} {
		num, ok := strings.CutSuffix(s, u.end)
		if !ok {
			continue
		}
		if x, err := strconv.ParseFloat(strings.TrimSpace(num), 64); err == nil {
			return quantity.Viscosity(x) * u.unit, nil
		}
		break
	}
	return 0, &quantity.ParseError{Quantity: "viscosity", Input: text, Rule: `must be a number and its unit, one of mPa·s, cP, Pa·s`}
}

// lineField is what ours is for the fields of a line that are not as the file
// has them.
func lineField(field string) (inFile, unit string, ok bool) {
	if list, column, found := strings.Cut(field, "]."); found && (strings.HasPrefix(list, "meter_loss[") || strings.HasPrefix(list, "screen_loss[")) {
		switch column {
		case "pressure_kpa":
			return list + "][0]", "kPa", true
		case "flow_l_per_min":
			return list + "][1]", "L/min", true
		case "viscosity_mpa_s":
			return list + "][2]", "mPa·s", true
		}
	}
	switch field {
	case "heights.tote_floor_m":
		return "tote_floor", "m", true
	case "heights.pump_m":
		return "pump_height", "m", true
	case "heights.nozzle_m":
		return "nozzle_height", "m", true
	}
	return "", "", false
}
