package main

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/ingest/rigsim"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/tote"
	places "yardtally/meter/yard"
)

// truly is a stretch of the counter and what it truly was.
type truly struct {
	session     int
	first, last uint64
	kind        string // of rigsim, or "top-up", "air", "hose"
	pull        int
}

// stretches lists the truth's pulls along the counter. What lies between them
// was counted though nobody pulled.
func (n *night) stretches() []truly {
	var out []truly
	k := n.factor()
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		kind := string(f.Kind)
		if f.TopUp {
			kind = "top-up"
		}
		first, last := f.First, max(f.Last, f.Settled)
		if f.Settled < f.Last {
			last = f.Last
		}
		for s := f.Session; s < f.EndSession; s++ {
			out = append(out, truly{s, first, n.truth.Restarts[s].Count, kind, i})
			first = 0
		}
		if hose := uint64((f.Volume - f.Reached).Litres() * k); hose > 2 {
			hose = min(hose, last-first)
			out = append(out, truly{f.EndSession, first, first + hose, "hose", i})
			first += hose
		}
		if air := min(f.Air, last-first); air > 0 {
			out = append(out, truly{f.EndSession, first, last - air, kind, i}, truly{f.EndSession, last - air, last, "air", i})
			continue
		}
		out = append(out, truly{f.EndSession, first, last, kind, i})
	}
	return out
}

// posted is an entry of the account, in the truth's terms.
type posted struct {
	session     int
	first, last uint64
	start, end  int64
	kind        string // "fill", "top-up", or why it is loose
	yard        string
	fill        int // index in View.Fills; -1: loose
}

func (n *night) items(v *ledger.View) []posted {
	var out []posted
	for k := range v.Fills {
		f := &v.Fills[k]
		x := posted{kind: "fill", yard: f.Yard, fill: k, start: f.Start, end: f.End}
		if f.TopUp {
			x.kind = "top-up"
		}
		x.session, x.first, x.last = n.counts(f.End, f.First, f.Last)
		out = append(out, x)
	}
	for k := range v.Loose {
		l := &v.Loose[k]
		x := posted{kind: l.Why, yard: l.Yard, fill: -1, start: l.Start, end: l.End}
		x.session, x.first, x.last = n.counts(l.End, l.First, l.Last)
		out = append(out, x)
	}
	return out
}

func shared(a *posted, b *truly) uint64 {
	if a.session != b.session || a.last <= b.first || a.first >= b.last {
		return 0
	}
	return min(a.last, b.last) - max(a.first, b.first)
}

// amount is a number of things and litres.
type amount struct {
	n      int
	litres float64
}

// score is what many nights come to.
type score struct {
	nights             int
	table              map[[2]string]amount // what it truly was, what the account says
	ground, fed        int                  // pulls onto the ground or into a bucket, wholly seen; taken for a colony's
	fedMaybe           int                  // taken for a colony's, but said to be perhaps none
	phantoms, taken    float64              // L of phantom pulses; in fills without a word that they may be none
	takenMaybe         float64              // in fills said to be perhaps none, or not all syrup
	airs, aired        float64              // L of air; as a colony's without such a word, beyond the interval of the fill
	real, doubted      int                  // fills that are colonies' and all syrup; said to be perhaps none, or not all
	claimed            int                  // pulls for no colony that a yard's colonies are said to have got
	straddle           int                  // pulls outside gaps that are exact but for a drip beside them
	syrup, asAir       float64              // L of colonies' syrup; called air
	airMaybe, airOr    float64              // L of air, and of colonies' syrup, in pulls said to be perhaps none
	lost               float64              // L of pulls for colonies, less the phantoms among them, taken for stray pulses
	exact, sure        int                  // pulls outside gaps: exact, of all
	bounded, gaps      int                  // named gaps: whose bounds hold, of all
	right, wrong       float64              // L of colonies' pulls, by yard
	nowhere, unexcused float64              // L in no yard; where position or mark said where
	visits, visitsSure int                  // whose number of fills is right, of all without gaps and the like
	told, toldRight    int                  // of those, where the account is sure of it; and right
	around             int                  // of those, where the truth is within what the account allows
	missing            int                  // of those, whose colonies do not add up though all was said
	numbered, misled   int                  // fills with a number; with a wrong one
	within, totals     int                  // yard totals within their 95 % interval
	sugarIs, sugarSaid float64              // kg, of fills whose sugar is known
	solids, solidsOff  int                  // fills whose sugar is known; off by more than 1 %
	toteFound, tote    int                  // changes of the tote; that the wire shows
	toteUnseen         int                  // that it does not: no level before or after
	toteTold, toteKind int                  // told; of these, of their kind, or as one that cannot be told
	toteVague, toteOff int                  // told as a loss of no kind; whose volume is beyond its interval
	kinds              map[[2]string]int    // what changes of the tote truly were, what they are told as
	invented           int                  // told of nothing
	total              float64              // L in all
	notes              []string
}

