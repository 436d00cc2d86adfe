package ledger

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	"yardtally/meter/act"
	"yardtally/meter/clock"
	"yardtally/meter/fill"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
	"yardtally/meter/total"
	ltote "yardtally/meter/tote"
	"yardtally/meter/worth"
	"yardtally/meter/yard"
)

// span is what people have said as it holds from one instant on.
type span struct {
	from   int64
	rig    act.Rig
	curve  *proving.Curve  // nil: no proving
	key    int32           // its place in config.curves
	pulse  quantity.Volume // what one pulse is worth, about; 0: no proving
	syrup  worth.Passing   // what the batch says; its temperature is not set
	counts total.Rules
	fills  fill.Rules
	places []yard.Place
	batch  *act.Batch
	since  int64 // when batch came into the tote
	stock  outing.Stock
	sense  *sensor.Rules // what sensors can say
	line   *act.Line
	tote   *act.Tote
	space  tote.Gauge // by the headspace sensor
	head   tote.Gauge // by the pressure sensor
	rest   ltote.Rule // when a level counts
	strapU float64    // relative standard uncertainty of the strapping

	series, headSeries int // of levels that can be held against each other, by either sensor
}

// stand is how a yard's colonies stood from an instant on.
type stand struct {
	from, when int64
	colonies   int
	meant      quantity.Volume
	numbered   bool
}

// moments are the instants of acts in config.said, in the order of those.
type moments struct {
	arrives, colony, visits, drains []act.Moment
}

// batchFrom is a batch and when it came into the tote.
type batchFrom struct {
	from  int64
	batch outing.Batch
}

// config is the standing acts, compiled: spans in order of time, the first of
// them from the beginning of time.
type config struct {
	spans     []span
	said      outing.Said // what the account needs, without instants that a boot's clock names
	moments   moments     // those
	breaks    []act.Break // in order of saying
	stands    map[string][]stand
	batchList []batchFrom
	booked    []Booked
	named     []act.Act // assigns and their like, to say which of them found nothing
	yards     []YardInfo
	targets   map[string]Target    // by yard; "": of every other
	fixes     map[string]clock.Fix // by the boot's id
	review    []Review
	boots     map[uint32]string // ids of boots, as far as they were told
	curves    []CurveSpan       // the first is none: no proving
	batches   int32
}

// curveOf returns the curve of a key; nil for none.
func curveOf(curves []CurveSpan, key int32) *proving.Curve {
	if int(key) >= len(curves) || key < 0 {
		return nil
	}
	return curves[key].Curve
}

// boot returns a boot's id, the same in every copy of the journal.
func (c *config) boot(n uint32) string {
	if id, ok := c.boots[n]; ok {
		return id
	}
	return strconv.FormatUint(uint64(n), 10)
}

// fix returns what was said of a boot's clock.
func (c *config) fix(n uint32) (clock.Fix, bool) {
	f, ok := c.fixes[c.boot(n)]
	return f, ok
}

// session names a session of the counter, the same in every copy of the
// journal: by the boot and the instant of its first message. A name is below
// 2^53, so that every reader of JSON can hold it.
func (c *config) session(s *total.Session) uint64 {
	// FNV-1a, 64 bits (Fowler, Noll, Vo; constants from memory), folded to 53.
	h := uint64(14695981039346656037)
	for _, b := range strconv.AppendInt(append([]byte(c.boot(s.Clock)), ' '), s.Mono, 10) {
		h = (h ^ uint64(b)) * 1099511628211
	}
	return (h>>53 ^ h) & (1<<53 - 1)
}

func (c *config) at(t int64) *span {
	i := len(c.spans) - 1
	if c.spans[i].from > t {
		i = sort.Search(i, func(i int) bool { return c.spans[i].from > t }) - 1
	}
	return &c.spans[i]
}

// compile builds the config of one rig from standing acts, its own or those of
// its house. An act that cannot be used is listed for review and leaves what
// held before.
func compile(rig string, standing []act.Act) *config {
	b := booksOf(rig, standing)
	return compileWith(ownOf(rig, standing), b, b.in(rig, standing))
}

