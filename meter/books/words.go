package books

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// date returns the day of an instant: "9 October".
func (s *Season) date(at int64) string {
	loc := s.Loc
	if loc == nil {
		loc = time.UTC
	}
	return time.Unix(0, at).In(loc).Format("2 January")
}

// words says a fault: what would be true.
func (m *model) words(f *fault, c *Culprit) string {
	s := m.s
	more := func(x float64, a, b string) string {
		if x > 0 {
			return a
		}
		return b
	}
	size := math.Abs(c.Size)
	kg := s.Units.Mass(quantity.Mass(size))
	litres := s.Units.Volume(quantity.VolumeOf(size / 1000))
	percent := fmt.Sprintf("%.2g %%", size)
	if size >= 10 {
		percent = fmt.Sprintf("%.0f %%", size)
	}
	switch f.kind {
	case OfBags, OfGoods:
		return m.goodsWords(f, c, kg)
	case OfWater:
		return fmt.Sprintf("about %s %s water was put in than was booked in the %s", kg, more(c.Size, "more", "less"), m.entry(f.act))
	case OfBrix:
		return fmt.Sprintf("the Brix of the %s is likely %.2g %s", m.entry(f.act), size, more(c.Size, "low", "high"))
	case OfReading:
		return fmt.Sprintf("the refractometer likely reads %.2g Brix %s: check it with water and with a syrup that was weighed", size, more(c.Size, "low", "high"))
	case OfMeter:
		whose := "the meter"
		if f.rig != "" {
			whose += " of " + f.rig
		}
		return fmt.Sprintf("%s reads %s %s: prove it", whose, percent, more(c.Size, "low", "high"))
	case OfStrapping:
		if f.tote != "" {
			return fmt.Sprintf("the level sensor or strapping of %s makes contents %s too %s", theTote(f.tote), percent, more(c.Size, "small", "large"))
		}
		return fmt.Sprintf("the tote's level sensor or strapping makes contents %s too %s", percent, more(c.Size, "small", "large"))
	case OfScale:
		return fmt.Sprintf("the scale shows %s too %s", percent, more(c.Size, "little", "much"))
	case OfLabel:
		return fmt.Sprintf("the bags hold %s %s than their label says", percent, more(c.Size, "more", "less"))
	case OfContent:
		at := f.at
		if f.act >= 0 {
			at = s.Acts[f.act].Since()
		}
		return fmt.Sprintf("%s held about %s %s than was seen on %s", theTote(f.tote), litres, more(c.Size, "more", "less"), s.date(at))
	case OfVolume:
		return fmt.Sprintf("about %s %s was moved than was booked in the %s", litres, more(c.Size, "more", "less"), m.entry(f.act))
	}
	p := &m.pools[f.pool]
	between := fmt.Sprintf("between %s and %s", s.date(p.from), s.date(p.to))
	if s.date(p.from) == s.date(p.to) {
		between = "on " + s.date(p.from)
	}
	what, past := "sugar, as syrup,", " past the meter"
	if p.store != "" {
		what, past = p.store, ""
	}
	if c.Size < 0 {
		return fmt.Sprintf("about %s of %s came into %s %s without being booked", kg, what, m.the(p), between)
	}
	return fmt.Sprintf("about %s of %s left %s%s %s without being booked", kg, what, m.the(p), past, between)
}

func (m *model) goodsWords(f *fault, c *Culprit, kg string) string {
	a := &m.s.Acts[f.act]
	amount, was, less := "about "+kg, "was", "less"
	if f.kind == OfBags {
		amount, less = "about one bag", "fewer"
		if math.Abs(c.Size) > 1 {
			amount, was = "about two bags", "were"
		}
	}
	if c.Size > 0 {
		less = "more"
	}
	on := m.s.date(a.Since())
	switch a.Body.(type) {
	case act.Purchase:
		if c.Size < 0 {
			return fmt.Sprintf("%s %s of %s came than was booked as bought on %s, or left the store without being booked", amount, less, f.goods, on)
		}
		return fmt.Sprintf("%s %s of %s came than was booked as bought on %s", amount, less, f.goods, on)
	case act.Count:
		return fmt.Sprintf("%s %s of %s %s in store than was counted on %s", amount, less, f.goods, was, on)
	}
	return fmt.Sprintf("%s %s of %s %s used than was booked in the %s", amount, less, f.goods, was, m.entry(f.act))
}

// entry names an entry: "mix of 9 October".
func (m *model) entry(i int) string {
	a := &m.s.Acts[i]
	what := "entry"
	switch a.Body.(type) {
	case act.Mix:
		what = "mix"
	case act.Water:
		what = "added water"
	case act.Stirred, act.Batch:
		what = "measured tote"
	case act.Transfer:
		what = "transfer"
	case act.Rinse:
		what = "rinse"
	case act.Lost:
		what = "loss"
	case act.Fed:
		what = "feed past the meter"
	}
	return what + " of " + m.s.date(a.Since()) + m.where(a)
}

// where says, in a house, which tote an entry is of: there are several.
func (m *model) where(a *act.Act) string {
	if !m.s.Book.House {
		return ""
	}
	said := act.Touched(a.Body)
	if r, ok := a.Body.(act.Rinse); ok {
		said = []string{r.Tote}
	}
	if len(said) == 0 {
		return ""
	}
	tote := said[len(said)-1]
	if _, ok := act.StandsOn(tote); ok { // as it stood then
		if h := slices.IndexFunc(m.s.Book.Held, func(h sugar.Held) bool { return h.Act == a.ID && h.OnRig }); h >= 0 {
			tote = m.s.Book.Held[h].Tote
		}
	}
	in := " in "
	if len(said) == 2 {
		in = " into "
	}
	return in + theTote(m.called(&pool{tote: tote}))
}

// Say says a culprit in a sentence, with those that it cannot be told from.
func (c *Culprit) Say() string {
	if len(c.With) == 0 {
		return upper(c.Words) + "."
	}
	all := []string{c.Words}
	for i := range c.With {
		all = append(all, c.With[i].Words)
	}
	text := "Either " + strings.Join(all, "; or ") + "."
	if c.More > 0 {
		text += fmt.Sprintf(" %d more would explain it about as well.", c.More)
	}
	return text + " The books cannot tell which."
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
