package report

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// UnsureOf counts what SayUnsure tells: of the fills that are no top-ups, so
// many may be none; and among all else there may be so many more.
func UnsureOf(fills []ledger.Fill, loose []ledger.Loose) (unsure, perhaps int) {
	for i := range fills {
		switch f := &fills[i]; {
		case !f.TopUp && f.Or != "":
			unsure++
		case f.TopUp && f.Or == outing.AFill:
			perhaps++
		}
	}
	for i := range loose {
		if loose[i].Or == outing.AFill {
			perhaps++
		}
	}
	return unsure, perhaps
}

// Range is a number of fills of which so many may be none, beside others that
// may be fills: "23", "22–23".
func Range(fills, unsure, perhaps int) string {
	if unsure+perhaps == 0 {
		return strconv.Itoa(fills)
	}
	return strconv.Itoa(fills-unsure) + "–" + strconv.Itoa(fills+perhaps)
}

// SayRange is Range in words: "23 fills", "22 or 23 fills", "21 to 23 fills".
func SayRange(fills, unsure, perhaps int) string {
	switch unsure + perhaps {
	case 0:
		return count(fills, "fill", "fills")
	case 1:
		return fmt.Sprintf("%d or %d fills", fills-unsure, fills+perhaps)
	}
	return fmt.Sprintf("%d to %d fills", fills-unsure, fills+perhaps)
}

// taken is what flow is taken for, and what else it may be.
type taken struct {
	as string // "fill", "top-up", or as in Loose.Why
	or string
}

// Why a fill may be something else.
var unsureWhy = map[taken]string{
	{outing.AFill, outing.Priming}:  "the first pull",
	{outing.AFill, outing.Flush}:    "the last pull",
	{outing.AFill, outing.Ground}:   "little for a colony, or where no yard is known",
	{outing.AFill, outing.Suspect}:  "unlike the others in volume or flow, or the tote did not give it",
	{outing.AFill, outing.Air}:      "the tote stood below its outlet",
	{outing.AFill, outing.ATopUp}:   "soon after the one before, and little",
	{outing.ATopUp, outing.AFill}:   "both together are not one feed, or what a feed is was not said",
	{outing.ATopUp, outing.Flush}:   "the last pull",
	{outing.ATopUp, outing.Air}:     "the tote stood below its outlet",
	{outing.ATopUp, outing.Suspect}: "the tote did not give it",
}

// SayUnsure says which of a visit's pulls may be something else, and how many
// fills it then has: "1 of the pulls may be priming, so 22 or 23 fills."; with
// no, the numbers of fills by their places, "Fill 1 may be priming (the first
// pull), so 22 or 23 fills." It is "" where all is sure.
func SayUnsure(fills []ledger.Fill, loose []ledger.Loose, no func(i int) int) string {
	var kinds []taken
	places := map[taken][]int{}
	add := func(k taken, i int) {
		if k.or == "" {
			return
		}
		if len(places[k]) == 0 {
			kinds = append(kinds, k)
		}
		places[k] = append(places[k], i)
	}
	given := 0
	for i := range fills {
		as := outing.AFill
		if fills[i].TopUp {
			as = outing.ATopUp
		} else {
			given++
		}
		add(taken{as, fills[i].Or}, i)
	}
	for i := range loose {
		add(taken{loose[i].Why, loose[i].Or}, i)
	}
	if len(kinds) == 0 {
		return ""
	}
	var parts []string
	for _, k := range kinds {
		n := len(places[k])
		ofFill := k.as == outing.AFill || k.as == outing.ATopUp
		who := strconv.Itoa(n) + " of the pulls"
		switch {
		case !ofFill && n == 1:
			who = "the " + k.as
		case !ofFill:
			who = strconv.Itoa(n) + " times " + k.as
		case no != nil:
			nos := make([]int, n)
			for j, i := range places[k] {
				nos[j] = no(i)
			}
			if who = numbered("fill", "fills", nos); k.as == outing.ATopUp {
				who = numbered("top-up", "top-ups", nos)
			}
		case k.as == outing.ATopUp:
			who = strconv.Itoa(n) + " of the top-ups"
		}
		s := who + " may be " + orWords(k.or, n)
		if why := unsureWhy[k]; why != "" && no != nil {
			s += " (" + why + ")"
		}
		parts = append(parts, s)
	}
	s := strings.Join(parts, ", ")
	if unsure, perhaps := UnsureOf(fills, loose); unsure+perhaps > 0 {
		s += ", so " + SayRange(given, unsure, perhaps)
	}
	return upper(s) + "."
}

// orWords names what so many pulls may be.
func orWords(or string, n int) string {
	switch {
	case or == outing.AFill && n == 1:
		return "a colony's fill"
	case or == outing.AFill:
		return "colonies' fills"
	case or == outing.ATopUp && n == 1:
		return "a top-up"
	case or == outing.ATopUp:
		return "top-ups"
	case or == outing.Flush && n == 1:
		return "a flush"
	case or == outing.Flush:
		return "flushes"
	case or == outing.Ground:
		return "onto the ground"
	case or == outing.Suspect:
		return "no syrup"
	}
	return or
}

// FlowsOf returns the fills and the loose flow of the visit at place k.
func FlowsOf(v *ledger.View, k int) (fills []ledger.Fill, loose []ledger.Loose) {
	for i := range v.Fills {
		if v.Fills[i].Visit == k {
			fills = append(fills, v.Fills[i])
		}
	}
	for i := range v.Loose {
		if v.Loose[i].Visit == k {
			loose = append(loose, v.Loose[i])
		}
	}
	return fills, loose
}

// SayOr says what a flow that is taken for one thing may be besides, and why:
// "a top-up: soon after the one before, and little"; "" where it is sure. As
// and or are as in ledger.Loose, and of fills outing.AFill or outing.ATopUp.
func SayOr(as, or string) string {
	if or == "" {
		return ""
	}
	s := orWords(or, 1)
	if why := unsureWhy[taken{as, or}]; why != "" {
		s += ": " + why
	}
	return s
}

// Counts is a stretch of a session's counts: pulses after First, up to and with Last.
type Counts struct{ Session, First, Last uint64 }

// CountsOf returns the counts of all flow of the visit at place k, in order of
// time, and what it comes to. Flows that follow one another without a gap are one.
func CountsOf(v *ledger.View, k int) (all []Counts, sum quantity.Volume) {
	type flow struct {
		Counts
		start int64
	}
	var flows []flow
	fills, loose := FlowsOf(v, k)
	for i := range fills {
		f := &fills[i]
		flows = append(flows, flow{Counts{f.Session, f.First, f.Last}, f.Start})
		sum += f.Volume
	}
	for i := range loose {
		l := &loose[i]
		flows = append(flows, flow{Counts{l.Session, l.First, l.Last}, l.Start})
		sum += l.Volume
	}
	slices.SortStableFunc(flows, func(a, b flow) int { return cmp.Compare(a.start, b.start) })
	for _, f := range flows {
		if n := len(all); n > 0 && all[n-1].Session == f.Session && all[n-1].Last == f.First {
			all[n-1].Last = f.Last
			continue
		}
		all = append(all, f.Counts)
	}
	return all, sum
}