func (y *score) note(n *night, format string, args ...any) {
	if len(y.notes) < 400 {
		y.notes = append(y.notes, fmt.Sprintf("seed %d: ", n.Seed)+fmt.Sprintf(format, args...))
	}
}

func (y *score) add(o *score) {
	if y.table == nil {
		y.table, y.kinds = map[[2]string]amount{}, map[[2]string]int{}
	}
	for k, n := range o.kinds {
		y.kinds[k] += n
	}
	for k, a := range o.table {
		b := y.table[k]
		y.table[k] = amount{a.n + b.n, a.litres + b.litres}
	}
	y.nights++
	y.exact += o.exact
	y.ground += o.ground
	y.fed += o.fed
	y.fedMaybe += o.fedMaybe
	y.phantoms += o.phantoms
	y.airs += o.airs
	y.aired += o.aired
	y.syrup += o.syrup
	y.asAir += o.asAir
	y.airMaybe += o.airMaybe
	y.airOr += o.airOr
	y.taken += o.taken
	y.takenMaybe += o.takenMaybe
	y.real += o.real
	y.doubted += o.doubted
	y.claimed += o.claimed
	y.straddle += o.straddle
	y.lost += o.lost
	y.sure += o.sure
	y.bounded += o.bounded
	y.gaps += o.gaps
	y.right += o.right
	y.wrong += o.wrong
	y.nowhere += o.nowhere
	y.unexcused += o.unexcused
	y.visits += o.visits
	y.visitsSure += o.visitsSure
	y.told += o.told
	y.toldRight += o.toldRight
	y.around += o.around
	y.missing += o.missing
	y.numbered += o.numbered
	y.misled += o.misled
	y.within += o.within
	y.totals += o.totals
	y.solids += o.solids
	y.sugarIs += o.sugarIs
	y.sugarSaid += o.sugarSaid
	y.solidsOff += o.solidsOff
	y.toteFound += o.toteFound
	y.tote += o.tote
	y.toteUnseen += o.toteUnseen
	y.toteTold += o.toteTold
	y.toteKind += o.toteKind
	y.toteVague += o.toteVague
	y.toteOff += o.toteOff
	y.invented += o.invented
	y.total += o.total
	y.notes = append(y.notes, o.notes...)
}

// hazy reports whether a pull lies in a gap that the view names, near phantom
// pulses, or was cut by a restart or by air: not every pulse of it can be told.
func (n *night) hazy(v *ledger.View, pull int) bool {
	f := &n.truth.Fills[pull]
	from, to := f.Start.Add(-3*time.Second), f.End.Add(9*time.Second)
	if f.Session != f.EndSession || f.Air > 0 || f.Phantom > 0 {
		return true
	}
	for _, g := range v.Gaps {
		if g.Start < to.UnixNano() && g.End > from.UnixNano() {
			return true
		}
	}
	for _, p := range n.truth.Phantoms {
		if p.First.Before(to) && p.Last.After(from) {
			return true
		}
	}
	return slices.ContainsFunc(n.truth.Restarts, func(r rigsim.Restart) bool { return r.At.After(from) && r.At.Before(to) })
}

