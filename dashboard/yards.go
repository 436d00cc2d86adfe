package dashboard

import (
	"html/template"
	"slices"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

type yardRow struct {
	Name, Fills, Volume string
	Which               string // which visit, or why no yard is known
	Strip               []template.HTML
	Here, Ahead         bool
}

type yardsModel struct {
	Rows    []yardRow
	Vol     string
	Fills   string
	Outside string
	Whys    string // what flowed outside fills
	Sum     string
}

// groupKey is what the table of yards tells apart: visits and, where no yard is
// known, why it is not.
type groupKey struct {
	visit  int // -1 where no yard is known
	reason ledger.Reason
}

func keyOf(visit int, yard string, reason ledger.Reason) groupKey {
	if yard == "" {
		return groupKey{-1, reason}
	}
	return groupKey{visit: visit}
}

// group is a line in that table.
type group struct {
	groupKey
	yard   string
	fills  int             // without top-ups
	volume quantity.Volume // of the fills
	cell   int64           // hundredths it is shown with
}

// group puts what is shown into lines: visits in order of time, then what has
// no yard. Rounded, they close.
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
	for i := m.first; i < len(m.view.Visits); i++ {
		if v := &m.view.Visits[i]; v.Yard != "" && v.To >= m.night.From {
			get(keyOf(i, v.Yard, v.Reason), v.Yard)
		}
	}
	for i := range m.view.Fills {
		f := &m.view.Fills[i]
		if !m.shown(f.Start) {
			continue
		}
		g := get(keyOf(f.Visit, f.Yard, f.Reason), f.Yard)
		g.volume += f.Volume
		if !f.TopUp {
			g.fills++
		}
	}
	slices.SortStableFunc(m.groups, func(a, b group) int {
		switch {
		case a.yard != "" && b.yard == "":
			return -1
		case a.yard == "" && b.yard != "":
			return 1
		}
		return 0
	})
	vs := make([]quantity.Volume, 0, len(m.groups)+1)
	for i := range m.groups {
		vs = append(vs, m.groups[i].volume)
	}
	cells, sum := report.Closing(m.Units, 100, append(vs, m.night.Loose))
	for i := range m.groups {
		m.groups[i].cell = cells[i]
	}
	m.loose, m.sum = cells[len(vs)], sum
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

// yards is the table, with the yards that are still ahead.
func (m *model) yards() yardsModel {
	var t yardsModel
	t.Vol, _, _ = units(m.Units)
	t.Outside, t.Sum = report.Fixed(m.loose, 100), report.Fixed(m.sum, 100)
	var whys []string
	for i := range m.view.Loose {
		if l := &m.view.Loose[i]; m.shown(l.Start) && !slices.Contains(whys, l.Why) {
			whys = append(whys, l.Why)
		}
	}
	t.Whys = strings.Join(whys, ", ")
	times := map[string]int{}
	for i := range m.groups {
		times[m.groups[i].yard]++
	}
	hand, _, _ := m.inHand()
	nth := map[string]int{}
	sum, allUnsure, allPerhaps := 0, 0, 0
	for i := range m.groups {
		g := &m.groups[i]
		fills, loose := m.flowsOf(g.groupKey)
		unsure, perhaps := report.UnsureOf(fills, loose)
		sum, allUnsure, allPerhaps = sum+g.fills, allUnsure+unsure, allPerhaps+perhaps
		row := yardRow{Name: upper(m.yard(g.yard).Name), Fills: report.Range(g.fills, unsure, perhaps), Volume: report.Fixed(g.cell, 100)}
		var x ledger.Visit
		switch {
		case g.yard == "":
			row.Which = report.WhyNoYard(g.reason)
		case g.visit >= 0 && g.visit < len(m.view.Visits):
			x = m.view.Visits[g.visit]
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
	t.Fills = report.Range(sum, allUnsure, allPerhaps)
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

// ahead returns the yards still to come, in the order of the route where there
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
		if y := &m.view.Yards[i]; !y.Closed && y.Colonies > 0 {
			add(y.ID)
		}
	}
	return ids
}
