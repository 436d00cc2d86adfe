package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// group is the flow of one visit or, where there is no visit, of one yard.
type group struct {
	visit *ledger.Visit // nil: none
	no    int           // of the visit in the stretch, from 1; 0: none
	yard  string
	why   ledger.Reason // of the yard, or of there being none
	fills []int         // places in the view's lists
	loose []int
	from  int64
	to    int64
	total ledger.YardTotal
	sum   ledger.Night
}

// account is a stretch of a view, put in groups.
type account struct {
	v      *ledger.View
	o      Options
	fills  []int // of the stretch, places in the view's lists
	loose  []int
	groups []group     // in order of time
	fillIn []int       // the group of each of v.Fills that is in the stretch
	lostIn []int       // and of v.Loose
	no     map[int]int // number of a fill in its night, by its place
	name   map[string]string
	night  ledger.Night
}

// put sorts the flow that started in the stretch into groups.
func put(v *ledger.View, o Options) *account {
	from, to := o.span()
	a := &account{v: v, o: o, no: map[int]int{}, name: names(v), fillIn: make([]int, len(v.Fills)), lostIn: make([]int, len(v.Loose)),
		night: ledger.Tally(v, from, to)}
	at := map[int]int{} // groups by visit
	for _, k := range visitsIn(v, from, to) {
		at[k] = len(a.groups)
		x := &v.Visits[k]
		a.groups = append(a.groups, group{visit: x, no: len(at), yard: x.Yard, why: x.Reason, from: x.From, to: x.To})
	}
	byYard := map[string]int{}
	find := func(visit int, yard string, why ledger.Reason, start, end int64) int {
		i, ok := at[visit]
		if !ok {
			i, ok = byYard[yard]
		}
		if !ok {
			i = len(a.groups)
			byYard[yard] = i
			a.groups = append(a.groups, group{yard: yard, why: why, from: start, to: end})
		}
		g := &a.groups[i]
		g.from, g.to = min(g.from, start), max(g.to, end)
		return i
	}
	for i := range v.Fills {
		f := &v.Fills[i]
		if f.Start < from || f.Start >= to {
			continue
		}
		g := find(f.Visit, f.Yard, f.Reason, f.Start, f.End)
		a.groups[g].fills = append(a.groups[g].fills, i)
		a.fills, a.fillIn[i] = append(a.fills, i), g
	}
	for i := range v.Loose {
		l := &v.Loose[i]
		if l.Start < from || l.Start >= to {
			continue
		}
		g := find(l.Visit, l.Yard, l.Reason, l.Start, l.End)
		a.groups[g].loose = append(a.groups[g].loose, i)
		a.loose, a.lostIn[i] = append(a.loose, i), g
	}
	a.number()
	for i := range a.groups {
		a.tally(&a.groups[i])
	}
	return a
}

// visitsIn returns the places of the visits of a stretch, in order of time: all
// of outings that began in it, and any other that flow of the stretch belongs to.
func visitsIn(v *ledger.View, from, to int64) (out []int) {
	in := make([]bool, len(v.Visits))
	next := 0
	for _, o := range v.Outings {
		for range o.Visits {
			if next < len(in) {
				in[next] = o.From >= from && o.From < to
			}
			next++
		}
	}
	for ; next < len(in); next++ { // of an outing in which nothing flowed yet
		in[next] = v.Visits[next].From >= from && v.Visits[next].From < to
	}
	flow := func(start int64, visit int) {
		if start >= from && start < to && visit >= 0 && visit < len(in) {
			in[visit] = true
		}
	}
	for i := range v.Fills {
		flow(v.Fills[i].Start, v.Fills[i].Visit)
	}
	for i := range v.Loose {
		flow(v.Loose[i].Start, v.Loose[i].Visit)
	}
	for k := range in {
		if in[k] {
			out = append(out, k)
		}
	}
	return out
}

// number gives fills the numbers that "move" and the other corrections know
// them by: their order of start in their night, from 1.
func (a *account) number() {
	zone := a.o.zone()
	var night [2]int64
	n := 0
	for i := range a.v.Fills {
		at := a.v.Fills[i].Start
		if at < night[0] || at >= night[1] {
			night[0], night[1] = a.v.NightAt(at, zone)
			n = 0
		}
		n++
		a.no[i] = n
	}
}

// tally adds up a group's flow.
func (a *account) tally(g *group) {
	own := *a.v
	own.Fills, own.Loose = a.flows(g)
	g.sum = ledger.Tally(&own, math.MinInt64, math.MaxInt64)
	if len(g.sum.Yards) > 0 {
		g.total = g.sum.Yards[0]
	}
}

// title is the yard, or why there is none.
func (a *account) title(g *group) string {
	if g.yard == "" {
		return NoYard
	}
	return nameOf(a.name, g.yard)
}

