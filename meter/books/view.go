package books

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/sugar"
	"yardtally/meter/worth"
)

// How well the temperature of metered syrup is known, K, and what it is taken for
// where no probe told it. Judgement, no source; as in the ledger.
const (
	probedU   = 0.5
	unprobedU = 8
	unprobed  = quantity.Temperature(15)
)

// FromView is FromViews of one rig.
func FromView(v *ledger.View, standing []act.Act, book *sugar.Book, from, to int64) (*Season, []Review) {
	return FromViews([]*ledger.View{v}, standing, book, from, to)
}

// FromViews makes the season of a stretch of time from what the ledgers of one
// rig, or of a house's rigs, derived and the standing acts, of which book was
// read. Pulses that were no syrup, and flow of which no volume is known, are left
// out; Review says where that is not plain.
func FromViews(views []*ledger.View, standing []act.Act, book *sugar.Book, from, to int64) (*Season, []Review) {
	s := &Season{From: from, To: to, Acts: standing, Book: book}
	var review []Review
	for _, v := range views {
		one := &Season{From: from, To: to, Acts: standing, Book: book}
		review = append(review, one.view(v)...)
		s.Metered, s.Levels = append(s.Metered, one.Metered...), append(s.Levels, one.Levels...)
	}
	if len(views) > 1 {
		sort.SliceStable(s.Metered, func(i, j int) bool { return s.Metered[i].At < s.Metered[j].At })
		sort.SliceStable(s.Levels, func(i, j int) bool { return s.Levels[i].At < s.Levels[j].At })
	}
	return s, review
}

// view takes in what one rig's ledger derived.
func (s *Season) view(v *ledger.View) (review []Review) {
	from, to, book, standing := s.From, s.To, s.Book, s.Acts
	rig := ""
	if book.House {
		rig = v.Rig
	}
	names := map[string]string{}
	for i := range v.Yards {
		names[v.Yards[i].ID] = v.Yards[i].Name
	}
	add := func(m Metered, f *worth.Flow, pulses uint64, volume quantity.Volume, temp quantity.Temperature, probed bool) {
		if m.At < from || m.At >= to || m.Why == outing.Air || m.Why == outing.Suspect {
			return
		}
		m.Volume, m.Temp = volume.CubicMetres(), temp
		tempU := probedU
		if !probed {
			m.Temp, tempU = unprobed, unprobedU
		}
		m.Rig, m.Held = rig, book.OnRig(v.Rig, m.At)
		if m.Held >= 0 && book.Held[m.Held].Batch.Total() == 0 {
			m.Held = -1
		}
		if m.Volume == 0 {
			return
		}
		m.shares(f, pulses, v.Curves, tempU, book)
		s.Metered = append(s.Metered, m)
	}
	for i := range v.Fills {
		f := &v.Fills[i]
		name := names[f.Yard]
		if name == "" {
			name = "no yard"
		}
		add(Metered{Name: name, Yard: f.Yard, At: f.Start, Visit: f.Visit}, &f.Metered, f.Last-f.First, f.Volume, f.Syrup, f.HasSyrup)
	}
	for i := range v.Loose {
		l := &v.Loose[i]
		add(Metered{Name: l.Why, Yard: l.Yard, Why: l.Why, At: l.Start, Visit: l.Visit}, &l.Metered, l.Last-l.First, l.Volume, 0, false)
	}
	sort.SliceStable(s.Metered, func(i, j int) bool { return s.Metered[i].At < s.Metered[j].At })
	s.warm()
	for _, g := range v.Gaps {
		if g.Hidden > 0 && g.End >= from && g.Start < to {
			by := ""
			if rig != "" {
				by = " by " + rig
			}
			review = append(review, Review{Why: fmt.Sprintf("up to %s may have flowed unseen%s: %s", s.Units.Volume(g.Hidden), by, g.Why)})
		}
	}
	s.levels(v, standing)
	return review
}

