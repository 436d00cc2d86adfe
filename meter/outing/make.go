package outing

import (
	"math"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/yard"
)

// account is an account in the making.
type account struct {
	seen   *Seen
	said   *Said
	trail  yard.Trail
	claims []claim
	ahead  []string // rest of the route
	routed bool
	levels []weighed // of each flow: what the tote's level says of it
	fills  []counts  // what fills the drained hose
	ps     []part
	visits []visit
	hits   []string
	rev    []Review
}

// Make makes the account of an outing.
func Make(seen *Seen, said *Said) Account {
	a := &account{seen: seen, said: said}
	a.trail = yard.Trail{Stays: seen.Stays, Found: yard.Locate(seen.Stays, said.Places), Moving: seen.Moving, Fix: seen.Fix}
	a.claim()
	a.weigh()
	a.drained()
	a.ps = a.parts()
	for i := range a.ps {
		a.place(&a.ps[i])
	}
	for i := range a.ps {
		a.judge(&a.ps[i])
	}
	a.proved()
	a.ground()
	a.tooMuch()
	a.topUps()
	a.visit()
	a.strange()
	a.unborne()
	a.emptied()
	a.primed()
	a.colonies()
	return a.sum()
}

func (a *account) hit(act string) {
	if act != "" && !slices.Contains(a.hits, act) {
		a.hits = append(a.hits, act)
	}
}

func (a *account) review(act, why string) {
	r := Review{act, why}
	if act != "" && !slices.Contains(a.rev, r) {
		a.rev = append(a.rev, r)
	}
}

// judge says what a part is, as far as it shows by itself.
func (a *account) judge(p *part) {
	switch p.as {
	case act.AsFill:
		return
	case act.AsTopUp:
		p.topUp = true
		return
	case act.AsPriming:
		p.why = Priming
	case act.AsFlush:
		p.why = Flush
	case act.AsProving:
		p.why = Proving
	case act.AsSpill:
		p.why = Spill
	case act.AsSuspect:
		p.why = Suspect
	}
	if p.why != "" {
		return
	}
	w := &a.levels[p.flow]
	switch {
	case p.Kind == fill.Suspect:
		p.why, p.note = Suspect, "faster than the line can flow"
	case w.doubt != "":
		p.why, p.note = Suspect, w.doubt
	case w.air && p.First >= w.from:
		p.why, p.note = Air, "the tote stood at its outlet"
	case p.Last <= p.Head || p.Tail > 0 && p.First >= p.Tail:
		p.why, p.note = Suspect, Scattered
	case slices.ContainsFunc(a.fills, func(c counts) bool {
		return c.session == p.Session && c.first <= p.First && c.last >= p.Last
	}):
		p.why = Hose
	case p.Kind == fill.Hidden:
		p.why = Unseen
	case p.Kind == fill.Dribble || !p.whole && p.act == "" && p.Volume() < a.said.Least(p.Start):
		p.why = Dribble
	}
}

// proved finds the bucket tests among the flows: by their counts or, where
// those were not noted, by the number of pulses shortly before the test was done.
func (a *account) proved() {
	for i := range a.said.Proved {
		x := &a.said.Proved[i]
		if x.Last > x.First {
			for j := range a.ps {
				if p := &a.ps[j]; p.as == "" && p.Session == x.Session && p.First >= x.First && p.Last <= x.Last {
					p.why, p.note = Proving, ""
					a.hit(x.Act)
				}
			}
			continue
		}
		a.provedBy(x)
	}
}

const (
	provedAgo   = 15 * minute // a test is booked at most so long after its last pulse
	provedAhead = minute      // clocks of those who note it down
	provedMost  = 4           // stretches of flow that one bucket may take
	provedGap   = 30 * second // and how far apart they are at most
	mainPull    = 0.65        // share of its pulses that come in one pull at least
)

func (a *account) provedBy(x *Proved) {
	slack := max(3, 0.005*x.Pulses)
	best, first, last := math.Inf(1), 0, -1
	for j := len(a.ps) - 1; j >= 0; j-- {
		end := a.ps[j].End
		if end > x.Done+provedAhead {
			continue
		}
		if end < x.Done-provedAgo {
			break
		}
		n, main := uint64(0), false
		for k := j; k >= 0 && k > j-provedMost; k-- {
			p := &a.ps[k]
			if p.as != "" || p.moved || p.Kind == fill.Suspect || p.Session != a.ps[j].Session ||
				k < j && a.ps[k+1].Start-p.End > provedGap {
				break
			}
			n += p.Last - p.First
			// A bucket is filled by one pull, and perhaps a splash to end with.
			main = main || float64(p.Last-p.First) > mainPull*x.Pulses
			off := math.Abs(float64(n) - x.Pulses)
			if off <= slack && off < best && main {
				best, first, last = off, k, j
			}
			if float64(n) > x.Pulses+slack {
				break
			}
		}
	}
	for k := first; k <= last; k++ {
		a.ps[k].why, a.ps[k].note = Proving, "as many pulses as the bucket test counted, when it was done"
		a.hit(x.Act)
	}
}

