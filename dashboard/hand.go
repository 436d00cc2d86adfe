package dashboard

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/door"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// How much of what can be said the page shows at once.
const (
	bigYards    = 3  // the likeliest next, one button each; the others under a fold
	lastSaid    = 6  // taps of tonight that can be taken back
	lastFlows   = 12 // earlier flows that can be named
	leastToName = 50 * quantity.Millilitre
	// leastToName: flow outside fills below it drips off the nozzle, and hides
	// no pull that a person would name. Common practice, no source.
)

// note is what the page says first of a tap just made.
type note struct {
	Bad  bool
	Text string
	Back string // ids of the acts, to take them back; "" if they cannot be
	Spot string // where it is said, byHand or byWatch
}

// handModel is the section of what can be said by a tap.
type handModel struct {
	Token, Name string
	Stands      bool // in a yard: then colonies come first, else the yards do
	Next, Rest  []yardTap
	Flows       []flowsTap // of each outing of the night, the newest first
	Said        []saidTap  // the newest first
	Last        *saidTap   // the newest, where nothing is told of it
	Unread      bool       // what was said could not be read
	Clock       string
	Lost        bool // the rig has no idea of the time
	Ask         bool // and nothing better than a watch would tell it
	Zone        string
	Part        map[string]template.HTML
	Told        note
}

type yardTap struct{ ID, Name string }

type flowTap struct{ Pull, Text string }

// flowsTap are flows of one outing that can be named: those that are not sure,
// then the newest, without the last of all.
type flowsTap struct {
	Outing string // "" where the night has one only
	Flows  []flowTap
}

type saidTap struct{ ID, At, Text, Who string }

// stretch is a pull, or a flow outside fills, that a person can name.
type stretch struct {
	session, first, last uint64
	start                int64
	volume               quantity.Volume
	yard                 string
	fill, open           bool
	visit                int
	as, or               string // what it is taken for, "fill", "top-up" or as in Loose.Why, and what else it may be
	end                  int64
	reason               ledger.Reason
}

func (f *stretch) pull() string { return fmt.Sprint(f.session, " ", f.first) }

func ofFill(f *ledger.Fill) stretch {
	as := outing.AFill
	if f.TopUp {
		as = outing.ATopUp
	}
	return stretch{f.Session, f.First, f.Last, f.Start, f.Volume, f.Yard, true, f.Open, f.Visit, as, f.Or, f.End, f.Reason}
}

// ofLoose takes what flowed just now for open: it may yet become a fill.
func ofLoose(v *ledger.View, l *ledger.Loose) stretch {
	open := v.At-l.End < int64(act.DefaultRig.QuietS*1e9)
	return stretch{l.Session, l.First, l.Last, l.Start, l.Volume, l.Yard, false, open, l.Visit, l.Why, l.Or, l.End, l.Reason}
}

// flowAt returns the flow that begins after a count, or the one that the count
// is inside of.
func flowAt(v *ledger.View, session, first uint64) (stretch, bool) {
	if v == nil {
		return stretch{}, false
	}
	in := func(s, a, b uint64) bool { return s == session && a <= first && first < b }
	for i := len(v.Fills) - 1; i >= 0; i-- {
		if f := &v.Fills[i]; in(f.Session, f.First, f.Last) {
			return ofFill(f), true
		}
	}
	for i := len(v.Loose) - 1; i >= 0; i-- {
		if l := &v.Loose[i]; in(l.Session, l.First, l.Last) {
			return ofLoose(v, l), true
		}
	}
	return stretch{}, false
}

// flows returns the last flows of an outing that can be named, the newest first.
func (m *model) flows(leg int) []stretch {
	var out []stretch
	of := func(start int64) bool { return m.shown(start) && m.legAt(start) == leg }
	for i := len(m.view.Fills) - 1; i >= 0 && len(out) <= lastFlows; i-- {
		if f := &m.view.Fills[i]; of(f.Start) {
			out = append(out, ofFill(f))
		}
	}
	n := 0
	for i := len(m.view.Loose) - 1; i >= 0 && n <= lastFlows; i-- {
		if l := &m.view.Loose[i]; of(l.Start) && l.Volume >= leastToName {
			out = append(out, ofLoose(m.view, l))
			n++
		}
	}
	slices.SortStableFunc(out, func(a, b stretch) int { return cmp.Compare(b.start, a.start) })
	return out[:min(len(out), lastFlows+1)]
}

// sayFlow names a flow: "1.02 gal at 21:14:03, Mill Bottom".
func (m *model) sayFlow(f *stretch) string {
	return m.hundredths(f.volume) + " at " + m.clock(f.start) + ", " + m.sayWhere(f)
}

