package books

import (
	"cmp"
	"math"
	"slices"
	"time"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/sugar"
	"yardtally/meter/worth"
)

const yearNS = 365.25 * 86400e9

// passed is flow of the period as the statement looks at it: a fill or loose flow.
type passed struct {
	rig      int // its place among the views
	view     *ledger.View
	start    int64
	flow     *worth.Flow
	counts   worth.Counts
	volume   quantity.Volume
	temp     quantity.Temperature
	hasTemp  bool
	nozzle   quantity.Mass // solids that left the nozzle meanwhile; 0: not known
	dry      bool          // it was no syrup
	yard     string
	why      string     // "" of a fill
	fill     int        // place in View.Fills; -1: none
	sugars   Sugars     // that passed the meter
	given    Sugars     // that left the nozzle
	unknown  bool       // what its solids are is not known
	inSolids worth.Flow // the same flow in kilograms of solids
	terms    []brixTerm
}

// brixTerm is by how much solids would be off for one standard uncertainty of
// a cause of Brix: a mix.
type brixTerm struct {
	cause string
	kg    float64
}

// meters are the views of a season's rigs, each with what is known of its batches.
type meters struct {
	views   []*ledger.View
	liquids [][]*liquid
}

// flows returns the flow of a stretch by all of them, in order of time.
func (m *meters) flows(from, to int64) (out []passed) {
	for k, v := range m.views {
		one := flowsIn(v, from, to, m.liquids[k])
		for i := range one {
			one[i].rig, one[i].view = k, v
		}
		out = append(out, one...)
	}
	if len(m.views) > 1 {
		slices.SortStableFunc(out, func(a, b passed) int { return cmp.Compare(a.start, b.start) })
	}
	return out
}

// of returns a rig's place among the views; -1: it is in none.
func (m *meters) of(rig string) int {
	return slices.IndexFunc(m.views, func(v *ledger.View) bool { return v.Rig == rig })
}

// curve finds curves of a view by key.
func (m *meters) curve(rig int) func(k int32) *proving.Curve {
	curves := m.views[rig].Curves
	return func(k int32) *proving.Curve {
		if k > 0 && int(k) < len(curves) {
			return curves[k].Curve
		}
		return nil
	}
}

// budget is the standard uncertainty of what the meters together counted. Brix of
// a batch and the formulas are common to all rigs; all else is each one's own.
func (m *meters) budget(sums []worth.Sum) float64 {
	if len(sums) == 1 {
		return sums[0].Budget(m.curve(0)).U()
	}
	square := 0.0
	common := map[string]float64{}
	for rig := range sums {
		for _, c := range sums[rig].Budget(m.curve(rig)) {
			if c.Name == worth.ByBrix || c.Name == worth.ByFormula {
				common[c.Name] += c.U
				continue
			}
			square += float64(c.U * c.U)
		}
	}
	for _, name := range []string{worth.ByBrix, worth.ByFormula} {
		square += float64(common[name] * common[name])
	}
	return math.Sqrt(square)
}

// flowSum adds up flow, by volume and by solids.
type flowSum struct {
	volume  quantity.Volume
	sugars  Sugars
	unknown quantity.Volume
	v, kg   []worth.Sum // by rig
	brix    map[string]float64
}

func (s *flowSum) add(p *passed, rigs *meters) {
	if s.v == nil {
		s.v, s.kg = make([]worth.Sum, len(rigs.views)), make([]worth.Sum, len(rigs.views))
	}
	s.volume += p.volume
	repeat := 0.0
	curves := p.view.Curves
	if k := p.flow.Key; k > 0 && int(k) < len(curves) {
		repeat = curves[k].Repeat
	}
	s.v[p.rig].Add(p.flow, p.counts, repeat)
	if p.unknown {
		s.unknown += p.volume
		return
	}
	s.sugars = s.sugars.Plus(p.given)
	s.kg[p.rig].Add(&p.inSolids, p.counts, repeat)
	if s.brix == nil {
		s.brix = make(map[string]float64)
	}
	for _, t := range p.terms {
		s.brix[t.cause] += t.kg
	}
}

// within returns half the widths of the 95 % intervals of volume and solids.
func (s *flowSum) within(rigs *meters) (quantity.Volume, mix.Micrograms) {
	if s.v == nil {
		return 0, 0
	}
	u := rigs.budget(s.kg)
	var names []string
	for n := range s.brix {
		names = append(names, n)
	}
	slices.Sort(names)
	square := u * u
	for _, n := range names {
		square += float64(s.brix[n] * s.brix[n])
	}
	return quantity.VolumeOf(worth.Cover * rigs.budget(s.v)), micrograms(worth.Cover * math.Sqrt(square))
}

