package dashboard

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// here is the yard the rig stands in or, on the way, the one that had the last fill.
func (m *model) here() (hereModel, fillsModel) {
	var h hereModel
	id, at := m.view.Here.Yard, m.view.Here
	known := id != ""
	if known {
		h.Since = "Here since " + m.minute(at.Since) + ", " + reasonWords(at.Reason) + "."
	} else {
		last := int64(-1)
		for i := range m.view.Fills {
			if f := &m.view.Fills[i]; f.Start >= m.night.From && f.Start < m.night.To {
				id, last = f.Yard, f.End
			}
		}
		why := "In no yard just now"
		if at.Reason == ledger.NoPosition || at.FixAt == 0 {
			why = "The position is not known"
		}
		if last >= 0 {
			h.Since = why + "; the last fill here ended at " + m.minute(last) + "."
			known = true
		} else {
			h.Since = why + ", and nothing was fed tonight."
		}
	}
	f := fillsModel{}
	f.Vol, f.Rate, f.Deg = units(m.Units)
	if !known {
		h.Name = "No yard"
		f.Name = h.Name
		return h, f
	}
	y := m.yard(id)
	h.Name, f.Name = upper(y.Name), upper(y.Name)
	var short int
	var fills []ledger.Fill
	h.Strip, short, fills = m.strip(id, draw.Large)
	h.Any = len(h.Strip) > 0
	var volume, loose, within quantity.Volume
	open := false
	for i := range m.night.Yards {
		if n := &m.night.Yards[i]; n.Yard == id {
			volume, loose, within, open = n.Volume, n.Loose, n.Within, n.Open
		}
	}
	sum := m.Units.Volume(volume)
	if within > 0 {
		_, unit := m.Units.VolumeParts(0)
		sum = report.Fixed(m.cells[id], 100) + " ±" + report.Within(m.Units, within) + " " + unit
	}
	h.Words = sum + " in " + plural(len(fills), "fill", "fills")
	if y.Colonies > 0 {
		switch d := y.Colonies - len(fills); {
		case d > 0:
			h.More = append(h.More, fmt.Sprintf("%s stand here: %d to go.", plural(y.Colonies, "colony", "colonies"), d))
		case d == 0:
			h.More = append(h.More, fmt.Sprintf("As many fills as colonies: %d.", y.Colonies))
		default:
			h.More = append(h.More, fmt.Sprintf("%d more than the %s that stand here.", -d, plural(y.Colonies, "colony", "colonies")))
		}
	}
	if y.Fill > 0 {
		h.Legend = append(h.Legend, "Dotted: "+m.Units.Volume(y.Fill)+" each.")
	}
	if short > 0 {
		h.Legend = append(h.Legend, plural(short, "hollow stroke", "hollow strokes")+": less than half.")
	}
	if loose > 0 {
		h.Legend = append(h.Legend, "Below the line: "+m.hundredths(loose)+" outside fills.")
	}
	if open {
		h.Legend = append(h.Legend, "Arrowhead: still growing.")
	}
	m.fillRows(&f, fills, y.Fill)
	return h, f
}

// fillRows lists a yard's fills; what is shown adds up to the yard's line.
func (m *model) fillRows(f *fillsModel, fills []ledger.Fill, meant quantity.Volume) {
	if len(fills) == 0 {
		return
	}
	vs := make([]quantity.Volume, len(fills))
	for i := range fills {
		vs[i] = fills[i].Volume
	}
	sum := m.cells[fills[0].Yard]
	cells := report.ClosingTo(m.Units, 100, vs, sum)
	f.Sum, f.HasColumn = report.Fixed(sum, 100), true
	for i := range fills {
		x := &fills[i]
		row := fillRow{No: strconv.Itoa(i + 1), Start: m.clock(x.Start), Volume: report.Fixed(cells[i], 100),
			Seconds: fmt.Sprintf("%.0f", float64(x.End-x.Start)/1e9), Syrup: "–"}
		row.Flow, _ = m.Units.FlowParts(x.Flow)
		if x.HasSyrup {
			row.Syrup, _ = m.Units.TemperatureParts(x.Syrup)
		}
		var notes []string
		if meant > 0 && !x.Open && x.Volume < meant/2 {
			notes = append(notes, "short")
		}
		if x.Reason == ledger.ByHand {
			notes = append(notes, "yard by hand")
		}
		if x.Open {
			row.Note = "growing"
			f.OpenFill = &row
			continue
		}
		row.Note = strings.Join(notes, ", ")
		f.Rows = append(f.Rows, row)
	}
}

