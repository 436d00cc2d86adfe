// Package bucket is what a bucket test asks of a person and of the meter, the
// same for whoever guides it: the command on a terminal and the page on a phone.
package bucket

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// Cautions come before anything is poured.
var Cautions = []string{
	"Prove with syrup as you feed it, not hot: warm syrup scalds and sticks.",
	"Engine running: stay out of its exhaust, and never run it in a shed.",
	"20 kg (44 lb) in a bucket is heavy: put the scale where you pour, or lift with two.",
	"Wet or sticky ground is slippery, in the dark above all. Wash down spills: they bring bees and robbing.",
}

// Mark is where the counter stood. It can be written down and read back: At is
// Unix ns by the rig's clock.
type Mark struct {
	At      int64
	Session uint64
	Count   uint64
	Known   bool // whether anything was counted before; else Session and Count are 0
}

// piece is a stretch of counted flow.
type piece struct {
	session, first, last uint64
	start, end           int64
	open                 bool
}

func piecesOf(v *ledger.View) []piece {
	var out []piece
	for i := range v.Fills {
		f := &v.Fills[i]
		out = append(out, piece{f.Session, f.First, f.Last, f.Start, f.End, f.Open})
	}
	for i := range v.Loose {
		l := &v.Loose[i]
		out = append(out, piece{l.Session, l.First, l.Last, l.Start, l.End, false})
	}
	return out
}

// MarkOf returns where the counter stands.
func MarkOf(v *ledger.View) Mark {
	m := Mark{At: v.At}
	end := int64(0)
	for _, p := range piecesOf(v) {
		if !m.Known || p.end > end || p.end == end && p.last > m.Count {
			end = p.end
			m.Session, m.Count, m.Known = p.session, p.last, true
		}
	}
	return m
}

// Counted is what the meter counted since a mark, and where on the counter.
type Counted struct {
	Pulses, Seconds      float64
	Session, First, Last uint64
	Start, End           int64 // Unix ns of the first and last pulse; 0: none
	Open                 bool  // it flows still, or did until a moment ago
}

// Why a count cannot be taken.
var (
	ErrRestarted = errors.New("the counter started anew meanwhile, so the count is not whole")
	ErrMissed    = errors.New("readings were missed meanwhile, so the count is not whole")
	ErrOpen      = errors.New("the meter is not quiet yet")
	ErrNothing   = errors.New("the meter counted nothing since")
)

// Since returns what the meter counted since the mark, though it flow still.
// The error is ErrRestarted or ErrMissed: then the count is not whole.
func (m Mark) Since(v *ledger.View) (c Counted, err error) {
	for _, p := range piecesOf(v) {
		if p.end <= m.At && !(p.session == m.Session && p.last > m.Count) {
			continue
		}
		switch {
		case m.Known && p.session != m.Session, c.Pulses > 0 && p.session != c.Session:
			return c, ErrRestarted
		case m.Known && p.last <= m.Count:
			continue
		}
		c.Open = c.Open || p.open
		first, start := p.first, p.start
		if m.Known && first < m.Count {
			first, start = m.Count, max(start, m.At)
		}
		if c.Pulses == 0 {
			c.Session, c.First, c.Start = p.session, first, start
		}
		c.First, c.Last = min(c.First, first), max(c.Last, p.last)
		c.Start, c.End = min(c.Start, start), max(c.End, p.end)
		c.Pulses += float64(p.last - first)
		c.Seconds += float64(p.end-start) / 1e9
	}
	for i := range v.Gaps {
		if v.Gaps[i].End > m.At && v.Gaps[i].Hidden > 0 {
			return c, ErrMissed
		}
	}
	return c, nil
}

// Whole is Since of a count that is over. Besides, the error may be ErrOpen or
// ErrNothing: look again.
func (m Mark) Whole(v *ledger.View) (Counted, error) {
	c, err := m.Since(v)
	switch {
	case err != nil:
	case c.Open:
		err = ErrOpen
	case c.Pulses == 0:
		err = ErrNothing
	}
	return c, err
}

// Put puts a count into a bucket test.
func (c *Counted) Put(b *act.Proving) {
	b.Pulses, b.Seconds, b.Session, b.First, b.Last = c.Pulses, c.Seconds, c.Session, c.First, c.Last
}

// Net returns what the syrup weighs of a bucket that was weighed empty and full.
// The error is a *act.FieldError of "empty" or "full".
func Net(empty, full quantity.Mass, u quantity.System) (quantity.Mass, error) {
	if err := Empty(empty, u); err != nil {
		return 0, err
	}
	net := full - empty
	if !(net >= 0.05 && net <= 5000) {
		return 0, &act.FieldError{Field: "full", Rule: fmt.Sprintf("must be between 0.05 and 5000 kg more than the empty bucket's %s", u.Mass(empty)), Value: u.Mass(full)}
	}
	return net, nil
}

// Empty checks what an empty bucket weighs.
func Empty(m quantity.Mass, u quantity.System) error {
	if !(m >= 0 && m <= 500) {
		return &act.FieldError{Field: "empty", Rule: "must be between 0 and 500 kg", Value: u.Mass(m)}
	}
	return nil
}