// blind reports whether neither positions nor the button could say where the
// rig was when a pull began.
func (n *night) blind(f *rigsim.Fill, gps, mark bool) bool {
	if gps && n.crowded(f.Yard) {
		return true
	}
	if !gps {
		return !mark
	}
	within := func(from, to time.Time) bool {
		return f.Start.Before(to.Add(90*time.Second)) && f.End.After(from.Add(-30*time.Second))
	}
	for _, s := range slices.Concat(n.PositionGone, n.PositionBad) {
		if within(n.Start.Add(s.After), n.Start.Add(s.After+s.For)) {
			return true
		}
	}
	for _, o := range n.Wire.Outages {
		if within(o.From, o.To) {
			return true
		}
	}
	return slices.ContainsFunc(n.truth.Handlings, func(h rigsim.Handling) bool { return h.Kind == "off" && within(h.From, h.To) })
}

// crowded reports whether a yard's place tells it from no other: one that is
// nearer than what must be told apart.
func (n *night) crowded(yard string) bool {
	const apart = 115 // m: two yards 120 m apart, less what the distance is reckoned with
	for i := range n.Yards {
		for j := range n.Yards {
			a, b := &n.Yards[i], &n.Yards[j]
			if i != j && a.ID == yard && float64(places.Distance(a.Lat, a.Lon, b.Lat, b.Lon)) < apart {
				return true
			}
		}
	}
	return false
}

// held compares an account with the truth.
func (n *night) held(t *testing.T, v *ledger.View, all, gps, mark bool) *score {
	t.Helper()
	y := &score{table: map[[2]string]amount{}, kinds: map[[2]string]int{}}
	k := n.factor()
	stretches, items := n.stretches(), n.items(v)
	y.total = v.Total.Litres()
	n.conserved(t, v)
	mine := make([]map[string]uint64, len(n.truth.Fills)) // by pull: our kinds
	whose := make([]int, len(v.Fills))                    // by fill: the pull that most of it is
	for i := range mine {
		mine[i] = map[string]uint64{}
	}
	for i := range items {
		x := &items[i]
		rest, most := x.last-x.first, uint64(0)
		kinds := map[string]uint64{}
		if x.fill >= 0 {
			whose[x.fill] = -1
		}
		for j := range stretches {
			s := &stretches[j]
			c := shared(x, s)
			if c == 0 {
				continue
			}
			rest -= c
			kinds[s.kind] += c
			if s.kind == "fill" || s.kind == "top-up" {
				mine[s.pull][x.kind] += c
				f := &n.truth.Fills[s.pull]
				l := float64(c) / k
				switch {
				case x.fill < 0 && x.kind == outing.Dribble:
				case x.yard == f.Yard:
					y.right += l
				case x.yard == "":
					y.nowhere += l
					if !n.blind(f, gps, mark) && l > 0.1 {
						y.unexcused += l
						y.note(n, "%.2f L of %s of pull %d (%s %d) in no yard: %s", l, x.kind, s.pull, f.Yard, f.Colony, reasonOf(v, x))
					}
				default:
					y.wrong += l
					y.note(n, "%.2f L of %s of pull %d (%s %d) in yard %q: %s", l, x.kind, s.pull, f.Yard, f.Colony, x.yard, reasonOf(v, x))
				}
			}
			if x.fill >= 0 && c > most {
				most, whose[x.fill] = c, s.pull
			}
		}
		if rest > 0 {
			kinds["phantom"] += rest
			y.phantoms += float64(rest) / k
			switch {
			case x.fill < 0:
			case v.Fills[x.fill].MayBeNone():
				y.takenMaybe += float64(rest) / k
			default:
				y.taken += float64(rest) / k
			}
		}
		if x.fill >= 0 && kinds["fill"]+kinds["top-up"] == x.last-x.first {
			y.real++
			if v.Fills[x.fill].MayBeNone() {
				y.doubted++
			}
		}
		for kind, c := range kinds {
			a := y.table[[2]string{kind, x.kind}]
			if float64(c)/k > 0.05 {
				a.n++
			}
			a.litres += float64(c) / k
			y.table[[2]string{kind, x.kind}] = a
			y.air(v, x, kind, float64(c)/k)
			colony := x.kind == "fill" || x.kind == "top-up"
			if colony != (kind == "fill" || kind == "top-up") && float64(c)/k > 0.25 && x.kind != outing.Unseen {
				y.note(n, "%s is %s: %.2f L of counts %d to %d, yard %q", kind, x.kind, float64(c)/k, x.first, x.last, x.yard)
			}
		}
	}
	n.astray(y, v, mine)
	n.pulls(y, v, items)
	n.besides(y, v, items)
	n.bounds(y, v)
	n.visited(y, v, all, whose)
	n.sugar(y, v, whose)
	n.handled(y, v)
	return y
}

