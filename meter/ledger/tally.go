package ledger

import (
	"cmp"
	"slices"
	"sort"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter/outing"
	"yardtally/meter/worth"
)

// YardTotal is what one yard took in a stretch of time.
type YardTotal struct {
	Yard     string // "" is what no yard can be named for
	Name     string // as the yard's newest act has it; the ID where there is none
	Fills    int    // those that are no top-ups
	TopUps   int
	Volume   quantity.Volume // of the fills
	Within   quantity.Volume // half the width of Volume's 95 % interval
	Budget   worth.Budget    // what that comes from
	Loose    quantity.Volume // flow outside fills while there
	Least    quantity.Volume // the smallest fill, its top-ups with it
	Most     quantity.Volume // the largest
	Solids   quantity.Mass   // sugar in the fills; 0: not known
	Short    int             // fills whose colony still had syrup
	First    int64           // start of the first flow
	Last     int64           // end of the last
	Colonies int             // 0: not said
	Each     quantity.Volume // intended for each colony; 0: not said
	Open     bool            // a fill is running
}

// Night is a stretch of time, noon to noon as a rule, with its totals. Fills,
// loose flow and total agree exactly: Total is the sum of all Volume and Loose.
type Night struct {
	From, To int64
	Yards    []YardTotal // in order of first flow; what has no yard comes last
	Fills    int         // those that are no top-ups
	TopUps   int
	Volume   quantity.Volume
	Within   quantity.Volume // half the width of Volume's 95 % interval
	Budget   worth.Budget    // what that comes from
	Loose    quantity.Volume
	Total    quantity.Volume
	// Half the widths of the 95 % intervals of Loose and Total.
	LooseWithin, TotalWithin quantity.Volume
}

// NightOf returns the noon-to-noon stretch around the instant at, in loc's
// local time. Where the clock changes in between it has 23 or 25 hours. It
// knows of no outings, and may cut one: see View.NightAt.
func NightOf(at int64, loc *time.Location) (from, to int64) {
	t := time.Unix(0, at).In(loc)
	noon := time.Date(t.Year(), t.Month(), t.Day(), 12, 0, 0, 0, loc)
	if t.Before(noon) {
		noon = time.Date(t.Year(), t.Month(), t.Day()-1, 12, 0, 0, 0, loc)
	}
	next := time.Date(noon.Year(), noon.Month(), noon.Day()+1, 12, 0, 0, 0, loc)
	return noon.UnixNano(), next.UnixNano()
}

// dawn is the hour before which an outing belongs to the evening before.
// Common practice, no source: nobody sets out to feed between midnight and five.
const dawn = 5

// Evening returns the date, at midnight UTC, of the night that an instant is
// part of: that on which its outing began, or the day before where that was
// before 05:00 in loc's local time, or before noon and the rig was out since the
// noon before: who comes home at midnight and goes out again at seven is at one
// night's work. What comes in the five hours after an outing is part of it. What
// is part of none goes by its own time; in a view without any outing nights run
// from noon to noon.
func (v *View) Evening(at int64, loc *time.Location) time.Time {
	if len(v.Outings) == 0 {
		from, _ := NightOf(at, loc)
		return dateOf(from, loc, 0)
	}
	// The last that began by then.
	i := sort.Search(len(v.Outings), func(i int) bool { return v.Outings[i].From > at }) - 1
	if i >= 0 && at <= v.Outings[i].To+outing.Pause {
		at = v.Outings[i].From
	}
	date := dateOf(at, loc, dawn)
	if at < v.begins(date, loc) {
		date = date.AddDate(0, 0, -1)
	}
	return date
}

// NightOn returns the stretch of the night of a date: the outings that are of
// it as Evening has it, whole however long they went on, and what else is part
// of it. The nights of one view follow each other without gap or overlap. Of
// date only the year, month and day count.
func (v *View) NightOn(date time.Time, loc *time.Location) (from, to int64) {
	if len(v.Outings) == 0 {
		return NightOf(hourOf(date, 18, loc), loc)
	}
	if from, to = v.begins(date, loc), v.begins(date.AddDate(0, 0, 1), loc); from >= to {
		begin := hourOf(date, dawn, loc)
		return begin, begin // an outing of days left nothing of it
	}
	return from, to
}

// NightAt returns the stretch of the night that an instant is part of.
func (v *View) NightAt(at int64, loc *time.Location) (from, to int64) {
	return v.NightOn(v.Evening(at, loc), loc)
}