func units(s quantity.System) (vol, flow, temp string) {
	_, vol = s.VolumeParts(0)
	_, flow = s.FlowParts(0)
	_, temp = s.TemperatureParts(0)
	return vol, flow, temp
}

func reasonWords(r ledger.Reason) string {
	switch r {
	case ledger.ByPosition:
		return "by position"
	case ledger.ByHand:
		return "set by hand"
	case "":
		return "reason not said"
	}
	return string(r)
}

func upper(s string) string {
	if s == report.NoYard {
		return strings.ToUpper(s[:1]) + s[1:]
	}
	return s
}

// yards is the night's table, with the yards that are still ahead.
func (m *model) yards() yardsModel {
	var t yardsModel
	t.Vol, _, _ = units(m.Units)
	t.Fills, t.AnyVolume = m.night.Fills, m.night.Total > 0
	t.Outside, t.Sum = report.Fixed(m.loose, 100), report.Fixed(m.sum, 100)
	fed := map[string]int{}
	for i := range m.night.Yards {
		y := &m.night.Yards[i]
		if y.Fills == 0 {
			continue
		}
		fed[y.Yard] = y.Fills
		row := yardRow{Name: upper(m.yard(y.Yard).Name), Fills: strconv.Itoa(y.Fills), Volume: report.Fixed(m.cells[y.Yard], 100),
			Here: y.Yard == m.view.Here.Yard && y.Yard != "", None: y.Yard == ""}
		if y.Colonies > 0 {
			row.Fills += " of " + strconv.Itoa(y.Colonies)
		}
		row.Strip, _, _ = m.strip(y.Yard, draw.Small)
		t.Rows = append(t.Rows, row)
	}
	var need quantity.Volume
	var which []string
	for i := range m.view.Yards {
		y := &m.view.Yards[i]
		if y.Closed || y.Colonies == 0 {
			continue
		}
		if fed[y.ID] == 0 {
			row := yardRow{Name: m.yard(y.ID).Name, Ahead: true, Fills: "0 of " + strconv.Itoa(y.Colonies),
				Here: y.ID == m.view.Here.Yard}
			t.Rows = append(t.Rows, row)
		}
		if more := y.Colonies - fed[y.ID]; more > 0 && y.Fill > 0 {
			need += quantity.Volume(more) * y.Fill
			which = append(which, fmt.Sprintf("%d at %s", more, m.yard(y.ID).Name))
		}
	}
	if need > 0 {
		t.Ask, t.Short = m.sayNeed(need, which)
	}
	return t
}

// sayNeed says whether what is left will do for the yards not finished.
func (m *model) sayNeed(need quantity.Volume, which []string) (text string, short bool) {
	text = "Still to feed: " + strings.Join(which, ", ") + ". That takes about " + m.Units.Volume(need) + ". "
	at, _, usable, _ := m.tote()
	switch {
	case at == 0:
		return text + "What the tote holds is not known.", false
	case float64(m.Now-at) > float64(toteAge)*m.speed:
		return text + "What the tote holds now is not known; its level was last heard at " + m.minute(at) + ".", false
	case usable >= need && usable < need+need/20: // 5 %: common practice, no source
		return text + "It will be close: " + m.Units.Volume(usable) + " can be drawn.", false
	case usable >= need:
		return text + "The tote will do: " + m.Units.Volume(usable) + " can be drawn.", false
	}
	return text + "The tote will not do: about " + m.Units.Volume(need-usable) + " is missing.", true
}

// mostDoubts is how many gaps, and how many corrections, the page names; the
// tables to take away have them all.
const mostDoubts = 6