// air counts litres of an entry that truly are of a kind.
func (y *score) air(v *ledger.View, x *posted, kind string, litres float64) {
	maybe := x.fill >= 0 && (v.Fills[x.fill].Or == outing.Air || v.Fills[x.fill].Or == outing.Suspect)
	switch {
	case kind == "air":
		y.airs += litres
		switch {
		case maybe:
			y.airMaybe += litres
		case x.fill >= 0:
			y.aired += max(0, litres-v.Fills[x.fill].Within.Litres())
		}
	case kind == "fill" || kind == "top-up":
		y.syrup += litres
		switch {
		case x.kind == outing.Air:
			y.asAir += litres
		case maybe && v.Fills[x.fill].Or == outing.Air:
			y.airOr += litres
		}
	}
}

func reasonOf(v *ledger.View, x *posted) string {
	if x.fill >= 0 {
		return string(v.Fills[x.fill].Reason)
	}
	for i := range v.Loose {
		if v.Loose[i].Start == x.start {
			return string(v.Loose[i].Reason)
		}
	}
	return "?"
}

// conserved demands that everything together is the total.
func (n *night) conserved(t *testing.T, v *ledger.View) {
	t.Helper()
	var sum quantity.Volume
	for i := range v.Fills {
		sum += v.Fills[i].Volume
	}
	for i := range v.Loose {
		sum += v.Loose[i].Volume
	}
	if sum != v.Total {
		t.Errorf("seed %d: fills and loose flow are %v, the total is %v", n.Seed, sum, v.Total)
	}
}

// astray counts what of the colonies' pulls is taken for stray pulses: more than
// there truly were among it.
func (n *night) astray(y *score, v *ledger.View, mine []map[string]uint64) {
	for i := range mine {
		f := &n.truth.Fills[i]
		if c := mine[i][outing.Suspect]; c > f.Phantom && f.Session == f.EndSession {
			l := float64(c-f.Phantom) / n.factor()
			y.lost += l
			if l > 0.25 {
				y.note(n, "%.2f L of pull %d (%s %d) are taken for stray pulses: %d counts, of %d with %d phantoms", l, i, f.Yard, f.Colony, c, f.Settled-f.First, f.Phantom)
			}
		}
	}
}

// pulls counts the colonies' pulls outside gaps that are exact: what was
// counted of them is in entries of their own, to the pulse.
func (n *night) pulls(y *score, v *ledger.View, items []posted) {
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		if f.Kind != rigsim.Feeding || f.Settled-f.First < 40 || n.hazy(v, i) {
			continue
		}
		y.sure++
		got, alone := uint64(0), true
		// A pull and its top-up may be one flow, where the trigger drips on.
		from, to := i, i
		if f.TopUp && i > 0 {
			from--
		}
		if f.Cut && i+1 < len(n.truth.Fills) {
			to++
		}
		whole := truly{session: f.Session, first: n.truth.Fills[from].First, last: n.truth.Fills[to].Settled}
		if n.hazy(v, from) || n.hazy(v, to) {
			y.sure--
			continue
		}
		beside := uint64(0)
		for j := range items {
			x := &items[j]
			c := shared(x, &whole)
			got += c
			if c > 0 && c != x.last-x.first {
				alone = false
				beside += min(c, x.last-x.first-c)
			}
		}
		switch {
		case got == whole.last-whole.first && alone:
			y.exact++
		case whole.last-whole.first-got+beside <= drips:
			y.straddle++
		default:
			y.note(n, "pull %d (%s %d, top-up %v) of %d counts is not exact: %d, alone %v", i, f.Yard, f.Colony, f.TopUp, f.Settled-f.First, got, alone)
		}
	}
}

// drips are the pulses of a trigger that drips on which may fall to the pull after
// it, where that comes within the quiet that parts them.
const drips = 2

