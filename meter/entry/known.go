package entry

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// totesAt follows which tote stands on which rig until an instant.
func totesAt(standing []act.Act, at int64) *act.RigTotes {
	totes := act.NewRigTotes(standing)
	for i := range standing {
		if standing[i].Since() > at {
			break
		}
		totes.Take(&standing[i])
	}
	return totes
}

// named returns a tote's own name at an instant; "" is that on the only rig, as
// acts have it, and stays so where none is named.
func named(standing []act.Act, at int64, tote string) string {
	totes := totesAt(standing, at)
	if rigs := totes.Rigs(); tote == "" && len(rigs) == 1 {
		return totes.On(rigs[0])
	}
	return totes.Named(&act.Act{}, tote)
}

// touching returns the entries that are about the content of a tote, and those
// that are about syrup leaving it for another.
func touching(k *Known, tote string) (about, from map[string]bool) {
	about, from = make(map[string]bool), make(map[string]bool)
	totes := act.NewRigTotes(k.Standing)
	for i := range k.Standing {
		a := &k.Standing[i]
		totes.Take(a)
		is := func(name string) bool {
			if !k.house() { // "" is the one on the rig, whichever was
				return name == "" || name == tote
			}
			return totes.Named(a, name) == tote
		}
		if slices.ContainsFunc(act.Touched(a.Body), is) {
			about[a.ID] = true
		}
		if t, ok := a.Body.(act.Transfer); ok && is(t.FromTote) {
			from[a.ID] = true
		}
	}
	return about, from
}

