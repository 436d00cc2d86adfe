package line

import (
	"fmt"
	"math"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// longest is what PerGallon says of no flow, and of less: a day.
const longest = 24 * time.Hour

// PerGallon returns how long a US gallon takes, a day at most.
func PerGallon(q quantity.Flow) time.Duration {
	if s := quantity.USGallon.CubicMetres() / float64(q); q > 0 && s < longest.Seconds() {
		return time.Duration(s * float64(time.Second))
	}
	return longest
}

// Outlook is a flow to be expected with syrup and rig all at one temperature.
type Outlook struct {
	Temp      quantity.Temperature
	Flow      quantity.Flow
	PerGallon time.Duration
	Marks     Marks
}

// At returns the outlook for a batch at a temperature. Errors are *Error.
func At(l *Line, s syrup.Syrup, t quantity.Temperature, set Setting) (Outlook, error) {
	c := Under(s, t, AllAt(t), set)
	p, err := Operate(l, &c)
	return Outlook{t, p.Flow, PerGallon(p.Flow), p.Marks}, err
}

// ByTemperature returns rows outlooks, 2 to 200, evenly from one temperature to another, both
// included. Of thin syrup they need not rise with temperature. Errors are *Error.
func ByTemperature(l *Line, s syrup.Syrup, set Setting, from, to quantity.Temperature, rows int) ([]Outlook, error) {
	if err := between("rows", float64(rows), 2, 200); err != nil {
		return nil, err
	}
	out := make([]Outlook, rows)
	for i := range out {
		var err error
		if out[i], err = At(l, s, from+(to-from)*quantity.Temperature(i)/quantity.Temperature(rows-1), set); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Thinning is what water buys.
type Thinning struct {
	Before, After Outlook
	Water         float64 // kg to each kg of syrup
	Faster        float64 // flow after by flow before
	Sugar         float64 // the same for the solids that flow: thinner syrup carries less
}

// Thin returns what thinning a batch to these solids, fewer than it has, buys at a temperature.
// Errors are *Error.
func Thin(l *Line, s syrup.Syrup, to quantity.Solids, t quantity.Temperature, set Setting) (Thinning, error) {
	if !(to > 0 && to < s.Solids) {
		return Thinning{}, &Error{"thinned to, Brix", fmt.Sprintf("must be above 0 and below the syrup's %g", s.Solids.Brix()), to.Brix()}
	}
	thin := syrup.Syrup{Makeup: s.Makeup, Solids: to}
	before, err := At(l, s, t, set)
	if err != nil {
		return Thinning{}, err
	}
	after, err := At(l, thin, t, set)
	if err != nil {
		return Thinning{}, err
	}
	if before.Flow == 0 {
		return Thinning{}, &Error{"flow before thinning, m³/s", "must be above 0", 0}
	}
	faster := float64(after.Flow / before.Flow)
	carried := float64(to) * float64(thin.Near(t).Density) / (float64(s.Solids) * float64(s.Near(t).Density))
	return Thinning{before, after, float64(s.Solids/to) - 1, faster, faster * carried}, nil
}

// Pour returns how long a volume takes that is drawn in one go from a tote of this temperature
// through a rig as warm as w, and how warm the rig is then. It takes up to 10 m³. Errors are *Error,
// one for a line that stalls too.
func Pour(l *Line, s syrup.Syrup, tote quantity.Temperature, w Warmth, set Setting, v quantity.Volume) (time.Duration, Warmth, error) {
	if err := between("volume, m³", v.CubicMetres(), 0, 10); err != nil {
		return 0, w, err
	}
	hold := l.Holdup()
	seconds := 0.0
	// By quarters of a cell, but in 1000 steps at most.
	step := max(hold/(4*Cells), v/1000, quantity.Millilitre)
	for left := v; left > 0; left -= step {
		now := min(step, left)
		c := Under(s, tote, w, set)
		p, err := Operate(l, &c)
		if err != nil {
			return 0, w, err
		}
		if p.Flow == 0 {
			return 0, w, &Error{"flow, m³/s", "must be above 0", 0}
		}
		seconds += now.CubicMetres() / float64(p.Flow)
		w = w.Pass(now, tote, hold)
	}
	return time.Duration(math.Min(seconds, 1e9) * float64(time.Second)), w, nil
}
