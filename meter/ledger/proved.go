package ledger

import (
	"fmt"
	"math"

	"yardtally/calibrate/proving"
	"yardtally/meter/act"
)

// CurveSpan is the curve of the meter and from when it holds, until the next.
type CurveSpan struct {
	From    int64 // Unix ns; math.MinInt64: since ever
	Curve   *proving.Curve
	Proved  int64   // the instant up to which it was proved, Unix ns; 0: by label only
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
		var err error
		if t, err = b.Test(a.ID, done); err != nil {
			return err
		}
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

// curve makes the curve that holds from an instant on, and tells up to when it
// was proved; nil if nothing was proved yet.
func (p *proved) curve(from int64) (*proving.Curve, int64, error) {
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
		return nil, 0, nil
	}
	if len(tests) == 0 {
		from = 0
	}
	c, err := proving.NewCurve(p.is, tests, label, from)
	if err != nil {
		return nil, 0, fmt.Errorf("proving: %w", err)
	}
	return c, from, nil
}