func micrograms(kg float64) mix.Micrograms { return mix.Micrograms(math.Round(kg * 1e9)) }

// liquid is the syrup of a batch, and what its Brix rests on.
type liquid struct {
	syrup syrup.Syrup
	u     float64            // standard uncertainty of its solids, mass fraction
	mixes map[string]float64 // the mixes that its solids come from, by their shares; nil: itself
	id    string
}

// terms are how far kg solids per unit of mass fraction are off by each cause
// of the batch's Brix. Mixes are independent of each other, so the shares that
// are put on them make u again when squared.
func (l *liquid) terms(perSolids float64) []brixTerm {
	if len(l.mixes) == 0 {
		return []brixTerm{{l.id, perSolids * l.u}}
	}
	var names []string
	square := 0.0
	for n, s := range l.mixes {
		names = append(names, n)
		square += s * s
	}
	slices.Sort(names)
	out := make([]brixTerm, 0, len(names))
	for _, n := range names {
		out = append(out, brixTerm{n, perSolids * l.u * l.mixes[n] / math.Sqrt(square)})
	}
	return out
}

// value works out the solids of a flow under its batch.
func (p *passed) value(l *liquid) {
	if p.dry || p.volume == 0 {
		return
	}
	if l == nil {
		p.unknown = true
		return
	}
	temp, tempU := unprobed, float64(unprobedU)
	if p.hasTemp {
		temp, tempU = p.temp, probedU
	}
	at := l.syrup.Near(temp)
	x := float64(l.syrup.Solids)
	kg := p.volume.CubicMetres() * float64(at.Density) * x
	if math.IsNaN(kg) {
		p.unknown = true
		return
	}
	p.sugars = split(micrograms(kg), l.syrup.Makeup)
	p.given = p.sugars
	if p.nozzle > 0 {
		p.given = split(micrograms(float64(p.nozzle)), l.syrup.Makeup)
	}
	if p.volume <= 0 || x == 0 {
		return
	}
	per := kg / p.volume.CubicMetres()
	f := *p.flow
	s := worth.Flow{Volume: kg, Key: f.Key, Beyond: f.Beyond * per, Temp: f.Temp*per + kg*at.DensityPerKelvin*tempU,
		Formula: math.Hypot(f.Formula*per, kg*at.DensityU)}
	for i := range f.Sense {
		s.Sense[i] = f.Sense[i] * per
	}
	perSolids := kg * (1/x + at.DensityPerSolids)
	if l.u > 0 {
		perSolids += f.Brix * per / l.u
	}
	p.inSolids, p.terms = s, l.terms(perSolids)
}

// split shares solids out among kinds, to the microgram: the kind that is most
// of them gets what rounding leaves.
func split(m mix.Micrograms, of syrup.Makeup) (s Sugars) {
	rest, most := m, syrup.Sucrose
	for k := range s {
		kind := syrup.Kind(k)
		s[k] = mix.Micrograms(math.Round(float64(m) * of.Share(kind)))
		rest -= s[k]
		if of.Share(kind) > of.Share(most) {
			most = kind
		}
	}
	s[most] += rest
	return s
}

// liquidsOf returns what is known of each batch of a view, in their order.
func liquidsOf(v *ledger.View, book *sugar.Book) []*liquid {
	held := make(map[string]*sugar.Held)
	if book != nil {
		for i := range book.Held {
			if h := &book.Held[i]; h.OnRig && (!book.House || h.Rig == v.Rig) && h.Batch.Total() > 0 {
				held[h.Act] = h
			}
		}
	}
	u := make(map[string]float64)
	for i := range v.Fills {
		if p := &v.Fills[i].Pulled; p.Batch != "" {
			u[p.Batch] = float64(p.SolidsU)
		}
	}
	out := make([]*liquid, len(v.Batches))
	for i := range v.Batches {
		b := &v.Batches[i]
		l := &liquid{id: b.ID, syrup: b.Liquid, u: act.DefaultBrixWithin / 100 / math.Sqrt(3)}
		if x, ok := u[b.ID]; ok {
			l.u = x
		}
		if h := held[b.ID]; h != nil {
			l.syrup, l.u, l.mixes = h.Syrup, float64(h.SolidsU), make(map[string]float64)
			for _, m := range h.Mixes {
				l.mixes[m.Act] += m.Share
			}
		}
		out[i] = l
	}
	return out
}

