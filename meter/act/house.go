package act

import (
	"fmt"
	"slices"
	"strings"
)

// House stands in the place of a rig's name in the acts of a house with several
// rigs: one book for all of them. Its entries name totes as follows: a tote that
// belongs to none of the rigs, such as a mixing tank, by its name; one that a
// rig's own acts spoke of as Own has it; and as OnRig has it the tote on a rig,
// whichever that is then. No rig can have this name.
//
// What a rig's acts say of the books stays that rig's: of its totes, and of a
// store of its own until the house's book speaks of that kind of goods; then the
// house's store has it.
const House = "*"

// OnRig names the tote on a rig in the house's book.
func OnRig(rig string) string { return "@" + rig }

// StandsOn returns the rig of a name that OnRig made.
func StandsOn(tote string) (rig string, ok bool) { return strings.CutPrefix(tote, "@") }

// Own names what is a rig's own, a tote or a store, in the house's book.
func Own(name, rig string) string { return name + " of " + rig }

// InHouse reports whether acts are of a house with one book: the book has entries
// or there are acts of several rigs. The order does not matter.
func InHouse(all []Act) bool {
	for i := range all {
		if all[i].Rig == House || all[i].Rig != all[0].Rig {
			return true
		}
	}
	return false
}

// OfHouse reports whether other rigs, or the house's book, may depend on an act
// of a rig. Of an undo that is so if it is of what it took back: all are given.
func OfHouse(b Body) bool {
	switch b.(type) {
	case Tote, Batch, Undo:
		return true
	}
	return OfBooks(b)
}

// Housed returns acts as the house's book names things: Own and OnRig instead
// of the names that a rig's own acts have. It keeps their order.
func Housed(all []Act) []Act {
	out := slices.Clone(all)
	for i := range out {
		if a := &out[i]; a.Rig != House {
			a.Body = housed(a.Body, a.Rig)
		}
	}
	return out
}

func housed(b Body, rig string) Body {
	tote := func(name string) string {
		if name == "" {
			return OnRig(rig)
		}
		return Own(name, rig)
	}
	goods := func(g *Goods) *Goods {
		if g == nil {
			return nil
		}
		own := *g
		own.Store = rig
		return &own
	}
	switch b := b.(type) {
	case Tote:
		b.Name = Own(b.Name, rig)
		return b
	case Purchase:
		b.Store = rig
		return b
	case Count:
		b.Store = rig
		return b
	case Mix:
		b.Tote, b.Parts = tote(b.Tote), slices.Clone(b.Parts)
		for i := range b.Parts {
			b.Parts[i].Store = rig
		}
		return b
	case Transfer:
		b.FromTote, b.ToTote = tote(b.FromTote), tote(b.ToTote)
		return b
	case Swap:
		b.Tote, b.Rig = tote(b.Tote), rig
		return b
	case Water:
		b.Tote = tote(b.Tote)
		return b
	case Stirred:
		b.Tote = tote(b.Tote)
		return b
	case Rinse:
		b.Tote = tote(b.Tote)
		return b
	case Lost:
		if b.Goods = goods(b.Goods); b.Goods == nil {
			b.Tote = tote(b.Tote)
		}
		return b
	case Fed:
		if b.Goods = goods(b.Goods); b.Goods == nil {
			b.Tote = tote(b.Tote)
		}
		return b
	case Contents:
		b.Tote = tote(b.Tote)
		return b
	}
	return b
}

// Touched are the totes whose content an entry is about, as it names them.
func Touched(b Body) []string {
	switch b := b.(type) {
	case Mix:
		return []string{b.Tote}
	case Transfer:
		return []string{b.FromTote, b.ToTote}
	case Swap:
		return []string{b.Tote}
	case Water:
		return []string{b.Tote}
	case Stirred:
		return []string{b.Tote}
	case Lost:
		if b.Goods == nil {
			return []string{b.Tote}
		}
	case Fed:
		if b.Goods == nil {
			return []string{b.Tote}
		}
	case Contents:
		return []string{b.Tote}
	}
	return nil
}

// checkHouse reports the first thing that cannot be so in an act of the house's
// book: what would have to be guessed.
func checkHouse(b Body) error {
	rule := `must name a tote, or like "@heron" the one on a rig, in the books of a house`
	named := func(field, tote string) error {
		if rig, on := StandsOn(tote); tote == "" || on && rig == "" {
			return &FieldError{field, rule, fmt.Sprintf("%q", tote)}
		}
		return nil
	}
	switch b := b.(type) {
	case Undo, Unknown:
		return nil
	case Mix:
		return named("tote", b.Tote)
	case Transfer:
		return firstOf(named("from_tote", b.FromTote), named("to_tote", b.ToTote))
	case Swap:
		if b.Rig == "" || b.Rig == House {
			return &FieldError{"rig", "must name the rig that the tote stands on, in the books of a house", fmt.Sprintf("%q", b.Rig)}
		}
		if _, on := StandsOn(b.Tote); on {
			return &FieldError{"tote", "must be a tote's own name", fmt.Sprintf("%q", b.Tote)}
		}
		return nil
	case Water:
		return named("tote", b.Tote)
	case Stirred:
		return named("tote", b.Tote)
	case Rinse:
		return named("tote", b.Tote)
	case Lost:
		if b.Goods == nil {
			return named("tote", b.Tote)
		}
		return nil
	case Fed:
		if b.Goods == nil {
			return named("tote", b.Tote)
		}
		return nil
	case Contents:
		return named("tote", b.Tote)
	}
	if !OfBooks(b) {
		return &FieldError{"rig", "must be a rig: only entries of the books are of the house", fmt.Sprintf("%q", House)}
	}
	return nil
}
