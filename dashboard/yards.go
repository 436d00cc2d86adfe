package dashboard

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

type yardRow struct {
	Name, Fills, Volume string
	Link                string // its visit; "": none, or not one alone
	Which               string // which visit, or why no yard is known
	Strip               []template.HTML
	Here, Ahead         bool
}

// yardsModel is the table of yards: a part for each outing of the night.
type yardsModel struct {
	Parts []yardsPart
	Vol   string
	Fills string
	Sum   string
	Whole bool // of several outings
}

type yardsPart struct {
	Name, Times string // of the outing, where the night has several
	Rows        []yardRow
	Fills       string
	Outside     string
	Whys        string // what flowed outside fills
	Sum         string
}

// leg is an outing of the night, and what it comes to.
type leg struct {
	from, to int64
	visit    int   // its first
	loose    int64 // hundredths that flow outside fills is shown with
	sum      int64 // and everything
}

// part takes up the outings of the night.
func (m *model) part(outings []ledger.Outing) {
	visit := 0
	for i := range m.view.Outings[:len(m.view.Outings)-len(outings)] {
		visit += m.view.Outings[i].Visits
	}
	m.legs = make([]leg, max(1, len(outings)))
	for i, o := range outings {
		m.legs[i] = leg{from: o.From, to: o.To, visit: visit}
		visit += o.Visits
	}
	m.first = min(m.legs[len(m.legs)-1].visit, len(m.view.Visits))
}

// legAt returns which of the legs an instant of the night is of.
func (m *model) legAt(at int64) int {
	return max(0, sort.Search(len(m.legs), func(i int) bool { return m.legs[i].from > at })-1)
}

var ordinals = []string{"First", "Second", "Third"}

// legName is what the page calls an outing: "Second outing".
func legName(i int) string {
	if i < len(ordinals) {
		return ordinals[i] + " outing"
	}
	return fmt.Sprint("Outing ", i+1)
}

// legTimes says when an outing was; the one under way has no end.
func (m *model) legTimes(i int) string {
	l := &m.legs[i]
	if i == len(m.legs)-1 && !m.over {
		return "since " + m.minute(l.from)
	}
	return m.minute(l.from) + " to " + m.minute(l.to)
}

// groupKey is what the table of yards tells apart: visits and, where no yard is
// known, why it is not.
type groupKey struct {
	leg    int
	visit  int // -1 where no yard is known
	reason ledger.Reason
}

// keyOf is the line that flow goes to.
func (m *model) keyOf(start int64, visit int, yard string, reason ledger.Reason) groupKey {
	if yard == "" {
		return groupKey{m.legAt(start), -1, reason}
	}
	return groupKey{leg: m.legAt(start), visit: visit}
}

// keyOfVisit is the line of a visit.
func (m *model) keyOfVisit(k int) groupKey {
	leg := max(0, sort.Search(len(m.legs), func(i int) bool { return m.legs[i].visit > k })-1)
	if v := &m.view.Visits[k]; v.Yard == "" {
		return groupKey{leg, -1, v.Reason}
	}
	return groupKey{leg: leg, visit: k}
}

// group is a line in that table.
type group struct {
	groupKey
	yard   string
	fills  int             // without top-ups
	volume quantity.Volume // of the fills
	cell   int64           // hundredths it is shown with
}

// group puts what is shown into lines: of each outing visits in order of time,
// then what has no yard. Rounded, they close.
func (m *model) group() {
	at := map[groupKey]int{}
	get := func(k groupKey, yard string) *group {
		i, ok := at[k]
		if !ok {
			i = len(m.groups)
			at[k] = i
			m.groups = append(m.groups, group{groupKey: k, yard: yard})
		}
		return &m.groups[i]
	}
	for i := m.legs[0].visit; i < len(m.view.Visits); i++ {
		if v := &m.view.Visits[i]; v.Yard != "" && v.To >= m.night.From {
			get(m.keyOfVisit(i), v.Yard)
		}
	}
	for i := range m.view.Fills {
		f := &m.view.Fills[i]
		if !m.shown(f.Start) {
			continue
		}
		g := get(m.keyOf(f.Start, f.Visit, f.Yard, f.Reason), f.Yard)
		g.volume += f.Volume
		if !f.TopUp {
			g.fills++
		}
	}
	slices.SortStableFunc(m.groups, func(a, b group) int {
		switch {
		case a.leg != b.leg:
			return cmp.Compare(a.leg, b.leg)
		case a.yard != "" && b.yard == "":
			return -1
		case a.yard == "" && b.yard != "":
			return 1
		}
		return 0
	})
	vs := make([]quantity.Volume, len(m.legs), len(m.legs)+len(m.groups))
	for i := range m.view.Loose {
		if l := &m.view.Loose[i]; m.shown(l.Start) {
			vs[m.legAt(l.Start)] += l.Volume
		}
	}
	for i := range m.groups {
		vs = append(vs, m.groups[i].volume)
	}
	cells, sum := report.Closing(m.Units, 100, vs)
	for i := range m.legs {
		m.legs[i].loose, m.legs[i].sum = cells[i], cells[i]
	}
	for i := range m.groups {
		g := &m.groups[i]
		g.cell = cells[len(m.legs)+i]
		m.legs[g.leg].sum += g.cell
	}
	m.sum = sum
}