// shares says what of a flow's volume is uncertain by what. Warmer syrup is
// thinner: that is held against the volume's own dependence on temperature.
func (m *Metered) shares(f *worth.Flow, pulses uint64, curves []ledger.CurveSpan, tempU float64, book *sugar.Book) {
	put := func(cause string, by float64) {
		if m.Rig != "" { // a meter and a probe are a rig's own
			cause = m.Rig + ": " + cause
		}
		if by != 0 {
			m.Common = append(m.Common, Common{cause, by})
		}
	}
	if k := f.Key; k > 0 && int(k) < len(curves) {
		c := curves[k]
		for _, s := range c.Curve.Causes(&f.Sense) {
			put(s.Cause, s.U)
		}
		m.Own = math.Abs(c.Repeat * m.Volume)
		if c.Proved != 0 {
			years := math.Abs(float64(m.At-c.Proved)) / (365.25 * 86400e9)
			put(worth.ByDrift, proving.DriftPerYear*math.Sqrt(years)*m.Volume)
		}
	}
	if pulses > 0 { // one at either end, triangular
		m.Own = math.Hypot(m.Own, m.Volume/float64(pulses)/math.Sqrt(6))
	}
	put(worth.ByTemp, f.Temp-expansion*tempU*m.Volume)
	common := func(cause string, by float64) {
		if by != 0 {
			m.Common = append(m.Common, Common{cause, by})
		}
	}
	common(worth.ByFormula, f.Formula)
	if m.Rig == "" || m.Held < 0 || len(book.Held[m.Held].Mixes) == 0 {
		put(fmt.Sprintf("%s, batch %d", worth.ByBrix, f.Batch), f.Brix)
		return
	}
	// Rigs that were loaded out of one mix have its Brix in common.
	square := 0.0
	for _, p := range book.Held[m.Held].Mixes {
		square += float64(p.Share * p.Share)
	}
	for _, p := range book.Held[m.Held].Mixes {
		common(worth.ByBrix+", mix "+p.Act, f.Brix*p.Share/math.Sqrt(square))
	}
}

// warm gives flow of which no temperature was told that of the flow before it,
// where that is of the same hour.
func (s *Season) warm() {
	const hour = int64(3600e9)
	last, at := quantity.Temperature(0), int64(math.MinInt64)
	for i := range s.Metered {
		m := &s.Metered[i]
		switch {
		case m.Why == "" && m.Temp != unprobed:
			last, at = m.Temp, m.At
		case at != math.MinInt64 && m.At-at <= hour:
			m.Temp = last
		}
	}
}

// levels takes over the settled levels before and after what was not metered,
// and the first and the last of every outing.
func (s *Season) levels(v *ledger.View, standing []act.Act) {
	var looks []look
	for i := range v.Steps {
		x := &v.Steps[i]
		if x.At < s.From || x.At >= s.To {
			continue
		}
		n := len(v.Steps) - 1
		if i == 0 || i == n || v.Steps[i-1].Run != x.Run || v.Steps[i+1].Run != x.Run ||
			x.At-v.Steps[i-1].At > outing.Pause || v.Steps[i+1].At-x.At > outing.Pause {
			looks = append(looks, look{x.At, x})
		}
	}
	// The newest level at rest is a step only once it has fallen far enough.
	if t := &v.Tote; t.Known && t.Settled && t.At >= s.From && t.At < s.To {
		step := ledger.ToteStep{At: t.At, Level: t.Level, LevelU: t.LevelU}
		if n := len(v.Steps); n > 0 {
			step.Run = v.Steps[n-1].Run
		}
		if n := len(v.Steps); n == 0 || v.Steps[n-1].At < t.At {
			looks = append(looks, look{t.At, &step})
		}
	}
	over := act.NewRigTotes(standing)
	totes := map[string]act.Tote{}
	var newest act.Tote
	gone := act.Corrected(standing)
	next := 0
	rig := ""
	if s.Book.House {
		rig = v.Rig
	}
	for _, k := range s.placed(v.Rig, looks, standing, gone) {
		for ; next < len(standing) && standing[next].Since() <= k.at; next++ {
			a := &standing[next]
			if gone[a.ID] {
				continue
			}
			over.Take(a)
			if t, ok := a.Body.(act.Tote); ok {
				totes[t.Name] = t
				if !s.Book.House || a.Rig == v.Rig {
					newest = t
				}
			}
		}
		name := over.On(v.Rig)
		if !s.Book.House && len(over.Rigs()) == 1 {
			name = over.On(over.Rigs()[0])
		}
		shape, ok := totes[name]
		if !ok {
			shape = newest // a tote that nobody described is as the others
		}
		table, err := shape.Table()
		if err != nil {
			continue
		}
		p := table.At(k.step.Level)
		s.Levels = append(s.Levels, Levelled{Rig: rig, Tote: name, At: k.at, Volume: p.Volume.CubicMetres(),
			U: p.Area * math.Hypot(float64(k.step.LevelU), levelReadU), ShareU: tableRelU(&table)})
	}
}

