package tote

import (
	"math"
	"sort"

	"yardtally/calibrate/quantity"
)

// Terms says how well readings of a tote agree with each other and with the
// meter. The zero Terms is of a tote whose strapping and meter are exact.
type Terms struct {
	ShareU  float64         // relative standard uncertainty of a difference of two volumes of the tote: its strapping
	MeterU  float64         // relative standard uncertainty of what the meter counts
	Outlet  quantity.Volume // unusable: with this much left, the outlet draws air
	OutletU quantity.Volume // its standard uncertainty
	Beyond  float64         // standard uncertainties that make a change; 0: 5
}

const (
	// beyond is five standard uncertainties, since a season tries some 60,000
	// pairs of points: by 3, eighty of them would be a change by chance, by 5 one
	// season in sixty has one (normal distribution, computed).
	beyond = 5.0
	// warms is how syrup's volume and the sensor wander with the temperature,
	// relative standard uncertainty in an hour, and at most: a full tote changes
	// by some 0.3 K/h, and syrup by 3.8e-4 /K (memory).
	warms    = 0.0003
	warmsMax = 0.003
	// together is how near in time parts of one change are, ns, and pipe that of
	// a fast one: common practice, no source.
	together = int64(900_000_000_000)
	pipe     = int64(120_000_000_000)
	// stands is from when on a level that stands parts two fast changes, ns.
	stands = int64(40_000_000_000)
	// transferRate is what a leak or a hose never reaches, and pumpRate what no
	// pump or bucket does: common practice, no source. The 2-inch line gives
	// 208 L/min (reference D).
	transferRate = 40 * quantity.LitrePerMinute
	pumpRate     = 400 * quantity.LitrePerMinute
	// seepRate is below any hose's flow: what leaks faster may be pulls.
	seepRate = 1 * quantity.LitrePerMinute
	// leakFor is how long a leak goes on at least, ns.
	leakFor = int64(600_000_000_000)
	// swapLeast is the change from which it must have shown a course.
	swapLeast = 100 * quantity.Litre
	// A level turned between turnBefore before the last point of its course that
	// was kept and when the next one would have been: points are offered every
	// offerEvery or so, s, and kept from keepCourse on, give or take turnLeast.
	turnBefore = 3.0
	offerEvery = 10.0
	turnLeast  = 3 * quantity.Litre
	// steepPart is the part of a change that a step of it must be to tell how fast it went.
	steepPart = 0.15
)

// Kind is what sort of change it was.
type Kind uint8

// The kinds of changes.
const (
	Refill   Kind = iota // into the tote
	Swap                 // another tote, or this one with other content
	Unheard              // while nothing was heard of the rig, off or out of reach: into or out of the tote
	Transfer             // out of it, fast, past the meter
	Leak                 // out of it, slow and steady
	Loss                 // out of it otherwise, past the meter
	Meter                // none: the meter counted more than the tote gave; see Doubts
)

// String says it for people.
func (k Kind) String() string {
	return [...]string{"refill", "swap of totes", "changed while not heard", "transfer", "leak", "other loss", "metered more than the tote gave"}[min(k, Meter)]
}

// Change is something that went into or out of the tote without passing the
// meter, between two settled points. Where the level was seen to rise and then
// to fall before it settled, or the other way round, that is two.
type Change struct {
	Kind          Kind
	Sure          bool  // the kind is; else Note says what it might be
	From, To      int64 // last settled point before, first good one after; or where the level turned
	Before, After quantity.Volume
	Metered       quantity.Volume // passed the meter meanwhile
	Volume        quantity.Volume // past the meter: positive in, negative out
	Within        quantity.Volume // half its 95 % interval
	Rate          quantity.Flow   // of the middle four fifths of it, absolute; a lower bound where no course was seen
	Begin, End    int64           // of that part: when a tenth and nine tenths were done
	Note          string          // what cannot be told apart; "" for nothing
}

