package outing

import (
	"cmp"
	"slices"

	"yardtally/meter/act"
	"yardtally/meter/fill"
)

// visit is a visit in the making.
type visit struct {
	Visit
	known     bool
	said      []Colony // of it, in order of time; a press of the button is one
	last      int      // its last part with flow of its own
	countSaid int64    // when Colonies was said
	unsure    bool     // a press of the button that may be of it was not heard
}

// back is how long a rig may have been gone from a yard and still be on the
// same visit, if it was in no other yard meanwhile.
const back = hour

// visit groups the parts into visits.
func (a *account) visit() {
	cur := -1
	for i := range a.ps {
		p := &a.ps[i]
		if i > 0 && cur >= 0 && a.goesOn(cur, &a.ps[a.visits[cur].last], p) {
			a.join(i, cur)
			continue
		}
		if k := a.before(cur, p); k >= 0 {
			cur = k
			a.join(i, cur)
			continue
		}
		a.visits = append(a.visits, visit{Visit: Visit{Yard: p.yard, Reason: p.reason, From: p.Start, To: p.End}, known: p.known})
		cur = len(a.visits) - 1
		a.join(i, cur)
	}
	a.pressedOnly()
	for k := range a.visits {
		v := &a.visits[k]
		s := a.site(v.Yard, v.From)
		v.Colonies, v.countSaid, v.Meant = s.Colonies, s.Said, a.meant(v.Yard, v.From)
		v.Over = k < len(a.visits)-1 || a.seen.Ended || a.gone(v)
	}
}

func (a *account) join(i, k int) {
	v, p := &a.visits[k], &a.ps[i]
	v.To = max(v.To, p.End)
	v.last, p.visit = i, k
}

// goesOn reports whether p belongs to the visit under way, whose last part is last.
func (a *account) goesOn(cur int, last, p *part) bool {
	v := &a.visits[cur]
	if p.yard != v.Yard || p.known != v.known || a.begun(last.End, p.Start) {
		return false
	}
	if v.known {
		return true
	}
	// Where the yard is not known, the place or a press tells one from the next.
	return p.reason == last.reason && !a.apart(last.Start, p.Start) && !a.marked(last.End, p.Start)
}

// before returns the visit before cur that p goes on with: of the same yard,
// with no other yard's fills in between; -1 for none.
func (a *account) before(cur int, p *part) int {
	if !p.known {
		return -1
	}
	for k := cur; k >= 0; k-- {
		v := &a.visits[k]
		if v.known && v.Yard == p.yard {
			if a.saidGoesOn(p) || p.Start-v.To <= back && !a.begun(v.To, p.Start) && k != cur {
				return k
			}
			return -1
		}
		if v.known && !a.saidGoesOn(p) {
			return -1
		}
	}
	return -1
}

// begun reports whether a person said that a visit begins between two instants.
func (a *account) begun(from, to int64) bool {
	for _, b := range a.said.Visits {
		if !b.Goes && b.At > from && b.At <= to {
			a.hit(b.Act)
			return true
		}
	}
	return false
}

// saidGoesOn reports whether a person said that the visit that p would begin
// goes on: at the minute that a report shows for it, or while it flowed.
func (a *account) saidGoesOn(p *part) bool {
	for _, b := range a.said.Visits {
		if b.Goes && b.At > p.Start-minute && b.At <= p.End+second {
			a.hit(b.Act)
			return true
		}
	}
	return false
}

// nearVisit is how long before or after a visit's flow a press belongs to it.
const nearVisit = 3 * hour

