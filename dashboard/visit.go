package dashboard

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

type hereModel struct {
	Name, Since string
	Strip       []template.HTML
	Words       string // how much
	More        []string
	Legend      []string // what this strip's marks mean
	Aria        string   // and for those who do not see it
}

type fillRow struct {
	Link, No, Start, Note, Volume, Seconds, Flow, Syrup string
}

type fillsModel struct {
	Rows     []fillRow
	Vol      string
	Rate     string
	Deg      string
	Sum      string
	OpenFill *fillRow
	Loose    []string
}

// inHand returns the visit in hand: the newest one at the yard where the rig
// stands or, on the way, the newest with a pull. It is -1 where nothing has
// flowed yet; known says whether there is a yard to speak of at all.
func (m *model) inHand() (visit int, yard string, known bool) {
	here, any := m.view.Here.Yard, -1
	for i := len(m.view.Visits) - 1; i >= m.first; i-- {
		v := &m.view.Visits[i]
		switch {
		case here != "" && v.Yard == here, here == "" && v.Pulls > 0:
			return i, v.Yard, true
		case here == "" && any < 0:
			any = i
		}
	}
	if any >= 0 {
		return any, m.view.Visits[any].Yard, true
	}
	return -1, here, here != ""
}

// flowsOf returns the fills and the loose flow of a line in the table of yards.
func (m *model) flowsOf(k groupKey) (fills []ledger.Fill, loose []ledger.Loose) {
	for i := range m.view.Fills {
		if f := &m.view.Fills[i]; m.shown(f.Start) && k == m.keyOf(f.Start, f.Visit, f.Yard, f.Reason) {
			fills = append(fills, *f)
		}
	}
	for i := range m.view.Loose {
		if l := &m.view.Loose[i]; m.shown(l.Start) && k == m.keyOf(l.Start, l.Visit, l.Yard, l.Reason) {
			loose = append(loose, *l)
		}
	}
	return fills, loose
}

func (m *model) shown(start int64) bool { return start >= m.night.From && start < m.night.To }

// here is the visit in hand.
func (m *model) here() (hereModel, fillsModel) {
	var h hereModel
	f := fillsModel{}
	f.Vol, f.Rate, f.Deg = units(m.Units)
	at := m.view.Here
	k, id, known := m.inHand()
	var x ledger.Visit
	if k >= 0 {
		x = m.view.Visits[k]
	}
	switch {
	case at.Yard != "":
		h.Since = "Here since " + m.minute(at.Since) + ", " + reasonWords(at.Reason) + "."
	default:
		h.Since = "In no yard just now"
		if at.Reason == ledger.NoPosition || at.FixAt == 0 {
			h.Since = "The position is not known"
		}
		switch {
		case !known:
			h.Since += ", and nothing was fed tonight."
		case id == "":
			h.Since += "; the last flow ended at " + m.minute(x.To) + "."
		default:
			h.Since += "; the last flow here ended at " + m.minute(x.To) + "."
		}
	}
	if !known {
		h.Name = "No yard"
		return h, f
	}
	y := m.yard(id)
	h.Name = upper(y.Name)
	if k < 0 {
		x = ledger.Visit{Yard: id, Colonies: y.Colonies, Missing: y.Colonies, Meant: y.Fill}
		h.Words = "Nothing yet"
		if y.Colonies > 0 {
			h.More = append(h.More, plural(y.Colonies, "colony stands here.", "colonies stand here."))
		}
		h.Strip, h.Legend, h.Aria = m.strip(&x, nil, nil, draw.Large)
		return h, f
	}
	key := m.keyOfVisit(k)
	fills, loose := m.flowsOf(key)
	sum := m.cellOf(key)
	own := ledger.Tally(&ledger.View{Fills: fills, Curves: m.view.Curves}, m.night.From, m.night.To)
	_, unit := m.Units.VolumeParts(0)
	h.Words = report.Fixed(sum, 100)
	if own.Within > 0 {
		h.Words += " ±" + report.Within(m.Units, own.Within)
	}
	h.Words += " " + unit
	if id == "" {
		h.More = append(h.More, capital(report.WhyNoYard(x.Reason))+".")
	} else {
		h.More = append(h.More, capital(report.SayVisit(&x)))
		if even := m.sayEven(&x, fills); even != "" {
			h.More = append(h.More, even)
		}
	}
	h.Strip, h.Legend, h.Aria = m.strip(&x, fills, loose, draw.Large)
	m.fillRows(&f, fills, sum)
	f.Loose = m.looseLines(loose)
	return h, f
}