// mark is a settled point, or a turn, in nL.
type mark struct {
	at      int64
	v, m, b float64 // held, metered, both
	uu      float64 // variance of v
	i       int     // which point
	quiet   bool    // the rig was off right before it
	flowing bool    // flow was metered within its readings
	turn    bool    // not settled: the level went on the other way from here
	series  int
	tote    string
}

// follows tells whether a mark goes on where another left off: the same tote,
// read alike, and the rig was on.
func (m *mark) follows(a *mark) bool {
	return m.tote == a.tote && m.series == a.series && !m.quiet
}

// span is a change in the making: marks a to b.
type span struct {
	a, b  int
	parts bool
	Change
}

// reading is the points in order, and the marks among them.
type reading struct {
	points []Point
	marks  []mark
	terms  Terms
}

func read(points []Point, t Terms) *reading {
	if !(t.Beyond > 0) {
		t.Beyond = beyond
	}
	if !sort.SliceIsSorted(points, func(i, j int) bool { return points[i].At < points[j].At }) {
		points = append([]Point(nil), points...)
		sort.SliceStable(points, func(i, j int) bool { return points[i].At < points[j].At })
	}
	r := &reading{points: points, terms: t, marks: make([]mark, 0, len(points))}
	quiet := false
	for i := range points {
		p := &points[i]
		quiet = quiet || p.Silent > offFor
		if p.Rest && p.Why == Counts {
			b := mark{p.At, float64(p.Volume), passed(p), balance(p), variance(p), i, quiet, p.Lag != 0, false, p.Series, p.Tote}
			if n := len(r.marks); n > 0 {
				if t, ok := r.turn(&r.marks[n-1], &b); ok {
					r.marks = append(r.marks, t)
					b.quiet = r.silent(t.i, i)
				}
			}
			r.marks = append(r.marks, b)
			quiet = false
		}
	}
	return r
}

// turn looks between two settled points for where the level turned, by those at
// which it was seen to go up or down evenly. It went on as fast for as long as
// is likely before it turned.
func (r *reading) turn(a, b *mark) (t mark, ok bool) {
	if b.i-a.i < 2 || b.tote != a.tote || b.series != a.series {
		return t, false
	}
	steady := func(i int) bool {
		p := &r.points[i]
		return i > a.i && i < b.i && p.Why == Changing && p.Tote == a.tote && p.Series == a.series
	}
	lo, hi := min(a.b, b.b), max(a.b, b.b)
	best, most, up := -1, 0.0, 1.0
	for i := a.i + 1; i < b.i; i++ {
		if !steady(i) {
			continue
		}
		x := balance(&r.points[i])
		if x-hi > most {
			best, most, up = i, x-hi, 1
		}
		if lo-x > most {
			best, most, up = i, lo-x, -1
		}
	}
	if best < 0 {
		return t, false
	}
	p := &r.points[best]
	rate := math.Abs(float64(p.U)) * math.Sqrt(12) / float64(readFor) // nL/ns, the fastest that it can be
	for _, i := range []int{best - 1, best + 1} {
		if !steady(i) {
			continue
		}
		q := &r.points[i]
		t := math.Abs(float64(p.At - q.At))
		if d := float64(up * (balance(p) - balance(q))); d > 0 && t > 0 && t <= float64(readFor) {
			rate = min(rate, d/t)
			break
		}
	}
	// As likely at any instant of that time (GUM 4.3.7), and readings are half
	// of readFor old on the mean.
	rate *= 1e9 // a second
	latest := offerEvery * min(6, math.Ceil(float64(keepCourse+turnLeast)/(rate*offerEvery)))
	v := max(0, float64(p.Volume)+float64(up*rate*((latest-turnBefore)/2+float64(readFor)/2e9)))
	uu := square(float64(turnLeast)) + square(rate*(latest+turnBefore))/12
	t = mark{p.At, v, passed(p), v + passed(p), uu, best, r.silent(a.i, best), p.Lag != 0, true, p.Series, p.Tote}
	return t, r.past(a, &t, r.terms.Beyond) && r.past(&t, b, r.terms.Beyond)
}