// groundMost is how many pulls outside every yard are no feeding. More of them
// may be a yard that nobody has described: those stay fills without a yard.
const groundMost = 2

// ground takes single pulls outside every yard for what went onto the ground.
func (a *account) ground() {
	var run []int
	flush := func() {
		if n := len(run); n > 0 && n <= groundMost {
			for _, i := range run {
				a.ps[i].why, a.ps[i].note = Ground, "the rig stood in no yard"
			}
		}
		run = run[:0]
	}
	for i := range a.ps {
		p := &a.ps[i]
		switch {
		case p.why != "" || p.as != "":
		case p.reason == NoYard && !p.moved:
			if len(run) > 0 && a.apart(a.ps[run[0]].Start, p.Start) {
				flush()
			}
			run = append(run, i)
		default:
			flush()
		}
	}
	flush()
}

// mostFed is how many times the most that a colony is meant to get tonight, and
// what pulls usually are, a pull may be and still go to a colony. Common
// practice, no source: a feeder holds no more.
const mostFed = 3

// tooMuch takes pulls of far more than a colony could take for something else.
func (a *account) tooMuch() {
	var all []quantity.Volume
	for i := range a.ps {
		if p := &a.ps[i]; p.why == "" {
			all = append(all, p.Volume())
		}
	}
	if len(all) == 0 {
		return
	}
	slices.Sort(all)
	usual := all[len(all)/2]
	most := quantity.Volume(0) // that any yard's colonies are meant to get
	for i := range a.ps {
		most = max(most, a.said.Site(a.ps[i].yard, a.ps[i].Start).Meant)
	}
	if most == 0 {
		usual = all[len(all)*3/4] // outages and kills leave many a piece of a pull
	}
	if len(all) >= usualMany {
		most = max(most, usual)
	}
	if most == 0 {
		return
	}
	for i := range a.ps {
		p := &a.ps[i]
		if p.why != "" || p.as != "" || p.Volume() <= mostFed*most || a.sharedBy(i) > 1 {
			continue
		}
		p.why, p.note, p.or = Proving, "far more than a colony is meant to get: a bucket, or the hose was empty", AFill
	}
}

// sharedBy returns how many colonies a person said share the pull: before the
// next one begins.
func (a *account) sharedBy(i int) int {
	until := a.seen.Now
	if i+1 < len(a.ps) {
		until = a.ps[i+1].Start
	}
	for j := range a.said.Colony {
		if c := &a.said.Colony[j]; c.What == act.Shared && c.At > a.ps[i].Start && c.At <= until {
			return c.N
		}
	}
	return 1
}

// A second pull is a top-up where both together are no more than mostTopped of
// what a colony is meant to get, and it is not nearly that by itself; after a
// pull of nearFull of it, where it is no more than splash. Common practice, no
// source.
const (
	mostTopped = 1.2
	nearFull   = 0.85
	splash     = 0.35
)

func (a *account) topUps() {
	var last *part
	var feed quantity.Volume // what the colony got so far
	for i := range a.ps {
		p := &a.ps[i]
		if p.why != "" {
			continue
		}
		v := p.Volume()
		switch {
		case last == nil || p.as == act.AsFill:
			p.topUp = false
		case p.as == act.AsTopUp:
			p.topUp = true
		default:
			p.topUp, p.or = a.tops(last, p, feed)
			p.loner = p.or == ATopUp && last.topUp
		}
		if p.topUp {
			feed += v
		} else {
			feed = v
		}
		last = p
	}
}

// tops reports whether a pull tops up the colony that got feed so far, and what
// else it may have been.
func (a *account) tops(last, p *part, feed quantity.Volume) (topUp bool, or string) {
	if p.Start-last.End > a.said.TopUp(last.End) || p.yard != last.yard || p.known != last.known || a.pressed(last.End, p.Start) {
		return false, ""
	}
	meant := float64(a.meant(p.yard, p.Start))
	if meant == 0 {
		return true, AFill
	}
	got, more := float64(feed)/meant, float64(p.Volume())/meant
	switch {
	case got >= nearFull && more <= splash:
		return true, ""
	case got < nearFull && more < nearFull && got+more <= mostTopped:
		if math.Abs(got+more-1) > unlike {
			return true, AFill
		}
		return true, ""
	case more < shortShare:
		return false, ATopUp
	}
	return false, ""
}