// sayWhere is where a flow was, and whether it is a fill that has ended.
func (m *model) sayWhere(f *stretch) string {
	text := "no yard known"
	if f.yard != "" {
		text = m.yard(f.yard).Name
	}
	switch {
	case f.open:
		text += ", still flowing"
	case !f.fill:
		text += ", outside fills"
	}
	return text
}

// pullModel is the last flow, by what the form names it with.
type pullModel struct{ Pull, Text string }

func (m *model) pull() pullModel {
	if f, ok := m.lastFlow(); ok {
		return pullModel{f.pull(), m.sayFlow(&f)}
	}
	return pullModel{}
}

// lastFlow is the newest flow of the night that can be named.
func (m *model) lastFlow() (stretch, bool) {
	for i := len(m.legs) - 1; i >= 0; i-- {
		if fs := m.flows(i); len(fs) > 0 {
			return fs[0], true
		}
	}
	return stretch{}, false
}

// What a person says of a pull that is taken for one thing and may be another:
// the word that answers, as in act.Deem, how it is asked, and in a list.
var asked = map[string]struct{ as, words, few string }{
	outing.AFill:   {act.AsFill, "a colony’s fill", "fill"},
	outing.ATopUp:  {act.AsTopUp, "a top-up of the one before", "top-up"},
	outing.Priming: {act.AsPriming, "priming", "priming"},
	outing.Flush:   {act.AsFlush, "a flush", "flush"},
	outing.Ground:  {act.AsSpill, "a spill", "spill"},
	outing.Suspect: {act.AsSuspect, "no syrup", "no syrup"},
	outing.Proving: {act.AsProving, "a proving", "proving"},
}

// question is what a doubtful pull may have been: "0.42 gal at 21:04:10, Mill
// Bottom: a colony’s fill, or priming?"
func (m *model) question(f *stretch) string {
	return strings.TrimSuffix(m.sayFlow(f), ", outside fills") + ": " + asked[f.as].words + ", or " + asked[f.or].words + "?"
}

// doubtfulPulls returns the pulls of tonight that may be something else: those
// of the visit in hand first, then of its outing and of those before, in order
// of time, so that a question stays until it is answered.
func (m *model) doubtfulPulls() []stretch {
	var out []stretch
	add := func(f stretch) {
		if asked[f.as].as != "" && asked[f.or].as != "" && !f.open && m.shown(f.start) {
			out = append(out, f)
		}
	}
	for i := range m.view.Fills {
		add(ofFill(&m.view.Fills[i]))
	}
	for i := range m.view.Loose {
		add(ofLoose(m.view, &m.view.Loose[i]))
	}
	hand, _, _ := m.inHand()
	rank := func(f *stretch) int {
		if f.visit == hand {
			return 0
		}
		return len(m.legs) - m.legAt(f.start)
	}
	slices.SortStableFunc(out, func(a, b stretch) int {
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(a.start, b.start))
	})
	return out
}

// askModel is the first doubtful pull, with the answers that settle it.
type askModel struct {
	Pull, Text string
	Answers    []pullAnswer
	More       string // how many come after it
}

type pullAnswer struct{ As, Words string }

func (m *model) ask() askModel {
	fs := m.doubtfulPulls()
	if first, ok := m.firstPull(); ok { // the large control asks about it
		fs = slices.DeleteFunc(fs, func(f stretch) bool { return f.pull() == first.pull() })
	}
	if len(fs) == 0 {
		return askModel{}
	}
	f := &fs[0]
	a := askModel{Pull: f.pull(), Text: m.question(f)}
	for _, what := range []string{f.as, f.or} {
		a.Answers = append(a.Answers, pullAnswer{asked[what].as, deemWords[asked[what].as]})
	}
	if n := len(fs) - 1; n > 0 {
		a.More = plural(n, "more is", "more are") + " not sure; asked next."
	}
	return a
}

// soFarModel is how the colonies of the visit in hand stand.
type soFarModel struct {
	Yard, Text string // the yard's id; "": there is none to speak of
}