// tableRelU is the relative standard uncertainty of a strapping table half way up,
// as in the ledger: two levels share it, so their difference has it too.
func tableRelU(t *tote.Table) float64 {
	mid, _ := t.Level(t.Capacity() / 2)
	p := t.At(mid)
	if p.Volume <= 0 {
		return 0
	}
	return math.Hypot(p.U/p.Volume.CubicMetres(), t.MeterU())
}

// look is a settled level, and when it counts.
type look struct {
	at   int64
	step *ledger.ToteStep
}

// placed puts levels on the right side of entries. People book a load at about
// the time it was, so the clock does not tell whether a level between two flows
// is from before or after it; that the level rose or fell past the meter does
// (Run). A level of which not even that tells is left out.
func (s *Season) placed(rig string, looks []look, standing []act.Act, gone map[string]bool) []look {
	var entries []int64
	over := act.NewRigTotes(standing)
	for i := range standing {
		a := &standing[i]
		if s.Book.House { // what is of other totes moves none of this one's levels
			before := over.On(rig)
			over.Take(a)
			if !slices.ContainsFunc(act.Touched(a.Body), func(t string) bool {
				name := over.Named(a, t)
				return name == before || name == over.On(rig)
			}) {
				continue
			}
		}
		switch b := a.Body.(type) {
		case act.Mix, act.Transfer, act.Water, act.Swap:
		case act.Lost:
			if b.Goods != nil {
				continue
			}
		case act.Fed:
			if b.Goods != nil {
				continue
			}
		default:
			continue
		}
		if !gone[a.ID] {
			entries = append(entries, a.Since())
		}
	}
	flowsBy := func(at int64) int {
		return sort.Search(len(s.Metered), func(i int) bool { return s.Metered[i].At > at })
	}
	var out []look
	run := -1
	for i := 0; i < len(looks); {
		gap := flowsBy(looks[i].at)
		n := i + 1
		for n < len(looks) && flowsBy(looks[n].at) == gap {
			n++
		}
		group := looks[i:n]
		var first, last int64 // entries between the same flows
		any := false
		for _, at := range entries {
			if flowsBy(at) == gap {
				if !any {
					first = at
				}
				last, any = at, true
			}
		}
		begin, end := group[0].step.Run, group[len(group)-1].step.Run
		for _, k := range group {
			switch {
			case !any:
			case k.step.Run == end && (end != begin || end != run):
				k.at = max(k.at, last+1)
			case k.step.Run == begin && end != begin:
				k.at = min(k.at, first-1)
			default:
				continue
			}
			out = append(out, k)
		}
		run = end
		i = n
	}
	return out
}

// levelReadU is how well a level sensor reads the same level again, m, as in the ledger.
const levelReadU = 0.001