// besides counts the pulls that were for no colony, wholly seen, and those of
// them that the account takes for a colony's.
func (n *night) besides(y *score, v *ledger.View, items []posted) {
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		if f.Kind == rigsim.Feeding || f.Settled-f.First < 40 || n.hazy(v, i) {
			continue
		}
		y.ground++
		whole := truly{session: f.Session, first: f.First, last: f.Settled}
		for j := range items {
			if x := &items[j]; x.fill >= 0 && shared(x, &whole) > (f.Settled-f.First)/2 {
				if k := v.Fills[x.fill].Visit; k >= 0 && report.ByColony(&v.Visits[k]) {
					y.claimed++
				}
				if v.Fills[x.fill].MayBeNone() {
					y.fedMaybe++
					continue
				}
				y.fed++
				y.note(n, "%s of %v is a %s at %s", f.Kind, f.Volume, x.kind, x.yard)
			}
		}
	}
}

// bounds holds each named gap against what flowed meanwhile.
func (n *night) bounds(y *score, v *ledger.View) {
	for _, g := range v.Gaps {
		for _, r := range n.truth.Restarts {
			if at := r.At.UnixNano(); at < g.Start-2e9 || at > g.End {
				continue
			}
			y.gaps++
			if r.Missed <= g.Hidden {
				y.bounded++
			} else {
				y.note(n, "a restart hid %v, the gap allows %v", r.Missed, g.Hidden)
			}
		}
	}
}

// visited compares visits: how many fills, which colonies, how much.
func (n *night) visited(y *score, v *ledger.View, all bool, whose []int) {
	for i := range v.Fills {
		f := &v.Fills[i]
		if f.Colony == 0 || whose[i] < 0 {
			continue
		}
		y.numbered++
		p := &n.truth.Fills[whose[i]]
		want := p.Colony + 1
		if p.Kind != rigsim.Feeding || p.Yard != f.Yard || f.Colony != want || p.With > 0 && f.To != want+p.With {
			y.misled++
			y.note(n, "a fill is colony %d to %d of %s, but was %s %d of %s with %d", f.Colony, f.To, f.Yard, p.Kind, want, p.Yard, p.With)
		}
	}
	for _, site := range n.Yards {
		if site.Past {
			continue
		}
		clear, want := true, 0
		var truth quantity.Volume
		for i := range n.truth.Fills {
			f := &n.truth.Fills[i]
			if f.Yard != site.ID {
				continue
			}
			clear = clear && !n.hazy(v, i) && !n.blind(f, true, true) && f.Reached == f.Volume
			if f.Kind == rigsim.Feeding {
				truth += f.Volume + f.Dribble
				if !f.TopUp {
					want++
				}
			}
		}
		if !clear {
			continue
		}
		var visits []*ledger.Visit
		for i := range v.Visits {
			if v.Visits[i].Yard == site.ID {
				visits = append(visits, &v.Visits[i])
			}
		}
		y.visitsSure++
		if len(visits) != 1 {
			y.note(n, "%d visits of %s, want 1", len(visits), site.ID)
			continue
		}
		x := visits[0]
		if x.Fills == want {
			y.visits++
		}
		sure := x.Unsure == 0 && x.Perhaps == 0
		if sure {
			y.told++
		}
		switch {
		case want < x.Fills-x.Unsure || want > x.Fills+x.Perhaps:
			y.note(n, "%d fills (%d unsure, %d perhaps) and %d top-ups at %s, want %d", x.Fills, x.Unsure, x.Perhaps, x.TopUps, site.ID, want)
		case sure:
			y.toldRight++
			fallthrough
		default:
			y.around++
		}
		if all && x.Missing != 0 {
			y.missing++
			y.note(n, "%d colonies missing at %s: %+v", x.Missing, site.ID, *x)
		}
		var sum, within quantity.Volume
		for i := range v.Fills {
			if f := &v.Fills[i]; f.Visit >= 0 && &v.Visits[f.Visit] == x {
				sum += f.Volume
				within += f.Within
			}
		}
		y.totals++
		// A dribble of a few millilitres after each pull may be loose flow.
		if math.Abs(float64(truth-sum)) <= float64(within+x.Doubt)+float64(want)*float64(15*quantity.Millilitre) {
			y.within++
		} else {
			y.note(n, "%s took %v, the account says %v ± %v, and %v in doubt", site.ID, truth, sum, within, x.Doubt)
		}
	}
}