// soFar says how much of the visit in hand is told: "Mill Bottom: 23 fills, 1
// skipped, of 24 colonies: adds up."
func (m *model) soFar() soFarModel {
	k, id, known := m.inHand()
	switch {
	case !known || id == "":
		return soFarModel{Text: "No yard is known here, so no colonies can add up."}
	case k < 0:
		return soFarModel{Text: m.yard(id).Name + ": nothing was fed yet."}
	}
	x := &m.view.Visits[k]
	text := m.yard(id).Name + ": " + report.SayRange(x.Fills, x.Unsure, x.Perhaps)
	for _, s := range []struct {
		n    int
		what string
	}{{x.Skipped, "skipped"}, {x.Dead, "dead"}, {x.Twice, "with two feeders"}, {x.Sharing, "sharing another’s fill"}} {
		if s.n > 0 {
			text += fmt.Sprintf(", %d %s", s.n, s.what)
		}
	}
	switch {
	case x.Colonies == 0:
		text += "; how many colonies stand there was not said, so nothing can add up."
		return soFarModel{id, text}
	case x.Colonies == 1:
		text += ", of 1 colony: "
	default:
		text += fmt.Sprintf(", of %d colonies: ", x.Colonies)
	}
	switch {
	case x.Missing > 0:
		text += plural(x.Missing, "colony is", "colonies are") + " not told of yet."
	case x.Missing < 0:
		text += plural(-x.Missing, "fill", "fills") + " more than that makes."
	case x.Unsure+x.Perhaps > 0 && x.Told:
		text += fmt.Sprintf("adds up with %d, and all is told, but not every pull is sure.", x.Fills)
	case x.Unsure+x.Perhaps > 0:
		text += fmt.Sprintf("adds up with %d.", x.Fills)
	case x.Told:
		text += "adds up, and all is told."
	default:
		text += "adds up."
	}
	return soFarModel{id, text}
}

// stands says where the rig is, and how that is known.
func (m *model) stands() string {
	h := &m.view.Here
	switch {
	case h.Yard != "":
		return m.yard(h.Yard).Name + " since " + m.minute(h.Since) + ", " + reasonWords(h.Reason) + "."
	case h.Reason == ledger.NoPosition || h.FixAt == 0 && h.Reason != ledger.ByHand:
		return "No position is known, so no yard is."
	}
	return "In no yard, " + reasonWords(h.Reason) + "."
}

// nextYards puts the yards in use in the order in which they are likeliest to
// come next: those not fed tonight first, along the route if one was said, then
// from near to far. The one that the rig stands in comes last.
func (m *model) nextYards(route []string) []yardTap {
	from := m.view.Here.Yard
	fed := map[string]bool{}
	for i := range m.view.Fills {
		if f := &m.view.Fills[i]; f.Start >= m.begins && f.Yard != "" {
			fed[f.Yard] = true
			if m.view.Here.Yard == "" {
				from = f.Yard
			}
		}
	}
	passed := slices.Index(route, from)
	away := func(y *ledger.YardInfo) (stop int, d float64) {
		stop = math.MaxInt
		if i := slices.Index(route, y.ID); i >= 0 {
			stop = (i - passed - 1 + 2*len(route)) % len(route)
		}
		if from != "" {
			a := m.yard(from)
			d = math.Hypot(y.Lat-a.Lat, (y.Lon-a.Lon)*math.Cos(a.Lat*math.Pi/180))
		}
		return stop, d
	}
	var ys []ledger.YardInfo
	for _, y := range m.view.Yards {
		if !y.Closed {
			ys = append(ys, y)
		}
	}
	rank := func(y *ledger.YardInfo) int {
		switch {
		case y.ID == m.view.Here.Yard:
			return 2
		case fed[y.ID]:
			return 1
		}
		return 0
	}
	slices.SortStableFunc(ys, func(a, b ledger.YardInfo) int {
		sa, da := away(&a)
		sb, db := away(&b)
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(sa, sb), cmp.Compare(da, db), cmp.Compare(a.ID, b.ID))
	})
	var out []yardTap
	for i := range ys {
		out = append(out, yardTap{ys[i].ID, m.yard(ys[i].ID).Name})
	}
	return out
}

// routeOf is the route that holds now, of all that was said.
func (m *model) routeOf(acts []act.Act) (route []string) {
	for _, a := range act.Standing(acts) { // in order of From
		if r, ok := a.Body.(act.Route); ok && a.From <= m.Now {
			route = r.Yards
		}
	}
	return route
}

var deemWords = map[string]string{
	act.AsFill: "A colony’s fill", act.AsTopUp: "A top-up of the one before", act.AsPriming: "Priming", act.AsFlush: "A flush",
	act.AsProving: "A proving", act.AsSpill: "A spill", act.AsSuspect: "No syrup",
}