// flows are the fills and the loose flow of a group.
func (a *account) flows(g *group) (fills []ledger.Fill, loose []ledger.Loose) {
	for _, i := range g.fills {
		fills = append(fills, a.v.Fills[i])
	}
	for _, i := range g.loose {
		loose = append(loose, a.v.Loose[i])
	}
	return fills, loose
}

// unsure is UnsureOf of all groups together.
func (a *account) unsure() (unsure, perhaps int) {
	for i := range a.groups {
		u, p := UnsureOf(a.flows(&a.groups[i]))
		unsure, perhaps = unsure+u, perhaps+p
	}
	return unsure, perhaps
}

// sayUnsure is SayUnsure of a group, with the numbers of its fills.
func (a *account) sayUnsure(g *group) string {
	fills, loose := a.flows(g)
	return SayUnsure(fills, loose, func(i int) int { return a.no[g.fills[i]] })
}

// sayVisit is SayVisit of a group, with what may be otherwise.
func (a *account) sayVisit(g *group) string {
	s := SayVisit(g.visit)
	if more := a.sayUnsure(g); more != "" {
		s += " " + more
	}
	return s
}

// evening is the date of the night that an instant is part of, as -night has it.
func (a *account) evening(at int64) string {
	return a.v.Evening(at, a.o.zone()).Format(time.DateOnly)
}

// sugar is the sugar in the group's fills, and of how many it is not known.
func (a *account) sugar(g *group) (m quantity.Mass, unknown int) {
	for _, i := range g.fills {
		f := &a.v.Fills[i]
		m += f.Solids
		if f.Solids == 0 && f.Volume > 0 {
			unknown++
		}
	}
	return m, unknown
}

// reasons are why fills are in their yard, in the order that reports have them.
var reasons = []ledger.Reason{ledger.ByPosition, ledger.ByMark, ledger.ByTap, ledger.ByHand}

// placed is the volume of the group's fills by each of reasons, and the rest.
func (a *account) placed(g *group) (by [4]quantity.Volume, rest quantity.Volume) {
	for _, i := range g.fills {
		f := &a.v.Fills[i]
		if k := slices.Index(reasons, f.Reason); k >= 0 {
			by[k] += f.Volume
		} else {
			rest += f.Volume
		}
	}
	return by, rest
}

// sayPlaced says by what fills are in their yard, where that is mixed.
func (a *account) sayPlaced(g *group) string {
	by, rest := a.placed(g)
	all := rest
	for _, v := range by {
		all += v
	}
	var parts []string
	for k, v := range by {
		if v == all || all == 0 {
			return ""
		}
		if v > 0 {
			parts = append(parts, fmt.Sprintf("by %s %s", PlacedBy(reasons[k]), percentOf(float64(v)/float64(all))))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return "Placed " + strings.Join(parts, ", ") + " of the volume."
}

// sayShort says which colonies of a group got too little: by their numbers
// where those are sure, else by those of the fills.
func (a *account) sayShort(g *group) string {
	var fills, numbers []int
	for _, i := range g.fills {
		switch f := &a.v.Fills[i]; {
		case !f.Short:
		case f.Colony > 0:
			numbers = append(numbers, f.Colony)
		default:
			fills = append(fills, a.no[i])
		}
	}
	n := len(fills) + len(numbers)
	if n == 0 {
		return ""
	}
	s := strconv.Itoa(n) + " short"
	switch half := halves(g); {
	case half == n:
		s += " (less than half)"
	case half > 0:
		s += " (" + strconv.Itoa(half) + " of them less than half)"
	}
	var which []string
	if len(numbers) > 0 {
		which = append(which, numbered("colony", "colonies", numbers))
	}
	if len(fills) > 0 {
		which = append(which, numbered("fill", "fills", fills))
	}
	return s + ": " + strings.Join(which, ", ") + "."
}

func halves(g *group) int {
	if g.visit == nil {
		return 0
	}
	return g.visit.Half
}

// numbered names things by their numbers: "fill 3", "fills 3-5, 9".
func numbered(one, many string, n []int) string {
	if len(n) == 1 {
		return one + " " + strconv.Itoa(n[0])
	}
	return many + " " + Numbers(n)
}

// Numbers prints rising numbers as "yardtally move" reads them: "3-5,9".
func Numbers(n []int) string {
	var parts []string
	for i := 0; i < len(n); {
		k := i
		for k+1 < len(n) && n[k+1] == n[k]+1 {
			k++
		}
		s := strconv.Itoa(n[i])
		if k > i {
			s += "-" + strconv.Itoa(n[k])
		}
		parts = append(parts, s)
		i = k + 1
	}
	return strings.Join(parts, ",")
}
