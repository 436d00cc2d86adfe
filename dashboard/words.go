package dashboard

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return grouped(int64(n)) + " " + many
}

// grouped is a whole number with commas between thousands.
func grouped(n int64) string { return strings.TrimSuffix(report.Fixed(n, 1), ".0") }

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

// mostDoubts is how many gaps, and how many corrections, the page names; the
// tables to take away have them all.
const mostDoubts = 6

// doubt lists what is not known for certain, the newest first.
func (m *model) doubt() []string {
	var out []string
	more := 0
	from := min(m.begins, m.night.From)
	for i := len(m.view.Gaps) - 1; i >= 0; i-- {
		if g := &m.view.Gaps[i]; g.End >= from {
			if len(out) == mostDoubts {
				more++
				continue
			}
			out = append(out, report.SayGap(g, m.Units, m.clock))
		}
	}
	if more > 0 {
		out = append(out, plural(more, "earlier gap", "earlier gaps")+": see the fills as JSON.")
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
func (m *model) sources() []line {
	if !m.heard() {
		return nil // the empty page has said it already
	}
	var out []line
	var well []string
	_, resting := m.view.OnBreak()
	for i := range m.Sources {
		s := &m.Sources[i]
		switch quiet := s.Phase == "open" && m.silent(s); {
		case quiet:
			text := s.Name + " is open but has said nothing"
			if !s.LastAt.IsZero() {
				text += " since " + m.minute(s.LastAt.UnixNano())
			}
			if resting {
				out = append(out, line{Text: text + m.dropped(s) + ", on the break."})
				continue
			}
			out = append(out, line{true, "Silent", text + m.dropped(s) + "."})
		case s.Phase == "open":
			well = append(well, s.Name+m.dropped(s))
		case s.Phase == "opening" && s.Err == "":
			well = append(well, s.Name+" (opening)")
		default:
			out = append(out, line{true, "Not heard", s.Name + ": " + m.saySource(s) + m.dropped(s) + "."})
		}
	}
	if len(well) > 0 {
		out = append(out, line{Text: "Listening to " + strings.Join(well, ", ") + "."})
	}
	if m.Store != nil {
		out = append(out, line{Text: m.sayStore(m.Store)})
	}
	return out
}

// upToDate is how far a store may lag and be as good as up to date: results
// settle for some seconds, and are sent in batches. Judgement.
const upToDate = time.Minute

// sayStore says what a store lacks.
func (m *model) sayStore(s *StoreLine) string {
	text := "The " + s.Name + " has everything."
	switch {
	case s.Waiting == 0:
	case float64(m.Now-s.Oldest) <= float64(upToDate)*m.speed:
		text = "The " + s.Name + " is up to date."
	default:
		text = plural(int(s.Waiting), "point waits", "points wait") + " for the " + s.Name + ", the oldest from " + m.minute(s.Oldest) + ", " + ago(time.Duration(m.Now-s.Oldest)) + " ago."
	}
	if s.Rejected > 0 {
		text += " It rejected " + plural(s.Rejected, "point", "points") + "."
	}
	return text
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
