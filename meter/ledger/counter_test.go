package ledger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
)

// counterCase is one thing that a counter does in the middle of a fill.
type counterCase struct {
	name    string
	bits    int
	wraps   bool // in the middle of a fill
	restart bool // there too
	up, num bool // whether it says its uptime, and how often it has started
}

// dirt is what the wire does.
type dirt struct {
	name                string
	lose, double, later float64 // shares; later by 5 s
	outage              bool    // of three minutes, with the meter still counting
}

// script returns an evening on which it happens, and when it does, s; it differs
// from seed to seed.
func (c *counterCase) script(seed uint64) (script, float64) {
	s := evening()
	p := s.pulls[int(seed)%len(s.pulls)]
	mid := p.start + (0.2+0.6*float64(seed%7)/7)*(p.end-p.start)
	s.wrap = 1 << c.bits
	if c.wraps {
		s.base = s.wrap - (s.count(mid) - s.base)
	}
	if c.restart {
		s.restart = math.Round(mid*1000) / 1000
	}
	return s, mid
}

// TestCounter holds what the ledger makes of a counter against what it truly
// counted. Outside gaps it must be the same to the pulse; within one, what is
// missing must lie within what the gap says it may hide.
func TestCounter(t *testing.T) {
	cases := []counterCase{
		{"steady", 32, false, false, true, true},
		{"wraps at 2^16", 16, true, false, true, true},
		{"wraps at 2^16, no uptime", 16, true, false, false, false},
		{"wraps at 2^32", 32, true, false, true, true},
		{"restarts, all said", 32, false, true, true, true},
		{"restarts, uptime only", 32, false, true, true, false},
		{"restarts, number only", 32, false, true, false, true},
		{"restarts, nothing said", 32, false, true, false, false},
		{"restarts at 2^16, nothing said", 16, false, true, false, false},
	}
	dirts := []dirt{
		{name: "clean"}, {name: "10 % lost", lose: 0.1}, {name: "5 % doubled", double: 0.05}, {name: "5 % late 5 s", later: 0.05},
		{name: "3 min outage", outage: true}, {name: "all of it", lose: 0.1, double: 0.05, later: 0.05, outage: true},
	}
	n := uint64(2)
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long":
		n = 30
	case os.Getenv("YARDTALLY_FULL") != "":
		n = 10
	}
	t.Log("error: counted less true, pulses; exact: fills outside gaps that are right to the pulse")
	t.Logf("%-32s %-14s %7s %6s %11s %6s %9s %9s", "counter", "wire", "nights", "exact", "worst error", "gaps", "missing", "may hide")
	for _, c := range cases {
		for _, d := range dirts {
			row := counterRow{}
			for seed := range n {
				for _, stamped := range []bool{true, false} {
					if !stamped && !c.up && d.double+d.later > 0 {
						continue // a count that comes out of order and says no time at all
					}
					row.night(t, &c, &d, seed, stamped)
				}
			}
			t.Logf("%-32s %-14s %7d %6d %11d %6d %9d %9d", c.name, d.name, row.nights, row.exact, row.worst, row.gaps, row.missing, row.hidden)
		}
	}
}

type counterRow struct {
	nights, exact, gaps int
	worst               int64 // counted less true, pulses
	missing, hidden     int64 // the worst night's, pulses
}