// cellOf returns the hundredths that a line is shown with.
func (m *model) cellOf(k groupKey) int64 {
	for i := range m.groups {
		if m.groups[i].groupKey == k {
			return m.groups[i].cell
		}
	}
	return 0
}

// fillsOf says how many fills an outing has, or all together for -1: "23",
// "22–24".
func (m *model) fillsOf(leg int) string {
	sum, allUnsure, allPerhaps := 0, 0, 0
	for i := range m.groups {
		if g := &m.groups[i]; leg < 0 || g.leg == leg {
			unsure, perhaps := report.UnsureOf(m.flowsOf(g.groupKey))
			sum, allUnsure, allPerhaps = sum+g.fills, allUnsure+unsure, allPerhaps+perhaps
		}
	}
	return report.Range(sum, allUnsure, allPerhaps)
}

// yards is the table, with the yards that are still ahead.
func (m *model) yards() yardsModel {
	t := yardsModel{Sum: report.Fixed(m.sum, 100), Whole: len(m.legs) > 1}
	t.Vol, _, _ = units(m.Units)
	t.Fills = m.fillsOf(-1)
	for i := range m.legs {
		t.Parts = append(t.Parts, m.yardsPart(i, t.Whole))
	}
	return t
}

// yardsPart is what the table has of one outing.
func (m *model) yardsPart(leg int, named bool) yardsPart {
	var t yardsPart
	if named {
		t.Name, t.Times = legName(leg), m.legTimes(leg)
	}
	t.Outside, t.Sum = report.Fixed(m.legs[leg].loose, 100), report.Fixed(m.legs[leg].sum, 100)
	t.Fills = m.fillsOf(leg)
	var whys []string
	for i := range m.view.Loose {
		if l := &m.view.Loose[i]; m.shown(l.Start) && m.legAt(l.Start) == leg && !slices.Contains(whys, l.Why) {
			whys = append(whys, l.Why)
		}
	}
	t.Whys = strings.Join(whys, ", ")
	times := map[string]int{}
	for i := range m.groups {
		if g := &m.groups[i]; g.leg == leg {
			times[g.yard]++
		}
	}
	hand, _, _ := m.inHand()
	nth := map[string]int{}
	for i := range m.groups {
		g := &m.groups[i]
		if g.leg != leg {
			continue
		}
		fills, loose := m.flowsOf(g.groupKey)
		unsure, perhaps := report.UnsureOf(fills, loose)
		row := yardRow{Name: upper(m.yard(g.yard).Name), Fills: report.Range(g.fills, unsure, perhaps), Volume: report.Fixed(g.cell, 100)}
		var x ledger.Visit
		switch {
		case g.yard == "":
			row.Which = report.WhyNoYard(g.reason)
		case g.visit >= 0 && g.visit < len(m.view.Visits):
			x = m.view.Visits[g.visit]
			row.Link = m.visitLink(g.visit)
			row.Here = g.visit == hand && g.yard == m.view.Here.Yard
			if x.Colonies > 0 {
				row.Fills += " of " + strconv.Itoa(x.Colonies)
			}
			if nth[g.yard]++; times[g.yard] > 1 {
				row.Which = "visit " + strconv.Itoa(nth[g.yard]) + ", " + m.minute(x.From)
			}
		}
		row.Strip, _, _ = m.strip(&x, fills, loose, draw.Small)
		t.Rows = append(t.Rows, row)
	}
	if leg < len(m.legs)-1 {
		return t
	}
	for _, id := range m.ahead(times) {
		y := m.yard(id)
		row := yardRow{Name: y.Name, Ahead: true, Here: id == m.view.Here.Yard, Fills: "0"}
		if y.Colonies > 0 {
			row.Fills += " of " + strconv.Itoa(y.Colonies)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// ahead returns the yards still to come tonight, in the order of the route where there
// is one; fed are those that have a line already.
func (m *model) ahead(fed map[string]int) []string {
	if m.over {
		return nil
	}
	var ids []string
	add := func(id string) {
		if id != "" && fed[id] == 0 && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	add(m.view.Here.Yard)
	if l := &m.view.Left; l.Known {
		for i := range l.Yards {
			add(l.Yards[i].Yard)
		}
		for _, id := range l.Unsaid {
			if m.yard(id).Colonies > 0 {
				add(id)
			}
		}
		return ids
	}
	for i := range m.view.Yards {
		y := &m.view.Yards[i]
		if !y.Closed && y.Colonies > 0 && !slices.ContainsFunc(m.groups, func(g group) bool { return g.yard == y.ID }) {
			add(y.ID)
		}
	}
	return ids
}