// pressedOnly gives what was said of colonies to visits, and makes visits of
// yards where nothing flowed because every colony was passed over.
func (a *account) pressedOnly() {
	said := slices.Clone(a.said.Colony)
	for _, p := range a.seen.Presses {
		if p.Skip {
			said = append(said, Colony{At: p.At, What: act.Skipped, N: a.skips(&p)})
		}
	}
	slices.SortStableFunc(said, func(x, y Colony) int { return cmp.Compare(x.At, y.At) })
	end := a.seen.Now
	if a.seen.Ended && len(a.ps) > 0 {
		end = a.ps[len(a.ps)-1].End + Pause
	}
	for _, c := range said {
		if c.At <= a.seen.From || c.At > end {
			continue
		}
		yard, known := c.Yard, c.Yard != ""
		reason := ByTap
		if !known {
			yard, reason, known = a.at(c.At, c.At)
		}
		best, off := -1, int64(nearVisit)
		for k := range a.visits {
			v := &a.visits[k]
			d := max(v.From-c.At, c.At-v.To, 0)
			if (!known || v.Yard == yard && v.known) && d <= off && (d < off || best < 0) {
				best, off = k, d
			}
		}
		if best < 0 && known && yard != "" && c.What != act.AllTold {
			v := visit{Visit: Visit{Yard: yard, Reason: reason, From: c.At, To: c.At}, known: true, last: -1}
			best = 0
			for best < len(a.visits) && a.visits[best].From <= c.At {
				best++
			}
			a.visits = slices.Insert(a.visits, best, v)
			for i := range a.ps {
				if a.ps[i].visit >= best {
					a.ps[i].visit++
				}
			}
		}
		if best < 0 {
			a.review(c.Act, "no visit to a yard is near")
			continue
		}
		a.hit(c.Act)
		a.visits[best].said = append(a.visits[best].said, c)
	}
}

// skips returns how many of the presses that came together are known to be of
// the visit in which they were heard: the last and, where the visit had begun
// before all of them, the others. Their order is not known.
func (a *account) skips(p *Press) int {
	if p.N == 1 {
		return 1
	}
	n := 1
	for k := range a.visits {
		v := &a.visits[k]
		if v.From <= p.At && v.To+nearVisit > p.From {
			v.unsure = true
		}
		if v.From <= p.From && p.At <= v.To {
			n = p.N
		}
	}
	return n
}

// gone reports whether the rig has left the place of the last visit.
func (a *account) gone(v *visit) bool {
	yard, _, known := a.at(a.seen.Now, a.seen.Now)
	return known && (yard != v.Yard || !v.known)
}

// hides reports whether there may be fills of a visit that were not seen.
func (a *account) hides(k int) bool {
	return slices.ContainsFunc(a.ps, func(p part) bool { return p.visit == k && p.Kind == fill.Hidden })
}

// feeds returns the parts of each feed of a visit: a pull and its top-ups.
func (a *account) feeds(k int) [][]int {
	var out [][]int
	for i := range a.ps {
		p := &a.ps[i]
		if p.visit != k || p.why != "" {
			continue
		}
		if n := len(out); p.topUp && n > 0 {
			out[n-1] = append(out[n-1], i)
		} else {
			out = append(out, []int{i})
		}
	}
	return out
}

// size is what a feed took, nL.
func (a *account) size(feed []int) float64 {
	sum := 0.0
	for _, i := range feed {
		sum += float64(a.ps[i].Volume())
	}
	return sum
}

