package dashboard

import (
	"slices"
	"strings"
	"time"

	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/tote"
	"yardtally/meter/watch"
)

// line is a sentence on the page: a quiet one or, with a word and the mark, one
// that needs a person.
type line struct {
	Loud bool
	Word string
	Text string
}

// when says of which outing the page is, where that is over, and what came
// before it in the same night.
func (m *model) when() []string {
	var out []string
	last := len(m.legs) - 1
	switch {
	case m.over:
		l := &m.legs[last]
		from, to := time.Unix(0, l.from).In(m.zone), time.Unix(0, l.to).In(m.zone)
		end := to.Format("15:04")
		if from.YearDay() != to.YearDay() {
			end = to.Format("2 Jan 15:04")
		}
		out = append(out, "Last outing: "+from.Format("Mon 2 Jan 15:04")+" to "+end+". Nothing has flowed since.")
	case last > 0:
		out = append(out, legName(last)+", "+m.legTimes(last)+".")
	}
	if since, ok := m.view.OnBreak(); ok && !m.over {
		out = append(out, "On a break since "+m.minute(since)+": what is switched off raises no alarm of silence.")
	}
	_, unit := m.Units.VolumeParts(0)
	for i := range last {
		fills := m.fillsOf(i) + " fills"
		if fills == "1 fills" {
			fills = "1 fill"
		}
		out = append(out, strings.TrimSuffix(legName(i), " outing")+": "+m.legTimes(i)+", "+fills+", "+report.Fixed(m.legs[i].sum, 100)+" "+unit+".")
	}
	return out
}

// leftLines says what is left and whether it will do: loud only where it is
// not enough, or close, while feeding goes on.
func (m *model) leftLines() []line {
	l := &m.view.Left
	if !l.Known && !m.view.Tote.Known {
		return nil // the tote's own line says why
	}
	said := report.SayLeft(l, m.Units, func(id string) string { return m.yard(id).Name })
	out := []line{{Text: said[0]}}
	if !l.Known {
		return out
	}
	if m.view.At > 0 && float64(m.Now-m.view.At) > float64(toteAge)*m.speed {
		out[0].Text = "As of " + m.minute(m.view.At) + ". " + out[0].Text
	}
	said = said[1:]
	next := func(o *tote.Outlook, always bool) (loud bool) {
		e := line{Loud: o.Enough != tote.Yes && !m.over, Text: said[0]}
		if e.Loud {
			e.Word = capital(o.Enough.String())
		}
		if e.Loud || always {
			out = append(out, e)
		}
		said = said[1:]
		return e.Loud
	}
	there := l.Yard != "" && l.There.Margin < l.There.Volume
	if there {
		next(&l.There, true)
	}
	// Of several yards ahead all together say enough, but for the first that
	// what is left does not reach. One alone says what all together would.
	one := len(l.Yards) == 1
	for i, told := 0, false; i < len(l.Yards); i++ {
		if told {
			said = said[1:]
			continue
		}
		told = next(&l.Yards[i].Outlook, one)
	}
	switch {
	case len(l.Yards) > 1:
		next(&l.Tonight, true)
	case one && there:
		said = said[1:]
	}
	for _, s := range said {
		out = append(out, line{Text: s})
	}
	// What is enough is one paragraph.
	for i := 1; i < len(out); {
		if out[i].Loud || out[i-1].Loud {
			i++
			continue
		}
		out[i-1].Text += " " + out[i].Text
		out = slices.Delete(out, i, i+1)
	}
	return out
}

// signalFor is how long the page shows what the keeper was told, of life.
const signalFor = 8 * time.Second

var signalWords = map[string]string{"full": "Full", "failing": "Flow fails", "silent": "No readings"}

// signal returns what the keeper was told a moment ago, in a word, and whether
// it is something wrong.
func (m *model) signal() (word string, bad bool) {
	word = signalWords[m.Live.Signal]
	if word == "" || m.Live.SignalAt == 0 {
		return "", false
	}
	if m.fresh("signal", m.Live.SignalAt, signalFor, "", "").Old {
		return "", false
	}
	return word, m.Live.Signal != "full"
}

// mostLoud is how many loud records stand where the eye is; the others are
// among the quiet ones.
const mostLoud = 3

// records tells what went into and out of the tote past the meter, and what the
// meter counted that was hardly syrup: the newest first.
func (m *model) records() (loud, quiet []line) {
	type at struct {
		line
		when int64
		told bool // an alarm says so already
	}
	var all []at
	from := min(m.begins, m.night.From)
	for i := range m.view.Changes {
		c := &m.view.Changes[i]
		if text := report.SayChange(c, m.Units, m.minute); text != "" && c.To >= from {
			e := line{Text: text, Word: map[tote.Kind]string{tote.Leak: "Leak", tote.Loss: "Loss"}[c.Kind]}
			e.Loud = e.Word != ""
			if e.Loud && !c.Sure {
				e.Word += "?"
			}
			all = append(all, at{e, c.To, m.told(c.From, c.To, watch.Leak, watch.Transfer)})
		}
	}
	var doubts []*tote.Doubt
	for i := range m.view.Doubts {
		d := &m.view.Doubts[i]
		if d.To < from {
			continue
		}
		doubts = append(doubts, d)
		e := line{Text: report.SayDoubt(d, m.Units, m.minute)}
		switch {
		case d.Why == tote.Empty:
			e.Word = "Air"
		case d.Sure:
			e.Word = "Hardly syrup"
		}
		e.Loud = e.Word != ""
		all = append(all, at{e, d.To, m.told(d.From, d.To, notSyrup...)})
	}
	for i := range m.view.Loose {
		l := &m.view.Loose[i]
		if l.Start < from || l.Why != outing.Suspect && l.Why != outing.Air || l.By != "" || doubted(doubts, l) {
			continue
		}
		all = append(all, at{line{true, "Hardly syrup", m.clock(l.Start) + ", " + m.hundredths(l.Volume) + " " + report.SayLoose(l) + "."}, l.End,
			m.told(l.Start, l.End, notSyrup...)})
	}
	slices.SortStableFunc(all, func(a, b at) int {
		switch {
		case a.when > b.when:
			return -1
		case a.when < b.when:
			return 1
		}
		return 0
	})
	more := 0
	for _, e := range all {
		switch {
		case e.Loud && !e.told && len(loud) < mostLoud:
			loud = append(loud, e.line)
		case len(quiet) < mostDoubts:
			if e.Loud {
				e.Text = e.Word + ": " + e.Text
			}
			quiet = append(quiet, line{Text: e.Text})
		default:
			more++
		}
	}
	if more > 0 {
		quiet = append(quiet, line{Text: plural(more, "earlier record", "earlier records") + " of the tote: see its report."})
	}
	return loud, quiet
}

// notSyrup are the kinds of alarm that tell of what the meter counted and was
// hardly syrup.
var notSyrup = []watch.Kind{watch.Air, watch.Empty, watch.Phantom}

// doubted reports whether one of the doubts tells of a loose flow already.
func doubted(doubts []*tote.Doubt, l *ledger.Loose) bool {
	return slices.ContainsFunc(doubts, func(d *tote.Doubt) bool { return l.Start <= d.To && l.End >= d.From })
}