// silent tells whether the rig was off between two points.
func (r *reading) silent(after, upTo int) bool {
	for i := after + 1; i <= upTo; i++ {
		if r.points[i].Silent > offFor {
			return true
		}
	}
	return false
}

// heldUU is the variance of the difference of what was held, and uu that of the
// balance's.
func (r *reading) heldUU(a, b *mark) float64 {
	h := float64(b.at-a.at) / 3.6e12
	warm := min(warmsMax, warms*h) * max(math.Abs(a.v), math.Abs(b.v))
	dv := square(b.v - a.v)
	if a.tote != b.tote { // two strappings
		dv = square(a.v) + square(b.v)
	}
	return a.uu + b.uu + square(warm) + float64(square(r.terms.ShareU)*dv)
}

func (r *reading) uu(a, b *mark) float64 {
	return r.heldUU(a, b) + square(r.terms.MeterU*(b.m-a.m))
}

// past tells whether the balance of b is off that of a by more than so many
// standard uncertainties.
func (r *reading) past(a, b *mark, by float64) bool {
	d := b.b - a.b
	return d*d > by*by*r.uu(a, b)
}

// way is what a pair of marks looks like: -1 out of the tote, 1 into it, 2
// neither, but metered.
func (r *reading) way(a, b *mark) int {
	dv := b.v - a.v
	switch {
	case b.b < a.b:
		return -1
	case dv > 0 && (b.m <= a.m || dv*dv > 16*r.heldUU(a, b)):
		return 1
	}
	return 2
}

// Changes returns what went into and out of the tote past the meter, in order
// of time. Points out of order are put in order. A change is one only beyond
// Terms.Beyond standard uncertainties, which is more than its 95 % interval;
// another tote's name always is.
func Changes(points []Point, t Terms) []Change {
	r := read(points, t)
	var out []Change
	for _, s := range r.spans() {
		out = append(out, s.Change)
	}
	return out
}

// spans finds the changes: every mark is held against the one before, and
// those 2, 4, 8 … before, back to the end of the last change.
func (r *reading) spans() []span {
	var out []span
	m := r.marks
	start := 0
	for j := 1; j < len(m); j++ {
		a, b := -1, j
		if m[j].tote != m[j-1].tote {
			a = j - 1
		} else if m[j].series != m[j-1].series {
			start = j
			continue
		} else {
			for d := 1; a < 0 && j-d > start; d *= 2 {
				if r.past(&m[j-d], &m[j], r.terms.Beyond) {
					a = j - d
				}
			}
			if a < 0 && r.past(&m[start], &m[j], r.terms.Beyond) {
				a = start
			}
			if a < 0 {
				continue
			}
			a, b = r.ends(start, a, j)
		}
		s := span{a: a, b: b}
		r.judge(&s)
		out = r.join(out, s)
		start, j = b, b
	}
	for i := range out {
		if out[i].parts {
			r.judge(&out[i])
		}
	}
	return out
}

// ends finds where a change seen from mark a to mark b began and ended: at the
// last mark that agrees with a and the first that agrees with b, as far as
// four fifths of Terms.Beyond are still between them. Then fast parts of the
// same change are taken in.
func (r *reading) ends(start, a, b int) (int, int) {
	m, least := r.marks, 0.8*r.terms.Beyond
	firstA, firstB := a, b
	way := r.way(&m[a], &m[b])
	same := func(i, k int) bool { return r.past(&m[i], &m[k], least) && r.way(&m[i], &m[k]) == way }
	for i := b - 1; i > a; i-- {
		if !r.past(&m[a], &m[i], 2.5) && r.past(&m[i], &m[b], least) {
			a = i
			way = r.way(&m[a], &m[b])
			break
		}
	}
	for i := a + 1; i < b; i++ {
		if !r.past(&m[i], &m[b], 1) && same(a, i) {
			b = i
			break
		}
	}
	a, b = r.fast(a, -1, start, way), r.fast(b, 1, len(m)-1, way)
	a, b = r.calmer(a, -1, start), r.calmer(b, 1, len(m)-1)
	if !r.past(&m[a], &m[b], least) {
		return firstA, firstB
	}
	if r.way(&m[a], &m[b]) == 2 {
		return r.between(start, a, b)
	}
	return a, b
}