// Temp checks the syrup's temperature at the meter.
func Temp(t quantity.Temperature, u quantity.System) error {
	if !(t >= syrup.MinTemperature && t <= syrup.MaxTemperature) {
		return &act.FieldError{Field: "temp", Rule: fmt.Sprintf("must be between %v and %v", syrup.MinTemperature, syrup.MaxTemperature), Value: u.Temperature(t)}
	}
	return nil
}

// Brix checks a syrup's dry solids.
func Brix(s quantity.Solids) error {
	if !(s > 0 && s <= syrup.MaxSolids) {
		return &act.FieldError{Field: "brix", Rule: "must be above 0 and at most 77 Brix", Value: s}
	}
	return nil
}

// Point returns what a proving of that name found.
func Point(name string, b act.Proving) (proving.Point, error) {
	if b.PulsesPerL != 0 {
		return proving.FromK(b.PulsesPerL)
	}
	t, err := b.Test(name, b.DoneNS)
	if err != nil {
		return proving.Point{}, err
	}
	return t.Point()
}

// Batch returns a rig's newest batch that was said, or that the books bring; acts
// are those that its account rests on.
func Batch(rig string, acts []act.Act) (b act.Batch, ok bool) {
	for _, a := range ledger.WithBooks(rig, act.Standing(acts)) {
		if x, is := a.Body.(act.Batch); is && x.Check() == nil {
			b, ok = x, true
		}
	}
	return b, ok
}

// BatchBrix returns a batch's dry solids, mass percent, as a person would write
// them; 0: not known.
func BatchBrix(b act.Batch) float64 {
	s, _, err := b.Solution()
	if err != nil {
		return 0
	}
	return float64(int64(float64(s.Solids)*1e5+0.5)) / 1e3
}

// SayMakeup says what a batch is made of: a kind, or the parts of a blend.
func SayMakeup(b act.Batch) string {
	if b.Syrup != "blend" {
		return b.Syrup
	}
	var parts []string
	for _, n := range slices.Sorted(maps.Keys(b.Shares)) {
		parts = append(parts, fmt.Sprintf("%g %s", b.Shares[n], n))
	}
	return strings.Join(parts, " + ")
}

// Over names what stands of the same subject from the same instant on: what an
// act takes the place of.
func Over(standing []act.Act, from int64, b act.Proving) (ids []string) {
	for i := range standing {
		if a := &standing[i]; a.From == from && act.Subject(a.Body) == act.Subject(b) {
			ids = append(ids, a.ID)
		}
	}
	return ids
}

// BrixOf gives dry solids in mass percent as they were written: 64, not 64.00000000000001.
func BrixOf(s quantity.Solids) float64 {
	b, _ := strconv.ParseFloat(strconv.FormatFloat(s.Brix(), 'g', 12, 64), 64)
	return b
}

// String writes a mark down, and ParseMark reads it back.
func (m Mark) String() string {
	if !m.Known {
		return strconv.FormatInt(m.At, 10)
	}
	return fmt.Sprint(m.At, ".", m.Session, ".", m.Count)
}

// ParseMark reads a mark that String wrote. The error is a *act.FieldError.
func ParseMark(text string) (m Mark, err error) {
	at, rest, known := strings.Cut(text, ".")
	m.At, err = strconv.ParseInt(at, 10, 64)
	if known && err == nil {
		session, count, _ := strings.Cut(rest, ".")
		if m.Session, err = strconv.ParseUint(session, 10, 64); err == nil {
			m.Count, err = strconv.ParseUint(count, 10, 64)
		}
		m.Known = true
	}
	if err != nil {
		return Mark{}, &act.FieldError{Field: "since", Rule: "must be where a count began, as the page has it", Value: strconv.Quote(text)}
	}
	return m, nil
}

// Counts writes down where on the counter a count lies, for Between.
func (c *Counted) Counts() string { return fmt.Sprint(c.Session, ".", c.First, ".", c.Last) }

// Between returns what was counted there, as the view has it now. The error is a
// *act.FieldError.
func Between(v *ledger.View, counts string) (c Counted, err error) {
	wrong := &act.FieldError{Field: "counts", Rule: "must be flow that the meter counted, as the page has it", Value: strconv.Quote(counts)}
	parts := strings.Split(counts, ".")
	if len(parts) != 3 {
		return c, wrong
	}
	var n [3]uint64
	for i := range parts {
		if n[i], err = strconv.ParseUint(parts[i], 10, 64); err != nil {
			return c, wrong
		}
	}
	c.Session, c.First, c.Last = n[0], n[1], n[2]
	for _, p := range piecesOf(v) {
		first, last := max(p.first, c.First), min(p.last, c.Last)
		if p.session != c.Session || first >= last {
			continue
		}
		took := p.end - p.start
		start := p.start + int64(float64(took)*float64(first-p.first)/float64(p.last-p.first))
		end := p.end - int64(float64(took)*float64(p.last-last)/float64(p.last-p.first))
		if c.Pulses == 0 {
			c.Start = start
		}
		c.Start, c.End = min(c.Start, start), max(c.End, end)
		c.Pulses += float64(last - first)
		c.Seconds += float64(end-start) / 1e9
		c.Open = c.Open || p.open
	}
	if c.Last <= c.First || c.Pulses != float64(c.Last-c.First) {
		return c, wrong
	}
	return c, nil
}
