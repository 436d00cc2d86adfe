package report

import (
	"io"
	"math"
	"slices"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/worth"
)

// SeasonOf returns the calendar year, in loc's local time, that an instant is
// in: bees are fed from spring to late autumn.
func SeasonOf(at int64, loc *time.Location) (from, to int64) {
	y := time.Unix(0, at).In(loc).Year()
	return time.Date(y, 1, 1, 0, 0, 0, 0, loc).UnixNano(), time.Date(y+1, 1, 1, 0, 0, 0, 0, loc).UnixNano()
}

// SeasonYard is what a yard took in a season.
type SeasonYard struct {
	ledger.YardTotal
	Info            ledger.YardInfo // zero for what has no yard
	Visits          int
	Newest          int     // place of the newest of them in the view; -1: none
	Unsure, Perhaps int     // as in Range
	Unknown         int     // fills whose sugar is not known
	SolidsU         float64 // relative standard uncertainty of the solids of the least known syrup; 0: not said
}

// Colony returns what each colony that stands there now got in the mean, and
// half the width of the 95 % interval of that; false where no colonies were said.
func (y *SeasonYard) Colony() (each, within quantity.Volume, ok bool) {
	n := quantity.Volume(y.Info.Standing)
	if n == 0 {
		return 0, 0, false
	}
	return y.Volume / n, (y.Within + n - 1) / n, true
}

// Sugar returns what each colony got of sugar, where it is known of every fill.
func (y *SeasonYard) Sugar() (each quantity.Mass, ok bool) {
	if y.Info.Standing == 0 || y.Unknown > 0 || y.Solids <= 0 {
		return 0, false
	}
	return y.Solids / quantity.Mass(y.Info.Standing), true
}

// Share returns which part of the season's target each colony got, and half
// the width of its 95 % interval; false where either is not known.
func (y *SeasonYard) Share() (share, within float64, ok bool) {
	t := &y.Info.Target
	each, w, said := y.Colony()
	switch {
	case !said || !t.Said() || y.Volume == 0 && t.Each == 0:
		return 0, 0, said && t.Said()
	case t.Each > 0:
		return float64(each) / float64(t.Each), float64(w) / float64(t.Each), true
	}
	m, known := y.Sugar()
	if !known {
		return 0, 0, false
	}
	share = float64(m / t.Sugar)
	return share, share * y.sugarU(), true
}

// sugarU is half the width of the 95 % interval of the yard's sugar, as a share
// of it.
func (y *SeasonYard) sugarU() float64 {
	// A syrup of more sugar is denser too: of what a litre of it holds, a share
	// in a hundred more of sugar makes 1.3 in a hundred (computed from
	// calibrate/syrup for sucrose at 60 Brix and 20 °C).
	const denser = 1.3
	if y.Volume <= 0 {
		return 0
	}
	return math.Hypot(float64(y.Within)/float64(y.Volume), worth.Cover*denser*y.SolidsU)
}

// SolidsWithin is half the width of the 95 % interval of the sugar in the fills.
func (y *SeasonYard) SolidsWithin() quantity.Mass { return y.Solids * quantity.Mass(y.sugarU()) }

// Season adds up what each yard took from an instant up to another: yards in
// use and those that took something, by name, what has no yard last.
func Season(v *ledger.View, from, to int64) (out []SeasonYard, all ledger.Night) {
	all = ledger.Tally(v, from, to)
	at := map[string]int{}
	add := func(y SeasonYard) {
		at[y.Yard] = len(out)
		y.Newest = -1
		out = append(out, y)
	}
	for i := range v.Yards {
		if y := &v.Yards[i]; !y.Closed || slices.ContainsFunc(all.Yards, func(t ledger.YardTotal) bool { return t.Yard == y.ID }) {
			add(SeasonYard{Info: *y, YardTotal: ledger.YardTotal{Yard: y.ID, Name: y.Name}})
		}
	}
	for _, t := range all.Yards {
		if _, ok := at[t.Yard]; !ok {
			add(SeasonYard{})
		}
		y := &out[at[t.Yard]]
		y.YardTotal = t
		if y.Name = tallyName(&t); y.Info.ID == "" {
			y.Info.ID = t.Yard
		}
	}
	for k := range v.Visits {
		x := &v.Visits[k]
		if i, ok := at[x.Yard]; ok && x.From >= from && x.From < to {
			y := &out[i]
			y.Visits++
			y.Unsure, y.Perhaps = y.Unsure+x.Unsure, y.Perhaps+x.Perhaps
			if y.Newest < 0 || x.From >= v.Visits[y.Newest].From {
				y.Newest = k
			}
		}
	}
	for i := range v.Fills {
		f := &v.Fills[i]
		if f.Start < from || f.Start >= to {
			continue
		}
		y := &out[at[f.Yard]]
		if f.Solids == 0 && f.Volume > 0 {
			y.Unknown++
		}
		if w := float64(f.Pulled.Liquid.Solids); w > 0 {
			y.SolidsU = max(y.SolidsU, float64(f.Pulled.SolidsU)/w)
		}
	}
	slices.SortStableFunc(out, func(a, b SeasonYard) int {
		if (a.Yard == "") != (b.Yard == "") {
			if a.Yard == "" {
				return 1
			}
			return -1
		}
		switch {
		case a.Name < b.Name:
			return -1
		case a.Name > b.Name:
			return 1
		}
		return 0
	})
	return out, all
}