// sayTap says in words what a tap said, without a full stop.
func (m *model) sayTap(b act.Body) string {
	switch b := b.(type) {
	case act.Arrive:
		if b.Yard == "" {
			return "Left the yard"
		}
		return "Arrived at " + m.yard(b.Yard).Name
	case act.Colony:
		n := max(b.N, 1)
		switch b.What {
		case act.Skipped:
			return "Skipped " + count(n)
		case act.Dead:
			if n == 1 {
				return "One is dead"
			}
			return fmt.Sprint(n, " are dead")
		case act.TwoFeeders:
			return "Two feeders"
		case act.Shared:
			return fmt.Sprintf("One fill for %d colonies", b.N)
		case act.AllTold:
			if b.Yard == "" {
				return "All told"
			}
			return "All told at " + m.yard(b.Yard).Name
		}
	case act.Deem:
		return deemWords[b.As] + ": " + m.sayCounts(b.Session, b.First, b.Last)
	case act.Drained:
		return "The hose was drained"
	case act.Break:
		if b.Over {
			return "The break is over"
		}
		return "A break"
	case act.Assign, act.Cut, act.Visit, act.Colonies, act.Target:
		return m.sayCorrection(b)
	case act.Ack:
		return "Seen: " + m.matterOfKey(b.Key)
	case act.Shelve:
		return m.sayShelved([]act.Shelve{b})
	case act.Fix:
		how := "by " + b.By
		if b.By == "phone" {
			how = "from a phone"
		}
		return "The rig’s time, " + how + ": it was " + time.Unix(0, b.UTC).In(m.zone).Format("2 Jan 2006 15:04:05")
	}
	return b.Kind()
}

func count(n int) string {
	if n == 1 {
		return "one"
	}
	return fmt.Sprint(n)
}

// hand draws the section for one who is signed in; nil for others.
func (s *server) hand(r *http.Request, told note) *handModel {
	if s.Said == nil || door.Of(r.Context()) != door.In {
		return nil
	}
	m := newModel(s.Feed.Snapshot())
	h := &handModel{Token: token(), Name: nameOf(r), Told: told, Stands: m.view.Here.Yard != "",
		Clock: m.sayClock(), Lost: m.timeless(), Zone: m.zone.String()}
	h.Ask = m.Demo == "" && !(m.view.Placed.By == "satellites" || m.view.Placed.By == "network")
	if h.Name == noName {
		h.Name = ""
	}
	ctx, cancel := context.WithTimeout(r.Context(), askLimit)
	defer cancel()
	acts, err := s.Said.Acts(ctx)
	if err != nil {
		h.Unread = true
	}
	ys := m.nextYards(m.routeOf(acts))
	h.Next, h.Rest = ys[:min(len(ys), bigYards)], ys[min(len(ys), bigYards):]
	if n := len(h.Next); n > 0 && h.Next[n-1].ID == m.view.Here.Yard {
		h.Next, h.Rest = h.Next[:n-1], append([]yardTap{h.Next[n-1]}, h.Rest...)
	}
	h.Flows = m.flowTaps()
	h.tell(m, s, acts, r)
	if h.Told.Text == "" && len(h.Said) > 0 { // what was said last can be taken back in the same place
		last := &h.Said[0]
		h.Last = last
	}
	return h
}

// flowTaps lists the flows that can be named besides the last and the one that
// is asked about.
func (m *model) flowTaps() []flowsTap {
	out := make([]flowsTap, len(m.legs))
	listed := map[string]bool{}
	if last := m.pull(); last.Pull != "" {
		listed[last.Pull] = true
	}
	add := func(f *stretch, what string) {
		leg := &out[len(m.legs)-1-m.legAt(f.start)]
		leg.Flows = append(leg.Flows, flowTap{f.pull(), m.clock(f.start) + ", " + m.hundredths(f.volume) + what})
	}
	for i, f := range m.doubtfulPulls() {
		if listed[f.pull()] = true; i > 0 && i <= lastFlows {
			add(&f, ": "+asked[f.as].few+" or "+asked[f.or].few+"?")
		}
	}
	for i := range m.legs {
		n := 0
		for _, f := range m.flows(i) {
			if !listed[f.pull()] && n < lastFlows {
				add(&f, ", "+m.sayWhere(&f))
				n++
			}
		}
		if leg := &out[len(m.legs)-1-i]; len(m.legs) > 1 {
			leg.Outing = legName(i) + ", " + m.legTimes(i)
		}
	}
	return slices.DeleteFunc(out, func(o flowsTap) bool { return len(o.Flows) == 0 })
}

