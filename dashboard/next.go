package dashboard

import (
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// besides is how many buttons stand beside the large one.
const besides = 3

// nextModel is the one large control, for what the hand most likely says now,
// and what it may say else. It follows from the snapshot alone.
type nextModel struct {
	Main   bigTap
	Beside []bigTap
	Pull   string // that is asked about; "": none
}

// bigTap is one button, of the form that it belongs to.
type bigTap struct {
	Form, Name, Value string
	Words             string
	Small             string // what speaks for it, or what it is about
}

// The forms that the large control's buttons belong to, by their ids.
const (
	toArrive = "to-arrive"
	toColony = "to-colony"
	toTold   = "to-told"
	toDeem   = "to-deem"
	toBreak  = "to-break"
)

// nextForm is one of those forms, what it says, and the page's token.
type nextForm struct{ ID, What, Token string }

var nextForms = []nextForm{{ID: toArrive, What: "arrive"}, {ID: toColony, What: "colony"}, {ID: toTold, What: "colony"}, {ID: toDeem, What: "deem"}, {ID: toBreak, What: "break"}}

func (m *model) arriveTap(y yardTap) bigTap {
	return bigTap{Form: toArrive, Name: "yard", Value: y.ID, Words: "Arrived at " + y.Name}
}

var (
	skipTap  = bigTap{Form: toColony, Name: "what", Value: act.Skipped, Words: "Skipped one"}
	deadTap  = bigTap{Form: toColony, Name: "what", Value: act.Dead, Words: "One is dead"}
	breakTap = bigTap{Form: toBreak, Name: "over", Words: "A break"}
)

// firstPull is the newest pull where it is the first of the visit in hand, less
// than a colony's, and nobody has said what it was: most likely priming.
func (m *model) firstPull() (stretch, bool) {
	f, ok := m.lastFlow()
	hand, _, _ := m.inHand()
	if !ok || f.open || m.over || hand < 0 || f.visit != hand {
		return f, false
	}
	for i := range m.view.Loose {
		switch l := &m.view.Loose[i]; {
		case l.Session == f.session && l.First == f.first:
			return f, l.By == "" && l.Why == outing.Priming && l.Or == outing.AFill && m.firstOf(&f)
		}
	}
	for i := range m.view.Fills {
		if x := &m.view.Fills[i]; x.Session == f.session && x.First == f.first {
			return f, x.By == "" && (x.Or == outing.Priming || x.Short && !x.TopUp) && m.firstOf(&f)
		}
	}
	return f, false
}

// firstOf reports whether no pull of its visit came before a flow.
func (m *model) firstOf(f *stretch) bool {
	for i := range m.view.Fills {
		if x := &m.view.Fills[i]; x.Visit == f.visit && x.Start < f.start {
			return false
		}
	}
	for i := range m.view.Loose {
		if l := &m.view.Loose[i]; l.Visit == f.visit && l.Start < f.start && l.Why != outing.Dribble && l.Why != outing.Unseen {
			return false
		}
	}
	return true
}

// next chooses what the hand most likely says now.
func (m *model) next() nextModel {
	var n nextModel
	here := m.view.Here.Yard
	yards := m.nextYards(m.view.Route)
	if k := len(yards); k > 0 && yards[k-1].ID == here {
		yards = yards[:k-1]
	}
	var on []bigTap // arriving at the next yards
	for _, y := range yards[:min(len(yards), besides)] {
		on = append(on, m.arriveTap(y))
	}
	left := bigTap{Form: toArrive, Name: "yard", Words: "Left " + m.yard(here).Name}
	k, _, _ := m.inHand()
	var x ledger.Visit
	if k >= 0 {
		x = m.view.Visits[k]
	}
	since, resting := m.view.OnBreak()
	first, primed := m.firstPull()
	told := here != "" && k >= 0 && x.Colonies > 0 && x.Missing <= 0
	switch {
	case resting:
		n.Main = bigTap{Form: toBreak, Name: "over", Value: "yes", Words: "The break is over", Small: "Since " + m.minute(since) + ". The next pull says so by itself."}
		if here != "" {
			n.Beside = []bigTap{left}
		}
		n.Beside = append(n.Beside, on...)
	case primed:
		n.Pull = first.pull()
		n.Main = bigTap{Form: toDeem, Name: "as", Value: act.AsPriming, Words: "That was priming", Small: m.sayFlow(&first) + "."}
		n.Beside = []bigTap{{Form: toDeem, Name: "as", Value: act.AsFill, Words: "It was a colony’s fill"}, skipTap, breakTap}
	case told:
		n.Main = left
		n.Main.Small = plural(x.Colonies, "colony", "colonies") + ", and all of them are told of."
		if x.Missing < 0 {
			n.Main.Small = plural(-x.Missing, "fill", "fills") + " more than its colonies make."
		}
		if x.Missing == 0 && !x.Told {
			n.Beside = []bigTap{{Form: toTold, Name: "yard", Value: here, Words: "All told"}}
		}
		n.Beside = append(append(n.Beside, skipTap, breakTap), on...)
	case here != "":
		n.Main = skipTap
		n.Main.Small = "The colony just passed, in " + m.yard(here).Name + "."
		n.Beside = []bigTap{deadTap, left, breakTap}
	case len(on) > 0:
		n.Main = on[0]
		if y := m.yard(on[0].Value); y.Colonies > 0 {
			n.Main.Small = plural(y.Colonies, "colony stands", "colonies stand") + " there."
		}
		n.Beside = append(append([]bigTap{}, on[1:min(len(on), besides)]...), breakTap)
	default:
		n.Main = skipTap
		n.Main.Small = "The colony just passed. No yard is known."
		n.Beside = []bigTap{deadTap, breakTap}
	}
	n.Beside = n.Beside[:min(len(n.Beside), besides)]
	return n
}
