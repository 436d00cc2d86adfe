package ledger

import (
	"fmt"
	"math"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
)

// CurveSpan is the curve of the meter and from when it holds, until the next.
type CurveSpan struct {
	From    int64 // Unix ns; math.MinInt64: since ever
	Curve   *proving.Curve
	Repeat  float64 // relative standard deviation of one pull
	DueDays float64 // the next proving is due so long after the last
}

// proved gathers what was proved of the meter, act by act.
type proved struct {
	is      proving.Meter
	due     float64
	parts   []proof
	counts  map[string]string // of each proving, the act that counts
	changed bool
}

// proof is one proving: a test, or a label's K-factor.
type proof struct {
	at    int64
	test  proving.Test
	label float64 // pulses/L; 0: a test
}

func newProved(standing []act.Act) proved {
	p := proved{due: act.DefaultDue, counts: make(map[string]string)}
	when := make(map[string]int64)
	for i := range standing {
		b, ok := standing[i].Body.(act.Proving)
		if !ok || b.Check() != nil {
			continue
		}
		k := subject(&standing[i], b)
		if w, ok := when[k]; !ok || standing[i].When >= w {
			when[k], p.counts[k] = standing[i].When, standing[i].ID
		}
	}
	return p
}

// subject is which proving an act is about: said again, it replaces what was
// said before.
func subject(a *act.Act, b act.Proving) string {
	if b.DoneNS != 0 {
		return act.Subject(b)
	}
	return fmt.Sprint(act.Subject(b), " from ", a.From)
}

// meter takes in which meter it is; a has passed its Check.
func (p *proved) meter(a act.Meter) {
	t, _ := proving.ParseType(a.Type)
	b, _ := proving.ParseBody(a.Body)
	p.is = proving.Meter{Type: t, Body: b}
	p.is.Repeat = a.Repeat / 100
	p.due = act.DefaultDue
	if a.DueDays > 0 {
		p.due = a.DueDays
	}
	p.changed = true
}

// add takes in a proving; b has passed its Check.
func (p *proved) add(a *act.Act, b act.Proving) error {
	if p.counts[subject(a, b)] != a.ID {
		return nil // said again since
	}
	done := b.DoneNS
	if done == 0 {
		done = a.From
	}
	if done == 0 {
		done = a.When
	}
	var t proving.Test
	if b.PulsesPerL == 0 {
		m, err := act.Makeup(b.Syrup, b.Shares)
		if err != nil {
			return err
		}
		means := proving.Usual
		if b.ScaleStepKg > 0 {
			means.ScaleStep = quantity.Mass(b.ScaleStepKg)
		}
		if b.BrixWithin > 0 {
			means.Brix = quantity.FromBrix(b.BrixWithin)
		}
		if b.TempWithin > 0 {
			means.Temp = quantity.Temperature(b.TempWithin)
		}
		t = proving.Test{Name: a.ID, At: done, Pulses: b.Pulses, Net: quantity.Mass(b.NetKg),
			Syrup: syrup.Syrup{Makeup: m, Solids: quantity.FromBrix(b.Brix)}, Temp: quantity.Temperature(b.TempC),
			Seconds: b.Seconds, NoBrix: b.Mass, AirDensity: quantity.Density(b.AirKg), Means: means}
		if _, err := t.Point(); err != nil {
			return fmt.Errorf("proving: %w", err)
		}
	}
	if b.Fresh {
		kept := p.parts[:0:0]
		for i := range p.parts {
			if p.parts[i].at >= done {
				kept = append(kept, p.parts[i])
			}
		}
		p.parts = kept
	}
	p.parts = append(p.parts[:len(p.parts):len(p.parts)], proof{done, t, b.PulsesPerL})
	p.changed = true
	return nil
}

// curve makes the curve that holds from an instant on; nil if nothing was
// proved yet.
func (p *proved) curve(from int64) (*proving.Curve, error) {
	p.changed = false
	var tests []proving.Test
	label := 0.0
	if from == math.MinInt64 {
		from = 0
	}
	for i := range p.parts {
		if x := &p.parts[i]; x.label > 0 {
			label = x.label
		} else {
			tests = append(tests, x.test)
			from = max(from, x.at)
		}
	}
	if len(tests) == 0 && label == 0 {
		return nil, nil
	}
	c, err := proving.NewCurve(p.is, tests, label, from)
	if err != nil {
		return nil, fmt.Errorf("proving: %w", err)
	}
	return c, nil
}