// capital makes a sentence's beginning of its first letter.
func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func uncapital(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// feeds returns what each colony has got, its top-ups with it; one whose fill
// still grows is left out.
func feeds(fills []ledger.Fill) []quantity.Volume {
	var out []quantity.Volume
	for i := range fills {
		f := &fills[i]
		if n := len(out); f.TopUp && n > 0 {
			out[n-1] += f.Volume
		} else {
			out = append(out, f.Volume)
		}
		if f.Open {
			out = out[:len(out)-1]
		}
	}
	return out
}

// sayEven says what fills, or colonies where that is told, came to against what
// was meant, and how evenly.
func (m *model) sayEven(x *ledger.Visit, fills []ledger.Fill) string {
	got := feeds(fills)
	if len(got) == 0 {
		return ""
	}
	var sum quantity.Volume
	least, most := got[0], got[0]
	for _, v := range got {
		sum += v
		least, most = min(least, v), max(most, v)
	}
	mean := float64(sum) / float64(len(got))
	one, many := "fill", "fills"
	if report.ByColony(x) {
		one, many = "colony", "colonies"
	}
	text := capital(many) + ": mean " + m.hundredths(quantity.Volume(mean))
	if x.Meant > 0 {
		text += ", meant " + m.hundredths(x.Meant)
	}
	if len(got) > 1 && mean > 0 {
		sq := 0.0
		for _, v := range got {
			d := float64(v)/mean - 1
			sq += d * d
		}
		text += "; from " + m.hundredths(least) + " to " + m.hundredths(most) + ", uneven by " +
			report.Percent(math.Sqrt(sq/float64(len(got)-1)))
	}
	text += "."
	switch {
	case x.Short == 0:
	case x.Half == 0:
		text += " " + plural(x.Short, one, many) + " short."
	case x.Half == x.Short:
		text += " " + plural(x.Short, one, many) + " short: less than half."
	default:
		text += fmt.Sprintf(" %s short, %d of them less than half.", plural(x.Short, one, many), x.Half)
	}
	return text
}

// doubtful reports whether loose flow may be none, or may hide a fill.
func doubtful(why string) bool {
	return why == outing.Unseen || why == outing.Suspect || why == outing.Air
}

// strip draws a visit's fills and what lay beside them, and says what its marks
// mean: those only that are there.
func (m *model) strip(x *ledger.Visit, fills []ledger.Fill, loose []ledger.Loose, size draw.Size) (svg []template.HTML, legend []string, aria string) {
	var strokes []draw.Stroke
	var starts []int64 // of each stroke's flow; a colony passed over goes with the next
	passed, next := 0, 1
	pass := func(n int, at int64) {
		for range n {
			strokes, starts = append(strokes, draw.Stroke{Passed: true}), append(starts, at)
			passed++
		}
	}
	var short, topUps, given int
	open := false
	unsure := func(s *draw.Stroke, or string) {
		if or != "" {
			s.Unsure = append(s.Unsure, len(s.Tops))
		}
	}
	for i := range fills {
		f := &fills[i]
		if n := len(strokes); f.TopUp && n > 0 {
			s := &strokes[n-1]
			s.Tops, s.Open = append(s.Tops, f.Volume), f.Open
			unsure(s, f.Or)
			topUps++
		} else {
			if f.Colony > 0 {
				pass(f.Colony-next, f.Start)
				next = max(f.Colony, f.To) + 1
			}
			strokes, starts = append(strokes, draw.Stroke{Volume: f.Volume, Short: f.Short, Open: f.Open}), append(starts, f.Start)
			unsure(&strokes[len(strokes)-1], f.Or)
			given++
		}
		if f.Short {
			short++
		}
		open = open || f.Open
	}
	if x.Numbered {
		pass(x.Skipped+x.Dead-passed, math.MaxInt64)
	}
	ahead := 0
	if !x.Over && x.Colonies > 0 {
		ahead = max(x.Missing, 0)
	}
	var flats []draw.Flat
	broken := false
	for i := range loose {
		l := &loose[i]
		after := sort.Search(len(starts), func(k int) bool { return starts[k] > l.Start })
		flats = append(flats, draw.Flat{After: after, Volume: l.Volume, Unsure: doubtful(l.Why) || l.Or != ""})
		broken = broken || doubtful(l.Why)
	}
	if size == draw.Large && len(strokes)+ahead > 50 {
		size = draw.Middle
	}
	for _, g := range draw.Strip(size, strokes, ahead, flats, x.Meant) {
		svg = append(svg, template.HTML(g)) // numbers only
	}
	if size == draw.Small {
		return svg, nil, ""
	}
	said := []string{plural(given, "stroke", "strokes") + ", one a fill"}
	add := func(what string) {
		legend = append(legend, what+".")
		said = append(said, uncapital(what))
	}
	if x.Meant > 0 {
		add("Dotted: " + m.Units.Volume(x.Meant) + " each")
	}
	if short > 0 {
		add("Hollow: " + strconv.Itoa(short) + " short")
	}
	if topUps > 0 {
		add("On top: " + plural(topUps, "top-up", "top-ups"))
	}
	if or := report.SayUnsure(fills, loose, nil); or != "" {
		add("Broken: " + strings.TrimSuffix(uncapital(or), "."))
	}
	if passed > 0 {
		add("Crossed: " + strconv.Itoa(passed) + " without a fill")
	}
	if ahead > 0 {
		add("Small dots: " + strconv.Itoa(ahead) + " to come")
	}
	if len(flats) > 0 {
		text := "Below the line: " + m.looseSums(loose)
		if broken {
			text += "; broken where not sure"
		}
		add(text)
	}
	if open {
		add("Arrowhead: still growing")
	}
	return svg, legend, strings.Join(said, "; ") + "."
}

// looseSums says how much of each sort of loose flow there was, in the order in
// which they came first.
func (m *model) looseSums(loose []ledger.Loose) string {
	var whys []string
	sums := map[string]quantity.Volume{}
	for i := range loose {
		l := &loose[i]
		if _, seen := sums[l.Why]; !seen {
			whys = append(whys, l.Why)
		}
		sums[l.Why] += l.Volume
	}
	for i, why := range whys {
		whys[i] = m.atLeast(sums[why]) + " " + why
	}
	return strings.Join(whys, ", ")
}

// atLeast is a volume to 0.01 of its unit, and says where it is less than that.
func (m *model) atLeast(v quantity.Volume) string {
	if text := m.hundredths(v); v <= 0 || !strings.HasPrefix(text, "0.00") {
		return text
	}
	_, unit := m.Units.VolumeParts(0)
	return "under 0.01 " + unit
}

// mostLoose is how many loose flows of a visit the page tells one by one; the
// tables to take away have them all.
const mostLoose = 12

// looseLines says what flowed outside fills, and why it is no fill. Dribbles,
// which need no person, are said together.
func (m *model) looseLines(loose []ledger.Loose) []string {
	var out []string
	var dribbled, rest quantity.Volume
	dribbles, more := 0, 0
	for i := range loose {
		switch l := &loose[i]; {
		case l.Why == outing.Dribble && l.Note == "" && l.By == "":
			dribbles++
			dribbled += l.Volume
		case len(out) == mostLoose:
			more++
			rest += l.Volume
		default:
			out = append(out, m.clock(l.Start)+", "+m.atLeast(l.Volume)+" "+report.SayLoose(l)+".")
		}
	}
	if more > 0 {
		out = append(out, fmt.Sprintf("%d more, %s.", more, m.hundredths(rest)))
	}
	if dribbles > 0 {
		out = append(out, plural(dribbles, "dribble", "dribbles")+", "+m.atLeast(dribbled)+": too little for a fill.")
	}
	return out
}

// mostLinked is how many fills of a visit have links to their own pages here;
// those of more have them on the visit's page, lest this one grow heavy.
const mostLinked = 60

// fillRows lists a visit's fills, by their numbers in the report of fills; what
// is shown adds up to the visit's line.
func (m *model) fillRows(f *fillsModel, fills []ledger.Fill, sum int64) {
	if len(fills) == 0 {
		return
	}
	vs := make([]quantity.Volume, len(fills))
	for i := range fills {
		vs[i] = fills[i].Volume
	}
	cells := report.ClosingTo(m.Units, 100, vs, sum)
	f.Sum = report.Fixed(sum, 100)
	from, _ := m.view.NightAt(m.night.From, m.zone)
	first := sort.Search(len(m.view.Fills), func(i int) bool { return m.view.Fills[i].Start >= from })
	for i := range fills {
		x := &fills[i]
		no := sort.Search(len(m.view.Fills), func(k int) bool { return m.view.Fills[k].Start >= x.Start }) - first + 1
		row := fillRow{No: strconv.Itoa(no), Start: m.clock(x.Start), Volume: report.Fixed(cells[i], 100),
			Seconds: fmt.Sprintf("%.0f", float64(x.End-x.Start)/1e9), Syrup: "–", Note: noteOf(x)}
		if len(fills) <= mostLinked {
			row.Link = flowLink(x.Session, x.First)
		}
		row.Flow, _ = m.Units.FlowParts(x.Flow)
		if x.HasSyrup {
			row.Syrup, _ = m.Units.TemperatureParts(x.Syrup)
		}
		if x.Open {
			f.OpenFill = &row
		} else {
			f.Rows = append(f.Rows, row)
		}
	}
}

// noteOf says what is special about a fill, and whose it was where that is sure.
func noteOf(x *ledger.Fill) string {
	var notes []string
	switch {
	case x.Colony > 0 && x.To > x.Colony:
		notes = append(notes, fmt.Sprintf("colonies %d to %d", x.Colony, x.To))
	case x.Colony > 0:
		notes = append(notes, fmt.Sprintf("colony %d", x.Colony))
	}
	closed := *x
	closed.Open = false
	if n := report.NoteFill(&closed); n != "" {
		notes = append(notes, n)
	}
	if x.Reason == ledger.ByHand {
		notes = append(notes, "yard by hand")
	}
	if x.Open {
		notes = append(notes, "growing")
	}
	return strings.Join(notes, ", ")
}