// fast returns the last mark of the fast parts of a change that follow one,
// outward from it. Where the level stood in between they are another change.
func (r *reading) fast(i, by, last, way int) int {
	m := r.marks
	for k, stood := i, false; k != last && !stood; {
		k += by
		x, y, next := &m[min(i, k)], &m[max(i, k)], max(k, k-by)
		if y.at-x.at > pipe || !m[next].follows(&m[next-1]) {
			break
		}
		if r.past(x, y, 3) && r.way(x, y) == way {
			i = k
		} else {
			stood = !r.past(x, y, 3) && y.at-x.at >= stands
		}
	}
	return i
}

// between widens a bracket to marks without flow in their readings, since a
// flow is to be borne out or not as a whole.
func (r *reading) between(start, a, b int) (int, int) {
	m, i, k := r.marks, a, b
	for i > start && m[i].flowing {
		i--
	}
	for k+1 < len(m) && m[k].flowing && m[k+1].follows(&m[k]) {
		k++
	}
	if r.way(&m[i], &m[k]) == 2 && r.past(&m[i], &m[k], 0.8*r.terms.Beyond) {
		return i, k
	}
	return a, b
}

// calmer returns the better read of the marks within a minute of one, outward
// from the change, where nothing else went on: the first after a change may
// still ride its waves.
func (r *reading) calmer(i, by, last int) int {
	m, best := r.marks, i
	for k := i; k != last; {
		k += by
		d := m[k].at - m[i].at
		if d > keepPause || -d > keepPause || !m[max(i, k)].follows(&m[min(i, k)]) ||
			math.Abs(m[k].m-m[i].m) > float64(leastU) || r.past(&m[i], &m[k], 3) {
			break
		}
		if m[k].uu < m[best].uu/2 {
			best = k
		}
	}
	return best
}

// join appends a change, or makes it one with the last if they belong together.
// What has parts is judged anew when it is whole.
func (r *reading) join(out []span, s span) []span {
	n := len(out)
	if n == 0 || !r.joins(&out[n-1], &s) {
		return append(out, s)
	}
	p := &out[n-1]
	a, b := &r.marks[p.a], &r.marks[s.b]
	if a.tote == b.tote && !r.past(a, b, 0.8*r.terms.Beyond) {
		return append(out, s)
	}
	p.b, p.To, p.parts = s.b, s.To, true
	if a.tote != b.tote {
		p.Kind = Swap
	}
	p.Sure = p.Sure && s.Sure
	return out
}

func (r *reading) joins(p, s *span) bool {
	for k := p.b + 1; k <= s.a; k++ {
		if !r.marks[k].follows(&r.marks[k-1]) {
			return false
		}
	}
	gap := s.From - p.To
	slow := (p.To - p.From + s.To - s.From) / 2
	seep := func(k Kind) bool { return k == Leak || k == Loss }
	named := func(s *span) bool { return s.Kind == Swap && r.marks[s.a].tote != r.marks[s.b].tote }
	jump := func(s *span) bool { return s.Kind == Swap || s.Kind == Unheard || s.Kind == Refill && !s.Sure }
	switch {
	case named(p) && jump(s), jump(p) && named(s):
		return gap <= together // booked before or after it was done
	case p.Kind == Refill && s.Kind == Refill:
		return gap <= together
	case p.Kind == Transfer && s.Kind == Transfer:
		return gap <= pipe
	case p.Kind == Meter && s.Kind == Meter, seep(p.Kind) && seep(s.Kind):
		return gap <= max(together, slow)
	}
	return false
}