// meant returns what a colony of a yard is meant to get: as said or, with
// usualMany pulls there, what they usually are.
func (a *account) meant(yard string, at int64) quantity.Volume {
	if m := a.said.Site(yard, at).Meant; m > 0 {
		return m
	}
	var vs []quantity.Volume
	for i := range a.ps {
		if p := &a.ps[i]; p.why == "" && p.yard == yard {
			vs = append(vs, p.Volume())
		}
	}
	if len(vs) < usualMany {
		return 0
	}
	slices.Sort(vs)
	return vs[len(vs)/2]
}

const usualMany = 5

// pressed reports whether a button or a tap about a colony came between two
// pulls. A press is when it was heard: buttons speak only when pressed.
func (a *account) pressed(from, to int64) bool {
	for _, p := range a.seen.Presses {
		if p.Skip && p.At > from && p.At < to {
			return true
		}
	}
	return slices.ContainsFunc(a.said.Colony, func(c Colony) bool { return c.At > from && c.At < to && c.What != act.Shared && c.What != act.AllTold })
}

// sum writes the account down.
func (a *account) sum() Account {
	out := Account{Hits: a.hits, Review: a.rev}
	for i := range a.visits {
		out.Visits = append(out.Visits, a.visits[i].Visit)
	}
	for i := range a.ps {
		p := &a.ps[i]
		if p.why != "" {
			out.Loose = append(out.Loose, Loose{Session: p.Session, First: p.First, Last: p.Last, Start: p.Start, End: p.End,
				Volume: p.Volume(), Within: p.Within, Metered: p.Metered, Why: p.why, Yard: p.yard, Reason: p.reason,
				Visit: p.visit, Note: p.note, By: p.act, Or: p.or, Rest: p.Rest, Moving: p.Moving})
			continue
		}
		f := Fill{Session: p.Session, First: p.First, Last: p.Last, Start: p.Start, End: p.End,
			Volume: p.Volume(), Within: p.Within, Metered: p.Metered, Syrup: p.Syrup, HasSyrup: p.HasSyrup,
			Yard: p.yard, Reason: p.reason, TopUp: p.topUp, Visit: p.visit, By: p.act, Or: p.or,
			Open: a.seen.Open && i == len(a.ps)-1, Surged: p.Surge > 0, Stray: p.Stray >= fill.SomeStray, Rest: p.Rest, Moving: p.Moving}
		if !f.Open {
			f.Pulled = a.pulled(p)
		}
		if p.Flowing > 0 {
			f.Flow = quantity.Flow(f.Volume.CubicMetres() / (float64(p.Flowing) / 1e9))
		}
		f.Solids, f.Brix = a.sugar(p)
		if a.ranDry(i) {
			f.Within += a.airEdge(i + 1)
		}
		out.Fills = append(out.Fills, f)
	}
	a.tally(&out)
	out.Here = a.here()
	out.Ahead, out.Routed = a.ahead, a.routed
	out.Deaths = a.deaths()
	return out
}

// airBegins is how well it is known when air began: two of the counter's messages
// at the usual five a second. Judgement.
const airBegins = 400 * second / 1000

// airEdge is what of a part that is air may have been before its beginning.
func (a *account) airEdge(i int) quantity.Volume {
	p := &a.ps[i]
	return quantity.Volume(pace(p) * float64(min(airBegins, p.Flowing)))
}

// noTemp is taken for the syrup's temperature where it is not known.
const noTemp = quantity.Temperature(15)

// sugar returns the solids in what left the nozzle while a part passed the
// meter: the hose's hold-up behind it.
func (a *account) sugar(p *part) (solids quantity.Mass, brix float64) {
	at := noTemp
	if p.HasSyrup {
		at = p.Syrup
	}
	lo := p.Through - a.said.Hose(p.Start)
	hi := lo + p.Volume()
	mass := 0.0
	for lo < hi {
		b, until, known := a.said.BatchAt(lo)
		if !known || until <= lo {
			return 0, 0
		}
		m := (min(hi, until) - lo).CubicMetres() * float64(b.Density(at))
		mass += m
		solids += quantity.Mass(m * b.Brix / 100)
		lo = until
	}
	if mass > 0 {
		brix = 100 * float64(solids) / mass
	}
	return solids, brix
}

