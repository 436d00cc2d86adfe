package ledger

import (
	"cmp"
	"slices"
	"sort"
)

// forget makes every account anew when it is asked for next.
func (l *Ledger) forget() {
	clear(l.made)
	l.made, l.remade = l.made[:0], [2]int{}
}

// cut drops fills and loose flow that began at or after an instant.
func (b *book) cut(at int64) {
	b.fills = b.fills[:sort.Search(len(b.fills), func(i int) bool { return b.fills[i].Start >= at })]
	b.loose = b.loose[:sort.Search(len(b.loose), func(i int) bool { return b.loose[i].Start >= at })]
}

// tellAccount tells what is new or different in the accounts of what is
// settled, and reports whether there was anything.
func (l *Ledger) tellAccount() bool {
	if l.st.Seen == 0 {
		return false
	}
	was := l.told
	now := l.whole(&l.st, false, true)
	i := differ(was.fills, now.fills, l.remade[0])
	j := differ(was.loose, now.loose, l.remade[1])
	l.told, l.remade = now, [2]int{len(now.fills), len(now.loose)}
	if i == len(was.fills) && i == len(now.fills) && j == len(was.loose) && j == len(now.loose) {
		return false
	}
	if i < len(was.fills) || j < len(was.loose) {
		// What was told no longer holds: all of it from there is told again.
		at := int64(1<<63 - 1)
		for _, b := range []*book{&was, &now} {
			if i < len(b.fills) {
				at = min(at, b.fills[i].Start)
			}
			if j < len(b.loose) {
				at = min(at, b.loose[j].Start)
			}
		}
		l.out = append(l.out, Event{Kind: Restated, At: at})
		i = sort.Search(i, func(k int) bool { return now.fills[k].Start >= at })
		j = sort.Search(j, func(k int) bool { return now.loose[k].Start >= at })
	}
	first := len(l.out)
	for ; i < len(now.fills); i++ {
		f := now.fills[i]
		l.out = append(l.out, Event{Kind: FillDone, At: f.Start, Fill: &f})
	}
	for ; j < len(now.loose); j++ {
		f := now.loose[j]
		l.out = append(l.out, Event{Kind: LooseDone, At: f.Start, Loose: &f})
	}
	slices.SortStableFunc(l.out[first:], func(a, b Event) int { return cmp.Compare(a.At, b.At) })
	return true
}

// differ returns the first place from one on at which two lists differ: the
// length of the shorter one if they do not.
func differ[T comparable](a, b []T, from int) int {
	n := min(len(a), len(b))
	for i := min(from, n); i < n; i++ {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}

// resumeTold takes what a saved state has of outings that were over for told.
// The outing that went on may have been told differently after the state was
// saved: it is told again.
func (l *Ledger) resumeTold() {
	now := l.whole(&l.st, false, true)
	at := l.key.at
	if n := len(now.outings); n > 0 {
		at = min(at, now.outings[n-1].From)
	}
	l.out = append(l.out, Event{Kind: Restated, At: at})
	l.told = now
	l.told.cut(at)
	l.remade = [2]int{len(l.told.fills), len(l.told.loose)}
}