// compileWith is compile where the books were read; used is what they come to.
func compileWith(said []act.Act, b *books, standing []act.Act) *config {
	cfg := &config{fixes: make(map[string]clock.Fix), curves: make([]CurveSpan, 1), stands: make(map[string][]stand), targets: make(map[string]Target)}
	cur := span{from: math.MinInt64, rig: act.DefaultRig, sense: sensor.RulesOf(sensor.Tote{})}
	cur.derive()
	cfg.spans = []span{cur}
	yards := make(map[string]act.Yard)
	pr := newProved(standing)
	next := cur
	for i := range standing {
		a := &standing[i]
		next.from = a.Since()
		err := a.Check()
		if err == nil {
			err = cfg.take(a, &next, yards, &pr)
		}
		if err != nil {
			cfg.review = append(cfg.review, Review{Act: a.ID, Why: err.Error()})
		}
		if i+1 < len(standing) && standing[i+1].Since() == next.from {
			continue // all that holds from one instant on is taken in together
		}
		if err := cfg.curveFrom(&next, &pr); err != nil {
			cfg.review = append(cfg.review, Review{Act: a.ID, Why: err.Error()})
		}
		next.derive()
		if last := &cfg.spans[len(cfg.spans)-1]; last.from == next.from {
			*last = next
		} else {
			cfg.spans = append(cfg.spans, next)
		}
	}
	for _, c := range act.Conflicts(said) {
		cfg.review = append(cfg.review, Review{Act: c.Counts.ID, Why: fmt.Sprintf("differs from act %s, said by %s without knowing of it; this one counts until an act replaces both", c.Other.ID, c.Other.Who)})
	}
	if b != nil {
		cfg.review = append(cfg.review, b.review...)
	}
	cfg.name()
	for _, y := range yards {
		cfg.yards = append(cfg.yards, YardInfo{ID: y.ID, Name: y.Name, Lat: y.Lat, Lon: y.Lon,
			EnterM: y.EnterM, LeaveM: y.LeaveM, Colonies: y.Colonies, Fill: litres(y.FillL), Closed: y.Closed, Ring: y.Ring, Target: cfg.target(y.ID)})
	}
	slices.SortFunc(cfg.yards, func(a, b YardInfo) int { return cmp.Compare(a.ID, b.ID) })
	cfg.reviewYards(yards)
	return cfg
}

// target is what each colony of a yard is meant to get in a season.
func (c *config) target(yard string) Target {
	if t := c.targets[yard]; t.Said() {
		return t
	}
	t := c.targets[""]
	t.All = t.Said()
	return t
}

// take takes in one act.
func (c *config) take(a *act.Act, next *span, yards map[string]act.Yard, pr *proved) error {
	switch b := a.Body.(type) {
	case act.Rig:
		next.rig = b
	case act.Tote:
		space, head, err := b.Gauges()
		if err != nil {
			return err
		}
		next.tote, next.space, next.head = &b, space, head
		top, _ := space.Table.Level(space.Table.Capacity())
		next.sense = sensor.RulesOf(sensor.Tote{SensorM: b.SensorM, TopM: float64(top), CapacityL: b.CapacityL})
		next.rest = ltote.Rule{}
		next.series++
		next.headSeries = -next.series
		next.strapU = strapOf(&space.Table)
		if long := quantity.Length(max(b.LengthM, b.WidthM)); long > 0 {
			// Half as deep as long: about half full.
			next.rest.Still = int64(tote.Rest(long, long/2) * 1e9)
		}
	case act.Yard:
		yards[b.ID] = b
		next.places = placesOf(yards)
		c.stand(b.ID, a, b.Colonies, b.FillL, &b.Numbered)
	case act.Colonies:
		c.stand(b.Yard, a, b.Count, b.FillL, nil)
	case act.Target:
		c.targets[b.Yard] = Target{Each: litres(b.EachL), Sugar: quantity.Mass(b.SugarKg), From: a.From}
	case act.Meter:
		pr.meter(b)
	case act.Line:
		next.line = &b
	case act.Proving:
		c.tested(a, b)
		return pr.add(a, b)
	case act.Batch:
		sol, u, err := b.Solution()
		if err != nil {
			return err
		}
		c.batches++
		next.headSeries -= 1 << 16
		next.batch, next.since = &b, next.from
		next.stock = outing.Stock{Act: a.ID, Syrup: sol, SolidsU: quantity.Solids(u)}
		next.syrup = worth.Passing{Syrup: sol, Known: true, SolidsU: u, BatchKey: c.batches}
		c.booked = append(c.booked, Booked{ID: a.ID, Made: b.MadeNS, From: next.from, Liquid: sol})
		c.batchList = append(c.batchList, batchFrom{next.from, outing.Batch{Brix: sol.Solids.Brix(),
			Density: func(t quantity.Temperature) quantity.Density { return sol.Near(t).Density }}})
	case act.Assign, act.Deem, act.Cut, act.Colony, act.Arrive, act.Visit, act.Drained, act.Break, act.Route:
		c.named = append(c.named, *a)
	case act.Fix:
		said := clock.Fix{Mono: b.MonoNS, UTC: b.UTC, By: b.By, When: a.When}
		if f, ok := c.fixes[b.Boot]; !ok || f.Yields(said) {
			c.fixes[b.Boot] = said
		}
	} // of a later version: kept, not understood
	return nil
}