// sugar compares what fills brought in solids.
func (n *night) sugar(y *score, v *ledger.View, whose []int) {
	for i := range v.Fills {
		f := &v.Fills[i]
		if whose[i] < 0 || f.Solids == 0 || n.hazy(v, whose[i]) {
			continue
		}
		p := &n.truth.Fills[whose[i]]
		if p.Reached != p.Volume || p.Solids < 0.3 || f.Last-f.First < p.Last-p.First || f.Last-f.First > p.Settled-p.First {
			continue
		}
		want := float64(p.Solids) * float64(f.Volume) / float64(p.Volume)
		y.solids++
		y.sugarIs += want
		y.sugarSaid += float64(f.Solids)
		if off := float64(f.Solids)/want - 1; math.Abs(off) > 0.01 {
			y.solidsOff++
			y.note(n, "a fill brought %.3f kg of sugar, the account says %.3f (brix %.2f)", want, float64(f.Solids), f.Brix)
		}
	}
}

// restS is how long a level must have been heard for one at rest: 30 s of
// standing, 20 s of readings, and 10 s to the next point. Without that before
// and after it a change is not on the wire.
const restS = 60 * time.Second

// leastL is the least change that is to be told.
const leastL = 15

// part is what a handling of the tote comes to between two instants, L, as far
// as it passed then, and whether most of it was on the wire. What is moved in
// one go is of its middle.
func (n *night) part(h *rigsim.Handling, from, to int64) (litres float64, seen bool) {
	a, b := h.From.UnixNano(), n.until(h)
	lo, hi := max(a, from), min(b, to)
	litres = (h.In - h.Out).Litres()
	if h.Kind == "leak" {
		if hi <= lo {
			return 0, false
		}
		// Between two totes there is none to leak.
		whole, now := b-a, hi-lo
		for i := range n.truth.Handlings {
			if s := &n.truth.Handlings[i]; s.Kind == "swap" {
				whole -= overlap(a, b, s.From.UnixNano(), n.until(s))
				now -= overlap(lo, hi, s.From.UnixNano(), n.until(s))
			}
		}
		litres *= float64(now) / float64(max(1, whole))
	} else if mid := a + (b-a)/2; mid < from || mid > to {
		return 0, false
	}
	return litres, h.Kind != "off" && 2*n.heard(lo, hi) >= time.Duration(hi-lo)
}

// until is when a handling ended, or all was said.
func (n *night) until(h *rigsim.Handling) int64 {
	if h.To.IsZero() {
		return n.said[len(n.said)-1].At.UnixNano()
	}
	return h.To.UnixNano()
}

func overlap(a, b, c, d int64) int64 { return max(0, min(b, d)-max(a, c)) }

// heard is for how long the rig was on and the wire alive between two instants.
func (n *night) heard(from, to int64) time.Duration {
	left := max(0, to-from)
	for i := range n.truth.Handlings {
		if h := &n.truth.Handlings[i]; h.Kind == "off" {
			left -= overlap(from, to, h.From.UnixNano(), n.until(h))
		}
	}
	for _, o := range n.Wire.Outages {
		a, b := max(from, o.From.UnixNano()), min(to, o.To.UnixNano())
		left -= max(0, b-a)
		for i := range n.truth.Handlings { // both at once
			if h := &n.truth.Handlings[i]; h.Kind == "off" && b > a {
				left += overlap(a, b, h.From.UnixNano(), n.until(h))
			}
		}
	}
	return time.Duration(max(0, left))
}

// levels is for how long a tote's level was on the wire between two instants:
// while totes are swapped there is none.
func (n *night) levels(from, to int64) time.Duration {
	d := n.heard(from, to)
	for i := range n.truth.Handlings {
		if h := &n.truth.Handlings[i]; h.Kind == "swap" {
			if a, b := max(from, h.From.UnixNano()), min(to, n.until(h)); b > a {
				d -= n.heard(a, b)
			}
		}
	}
	return d
}