func (row *counterRow) night(t *testing.T, c *counterCase, d *dirt, seed uint64, stamped bool) {
	t.Helper()
	what := fmt.Sprintf("%s, %s, seed %d, stamped %v", c.name, d.name, seed, stamped)
	s, mid := c.script(seed)
	r := rand.New(rand.NewPCG(seed, 21))
	dead := 100 + 1000*r.Float64() // begins
	if d.outage && c.restart && dead < mid+20 && dead > mid-200 {
		dead = mid + 20 // what happens in an outage is not seen: another test's
	}
	acts := settings()
	rig := acts[0].Body.(act.Rig)
	rig.WrapBits = c.bits
	acts[0].Body = rig
	var in []arrival
	said := s.tell()
	for i, m := range said {
		x := message{t: m.t}
		for _, v := range m.readings {
			if v.Channel != meter.Uptime || c.up {
				x.readings = append(x.readings, v)
			}
		}
		if c.num && m.readings[0].Channel == meter.Pulses {
			boots := 3.0
			if s.restart > 0 && m.t >= s.restart {
				boots = 4
			}
			x.readings = append(x.readings, meter.Reading{Channel: meter.Boot, Value: boots})
		}
		lose, double, later, after := r.Float64() < d.lose, r.Float64() < d.double, r.Float64() < d.later, 5*r.Float64()
		if i < 8 || i > len(said)-8 {
			lose, later = false, false // the first and the last count are heard
		}
		if lose || d.outage && m.t >= dead && m.t < dead+180 {
			continue
		}
		a := arrival{m.t + 0.02, x}
		if later {
			a.at += 5
		}
		in = append(in, a)
		if double {
			in = append(in, arrival{a.at + after, x})
		}
	}
	recs := mqtt(in, 1)
	if !stamped {
		for i := range recs {
			recs[i].Sent, recs[i].Source = 0, "counter board"
		}
	}
	v := replayed(t, acts, recs).View()
	if seed%3 == 0 {
		same(t, what+": live and replayed", results(live(t, acts, recs).View()), results(v))
	}

	pulse := 10 * quantity.Millilitre
	truth := int64(s.count(s.length-0.2) - s.base)
	var hidden, known quantity.Volume
	inGap := func(from, to float64) bool {
		for _, g := range v.Gaps {
			if float64(g.Start-t0)/1e9 < to+6 && float64(g.End-t0)/1e9 > from-1 {
				return true
			}
		}
		return false
	}
	for _, g := range v.Gaps {
		hidden += g.Hidden
		known += g.Known
	}
	off := int64(v.Total/pulse) - truth
	if off > 0 || -off > int64(hidden/pulse)+1 {
		t.Errorf("%s: %d pulses off, gaps hide %v: %+v", what, off, hidden, v.Gaps)
	}
	if !c.restart && off != 0 {
		t.Errorf("%s: %d pulses off", what, off)
	}
	if d.outage {
		// What the count went up by from the last message before it to the first
		// after it; one may be lost on either side.
		if least := quantity.Volume(s.count(dead+179)-s.count(dead)) * pulse; known < least && !(c.restart && mid > dead && mid < dead+180) {
			t.Errorf("%s: gaps know of %v, at least %v flowed in the outage", what, known, least)
		}
	} else if !c.restart && len(v.Gaps) > 0 {
		t.Errorf("%s: gaps %+v", what, v.Gaps)
	}
	var sum quantity.Volume
	for i := range v.Loose {
		sum += v.Loose[i].Volume
	}
	for i := range v.Fills {
		sum += v.Fills[i].Volume
	}
	if sum != v.Total {
		t.Errorf("%s: fills and loose flow are %v, total %v", what, sum, v.Total)
	}
	for _, p := range s.pulls {
		if inGap(p.start, p.end) || s.restart > p.start && s.restart < p.end {
			continue
		}
		found := 0
		for i := range v.Fills {
			if f := &v.Fills[i]; float64(f.Start-t0)/1e9 < p.end && float64(f.End-t0)/1e9 > p.start {
				found++
				if f.Volume != quantity.Volume(p.pulses)*pulse {
					t.Errorf("%s: the pull at %g s is %v, want %d pulses", what, p.start, f.Volume, p.pulses)
				}
			}
		}
		if found != 1 {
			t.Errorf("%s: the pull at %g s is %d fills", what, p.start, found)
		}
		row.exact++
	}
	row.nights++
	row.gaps += len(v.Gaps)
	if off < row.worst {
		row.worst, row.missing, row.hidden = off, -off, int64(hidden/pulse)
	}
}