// tally adds up the visits.
func (a *account) tally(out *Account) {
	fed := make([][]quantity.Volume, len(out.Visits)) // what each colony got
	for i := range out.Fills {
		f := &out.Fills[i]
		if f.Visit < 0 {
			continue
		}
		v := &out.Visits[f.Visit]
		v.Pulls++
		v.Volume += f.Volume
		v.Solids += f.Solids
		if n := len(fed[f.Visit]); f.TopUp && n > 0 {
			v.TopUps++
			fed[f.Visit][n-1] += f.Volume
			if f.Or == AFill {
				v.Perhaps++
			}
		} else {
			f.TopUp = false
			v.Fills++
			fed[f.Visit] = append(fed[f.Visit], f.Volume)
			if f.Or != "" {
				v.Unsure++
			}
		}
		if f.Or != "" && f.Or != AFill && f.Or != ATopUp {
			v.Doubt += f.Volume
		}
	}
	for i := range out.Loose {
		if l := &out.Loose[i]; l.Visit >= 0 {
			v := &out.Visits[l.Visit]
			v.Loose += l.Volume
			if l.Why == Unseen {
				v.Unseen += l.Volume
			}
			if l.Or == AFill {
				v.Perhaps++
			}
			if l.Or != "" {
				v.Doubt += l.Volume
			}
		}
	}
	for k := range out.Visits {
		a.even(&out.Visits[k], fed[k])
	}
	a.short(out, fed)
	a.number(out)
}

// A colony got little where it got less than these shares of what was meant.
const (
	shortShare = 0.8
	halfShare  = 0.5
)

// even works out how evenly a visit's colonies were fed.
func (a *account) even(v *Visit, fed []quantity.Volume) {
	if len(fed) == 0 {
		return
	}
	sum, sq := 0.0, 0.0
	for _, x := range fed {
		sum += float64(x)
	}
	mean := sum / float64(len(fed))
	for _, x := range fed {
		d := float64(x) - mean
		sq += float64(d * d)
	}
	v.Least, v.Most = slices.Min(fed), slices.Max(fed)
	if len(fed) > 1 && mean > 0 {
		v.Uneven = math.Sqrt(sq/float64(len(fed)-1)) / mean
	}
}

// partly reports whether not all of a fill was seen.
func (a *account) partly(f *Fill) bool {
	i := slices.IndexFunc(a.ps, func(p part) bool { return p.Session == f.Session && p.First == f.First })
	return i >= 0 && a.cut(i)
}

// cut reports whether a part may be the rest of a pull that began or ended
// where the counter was not heard.
func (a *account) cut(i int) bool {
	p := &a.ps[i]
	hides := func(j int) bool {
		if j < 0 || j >= len(a.ps) {
			return false
		}
		q := &a.ps[j]
		near := max(p.Start-q.End, q.Start-p.End) < nearHidden
		return near && (q.Kind == fill.Hidden || q.Session != p.Session)
	}
	return hides(i-1) || hides(i+1)
}

// nearHidden is how soon after unseen flow a pull may be the rest of it: a
// board takes some seconds to start.
const nearHidden = 5 * second

// short finds fills whose colony still had syrup.
func (a *account) short(out *Account, fed [][]quantity.Volume) {
	at := make([]int, len(out.Visits)) // the colony under way
	usual := make([]quantity.Volume, len(out.Visits))
	for k := range out.Visits {
		v := &out.Visits[k]
		at[k] = -1
		usual[k] = v.Meant
		if usual[k] == 0 && len(fed[k]) >= usualMany {
			s := slices.Clone(fed[k])
			slices.Sort(s)
			usual[k] = s[len(s)/2]
		}
	}
	for i := range out.Fills {
		f := &out.Fills[i]
		if f.Visit < 0 {
			continue
		}
		if !f.TopUp {
			at[f.Visit]++
		}
		v, got, meant := &out.Visits[f.Visit], fed[f.Visit][at[f.Visit]], float64(usual[f.Visit])
		last := i+1 == len(out.Fills) || out.Fills[i+1].Visit != f.Visit || !out.Fills[i+1].TopUp
		if meant == 0 || f.TopUp || f.Open || !last && out.Fills[i+1].Open || a.partly(f) {
			continue
		}
		f.Short = float64(got) < shortShare*meant
		if f.Short {
			v.Short++
		}
		if float64(got) < halfShare*meant {
			v.Half++
		}
	}
}
