package main

import (
	"fmt"
	"io"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

// mostNights is how many nights are restated one by one, not taken together.
const mostNights = 3

// restate tells the yards' totals of every night that differs between two
// views, and reports whether any does.
func restate(w io.Writer, before, after *ledger.View, u quantity.System, zone *time.Location) bool {
	var nights []time.Time
	for _, n := range changedNights(before, after, zone) {
		if a, b := tally(before, n, n, zone), tally(after, n, n, zone); !sameTotals(&a, &b) {
			nights = append(nights, n)
		}
	}
	if len(nights) == 0 {
		return false
	}
	tell := func(first, last time.Time) {
		a, b := tally(before, first, last, zone), tally(after, first, last, zone)
		restateNight(w, &a, &b, u)
	}
	if k := len(nights) - 1; k >= mostNights {
		fmt.Fprintf(w, "\nThe nights of %s to %s together, of which %d change:\n\n",
			nights[0].Format(time.DateOnly), nights[k].Format(time.DateOnly), k+1)
		tell(nights[0], nights[k])
		return true
	}
	for _, n := range nights {
		fmt.Fprintf(w, "\nThe night of %s:\n\n", n.Format(time.DateOnly))
		tell(n, n)
	}
	return true
}

// restates reports whether restate would tell of anything.
func restates(before, after *ledger.View, zone *time.Location) bool {
	return slices.ContainsFunc(changedNights(before, after, zone), func(n time.Time) bool {
		a, b := tally(before, n, n, zone), tally(after, n, n, zone)
		return !sameTotals(&a, &b)
	})
}

// tally adds up the nights of two dates and all between them, as the view has them.
func tally(v *ledger.View, first, last time.Time, zone *time.Location) ledger.Night {
	from, _ := v.NightOn(first, zone)
	_, to := v.NightOn(last, zone)
	return ledger.Tally(v, from, to)
}

// changedNights returns the dates of the nights in which any flow differs, in order.
func changedNights(before, after *ledger.View, zone *time.Location) []time.Time {
	type flow struct {
		fills []ledger.Fill
		loose []ledger.Loose
	}
	byNight := func(v *ledger.View) map[time.Time]*flow {
		out := make(map[time.Time]*flow)
		at := func(start int64) *flow {
			night := v.Evening(start, zone)
			if out[night] == nil {
				out[night] = new(flow)
			}
			return out[night]
		}
		for i := range v.Fills {
			f := at(v.Fills[i].Start)
			f.fills = append(f.fills, v.Fills[i])
		}
		for i := range v.Loose {
			f := at(v.Loose[i].Start)
			f.loose = append(f.loose, v.Loose[i])
		}
		return out
	}
	a, b := byNight(before), byNight(after)
	var out []time.Time
	for night, f := range a {
		if g := b[night]; g == nil || !reflect.DeepEqual(f, g) {
			out = append(out, night)
		}
	}
	for night := range maps.Keys(b) {
		if a[night] == nil {
			out = append(out, night)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}

func sameTotals(a, b *ledger.Night) bool {
	return slices.EqualFunc(a.Yards, b.Yards, func(x, y ledger.YardTotal) bool {
		return x.Yard == y.Yard && x.Fills == y.Fills && x.Volume == y.Volume && x.Loose == y.Loose
	})
}

// restateNight writes a table of the yards of a stretch: fills and all that
// flowed there, before and now, with a sum that the lines add up to.
func restateNight(w io.Writer, a, b *ledger.Night, u quantity.System) {
	type line struct {
		name         string
		was, now     int
		before, then quantity.Volume
	}
	var lines []line
	at := make(map[string]int)
	of := func(y *ledger.YardTotal) *line {
		i, ok := at[y.Yard]
		if !ok {
			i = len(lines)
			at[y.Yard] = i
			name := y.Name
			if y.Yard == "" {
				name = report.NoYard
			}
			lines = append(lines, line{name: name})
		}
		return &lines[i]
	}
	for i := range a.Yards {
		l := of(&a.Yards[i])
		l.was, l.before = a.Yards[i].Fills, a.Yards[i].Volume+a.Yards[i].Loose
	}
	for i := range b.Yards {
		l := of(&b.Yards[i])
		l.now, l.then = b.Yards[i].Fills, b.Yards[i].Volume+b.Yards[i].Loose
	}
	var was, now []quantity.Volume
	for _, l := range lines {
		was, now = append(was, l.before), append(now, l.then)
	}
	wasCells, wasSum := report.Closing(u, 100, was)
	nowCells, nowSum := report.Closing(u, 100, now)
	_, unit := u.VolumeParts(0)
	rows := [][]string{{"yard", "fills before", "now", unit + " before", "now"}}
	for i, l := range lines {
		rows = append(rows, []string{l.name, fmt.Sprint(l.was), fmt.Sprint(l.now), report.Fixed(wasCells[i], 100), report.Fixed(nowCells[i], 100)})
	}
	sum := []string{"sum", fmt.Sprint(a.Fills), fmt.Sprint(b.Fills), report.Fixed(wasSum, 100), report.Fixed(nowSum, 100)}
	writeRows(w, rows, sum)
}

// writeRows writes rows, a line and a sum, all columns but the first to the right.
func writeRows(w io.Writer, rows [][]string, sum []string) {
	width := make([]int, len(sum))
	for _, r := range append(slices.Clone(rows), sum) {
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	rule := make([]string, len(sum))
	for i := range rule {
		rule[i] = strings.Repeat("-", width[i])
	}
	for _, r := range append(slices.Clone(rows), rule, sum) {
		fmt.Fprintf(w, "%-*s", width[0], r[0])
		for i, c := range r[1:] {
			fmt.Fprintf(w, "  %*s", width[i+1], c)
		}
		fmt.Fprintln(w)
	}
}