// uncounted is what the tote gave between two instants though the account could
// not count it, less what was counted though the tote gave nothing, L.
func (n *night) uncounted(from, to int64) (litres float64) {
	for i := range n.truth.Restarts {
		r := &n.truth.Restarts[i]
		at := r.At.UnixNano()
		if at <= from || at >= to {
			continue
		}
		litres += r.Missed.Litres()
		for _, o := range n.Wire.Outages { // the last count before the restart was not heard
			a := o.From.UnixNano()
			if a >= at || o.To.UnixNano() < at {
				continue
			}
			for k := range n.truth.Fills {
				f := &n.truth.Fills[k]
				s, e := f.Start.UnixNano(), f.End.UnixNano()
				litres += f.Volume.Litres() * float64(overlap(s, e, a, at)) / float64(max(1, e-s))
			}
		}
	}
	for _, p := range n.truth.Phantoms {
		a, b := p.First.UnixNano(), p.Last.UnixNano()
		litres -= float64(p.Counts) / n.factor() * float64(overlap(a, b, from, to)) / float64(max(1, b-a))
	}
	return litres
}

// handled compares changes of the tote. What is told is held against the net of
// all that was done to the tote within it. Two things are told as one only where
// no level was at rest on the wire for restS between them, or both went into the
// tote: a refill may be poured in steps.
func (n *night) handled(y *score, v *ledger.View) {
	hs := n.truth.Handlings
	told := make([]bool, len(hs))
	for i := range v.Changes {
		c := &v.Changes[i]
		if c.Kind == tote.Meter { // that the meter counted more than the tote gave is no change of it
			continue
		}
		sum := -n.uncounted(c.From, c.To)
		all, by := math.Abs(sum), map[string]float64{}
		if all > 1 {
			by["meter"] = sum
		}
		var in []int
		silent, swapped := false, false
		for k := range hs {
			h := &hs[k]
			l, seen := n.part(h, c.From, c.To)
			if l == 0 {
				continue
			}
			in = append(in, k)
			sum += l
			all += math.Abs(l)
			from, to := max(h.From.UnixNano(), c.From), min(n.until(h), c.To)
			silent = silent || n.heard(from, to) < time.Duration(to-from)
			kind := h.Kind
			switch {
			case kind == "swap" && n.heard(from, to) >= 30*time.Second:
				swapped = true // it shows that there was no level
			case !seen:
				kind = "unheard"
			case kind == "transfer" && l > 0:
				kind = "refill" // by a hose or from a bucket: the level does not tell
			}
			by[kind] += l
		}
		off, within := math.Abs(sum-c.Volume.Litres()), c.Within.Litres()
		if len(by) == 0 || off > 2*within && math.Abs(sum) < math.Abs(c.Volume.Litres())/3 {
			y.invented++
			y.note(n, "a %v of %v out of nothing", c.Kind, c.Volume)
			continue
		}
		truth := "several"
		for kind, l := range by {
			if l*sum > 0 && math.Abs(l) >= 0.6*all {
				truth = kind
			}
		}
		y.toteTold++
		word, right := c.Kind.String(), false
		switch c.Kind {
		case tote.Unheard:
			right = silent || by["meter"] != 0
		case tote.Loss: // how it went out cannot be told
			right = c.Volume < 0
			y.toteVague++
		case tote.Swap:
			right = swapped
			if swapped {
				truth = "swap"
			}
		default:
			right = truth == word || by[word]*sum > 0 && math.Abs(by[word]) >= 0.5*math.Abs(sum)
		}
		if right {
			y.toteKind++
		} else {
			y.note(n, "a %s of %.1f L is told as a %v of %v", truth, sum, c.Kind, c.Volume)
		}
		if !c.Sure {
			word += "?"
		}
		y.kinds[[2]string{truth, word}]++
		if off > within {
			y.toteOff++
			y.note(n, "a %v of %v is %.1f L off, more than %v", c.Kind, c.Volume, off, c.Within)
		}
		last := -1
		for _, k := range in {
			h := &hs[k]
			if h.Kind == "leak" {
				told[k] = true
				continue
			}
			moved := (h.In - h.Out).Litres()
			told[k] = off <= 2*within
			if last >= 0 && math.Abs(moved) >= leastL && (moved < 0 || hs[last].In < hs[last].Out || h.Kind == "swap" || hs[last].Kind == "swap") {
				d := n.levels(n.until(&hs[last]), h.From.UnixNano())
				told[k] = told[k] && d < restS
				y.note(n, "a %s and a %s are told together, with levels heard for %v between", hs[last].Kind, h.Kind, d)
			}
			last = k
		}
	}
	begin, end := n.said[0].At.UnixNano(), n.said[len(n.said)-1].At.UnixNano()
	for k := range hs {
		h := &hs[k]
		moved := h.In - h.Out
		if h.To.IsZero() || math.Abs(moved.Litres()) < leastL {
			continue
		}
		if before, after := n.levels(begin, h.From.UnixNano()), n.levels(h.To.UnixNano(), end); !told[k] && min(before, after) < restS {
			y.toteUnseen++
			y.note(n, "a %s of %v cannot be told: levels are heard for %v before and %v after", h.Kind, moved, before, after)
			continue
		}
		y.tote++
		if told[k] {
			y.toteFound++
		} else {
			y.note(n, "a %s of %v is not told", h.Kind, moved)
		}
	}
}