// tell lists what was said tonight, and says what the last tap said.
func (h *handModel) tell(m *model, s *server, acts []act.Act, r *http.Request) {
	gone, monos, now := act.TakenBack(acts), s.taps.monos(), s.Said.Now()
	// An instant as the boot's clock had it: right also where the rig's time
	// was another one when it was said.
	at := func(a *act.Act) int64 {
		if mono, ok := monos[a.ID]; ok {
			return now.NS - now.MonoNS + mono
		}
		return a.When
	}
	latest := slices.Clone(acts)
	slices.SortStableFunc(latest, func(a, b act.Act) int { return cmp.Compare(b.When, a.When) })
	if h.Told.Text == "" {
		h.Told = m.sayTold(acts, strings.Fields(r.URL.Query().Get("said")), gone, r.URL.Query().Has("again"))
	}
	for i := 0; i < len(latest) && len(h.Said) < lastSaid; i++ {
		a := &latest[i]
		t := at(a)
		if !byTap(a.Body) || a.Who == act.BySettings || gone[a.ID] || t < m.begins {
			continue
		}
		if _, season := a.Body.(act.Target); season { // the yard's page has it
			continue
		}
		x := saidTap{a.ID, m.clock(t), m.sayTap(a.Body), a.Who}
		if b, ok := a.Body.(act.Assign); ok { // of all of a visit by one tap
			tap := []act.Assign{b}
			for ; i+1 < len(latest); i++ {
				prev := &latest[i+1]
				b, ok := prev.Body.(act.Assign)
				if !ok || gone[prev.ID] || prev.Who != a.Who || a.When-prev.When != int64(len(tap)) || b.Yard != tap[0].Yard {
					break
				}
				tap, x.ID = append([]act.Assign{b}, tap...), prev.ID+" "+x.ID
			}
			x.Text = m.sayMoved(tap)
		}
		if b, ok := a.Body.(act.Shelve); ok { // of several kinds by one tap
			tap := []act.Shelve{b}
			for ; i+1 < len(latest); i++ {
				prev := &latest[i+1]
				b, ok := prev.Body.(act.Shelve)
				if !ok || gone[prev.ID] || prev.Who != a.Who || a.When-prev.When != int64(len(tap)) || b.Until != tap[0].Until {
					break
				}
				tap, x.ID = append([]act.Shelve{b}, tap...), prev.ID+" "+x.ID
			}
			x.Text = m.sayShelved(tap)
		}
		h.Said = append(h.Said, x)
	}
}

// sayTold says what one tap just said, and that it can be taken back.
func (m *model) sayTold(acts []act.Act, ids []string, gone map[string]bool, again bool) (n note) {
	var said []*act.Act
	for _, id := range ids {
		if i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == id }); i >= 0 {
			said = append(said, &acts[i])
		}
	}
	var back []string // what of it was taken back
	for _, a := range said {
		if u, ok := a.Body.(act.Undo); ok {
			back = append(back, u.Act)
		}
	}
	if len(back) > 0 {
		if n = m.sayTold(acts, back, nil, false); n.Text != "" {
			n.Text, n.Back = "Taken back: "+n.Text, ""
		}
		return n
	}
	said = slices.DeleteFunc(said, func(a *act.Act) bool { return !byTap(a.Body) })
	if len(said) == 0 {
		return note{}
	}
	a := said[0]
	n = note{Text: m.sayTap(a.Body) + ".", Back: a.ID, Spot: byHand}
	if act.OfAlarms(a.Body) {
		n.Spot = byWatch
	}
	if _, ok := a.Body.(act.Shelve); ok {
		var tap []act.Shelve
		var standing []string
		for _, a := range said {
			if b, ok := a.Body.(act.Shelve); ok {
				tap, standing = append(tap, b), append(standing, a.ID)
			}
		}
		n.Text, n.Back = m.sayShelved(tap)+".", strings.Join(standing, " ")
	}
	if _, ok := a.Body.(act.Assign); ok {
		var tap []act.Assign
		var standing []string
		for _, a := range said {
			if b, ok := a.Body.(act.Assign); ok {
				tap, standing = append(tap, b), append(standing, a.ID)
			}
		}
		n.Text, n.Back = m.sayMoved(tap)+".", strings.Join(standing, " ")
	}
	switch {
	case gone[a.ID]:
		n.Text, n.Back = "Taken back: "+n.Text, ""
	case again:
		n.Text += " That was tapped twice, and counts once."
	}
	if i := slices.IndexFunc(m.view.Review, func(r ledger.Review) bool { return r.Act == a.ID }); i >= 0 && !gone[a.ID] {
		n.Text += " " + sayReview(m.view.Review[i].Why)
	}
	return n
}