// flowsIn returns the flow of a stretch in order of time.
func flowsIn(v *ledger.View, from, to int64, liquids []*liquid) []passed {
	var out []passed
	value := func(p *passed) {
		if k := p.flow.Key; k > 0 && int(k) < len(v.Curves) && v.Curves[k].Proved != 0 {
			p.counts.Age = float64(p.start-v.Curves[k].Proved) / yearNS
		}
		var l *liquid
		if k := int(p.flow.Batch); k > 0 && k <= len(liquids) {
			l = liquids[k-1]
		}
		p.value(l)
	}
	put := func(p passed) { out = append(out, p) }
	for i := range v.Fills {
		f := &v.Fills[i]
		if f.Start >= from && f.Start < to {
			put(passed{start: f.Start, flow: &f.Metered, counts: worth.Counts{Session: f.Session, First: f.First, Last: f.Last},
				volume: f.Volume, temp: f.Syrup, hasTemp: f.HasSyrup, nozzle: f.Solids, yard: f.Yard, fill: i})
		}
	}
	for i := range v.Loose {
		l := &v.Loose[i]
		if l.Start >= from && l.Start < to {
			put(passed{start: l.Start, flow: &l.Metered, counts: worth.Counts{Session: l.Session, First: l.First, Last: l.Last},
				volume: l.Volume, dry: l.Why == outing.Air || l.Why == outing.Suspect, yard: l.Yard, why: l.Why, fill: -1})
		}
	}
	slices.SortStableFunc(out, func(a, b passed) int { return cmp.Compare(a.start, b.start) })
	last := -1
	for i := range out {
		p := &out[i]
		switch {
		case p.hasTemp:
			last = i
		case last >= 0 && p.start-out[last].start <= warm:
			p.temp, p.hasTemp = out[last].temp, true
		}
		value(p)
	}
	return out
}

// warm is how long a temperature stands for what flowed after it, where nothing
// told its own, ns; as in the balance.
const warm = int64(3600e9)

// stay is what is known of the visits to a yard.
type stay struct {
	visits, fills  int
	colonies, said int // sum over the visits that say, and how many do
	fewest, most   int
	meant          quantity.Volume // for each colony over all nights; 0: not said of each night
	doubt          quantity.Volume
	least, top     quantity.Volume
}

// stays puts the visits of a stretch together by yard. A colony that is visited
// twice in one night is meant to get its feed once.
// v is what the views are together.
func stays(v *ledger.View, views []*ledger.View, from, to int64, zone *time.Location) map[string]*stay {
	out := make(map[string]*stay)
	each := make(map[string]map[string]quantity.Volume) // by yard and night
	for _, x := range views {
		staysOf(v, x, from, to, zone, out, each)
	}
	for id, s := range out {
		for _, night := range sorted(each[id]) {
			if each[id][night] == 0 {
				s.meant = 0
				break
			}
			s.meant += each[id][night]
		}
	}
	return out
}

// staysOf adds one rig's visits.
func staysOf(all, v *ledger.View, from, to int64, zone *time.Location, out map[string]*stay, each map[string]map[string]quantity.Volume) {
	type pull struct {
		visit  int
		volume quantity.Volume
	}
	pulls := make(map[pull]bool)
	for i := range v.Fills {
		pulls[pull{v.Fills[i].Visit, v.Fills[i].Volume}] = true
	}
	said := make(map[string]quantity.Volume)
	for i := range v.Yards {
		said[v.Yards[i].ID] = v.Yards[i].Fill
	}
	for i := range v.Visits {
		x := &v.Visits[i]
		if x.From < from || x.From >= to || x.Yard == "" {
			continue
		}
		s := out[x.Yard]
		if s == nil {
			s = &stay{}
			out[x.Yard], each[x.Yard] = s, make(map[string]quantity.Volume)
		}
		s.visits++
		s.fills += x.Fills
		s.doubt += x.Doubt
		if x.Least > 0 && (s.least == 0 || x.Least < s.least) {
			s.least = x.Least
		}
		s.top = max(s.top, x.Most)
		if x.Colonies > 0 {
			s.colonies += x.Colonies
			s.said++
			if s.fewest == 0 || x.Colonies < s.fewest {
				s.fewest = x.Colonies
			}
			s.most = max(s.most, x.Colonies)
		}
		meant := x.Meant
		if meant != said[x.Yard] && pulls[pull{i, meant}] {
			meant = 0 // nobody said it: it is what is usual there, one of the pulls
		}
		night := all.Evening(x.From, zone).Format(time.DateOnly)
		each[x.Yard][night] = max(each[x.Yard][night], meant)
	}
}

func sorted[T any](m map[string]T) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