// Totes are the names of all totes that acts speak of, in order.
func Totes(standing []act.Act) (names []string) {
	add := func(n ...string) {
		for _, n := range n {
			if _, on := act.StandsOn(n); n != "" && !on && !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
	}
	for i := range standing {
		switch b := standing[i].Body.(type) {
		case act.Tote:
			add(b.Name)
		default:
			add(act.Touched(b)...)
		}
	}
	slices.Sort(names)
	return names
}

// standing is the tote's own name, where it is the one on the rig.
func (r *reader) standing(tote string) string {
	return named(r.k.Standing, r.at, tote)
}

// tote reads a tote's name, in letters of any case. Only where syrup comes into
// it may it be one that nobody spoke of yet.
func (r *reader) tote(field string, fresh bool) string {
	text := r.name(field)
	if r.k.house() {
		return r.houseTote(field, text, fresh)
	}
	if text == "" {
		return ""
	}
	known := Totes(r.k.Standing)
	for _, n := range known {
		if strings.EqualFold(n, text) {
			return n
		}
	}
	if fresh {
		r.note("%q is a tote that nobody spoke of before.", text)
		return text
	}
	rule := "must be a tote that something was put into before, and there is none yet"
	if len(known) > 0 {
		rule = "must be one of the totes spoken of so far: " + strings.Join(known, ", ")
	}
	r.fail(field, rule, text)
	return text
}

// onRig reports whether a tote of that name stands on a rig.
func (r *reader) onRig(name string) bool {
	totes := totesAt(r.k.Standing, r.at)
	_, ok := totes.Rig(name)
	return ok || !r.k.house() && name == ""
}

// rig reads which rig is meant, "" where that is not said; of a house with one
// rig, that one.
func (r *reader) rig() string {
	text := r.text(Rig)
	if text == "" {
		if len(r.k.Rigs) == 1 {
			return r.k.Rigs[0].Rig
		}
		return ""
	}
	rig, ok := r.k.rig(text)
	if !ok {
		r.fail(Rig, "must be one of the house's rigs: "+r.k.rigNames(), text)
	}
	return rig
}

// mustRig is rig where one has to be named.
func (r *reader) mustRig() string {
	rig := r.rig()
	if rig == "" {
		r.fail(Rig, "must be named, as the house has several: "+r.k.rigNames(), "")
	}
	return rig
}

// houseTote reads a tote in the house's book: by its name, which for one of a
// rig's own may be as that rig calls it, or by the rig that it stands on.
func (r *reader) houseTote(field, text string, fresh bool) string {
	if text == "" {
		return act.OnRig(r.mustRig())
	}
	rig := r.rig()
	known := Totes(r.k.Standing)
	fold := func(name string) (string, bool) {
		i := slices.IndexFunc(known, func(n string) bool { return strings.EqualFold(n, name) })
		if i < 0 {
			return "", false
		}
		return known[i], true
	}
	if rig != "" && r.text(Rig) != "" {
		if n, ok := fold(act.Own(text, rig)); ok {
			return n
		}
		if field == "tote" {
			r.fail(Rig, "must not stand beside a tote that is not its own", r.text(Rig))
		}
	}
	if n, ok := fold(text); ok {
		return n
	}
	var whose []string
	for _, v := range r.k.Rigs {
		if n, ok := fold(act.Own(text, v.Rig)); ok {
			whose = append(whose, n)
		}
	}
	switch on, ok := r.k.rig(strings.TrimPrefix(text, act.OnRig(""))); {
	case len(whose) == 1:
		return whose[0]
	case len(whose) > 1:
		r.fail(field, "must say whose, as there are "+strings.Join(whose, " and "), text)
	case ok:
		return act.OnRig(on)
	case fresh && !strings.HasPrefix(text, act.OnRig("")):
		r.note("%q is a tote that nobody spoke of before.", text)
	default:
		r.fail(field, "must be a rig, for the tote on it ("+r.k.rigNames()+"), or one of the totes spoken of so far: "+strings.Join(known, ", "), text)
	}
	return text
}

// yard reads a yard's id or name, in letters of any case.
func (r *reader) yard(field string) string {
	text := r.text(field)
	var known []string
	if r.k.View != nil {
		found := ""
		for _, y := range r.k.View.Yards {
			known = append(known, fmt.Sprintf("%s (%s)", y.ID, y.Name))
			switch {
			case y.ID == text:
				return y.ID
			case text != "" && (strings.EqualFold(y.ID, text) || strings.EqualFold(y.Name, text)):
				if found != "" {
					r.fail(field, "must be an id, as several yards have the name", text)
				}
				found = y.ID
			}
		}
		if found != "" {
			return found
		}
	}
	switch {
	case text == "":
		r.fail(field, "must be given: the yard that got it", "")
	case len(known) == 0:
		r.fail(field, "must be a yard that the settings describe, and there is none yet", text)
	default:
		r.fail(field, "must be one of "+strings.Join(known, ", "), text)
	}
	return text
}

// before reads what a tote held before so much came into it, L. Where it is not
// said, the rig's level at rest tells it.
func (r *reader) before(tote string, comes float64) *act.Content {
	empty, left := r.on("empty"), r.text("left")
	switch {
	case r.err != nil:
		return nil
	case empty && left != "":
		r.fail("empty", "must not stand beside left", left)
	case left == "" && r.text("left-within") != "":
		r.fail("left-within", "must stand only with left", r.text("left-within"))
	case empty:
		return &act.Content{}
	case left != "":
		c := &act.Content{L: r.litres("left")}
		if c.WithinL = r.withinL("left-within", c.L); c.WithinL == 0 && r.err == nil {
			r.note("Before it the tote held %s: taken as right to %s at most.", r.volume(c.L), r.volume(c.Within()))
		}
		return c
	}
	if r.err != nil {
		return nil
	}
	c, why := r.offered(tote, comes)
	if why != "" {
		r.fail("left", fmt.Sprintf(`must be given, like "25 gal", or empty: what did %s hold before? (%s)`, r.called(tote), why), "")
	}
	return c
}

// Offer says what is taken for what a tote held before something comes into it
// now, where nothing is said of that; "" where it must be said.
func Offer(k *Known, tote string) string {
	r := &reader{k: k, at: k.Now}
	if c, why := r.offered(tote, 0); c == nil || why != "" {
		return ""
	}
	return r.notes[0]
}

func (r *reader) called(tote string) string {
	name := r.standing(tote)
	if rig, on := act.StandsOn(name); on && r.k.house() {
		return "the tote on " + rig
	}
	if name != "" {
		return strconv.Quote(name)
	}
	return "the tote on the rig"
}

// offered is what a tote held before so much came into it, L, as far as it can
// be told, and why it cannot; nil of a tote that nothing ever came into.
func (r *reader) offered(tote string, comes float64) (c *act.Content, why string) {
	name, called := r.standing(tote), r.called(tote)
	why = "nothing tells"
	switch {
	case r.k.View == nil:
	case r.onRig(name):
		rig, _ := totesAt(r.k.Standing, r.at).Rig(name)
		rest, err := restBefore(r.k.on(rig), rig, name, r.at, true)
		switch room := rest.Capacity; {
		case err != nil:
			why = err.Error()
		case room > 0 && rest.L+comes > 1.1*room:
			why = fmt.Sprintf("%s at %s shows %s, and with what came it would hold more than its %s: it may have been filled by then",
				rest.By(), r.when(rest.At), r.volume(rest.L), r.volume(room))
		default:
			r.note("Before it %s held %s ± %s, by %s at %s.", called, r.volume(rest.L), r.volume(rest.Within), rest.By(), r.when(rest.At))
			return &act.Content{L: rest.L, WithinL: rest.Within}, ""
		}
	case !r.spoken(name):
		return nil, ""
	default:
		book := sugar.Read(r.k.Standing)
		if i := book.In(name, r.at-1); i >= 0 {
			c := &act.Content{L: math.Round(10*held(book.Held[i].Batch).Litres()) / 10}
			r.note("Before it %s held %s by the books: taken as right to %s at most.", called, r.volume(c.L), r.volume(c.Within()))
			return c, ""
		}
	}
	return nil, why
}

// spoken reports whether anything came into a tote before.
func (r *reader) spoken(name string) bool {
	about, _ := touching(r.k, name)
	for i := range r.k.Standing {
		a := &r.k.Standing[i]
		if a.From < r.at && (about[a.ID] && r.k.house() || slices.Contains(act.Touched(a.Body), name)) {
			return true
		}
	}
	return false
}

// words says an amount of goods as it was written.
func words(g act.Goods) string {
	text := goodsText(act.Goods{Kind: g.Kind, Bags: g.Bags, BagKg: g.BagKg, Kg: g.Kg, L: g.L})
	if g.Bags == 1 {
		text = strings.Replace(text, "bags", "bag", 1)
	}
	return text
}

// fieldNames are what acts call the fields that a person writes.
var fieldNames = map[string]string{"reading_temp_c": "reading-temp", "brix_within": "brix-within", "from_tote": "from", "to_tote": "to",
	"temp_c": "temp", "volume_l": "volume", "volume_within_l": "volume-within", "before.l": "left", "before.within_l": "left-within",
	"bag_kg": "bag", "within_pct": "within", "within_l": "within", "water_within_pct": What,
	"rig": Rig, "l": What, "kg": What, "bags": What, "kind": What, "parts": What, "water_kg": What, "water_l": What}

// fieldOf gives an act's own error the name of the field that was written.
func fieldOf(err error) error {
	var fe *act.FieldError
	if !errors.As(err, &fe) {
		return err
	}
	name := fe.Field
	if strings.HasPrefix(name, "parts[") {
		_, name, _ = strings.Cut(name, ".")
	}
	name = strings.TrimPrefix(name, "goods.")
	if f, ok := fieldNames[name]; ok {
		name = f
	}
	return &act.FieldError{Field: name, Rule: fe.Rule, Value: fe.Value}
}
