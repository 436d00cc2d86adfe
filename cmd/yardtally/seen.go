package main

import (
	"cmp"
	"math"
	"slices"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/watch"
)

// seenOf is what the watch is shown of an outing, by its place in the view; of
// len(v.Outings) is what came since the last, or before the first. What
// happened between two outings is shown with both.
func seenOf(v *ledger.View, i int) watch.Seen {
	from, to := int64(math.MinInt64), int64(math.MaxInt64)
	if i > 0 {
		from = v.Outings[i-1].To
	}
	if i+1 < len(v.Outings) {
		to = v.Outings[i+1].From
	}
	s := watch.Seen{Now: v.At, Ended: i >= len(v.Outings) || ended(v, i)}
	if i+1 >= len(v.Outings) {
		s.Air, s.HasAir = quantity.Temperature(v.Air.Value), v.Air.Has
		s.Health, s.Idle, s.Heads, s.Deadhead = v.Health, v.Idles, v.Heads, v.Deadhead
		s.Points, s.Terms = v.Points, v.Terms
		s.Batches = batchesFrom(v, from)
	} else {
		s.Now = min(v.At, to)
	}
	in := func(start int64) bool { return start > from && start < to }
	for k := range v.Fills {
		if f := &v.Fills[k]; in(f.Start) && !f.Open {
			s.Pulls = append(s.Pulls, watch.Pull{Session: f.Session, First: f.First, Last: f.Last, Start: f.Start, End: f.End, Yard: f.Yard,
				Volume: f.Volume, Pulled: f.Pulled, Syrup: f.Syrup, HasSyrup: f.HasSyrup, Surged: f.Surged, Stray: f.Stray, TopUp: f.TopUp,
				Rest: f.Rest, Moving: f.Moving})
		}
	}
	for k := range v.Loose {
		l := &v.Loose[k]
		if !in(l.Start) {
			continue
		}
		switch l.Why {
		case outing.Air, outing.Suspect:
			s.Loose = append(s.Loose, *l)
		case outing.Dribble, outing.Unseen:
		default:
			s.Pulls = append(s.Pulls, watch.Pull{Session: l.Session, First: l.First, Last: l.Last, Start: l.Start, End: l.End, Yard: l.Yard,
				Volume: l.Volume, Aside: true, Rest: l.Rest, Moving: l.Moving})
		}
	}
	slices.SortStableFunc(s.Pulls, func(a, b watch.Pull) int { return cmp.Compare(a.Start, b.Start) })
	for _, f := range v.Falls {
		if f.At > from && f.From < to {
			s.Falls = append(s.Falls, f)
		}
	}
	for _, c := range v.Changes {
		if c.To > from && c.From < to {
			s.Changes = append(s.Changes, c)
		}
	}
	for _, d := range v.Doubts {
		if d.To > from && d.From < to {
			s.Doubts = append(s.Doubts, d)
		}
	}
	for _, b := range v.Breaks {
		if b.From < to && (b.To == 0 || b.To > from) {
			s.Breaks = append(s.Breaks, watch.Break(b))
		}
	}
	return s
}

// batchesFrom are the batches that were in the tote at an instant or after it.
func batchesFrom(v *ledger.View, from int64) (out []watch.Batch) {
	for i := range v.Batches {
		if b := &v.Batches[i]; i+1 == len(v.Batches) || v.Batches[i+1].From > from {
			out = append(out, watch.Batch{ID: b.ID, Made: b.Made, From: b.From, Liquid: b.Liquid})
		}
	}
	return out
}

// ended reports whether an outing is over: another has begun, or the pause that
// ends one is.
func ended(v *ledger.View, i int) bool {
	return i+1 < len(v.Outings) || v.At-v.Outings[i].To > outing.Pause
}

// overs is how many outings are over.
func overs(v *ledger.View) int {
	n := len(v.Outings)
	if n > 0 && !ended(v, n-1) {
		n--
	}
	return n
}

// labelOf is the rig's line as it was last said, else a usual one.
func labelOf(acts []act.Act) line.Line {
	out := line.Usual()
	for _, a := range act.Standing(acts) {
		if l, ok := a.Body.(act.Line); ok {
			out = act.LineOf(l)
		}
	}
	return out
}

// judging is the watch with what it has learnt of the rig. One goroutine owns it.
type judging struct {
	label   line.Line
	learnt  int // outings that the season is of
	season  watch.Season
	why     string // why nothing was learnt; "" where something was
	watcher *watch.Watcher
}

// learn learns the rig from the outings that are over and on which nothing of
// the line was the matter, as far as that shows before anything is learnt. It
// takes its time.
func learn(v *ledger.View, label line.Line) *judging {
	j := &judging{label: label, learnt: overs(v)}
	var nights [][]watch.Pull
	for i := range j.learnt {
		s := seenOf(v, i)
		// What only the newest outing has is left out: it must teach the same today
		// and when others have come.
		s.Points, s.Heads, s.Idle, s.Health = nil, nil, nil, nil
		if log := watch.Make(&s, &label, nil); !slices.ContainsFunc(log.Verdicts, ofTheLine) {
			nights = append(nights, s.Pulls)
		}
	}
	var err error
	if j.season, err = watch.Learn(nights, label); err != nil {
		j.why = err.Error()
	}
	j.watcher = watch.NewWatcher(&j.label, &j.season)
	return j
}

// ofTheLine reports whether a verdict makes a night's pulls a bad example.
func ofTheLine(v watch.Verdict) bool {
	for _, k := range v.Kinds {
		switch k {
		case watch.Clog, watch.Kink, watch.Suction, watch.Vent, watch.Thinner, watch.Thicker, watch.Drift:
			return true
		}
	}
	return false
}

// stale reports whether there is more to learn from than was.
func (j *judging) stale(v *ledger.View, label line.Line) bool {
	return j == nil || j.label != label || j.learnt != overs(v)
}
