package ledger

import (
	"cmp"
	"slices"
	"sort"

	"yardtally/meter/outing"
)

// breaks are those that were said, as far as they came true: the next pull ends
// one, or that somebody said that it is over or that the rig came to a yard or
// left it, or a pause that ends an outing.
func (l *Ledger) breaks(v *View) []Break {
	if len(l.cfg.breaks) == 0 {
		return nil
	}
	type word struct {
		at     int64
		begins bool
	}
	var words []word
	for _, b := range l.cfg.breaks {
		words = append(words, word{l.instant(b.At), !b.Over})
	}
	for _, m := range l.cfg.moments.arrives {
		words = append(words, word{at: l.instant(m)})
	}
	slices.SortStableFunc(words, func(a, b word) int { return cmp.Compare(a.at, b.at) })
	var out []Break
	for _, w := range words {
		n := len(out) - 1
		on := n >= 0 && (out[n].To == 0 || w.at < out[n].To)
		switch {
		case w.begins && !on:
			b := Break{From: w.at, To: v.pullAfter(w.at)}
			if end := w.at + outing.Pause; b.To == 0 && v.At >= end || b.To > end {
				b.To = end
			}
			out = append(out, b)
		case !w.begins && on:
			out[n].To = w.at
		}
	}
	return out
}

// pullAfter is when the first pull begins after an instant; 0: none yet.
func (v *View) pullAfter(at int64) int64 {
	first := int64(0)
	take := func(start int64) {
		if start > at && (first == 0 || start < first) {
			first = start
		}
	}
	if i := sort.Search(len(v.Fills), func(i int) bool { return v.Fills[i].Start > at }); i < len(v.Fills) {
		take(v.Fills[i].Start)
	}
	for i := range v.Loose {
		switch x := &v.Loose[i]; x.Why {
		case outing.Dribble, outing.Unseen, outing.Suspect: // nobody pulled the trigger
		default:
			take(x.Start)
		}
	}
	return first
}

// OnBreak returns since when the keeper is on a break, and whether he is.
func (v *View) OnBreak() (since int64, ok bool) {
	if n := len(v.Breaks); n > 0 && v.Breaks[n-1].To == 0 {
		return v.Breaks[n-1].From, true
	}
	return 0, false
}
