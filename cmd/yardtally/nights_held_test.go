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
	"yardtally/ingest/rigsim"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/tote"
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

// entry is an entry of the account, in the truth's terms.
type entry struct {
	session     int
	first, last uint64
	start, end  int64
	kind        string // "fill", "top-up", or why it is loose
	yard        string
	fill        int // index in View.Fills; -1: loose
}

func (n *night) items(v *ledger.View) []entry {
	var out []entry
	for k := range v.Fills {
		f := &v.Fills[k]
		x := entry{kind: "fill", yard: f.Yard, fill: k, start: f.Start, end: f.End}
		if f.TopUp {
			x.kind = "top-up"
		}
		x.session, x.first, x.last = n.counts(f.End, f.First, f.Last)
		out = append(out, x)
	}
	for k := range v.Loose {
		l := &v.Loose[k]
		x := entry{kind: l.Why, yard: l.Yard, fill: -1, start: l.Start, end: l.End}
		x.session, x.first, x.last = n.counts(l.End, l.First, l.Last)
		out = append(out, x)
	}
	return out
}

func shared(a *entry, b *truly) uint64 {
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
	phantoms, taken    float64              // L of phantom pulses; in a yard as fills
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
	toteFound, tote    int                  // changes of the tote
	toteKind, invented int                  // told by their kind; of nothing
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
		y.table = map[[2]string]amount{}
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
	y.taken += o.taken
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
	y.toteKind += o.toteKind
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

// held compares an account with the truth.
func (n *night) held(t *testing.T, v *ledger.View, all, gps, mark bool) *score {
	t.Helper()
	y := &score{table: map[[2]string]amount{}}
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
			if x.fill >= 0 {
				y.taken += float64(rest) / k
			}
		}
		for kind, c := range kinds {
			a := y.table[[2]string{kind, x.kind}]
			if float64(c)/k > 0.05 {
				a.n++
			}
			a.litres += float64(c) / k
			y.table[[2]string{kind, x.kind}] = a
			colony := x.kind == "fill" || x.kind == "top-up"
			if colony != (kind == "fill" || kind == "top-up") && float64(c)/k > 0.25 && x.kind != outing.Unseen {
				y.note(n, "%s is %s: %.2f L of counts %d to %d, yard %q", kind, x.kind, float64(c)/k, x.first, x.last, x.yard)
			}
		}
	}
	n.pulls(y, v, items)
	n.besides(y, v, items)
	n.bounds(y, v)
	n.visited(y, v, all, whose)
	n.sugar(y, v, whose)
	n.handled(y, v)
	return y
}

func reasonOf(v *ledger.View, x *entry) string {
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

// pulls counts the colonies' pulls outside gaps that are exact: what was
// counted of them is in entries of their own, to the pulse.
func (n *night) pulls(y *score, v *ledger.View, items []entry) {
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
		for j := range items {
			x := &items[j]
			c := shared(x, &whole)
			got += c
			if c > 0 && c != x.last-x.first {
				alone = false
			}
		}
		if got == whole.last-whole.first && alone {
			y.exact++
		} else {
			y.note(n, "pull %d (%s %d, top-up %v) of %d counts is not exact: %d, alone %v", i, f.Yard, f.Colony, f.TopUp, f.Settled-f.First, got, alone)
		}
	}
}

// besides counts the pulls that were for no colony, wholly seen, and those of
// them that the account takes for a colony's.
func (n *night) besides(y *score, v *ledger.View, items []entry) {
	for i := range n.truth.Fills {
		f := &n.truth.Fills[i]
		if f.Kind == rigsim.Feeding || f.Settled-f.First < 40 || n.hazy(v, i) {
			continue
		}
		y.ground++
		whole := truly{session: f.Session, first: f.First, last: f.Settled}
		for j := range items {
			if x := &items[j]; x.fill >= 0 && shared(x, &whole) > (f.Settled-f.First)/2 {
				if or := v.Fills[x.fill].Or; or != "" && or != outing.AFill && or != outing.ATopUp {
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

// handled compares changes of the tote.
func (n *night) handled(y *score, v *ledger.View) {
	kinds := map[string]string{"refill": "refill", "swap": "swap of totes", "transfer": "transfer", "leak": "leak", "off": "changed while off"}
	used := map[int]bool{}
	for _, h := range n.truth.Handlings {
		moved := h.In - h.Out
		if h.To.IsZero() || moved.Litres() < 15 && moved.Litres() > -15 {
			continue
		}
		y.tote++
		found := -1
		for i := range v.Changes {
			c := &v.Changes[i]
			if c.From < h.To.UnixNano()+60e9 && c.To > h.From.UnixNano()-60e9 && (c.Volume > 0) == (moved > 0) {
				if found < 0 || c.Kind.String() == kinds[h.Kind] {
					found = i
				}
			}
		}
		if found < 0 {
			y.note(n, "a %s of %v is not told", h.Kind, moved)
			continue
		}
		used[found] = true
		y.toteFound++
		if v.Changes[found].Kind.String() == kinds[h.Kind] {
			y.toteKind++
		}
	}
	for i := range v.Changes {
		c := &v.Changes[i]
		// That the meter counted more than the tote gave is no change of it.
		if used[i] || c.Kind == tote.Meter || slices.ContainsFunc(n.truth.Handlings, func(h rigsim.Handling) bool {
			return h.From.UnixNano() < c.To+60e9 && (h.To.IsZero() || h.To.UnixNano() > c.From-60e9)
		}) {
			continue
		}
		y.invented++
		y.note(n, "a %v of %v out of nothing", c.Kind, c.Volume)
	}
}

// String is the table.
func (y *score) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d nights, %.0f L; pulls exact %d of %d outside gaps; gaps bounded %d of %d\n", y.nights, y.total, y.exact, y.sure, y.bounded, y.gaps)
	fmt.Fprintf(&b, "  pulls for no colony, taken for one: %d of %d, besides %d said to be perhaps none; phantom L as fills %.1f of %.1f\n", y.fed, y.ground, y.fedMaybe, y.taken, y.phantoms)
	fmt.Fprintf(&b, "  colonies' L: right yard %.1f, wrong %.3f, none %.1f (with position or mark %.2f)\n", y.right, y.wrong, y.nowhere, y.unexcused)
	fmt.Fprintf(&b, "  visits with right number of fills %d of %d; sure of it %d, of them right %d; within what it allows %d\n", y.visits, y.visitsSure, y.told, y.toldRight, y.around)
	fmt.Fprintf(&b, "  colonies not adding up %d; numbered %d, wrongly %d\n", y.missing, y.numbered, y.misled)
	fmt.Fprintf(&b, "  yard totals in 95 %% interval %d of %d; sugar %.2f kg, said %.2f, fills off by > 1 %%: %d of %d\n", y.within, y.totals, y.sugarIs, y.sugarSaid, y.solidsOff, y.solids)
	fmt.Fprintf(&b, "  tote: found %d of %d, by kind %d, of nothing %d\n", y.toteFound, y.tote, y.toteKind, y.invented)
	for _, k := range slices.SortedFunc(maps.Keys(y.table), func(a, b [2]string) int { return slices.Compare(a[:], b[:]) }) {
		if a := y.table[k]; a.litres > 0.05 {
			fmt.Fprintf(&b, "    %-8s as %-8s %5d, %8.1f L\n", k[0], k[1], a.n, a.litres)
		}
	}
	return b.String()
}
