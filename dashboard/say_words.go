package dashboard

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/door"
	"yardtally/meter/act"
)

// sayCounts names the flow of a stretch of counts: one flow, or several by how
// many they are and what they come to.
func (m *model) sayCounts(session, first, last uint64) string {
	var all []stretch
	add := func(f stretch) {
		if f.session == session && f.first < last && f.last > first {
			all = append(all, f)
		}
	}
	for i := range m.view.Fills {
		add(ofFill(&m.view.Fills[i]))
	}
	for i := range m.view.Loose {
		add(ofLoose(m.view, &m.view.Loose[i]))
	}
	switch len(all) {
	case 0:
		return "counts " + fmt.Sprint(first, " to ", last)
	case 1:
		all[0].open = false
		return strings.TrimSuffix(m.sayFlow(&all[0]), ", outside fills")
	}
	var sum quantity.Volume
	start := all[0].start
	for i := range all {
		sum += all[i].volume
		start = min(start, all[i].start)
	}
	return fmt.Sprintf("%d pulls from %s on, %s", len(all), m.clock(start), m.hundredths(sum))
}

// sayMoved says what one tap moved.
func (m *model) sayMoved(tap []act.Assign) string {
	to := "Taken out of its yard"
	if id := tap[0].Yard; id != "" {
		to = "Moved to " + m.yard(id).Name
	}
	var parts []string
	for _, a := range tap[:min(len(tap), 3)] {
		text := m.sayCounts(a.Session, a.First, a.Last)
		if i := strings.LastIndex(text, ", "); i > 0 && strings.Contains(text, " at ") {
			text = text[:i] // where it is now has been said
		}
		parts = append(parts, text)
	}
	if n := len(tap) - len(parts); n > 0 {
		parts = append(parts, plural(n, "more stretch", "more stretches"))
	}
	return to + ": " + strings.Join(parts, "; ")
}

// sayReview says why what was just said counts for nothing.
func sayReview(why string) string {
	if strings.HasSuffix(why, "belongs to no outing") {
		return "No outing is under way: it counts for nothing unless pulls follow."
	}
	return "It cannot be used as it was meant: " + why + "."
}

// sayCorrection says what a correction said, without a full stop.
func (m *model) sayCorrection(b act.Body) string {
	switch b := b.(type) {
	case act.Assign:
		return m.sayMoved([]act.Assign{b})
	case act.Cut:
		if f, ok := flowAt(m.view, b.Session, b.At); ok && f.first == b.At {
			return "Cut at " + m.clock(f.start)
		}
		return "Cut after count " + fmt.Sprint(b.At)
	case act.Visit:
		if b.Goes {
			return "What began at " + m.clock(b.At.NS) + " goes on with the visit before"
		}
		return "A visit begins at " + m.clock(b.At.NS)
	case act.Colonies:
		text := plural(b.Count, "colony", "colonies") + " at " + m.yard(b.Yard).Name
		if b.FillL > 0 {
			text += ", " + m.hundredths(quantity.VolumeOf(b.FillL/1000)) + " each"
		}
		return text
	case act.Target:
		where := m.yard(b.Yard).Name
		if b.Yard == "" {
			where = "Every yard without a target of its own"
		}
		return where + ": " + m.sayAmount(quantity.VolumeOf(b.EachL/1000), quantity.Mass(b.SugarKg))
	}
	return b.Kind()
}

// sayAmount says a season's target for a colony.
func (m *model) sayAmount(each quantity.Volume, sugar quantity.Mass) string {
	switch {
	case each > 0:
		return m.hundredths(each) + " of syrup a colony in the season"
	case sugar > 0:
		return m.Units.Mass(sugar) + " of sugar a colony in the season"
	}
	return "no target"
}

// flowPage is what the pages of yards, visits and fills have besides their own.
type flowPage struct {
	shell
	Token string
	Told  note
	Page  string // where its forms lead back to
	May   bool   // something can be said here
	Dated bool   // and what holds from a day on
}

// flowFrame is the frame of such a page, with what became of a tap. acts are nil
// where they could not be read.
func (s *server) flowFrame(r *http.Request, u *url.URL, m *model, told note) (p flowPage, acts []act.Act) {
	q := u.Query()
	said, again := strings.Fields(q.Get("said")), q.Has("again")
	q.Del("said")
	q.Del("again")
	page := url.URL{Path: u.Path, RawQuery: q.Encode()}
	p = flowPage{shell: s.shell(r), Token: token(), Told: told, Page: page.String()}
	p.Home, p.Demo = p.Page, m.Demo
	p.May = s.Said != nil && door.Of(r.Context()) == door.In
	p.Dated = p.May && s.Books != nil
	p.Ask = s.Said != nil && p.Out
	if s.Said == nil {
		return p, nil
	}
	ctx, cancel := context.WithTimeout(r.Context(), askLimit)
	defer cancel()
	acts, err := s.Said.Acts(ctx)
	if err != nil {
		return p, nil
	}
	if told.Text == "" && len(said) > 0 {
		p.Told = m.sayTold(acts, said, act.TakenBack(acts), again)
	}
	if !p.May {
		p.Told.Back = ""
	}
	return p, acts
}

// saidOf lists standing acts that were said by hand and that touch something,
// the newest first, those of one tap together.
func (m *model) saidOf(acts []act.Act, touches func(act.Body) bool) (out []saidTap) {
	standing := act.Standing(acts)
	slices.SortStableFunc(standing, func(a, b act.Act) int { return cmp.Compare(b.When, a.When) })
	var tap []act.Assign // the newest in the list
	var when int64
	for i := range standing {
		a := &standing[i]
		if !byTap(a.Body) || a.Who == act.BySettings || !touches(a.Body) {
			continue
		}
		x := saidTap{a.ID, m.minute(a.When), m.sayTap(a.Body), a.Who}
		b, moved := a.Body.(act.Assign)
		if n := len(out); moved && len(tap) > 0 && when-a.When == 1 && out[n-1].Who == a.Who && tap[0].Yard == b.Yard { // of one tap
			tap, when = append([]act.Assign{b}, tap...), a.When
			out[n-1].ID, out[n-1].Text = a.ID+" "+out[n-1].ID, m.sayMoved(tap)
			continue
		}
		tap, when = nil, a.When
		if moved {
			tap = []act.Assign{b}
		}
		out = append(out, x)
	}
	return out
}