// SeasonRow is what a yard took in a season, for programs.
type SeasonRow struct {
	Yard     string  `json:"yard"` // the yard's id; "" is what no yard is known for
	YardName string  `json:"yard_name"`
	Visits   int     `json:"visits"`
	Newest   instant `json:"newest_visit"` // when the newest began; null: none
	Fills    int     `json:"fills"`        // those that are no top-ups
	FillsL   number  `json:"fills_l"`
	WithinL  number  `json:"fills_within_l"` // half the 95 % interval of fills_l
	SolidsKg number  `json:"solids_kg"`      // sugar in the fills; null where it is not known of each
	Colonies number  `json:"colonies"`       // that stand there now; null where not said
	EachL    number  `json:"each_l"`         // fills_l over colonies, to the microlitre
	TargetL  number  `json:"target_l"`       // what each is meant to get in the season, of syrup; null where not said
	TargetKg number  `json:"target_sugar_kg"`
	Share    number  `json:"share"`         // of the target; null where it cannot be told
	ShareIn  number  `json:"share_within"`  // half its 95 % interval
	Uneven   number  `json:"uneven_newest"` // of the newest visit, as in "yards"
	OutsideL number  `json:"outside_l"`     // flow outside fills while there
	Unsure   int     `json:"unsure"`        // of fills, those that may be none
	Perhaps  int     `json:"perhaps"`       // fills there may be besides
}

type seasonDoc struct {
	Report        string      `json:"report"` // "season"
	Rig           string      `json:"rig"`
	From          instant     `json:"from"`
	To            instant     `json:"to"`
	LegalForTrade bool        `json:"legal_for_trade"` // always false
	Yards         []SeasonRow `json:"yards"`
	Sum           fillSum     `json:"sum"`
}

// WriteSeason writes Season as JSON or CSV. The error is the writer's.
func WriteSeason(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
	ys, all := Season(v, o.From, o.To)
	doc := seasonDoc{Report: "season", Rig: v.Rig, From: instant(o.From), To: instant(o.To), Yards: []SeasonRow{}, Sum: sumOf(&all)}
	for i := range ys {
		y := &ys[i]
		row := SeasonRow{Yard: y.Yard, YardName: y.Name, Visits: y.Visits, Fills: y.Fills, FillsL: litres(y.Volume), WithinL: withinL(y.Within),
			SolidsKg: kilograms(y.Solids, y.Unknown), Colonies: whole(y.Info.Standing), OutsideL: litres(y.Loose), Unsure: y.Unsure, Perhaps: y.Perhaps}
		if n := y.Info.Standing; n > 0 {
			row.EachL = rounded(y.Volume.Litres()/float64(n), 6)
		}
		if t := &y.Info.Target; t.Each > 0 {
			row.TargetL = litres(t.Each)
		} else if t.Sugar > 0 {
			row.TargetKg = rounded(float64(t.Sugar), 6)
		}
		if share, within, ok := y.Share(); ok {
			row.Share, row.ShareIn = rounded(share, 6), rounded(math.Ceil(within*1e6)/1e6, 6)
		}
		if y.Newest >= 0 {
			x := &v.Visits[y.Newest]
			row.Newest = instant(x.From)
			if x.Uneven > 0 {
				row.Uneven = rounded(x.Uneven, 6)
			}
		}
		doc.Yards = append(doc.Yards, row)
	}
	if o.Format == JSON {
		return writeJSON(w, doc)
	}
	return writeCSV(w, doc.Yards)
}

// Only returns the view with the visits that keep tells to, by their places,
// and with their flow alone.
func Only(v *ledger.View, keep func(visit int) bool) *ledger.View {
	out := *v
	out.Fills, out.Loose, out.Visits, out.Outings, out.Gaps = nil, nil, nil, nil, nil
	place := make([]int, len(v.Visits))
	first := 0
	for _, o := range v.Outings {
		n := 0
		for k := first; k < min(first+o.Visits, len(v.Visits)); k++ {
			if place[k] = -1; keep(k) {
				place[k] = len(out.Visits)
				out.Visits = append(out.Visits, v.Visits[k])
				n++
			}
		}
		first += o.Visits
		if o.Visits = n; n > 0 {
			out.Outings = append(out.Outings, o)
		}
	}
	for k := first; k < len(v.Visits); k++ { // of an outing in which nothing flowed yet
		if place[k] = -1; keep(k) {
			place[k] = len(out.Visits)
			out.Visits = append(out.Visits, v.Visits[k])
		}
	}
	for i := range v.Fills {
		if f := v.Fills[i]; f.Visit >= 0 && f.Visit < len(place) && place[f.Visit] >= 0 {
			f.Visit = place[f.Visit]
			out.Fills = append(out.Fills, f)
		}
	}
	for i := range v.Loose {
		if l := v.Loose[i]; l.Visit >= 0 && l.Visit < len(place) && place[l.Visit] >= 0 {
			l.Visit = place[l.Visit]
			out.Loose = append(out.Loose, l)
		}
	}
	return &out
}