// doubt lists what is not known for certain, the newest first.
func (m *model) doubt() []string {
	var out []string
	more := 0
	for i := len(m.view.Gaps) - 1; i >= 0; i-- {
		if g := &m.view.Gaps[i]; g.End >= m.night.From && g.Start < m.night.To {
			if len(out) == mostDoubts {
				more++
				continue
			}
			out = append(out, report.SayGap(g, m.Units, m.clock))
		}
	}
	if more > 0 {
		out = append(out, plural(more, "earlier gap", "earlier gaps")+" tonight: see the fills as JSON.")
	}
	if n := m.view.Placed.Unsure; n > 0 {
		out = append(out, "No clock was heard for "+plural(n, "stretch", "stretches")+" of readings: those times are estimates.")
	}
	if over := m.view.Tote.Load.Over; len(over) > 0 {
		w := m.view.Tote.Load
		w.Missing = nil
		out = append(out, w.Words(m.Units)...)
	}
	for i, r := range m.view.Review {
		if i == mostDoubts {
			out = append(out, plural(len(m.view.Review)-i, "more correction", "more corrections")+" could not be applied either.")
			break
		}
		out = append(out, "A correction could not be applied as it was meant: "+r.Why+".")
	}
	return out
}

// sources says how the sources do: one quiet line while all is well, and one
// loud line for each that needs a person.
func (m *model) sources() []sourceModel {
	if !m.heard() {
		return nil // the empty page has said it already
	}
	var out []sourceModel
	var well []string
	for i := range m.Sources {
		s := &m.Sources[i]
		switch quiet := s.Phase == "open" && m.silent(s); {
		case quiet:
			text := s.Name + " is open but has said nothing"
			if !s.LastAt.IsZero() {
				text += " since " + m.minute(s.LastAt.UnixNano())
			}
			out = append(out, sourceModel{true, "Silent", text + m.dropped(s) + "."})
		case s.Phase == "open":
			well = append(well, s.Name+m.dropped(s))
		case s.Phase == "opening" && s.Err == "":
			well = append(well, s.Name+" (opening)")
		default:
			out = append(out, sourceModel{true, "Not heard", s.Name + ": " + m.saySource(s) + m.dropped(s) + "."})
		}
	}
	if len(well) > 0 {
		out = append(out, sourceModel{Text: "Listening to " + strings.Join(well, ", ") + "."})
	}
	return out
}

func (m *model) silent(s *SourceLine) bool {
	if s.Quiet {
		return false
	}
	last := s.Since
	if s.LastAt.After(last) {
		last = s.LastAt
	}
	return !last.IsZero() && float64(m.Now-last.UnixNano()) > float64(quietAge)*m.speed
}

// saySource says what a source is doing, without a full stop.
func (m *model) saySource(s *SourceLine) string {
	at := func(t time.Time) string { return m.clock(t.UnixNano()) }
	var p []string
	switch s.Phase {
	case "open":
		p = append(p, "open, and silent")
	case "waiting":
		p = append(p, "not open")
	case "":
		p = append(p, "not started")
	default:
		p = append(p, s.Phase)
	}
	if !s.Since.IsZero() {
		p[0] += " since " + at(s.Since)
	}
	if s.Err != "" {
		p = append(p, strings.TrimRight(s.Err, ". "))
	}
	if s.Phase == "waiting" && !s.NextTry.IsZero() {
		p = append(p, "trying again at "+at(s.NextTry))
	}
	if !s.LastAt.IsZero() {
		p = append(p, "last heard at "+at(s.LastAt))
	}
	return strings.Join(p, "; ")
}

// dropped says what was not taken, with the reasons, most frequent first.
func (m *model) dropped(s *SourceLine) string {
	if s.Dropped == 0 {
		return ""
	}
	var why []string
	for k := range s.Why {
		why = append(why, k)
	}
	sort.Slice(why, func(a, b int) bool {
		if s.Why[why[a]] != s.Why[why[b]] {
			return s.Why[why[a]] > s.Why[why[b]]
		}
		return why[a] < why[b]
	})
	for i, k := range why {
		why[i] = fmt.Sprintf("%d %s", s.Why[k], k)
	}
	text := fmt.Sprintf(" (%d dropped", s.Dropped)
	if len(why) > 0 {
		text += ": " + strings.Join(why, ", ")
	}
	return text + ")"
}