// String is the table.
func (y *score) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d nights, %.0f L; pulls exact %d of %d outside gaps, besides %d but for a drip; gaps bounded %d of %d\n", y.nights, y.total, y.exact, y.sure, y.straddle, y.bounded, y.gaps)
	fmt.Fprintf(&b, "  pulls for no colony: %d of %d said to be a colony's; %d pass as fills, besides %d said to be perhaps none\n", y.claimed, y.ground, y.fed, y.fedMaybe)
	fmt.Fprintf(&b, "  phantom L in fills without a doubt %.2f of %.1f, with one %.1f; colonies' L as phantom %.1f; colonies' fills that bear a doubt %d of %d\n",
		y.taken, y.phantoms, y.takenMaybe, y.lost, y.doubted, y.real)
	fmt.Fprintf(&b, "  air L as fills %.1f of %.1f, besides %.1f said to be perhaps none; colonies' L called air %.1f, perhaps air %.1f of %.1f\n", y.aired, y.airs, y.airMaybe, y.asAir, y.airOr, y.syrup)
	fmt.Fprintf(&b, "  colonies' L: right yard %.1f, wrong %.3f, none %.1f (with position or mark %.2f)\n", y.right, y.wrong, y.nowhere, y.unexcused)
	fmt.Fprintf(&b, "  visits with right number of fills %d of %d; sure of it %d, of them right %d; within what it allows %d\n", y.visits, y.visitsSure, y.told, y.toldRight, y.around)
	fmt.Fprintf(&b, "  colonies not adding up %d; numbered %d, wrongly %d\n", y.missing, y.numbered, y.misled)
	fmt.Fprintf(&b, "  yard totals in 95 %% interval %d of %d; sugar %.2f kg, said %.2f, fills off by > 1 %%: %d of %d\n", y.within, y.totals, y.sugarIs, y.sugarSaid, y.solidsOff, y.solids)
	fmt.Fprintf(&b, "  tote: changes found %d of %d, besides %d not on the wire; %d told, of another kind %d, of none %d, off %d, of nothing %d\n",
		y.toteFound, y.tote, y.toteUnseen, y.toteTold, y.toteTold-y.toteKind, y.toteVague, y.toteOff, y.invented)
	for _, k := range slices.SortedFunc(maps.Keys(y.kinds), func(a, b [2]string) int { return slices.Compare(a[:], b[:]) }) {
		fmt.Fprintf(&b, "    %-8s as %-23s %5d\n", k[0], k[1], y.kinds[k])
	}
	for _, k := range slices.SortedFunc(maps.Keys(y.table), func(a, b [2]string) int { return slices.Compare(a[:], b[:]) }) {
		if a := y.table[k]; a.litres > 0.05 {
			fmt.Fprintf(&b, "    %-8s as %-8s %5d, %8.1f L\n", k[0], k[1], a.n, a.litres)
		}
	}
	return b.String()
}