// usual is the size of the feed in the middle of several.
func (a *account) usual(feeds [][]int) float64 {
	all := make([]float64, len(feeds))
	for i, f := range feeds {
		all[i] = a.size(f)
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// site returns a yard as it was at an instant, earlier visits of this outing
// taken into account.
func (a *account) site(yard string, at int64) Site {
	s := a.said.Site(yard, at)
	for k := range a.visits {
		v := &a.visits[k]
		for _, c := range v.said {
			if v.Yard == yard && c.What == act.Dead && v.From < at && c.At < at && c.When > s.Said {
				s.Colonies = max(0, s.Colonies-max(1, c.N))
				if c.Number > 0 && c.N <= 1 {
					s.Absent = append(slices.Clip(s.Absent), c.Number)
				} else {
					s.Unsure = true
				}
			}
		}
	}
	return s
}

// deaths returns what was said of dead colonies, with their yards.
func (a *account) deaths() []Death {
	var out []Death
	for k := range a.visits {
		for _, c := range a.visits[k].said {
			if c.What == act.Dead {
				out = append(out, Death{a.visits[k].Yard, c.At, c.When, max(1, c.N), c.Number})
			}
		}
	}
	return out
}

// heeds reports whether what was said of a colony changes the number that
// stands there: not if that number was said later, in knowledge of it.
func (v *visit) heeds(c *Colony) bool { return c.What != act.Dead || c.When > v.countSaid }

// expected returns how many feeds a visit's colonies make, by what was said.
func (a *account) expected(v *visit) (int, bool) {
	n := v.Colonies
	for i := range v.said {
		c := &v.said[i]
		if !v.heeds(c) {
			continue
		}
		switch c.What {
		case act.Skipped, act.Dead:
			n -= max(1, c.N)
		case act.TwoFeeders:
			n += max(1, c.N)
		case act.Shared:
			n -= c.N - 1
		}
	}
	return n, v.Colonies > 0
}

// colonies adds up what was said of a visit's colonies.
func (a *account) colonies() {
	for k := range a.visits {
		v := &a.visits[k]
		for i := range v.said {
			c := &v.said[i]
			if !v.heeds(c) {
				continue
			}
			switch c.What {
			case act.Skipped:
				v.Skipped += max(1, c.N)
			case act.Dead:
				v.Dead += max(1, c.N)
			case act.TwoFeeders:
				v.Twice += max(1, c.N)
			case act.Shared:
				v.Sharing += c.N - 1
			case act.AllTold:
				v.Told = true
			}
		}
	}
}

// number says what is missing, and gives fills the numbers of their colonies
// where a person said that all is told, and the order makes them sure.
func (a *account) number(out *Account) {
	for k := range out.Visits {
		v := &out.Visits[k]
		if v.Colonies == 0 || v.Yard == "" {
			continue
		}
		v.Missing = v.Colonies - (v.Fills + v.Skipped + v.Dead - v.Twice + v.Sharing)
		site := a.site(v.Yard, v.From)
		if v.Missing != 0 || !v.Told || !site.Numbered || site.Unsure || a.unsure(k) {
			continue
		}
		if a.inOrder(out, k, &site) {
			v.Numbered = true
		}
	}
}

// unsure reports whether there may be fills of a visit that were not seen or
// are not known to be of it, or none where some were told.
func (a *account) unsure(k int) bool {
	if a.visits[k].unsure || a.hides(k) {
		return true
	}
	for i := range a.ps {
		p := &a.ps[i]
		if p.visit == k {
			if p.or != "" || p.loner || p.why == Suspect && p.Kind == fill.Pull || p.why == "" && (a.cut(i) || a.ranDry(i)) {
				return true
			}
			continue
		}
		// Next to it in time, and it is not known where.
		next := i > 0 && a.ps[i-1].visit == k || i+1 < len(a.ps) && a.ps[i+1].visit == k
		if next && !p.known && p.reason != NoYard && !p.moved && p.why != Dribble {
			return true
		}
	}
	return false
}

// ranDry reports whether a part ended in air: whose it was, the hand did not say
// by where it stopped.
func (a *account) ranDry(i int) bool {
	return i+1 < len(a.ps) && a.ps[i+1].flow == a.ps[i].flow && a.ps[i+1].why == Air
}

// inOrder numbers the fills of a visit along the order of colonies.
func (a *account) inOrder(out *Account, k int, site *Site) bool {
	said := a.visits[k].said
	next := 1
	skipAbsent := func() {
		for slices.Contains(site.Absent, next) {
			next++
		}
	}
	type given struct {
		fills    []int
		from, to int
	}
	var all []given // by feed: a fill and its top-ups
	j := 0
	take := func(c Colony) bool {
		switch c.What {
		case act.Skipped, act.Dead:
			for range max(1, c.N) {
				skipAbsent()
				if c.Number > 0 && c.Number != next {
					return false
				}
				next++
			}
		case act.TwoFeeders:
			// The last two fills went to one colony.
			n := len(all)
			if c.N > 1 || n < 2 || all[n-2].from != all[n-2].to || next != all[n-1].to+1 {
				return false
			}
			all[n-1].from, all[n-1].to = all[n-2].from, all[n-2].to
			next = all[n-1].to + 1
		case act.Shared:
			if len(all) == 0 {
				return false
			}
			for range c.N - 1 {
				skipAbsent()
				all[len(all)-1].to = next
				next++
			}
		}
		return true
	}
	for i := range out.Fills {
		f := &out.Fills[i]
		if f.Visit != k {
			continue
		}
		for j < len(said) && said[j].At < f.Start {
			if !take(said[j]) {
				return false
			}
			j++
		}
		if n := len(all); f.TopUp && n > 0 {
			all[n-1].fills = append(all[n-1].fills, i)
			continue
		}
		skipAbsent()
		all = append(all, given{[]int{i}, next, next})
		next++
	}
	for ; j < len(said); j++ {
		if !take(said[j]) {
			return false
		}
	}
	for _, g := range all {
		for _, i := range g.fills {
			f := &out.Fills[i]
			f.Colony = g.from
			if g.to != g.from {
				f.To = g.to
			}
		}
	}
	return true
}
