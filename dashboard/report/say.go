package report

import (
	"fmt"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	ltote "yardtally/meter/tote"
)

// NameOf returns the name of a yard; what has no yard is NoYard.
func NameOf(v *ledger.View, yard string) string { return nameOf(names(v), yard) }

// count is a number and what is counted, like "1 fill" or "23 fills"; 0 is "no fill".
func count(n int, one, many string) string {
	switch n {
	case 0:
		return "no " + one
	case 1:
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func colonies(n int) string { return count(n, "colony", "colonies") }

// ByColony reports whether the fills of a visit, each with its top-ups, are what
// its colonies got, one each: a person said that all is told, and it adds up
// without a doubt. Else a count of fills is none of colonies.
func ByColony(x *ledger.Visit) bool {
	return fedAsTold(x) && x.Twice == 0 && x.Sharing == 0
}

func fedAsTold(x *ledger.Visit) bool {
	return x.Told && x.Colonies > 0 && x.Missing == 0 && x.Unsure+x.Perhaps == 0
}

// SayVisit says what a visit's fills are beside the colonies of its yard, without
// the yard's name: "23 fills, 24 colonies; one unaccounted for, not known which."
// That colonies were fed it says only where a person said that all is told, and
// that adds up. It leads on from a name and a colon. SayUnsure says what may be
// otherwise.
func SayVisit(x *ledger.Visit) string {
	given, tops := count(x.Fills, "fill", "fills"), count(x.TopUps, "top-up", "top-ups")
	fills := given
	if x.TopUps > 0 {
		fills += " and " + tops
	}
	var said []string // besides colonies that were fed
	if x.Skipped > 0 {
		said = append(said, strconv.Itoa(x.Skipped)+" skipped")
	}
	if x.Dead > 0 {
		said = append(said, strconv.Itoa(x.Dead)+" dead")
	}
	if x.Twice > 0 {
		said = append(said, strconv.Itoa(x.Twice)+" fed twice")
	}
	if x.Sharing > 0 {
		said = append(said, strconv.Itoa(x.Sharing)+" fed from another's fill")
	}
	besides := ""
	if len(said) > 0 {
		besides = ": " + strings.Join(said, ", ")
	}
	switch {
	case x.Yard == "":
		return fills + besides + "."
	case x.Colonies == 0:
		return fills + besides + "; how many colonies stand there was not said."
	case x.Missing < 0 && len(said) > 0:
		return fmt.Sprintf("%s, %s%s; %s more than that makes.", fills, colonies(x.Colonies), besides, count(-x.Missing, "fill", "fills"))
	case x.Missing < 0:
		return fmt.Sprintf("%s, %s: %s more than colonies.", fills, colonies(x.Colonies), count(-x.Missing, "fill", "fills"))
	case x.Missing > 0 && !x.Over:
		return fmt.Sprintf("%s so far, %s%s; %d still to go.", fills, colonies(x.Colonies), besides, x.Missing)
	case x.Missing == x.Colonies:
		return fmt.Sprintf("%s, %s.", fills, colonies(x.Colonies))
	case x.Missing > 0:
		n := strconv.Itoa(x.Missing)
		if x.Missing == 1 {
			n = "one"
		}
		if len(said) > 0 {
			n += " more"
		}
		return fmt.Sprintf("%s, %s%s; %s unaccounted for, not known which.", fills, colonies(x.Colonies), besides, n)
	case !fedAsTold(x) && len(said) > 0:
		return fmt.Sprintf("%s, %s%s; that adds up.", fills, colonies(x.Colonies), besides)
	case !fedAsTold(x) && x.TopUps > 0:
		return fmt.Sprintf("%s, as many as colonies, and %s.", given, tops)
	case !fedAsTold(x):
		return given + ", as many as colonies."
	case len(said) > 0:
		fed := strconv.Itoa(x.Colonies-x.Skipped-x.Dead) + " fed"
		return fmt.Sprintf("%s: %s.", colonies(x.Colonies), strings.Join(append([]string{fed}, said...), ", "))
	case x.Colonies == 1:
		return "1 colony, fed."
	}
	return colonies(x.Colonies) + ", all fed."
}

// Said of why flow is no fill.
var looseWords = map[string]string{
	outing.Dribble: "dribble: too little to be a fill",
	outing.Unseen:  "unseen: it flowed between two messages, too far apart to tell fills",
	outing.Suspect: "suspect: pulses, but hardly syrup",
	outing.Priming: "priming: until syrup came, onto the ground",
	outing.Flush:   "flush: to clean or empty the hose, onto the ground",
	outing.Ground:  "ground: onto the ground, to no colony",
	outing.Proving: "proving: into a bucket that was weighed",
	outing.Hose:    "hose: it filled the hose, which had been emptied",
	outing.Air:     "air: the tote was empty",
	outing.Spill:   "spill: lost",
}

// SayLoose says what flow outside fills was, and what speaks for it: "priming:
// until syrup came, onto the ground (a small first pull)".
func SayLoose(l *ledger.Loose) string {
	s := looseWords[l.Why]
	if s == "" {
		s = l.Why
	}
	switch {
	case l.Note != "":
		s += " (" + l.Note + ")"
	case looseByHand(l):
		s += " (by hand)"
	}
	if l.Or != "" {
		s += "; may be " + orWords(l.Or, 1)
	}
	return s
}

// looseByHand reports whether a person said what it was. An act may also have
// moved it only; but some things nothing else tells.
func looseByHand(l *ledger.Loose) bool {
	if l.By == "" || l.Note != "" {
		return false
	}
	return l.Reason != ledger.ByHand || l.Why == outing.Priming || l.Why == outing.Flush || l.Why == outing.Spill
}

// NoteFill says what is special about a fill, in few words: "top-up", "short",
// "may be priming", "by hand"; "" where nothing is.
func NoteFill(f *ledger.Fill) string {
	var s []string
	if f.TopUp {
		s = append(s, "top-up")
	}
	if f.Short {
		s = append(s, "short")
	}
	if f.To > f.Colony && f.Colony > 0 {
		s = append(s, "shared")
	}
	if f.Or != "" {
		s = append(s, "may be "+orWords(f.Or, 1))
	}
	if f.By != "" && f.Reason != ledger.ByHand {
		s = append(s, "by hand")
	}
	if f.Open {
		s = append(s, "still open")
	}
	return strings.Join(s, ", ")
}

// PlacedBy says why a volume is in its yard, as tables show it.
func PlacedBy(r ledger.Reason) string {
	switch r {
	case ledger.ByMark:
		return "button"
	}
	return string(r)
}

// WhyNoYard says why what has no yard has none, to follow its volume and a colon.
func WhyNoYard(r ledger.Reason) string {
	switch r {
	case ledger.NoYard:
		return "the rig stood outside every yard"
	case ledger.TwoYards:
		return "the rig stood where it may be either of two yards"
	case ledger.NoPosition:
		return "no position was heard"
	case ledger.ByHand:
		return "taken out of its yard by hand"
	case ledger.ByTap:
		return "the rig had left, as was tapped"
	case ledger.ByMark:
		return "the button was pressed, but no route says where"
	}
	return "why is not known"
}

// SayChange says what went into or out of the tote past the meter: "18:40:00
// to 18:52:00, refill: 150.0 gal ±3.0 gal went in, at 12.5 gal/min." It is ""
// for what SayDoubt says.
func SayChange(c *ltote.Change, u quantity.System, clock func(int64) string) string {
	if c.Kind == ltote.Meter {
		return ""
	}
	kind := c.Kind.String()
	if !c.Sure {
		kind = "perhaps " + kind
	}
	way, v := "went in", c.Volume
	if v < 0 {
		way, v = "went out", -v
	}
	begin, end := c.Begin, c.End
	if begin == 0 || end <= begin || c.Kind == ltote.Unheard { // when it changed cannot be told
		begin, end = c.From, c.To
	}
	s := fmt.Sprintf("%s to %s, %s: %s ±%s %s", clock(begin), clock(end), kind, u.Volume(v), u.Volume(c.Within), way)
	switch c.Kind {
	case ltote.Swap:
		s = fmt.Sprintf("%s to %s, %s: it held %s before and %s after", clock(begin), clock(end), kind, u.Volume(c.Before), u.Volume(c.After))
	case ltote.Unheard:
	default:
		if c.Rate > 0 {
			s += ", at " + u.Flow(c.Rate)
		}
	}
	if c.Note != "" {
		s += " (" + c.Note + ")"
	}
	return s + "."
}

// SayDoubt says where the meter counted more than the tote gave.
func SayDoubt(d *ltote.Doubt, u quantity.System, clock func(int64) string) string {
	s := fmt.Sprintf("%s to %s: the meter counted %s, and the tote ", clock(d.From), clock(d.To), u.Volume(d.Metered))
	switch {
	case d.Fall > 0:
		s += "fell by " + u.Volume(d.Fall)
	case d.Fall < 0:
		s += "rose by " + u.Volume(-d.Fall)
	default:
		s += "did not fall"
	}
	s += fmt.Sprintf(". %s ±%s did not come out of it", u.Volume(d.Excess), u.Volume(d.Within))
	switch {
	case d.Why == ltote.Filled:
		return s + ", or as much went in meanwhile."
	case d.Why == ltote.Empty && d.Sure:
		return s + fmt.Sprintf(": it was empty from %s on, and the meter counted air.", clock(d.Since))
	case d.Why == ltote.Empty:
		return s + ": it may have been empty, so that the meter counted air."
	case d.Sure:
		return s + ": pulses, but hardly syrup; they are in no fill."
	}
	return s + "; which of the flow that is cannot be told, so it stays where it is."
}

// SayLeft says what is left in the tote and whether it will do, a sentence
// each: "Left: 412.0 gal ±6.0 gal, with 2,890 lb of sugar." and "Mill Bottom
// next needs 11.0 gal: enough, 380.0 gal over." name gives a yard's name.
func SayLeft(l *ledger.Left, u quantity.System, name func(yard string) string) []string {
	if !l.Known {
		why := l.Why
		if why == "" {
			why = "no level was heard"
		}
		return []string{"What is left is not known: " + why + "."}
	}
	o := &l.There
	s := "Left: " + u.Volume(o.Volume) + " ±" + u.Volume(o.Within)
	if o.Solids > 0 {
		s += ", with " + u.Mass(o.Solids) + " of sugar"
		if o.SolidsWithin > 0 {
			s += " ±" + u.Mass(o.SolidsWithin)
		}
	}
	out := []string{s + "."}
	if l.Yard != "" && o.Margin < o.Volume {
		out = append(out, needs(name(l.Yard)+" still needs", o, u))
	}
	next := " next needs"
	if len(l.Yards) > 1 {
		next = ", if it is next, needs"
	}
	for i := range l.Yards {
		out = append(out, needs(name(l.Yards[i].Yard)+next, &l.Yards[i].Outlook, u))
	}
	if len(l.Yards) > 1 || len(l.Yards) == 1 && l.Yard != "" && o.Margin < o.Volume {
		out = append(out, needs("All together need", &l.Tonight, u))
	}
	if n := len(l.Unsaid); n > 0 {
		all := make([]string, n)
		for i, id := range l.Unsaid {
			all[i] = name(id)
		}
		if n > 1 {
			all = []string{strings.Join(all[:n-1], ", ") + " and " + all[n-1]}
		}
		verb := "needs"
		if n > 1 {
			verb = "need"
		}
		out = append(out, fmt.Sprintf("What %s %s is not known: how many colonies, or how much for each, was not said.", all[0], verb))
	}
	return out
}

// needs says what is needed and whether it is there.
func needs(who string, o *ltote.Outlook, u quantity.System) string {
	if o.Volume <= 0 && o.Margin < 0 {
		return who + " more than is left." // the margin holds what was drawn beyond empty, too
	}
	return who + " " + u.Volume(o.Volume-o.Margin) + ": " + SayOutlook(o, u) + "."
}

// SayOutlook says whether what is left will do: "enough, 380.0 gal over".
func SayOutlook(o *ltote.Outlook, u quantity.System) string {
	switch o.Enough {
	case ltote.Yes:
		return "enough, " + u.Volume(o.Margin) + " over"
	case ltote.No:
		return "not enough, " + u.Volume(-o.Margin) + " short; it does for " + colonies(o.ColoniesSure)
	}
	low, high := o.Margin-o.MarginWithin, o.Margin+o.MarginWithin
	return fmt.Sprintf("close, between %s short and %s over; it surely does for %s", u.Volume(max(0, -low)), u.Volume(max(0, high)), colonies(o.ColoniesSure))
}