// curveFrom makes the meter's curve anew where a span changes it.
func (c *config) curveFrom(next *span, pr *proved) error {
	if pr.changed {
		curve, proved, err := pr.curve(next.from)
		if err != nil {
			return err
		}
		if curve != nil {
			next.curve, next.key = curve, int32(len(c.curves))
			c.curves = append(c.curves, CurveSpan{From: next.from, Curve: curve, Proved: proved, Repeat: curve.Meter().Repeat, DueDays: pr.due})
		}
	}
	m := worth.Under(next.curve, next.key, next.syrup)
	next.pulse = quantity.VolumeOf(m.Nominal())
	return nil
}

func (s *span) derive() {
	s.counts = total.Rules{Wrap: 1 << s.rig.WrapBits}
	if s.pulse > 0 {
		s.counts.MaxRate = s.rig.MostLPM / 60 / s.pulse.Litres()
	}
	s.fills = fill.Rules{Quiet: int64(s.rig.QuietS * 1e9), Least: litres(s.rig.LeastL)}
}

func litres(l float64) quantity.Volume { return quantity.VolumeOf(l / 1000) }

func placesOf(yards map[string]act.Yard) []yard.Place {
	var out []yard.Place
	for _, y := range yards {
		if !y.Closed {
			out = append(out, yard.Place{ID: y.ID, Lat: y.Lat, Lon: y.Lon,
				Enter: quantity.Length(y.EnterM), Leave: quantity.Length(y.LeaveM), Ring: ringOf(y.Ring)})
		}
	}
	slices.SortFunc(out, func(a, b yard.Place) int { return cmp.Compare(a.ID, b.ID) })
	return out
}

// strapOf is the relative standard uncertainty of a strapping table, half way up.
func strapOf(t *tote.Table) float64 {
	mid, _ := t.Level(t.Capacity() / 2)
	p := t.At(mid)
	if p.Volume <= 0 {
		return 0
	}
	return math.Hypot(p.U/p.Volume.CubicMetres(), t.MeterU())
}

func ringOf(ring []act.Corner) []yard.Corner {
	var out []yard.Corner
	for _, c := range ring {
		out = append(out, yard.Corner{Lat: c.Lat, Lon: c.Lon})
	}
	return out
}

// diff returns the acts that are in only one of two standing lists, or differ.
func diff(a, b []act.Act) []act.Act {
	key := func(x *act.Act) string {
		data, err := x.MarshalJSON()
		if err != nil {
			return x.ID
		}
		return string(data)
	}
	in := make(map[string]int)
	for i := range a {
		in[key(&a[i])]++
	}
	var out []act.Act
	for i := range b {
		if k := key(&b[i]); in[k] > 0 {
			in[k]--
		} else {
			out = append(out, b[i])
		}
	}
	for i := range a {
		if k := key(&a[i]); in[k] > 0 {
			in[k]--
			out = append(out, a[i])
		}
	}
	return out
}