// begins returns the instant at which the night of a date begins.
func (v *View) begins(date time.Time, loc *time.Location) int64 {
	before := func(at int64) int {
		return sort.Search(len(v.Outings), func(i int) bool { return v.Outings[i].From >= at })
	}
	at := hourOf(date, dawn, loc)
	last := before(at)
	if last > before(hourOf(date.AddDate(0, 0, -1), 12, loc)) { // out that evening
		last = before(hourOf(date, 12, loc))
	}
	if last > 0 {
		at = max(at, v.Outings[last-1].To+outing.Pause+1)
	}
	return at
}

// hourOf returns the instant of a full hour of a date in loc's local time.
func hourOf(date time.Time, hour int, loc *time.Location) int64 {
	return time.Date(date.Year(), date.Month(), date.Day(), hour, 0, 0, 0, loc).UnixNano()
}

// dateOf returns the local date of an instant, that of the day before where it
// is before the hour.
func dateOf(at int64, loc *time.Location, hour int) time.Time {
	t := time.Unix(0, at).In(loc)
	day := t.Day()
	if t.Hour() < hour {
		day--
	}
	return time.Date(t.Year(), t.Month(), day, 0, 0, 0, 0, time.UTC)
}

// Tally adds up the fills and loose flow that started at or after from and
// before to.
func Tally(v *View, from, to int64) Night {
	n := Night{From: from, To: to}
	var all, outside, total worth.Sum
	var sums []worth.Sum
	var feeds []feed   // of each yard, the one under way
	var flows []flowed // all of them
	at := make(map[string]int)
	get := func(yard string, start, end int64) *YardTotal {
		i, ok := at[yard]
		if !ok {
			i = len(n.Yards)
			at[yard] = i
			y := YardTotal{Yard: yard, Name: yard, First: start, Last: end}
			for k := range v.Yards {
				if v.Yards[k].ID == yard {
					y.Name, y.Colonies, y.Each = v.Yards[k].Name, v.Yards[k].Colonies, v.Yards[k].Fill
				}
			}
			n.Yards = append(n.Yards, y)
			sums = append(sums, worth.Sum{})
			feeds = append(feeds, feed{})
		}
		y := &n.Yards[i]
		y.First, y.Last = min(y.First, start), max(y.Last, end)
		return y
	}
	for i := range v.Fills {
		f := &v.Fills[i]
		if f.Start < from || f.Start >= to {
			continue
		}
		y := get(f.Yard, f.Start, f.End)
		if k := at[f.Yard]; f.TopUp && feeds[k].n > 0 {
			y.TopUps++
			n.TopUps++
			feeds[k].v += f.Volume
		} else {
			feeds[k].close(y)
			feeds[k].n, feeds[k].v = 1, f.Volume
			y.Fills++
			n.Fills++
		}
		y.Solids += f.Solids
		if f.Short {
			y.Short++
		}
		y.Volume += f.Volume
		fl := fillFlow(f)
		fl.add(&sums[at[f.Yard]], v.Curves)
		fl.add(&all, v.Curves)
		flows = append(flows, fl)
		y.Open = y.Open || f.Open
		n.Volume += f.Volume
	}
	for i := range feeds {
		feeds[i].close(&n.Yards[i])
	}
	for i := range v.Loose {
		l := &v.Loose[i]
		if l.Start < from || l.Start >= to {
			continue
		}
		get(l.Yard, l.Start, l.End).Loose += l.Volume
		n.Loose += l.Volume
		fl := looseFlow(l)
		fl.add(&outside, v.Curves)
		flows = append(flows, fl)
	}
	slices.SortStableFunc(flows, func(a, b flowed) int { return cmp.Compare(a.start, b.start) })
	for i := range flows {
		flows[i].add(&total, v.Curves)
	}
	n.Total = n.Volume + n.Loose
	curve := func(key int32) *proving.Curve { return curveOf(v.Curves, key) }
	n.Budget = all.Budget(curve)
	n.Within = n.Budget.Within()
	n.LooseWithin, n.TotalWithin = outside.Budget(curve).Within(), total.Budget(curve).Within()
	for i := range n.Yards {
		n.Yards[i].Budget = sums[i].Budget(curve)
		n.Yards[i].Within = n.Yards[i].Budget.Within()
	}
	sort.SliceStable(n.Yards, func(i, j int) bool {
		a, b := &n.Yards[i], &n.Yards[j]
		if (a.Yard == "") != (b.Yard == "") {
			return b.Yard == ""
		}
		if a.First != b.First {
			return a.First < b.First
		}
		return a.Yard < b.Yard
	})
	return n
}

// feed is what one colony got: a fill and its top-ups.
type feed struct {
	n int
	v quantity.Volume
}

// close takes a whole feed into its yard's extremes.
func (f *feed) close(y *YardTotal) {
	if f.n == 0 {
		return
	}
	if y.Least == 0 || f.v < y.Least {
		y.Least = f.v
	}
	y.Most = max(y.Most, f.v)
}
