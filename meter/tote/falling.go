package tote

import "yardtally/calibrate/quantity"

// Fall is a level that went down evenly while the rig stood and nothing was
// metered.
type Fall struct {
	From, At int64           // since when about, and when it was told
	Volume   quantity.Volume // gone by At, above 0
	Rate     quantity.Flow
	Until    int64 // when it was over, or could be watched no longer; 0: it goes on
}

// Falling sees a tote's level go down while the rig stands: a one-sided sum of what
// is gone beyond the slack (Page 1954). It is a value, a copy is independent of
// it. Levels of some ten seconds apart tell 1.5 L/min within three minutes or so.
type Falling struct {
	Have  bool
	Last  Point
	Sum   float64 // m³ gone beyond the slack since Since
	Since int64
	Was   quantity.Volume // held then
	Above int             // points in a row beyond the limit
	Low   quantity.Volume // the least since
	LowAt int64
	Told  bool
	Fall  Fall
}

// Judgement: a full tote's own expansion, at 0.3 K/h, is 0.1 L/h (3.8e-4 /K; memory).
const (
	stillSlack = 0.3e-3 / 60 // m³/s; what leaks more slowly shows in Changes
	stillLeast = 3e-3        // m³
	stillU     = 6.0         // standard uncertainties of a level
	stillRow   = 3           // points
	stillGap   = int64(90e9)
	stillOver  = int64(180e9) // no lower for so long, and it is over
)

// Offer takes in the next point, in order of At, and returns the fall that it
// shows: again, with more known of it, at each point while it lasts and when it
// is over.
func (s *Falling) Offer(p Point) (Fall, bool) {
	if !p.Rest || p.Why != Counts {
		return Fall{}, false
	}
	moved := p.Metered != s.Last.Metered || p.Tote != s.Last.Tote || p.Series != s.Last.Series || p.Silent > 0 || p.At-s.Last.At > stillGap
	if !s.Have || moved {
		return s.begin(p, s.Last.At)
	}
	dt := float64(p.At-s.Last.At) / 1e9
	s.Sum += (s.Last.Volume - p.Volume).CubicMetres() - stillSlack*dt
	s.Last = p
	if p.Volume < s.Low-2*p.U {
		s.Low, s.LowAt = p.Volume, p.At
	}
	if s.Sum <= 0 || s.Told && p.At-s.LowAt > stillOver {
		return s.begin(p, s.LowAt)
	}
	if s.Above++; s.Sum < max(stillLeast, stillU*p.U.CubicMetres()) {
		s.Above = 0
	}
	if !s.Told && s.Above < stillRow {
		return Fall{}, false
	}
	if !s.Told {
		s.Told, s.Fall = true, Fall{From: s.Since, At: p.At}
	}
	s.Fall.Volume = s.Was - s.Low
	s.Fall.Rate = quantity.Flow(s.Fall.Volume.CubicMetres() / (float64(s.LowAt-s.Since) / 1e9))
	return s.Fall, true
}

// begin begins anew, and returns a fall that is over with it.
func (s *Falling) begin(p Point, over int64) (Fall, bool) {
	told, fall := s.Told, s.Fall
	*s = Falling{Have: true, Last: p, Since: p.At, Was: p.Volume, Low: p.Volume, LowAt: p.At}
	fall.Until = over
	return fall, told
}
