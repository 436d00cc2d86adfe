package ledger

import (
	"cmp"
	"slices"
	"strings"

	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// books is what the season's books mean to the ledger.
type books struct {
	batches []act.Act           // what the tote on the rig held
	stands  map[string]act.Tote // what a swap brought, by the swap's id
	only    map[string]bool     // ids of totes that are described, and do not stand on the rig
	review  []Review
	prices  map[string]float64 // average price of a kilogram of dry solids, by kind of goods
}

// priced returns the prices; nil where none was said.
func (b *books) priced() map[string]float64 {
	if b == nil {
		return nil
	}
	return b.prices
}

// A rinse is none of the ledger's business, though it went through the meter: it
// takes nothing out of the tote and makes no batch thinner. It is said when the
// night's work is done, about when it was, so that of several pulls only the
// nearest can be taken for it; what it leaves in the hose comes out again as
// priming before the next fill. So a keeper's fills stand as they are, and the
// water is told apart where sugar is added up: in statement and balance.

// touchesBooks reports whether what the books mean may hang on an act.
func touchesBooks(b act.Body) bool {
	switch b.(type) {
	case act.Statement:
		return false
	case act.Tote, act.Batch:
		return true
	}
	return act.OfBooks(b)
}

// ownOf returns the acts of a rig among those of a house; of one rig all are.
func ownOf(rig string, all []act.Act) []act.Act {
	if !act.InHouse(all) {
		return all
	}
	var own []act.Act
	for i := range all {
		if all[i].Rig == rig {
			own = append(own, all[i])
		}
	}
	return own
}

// booksOf reads the books among standing acts, of one rig or of its house, as far
// as they are about the rig; nil where there are none.
func booksOf(rig string, all []act.Act) *books {
	if !slices.ContainsFunc(all, func(a act.Act) bool { return act.OfBooks(a.Body) }) {
		return nil
	}
	house := act.InHouse(all)
	if house {
		all = act.Housed(all)
	}
	own := func(a *act.Act) bool { return !house || a.Rig == rig }
	book := sugar.Read(all)
	b := &books{batches: book.Batches(rig, all), stands: make(map[string]act.Tote), only: make(map[string]bool)}
	of := make(map[string]*act.Act, len(all))
	for i := range all {
		of[all[i].ID] = &all[i]
	}
	for _, r := range book.Review {
		if a := of[r.Act]; a == nil || own(a) { // what is the house's is said there
			b.review = append(b.review, Review{Act: r.Act, Why: r.Why})
		}
	}
	for i := range book.Stocks {
		if price, ok := book.Price(book.Stocks[i].Kind); ok {
			if b.prices == nil {
				b.prices = make(map[string]float64)
			}
			b.prices[book.Stocks[i].Kind] = price
		}
	}
	gone := act.Corrected(all)
	on := act.NewRigTotes(all)
	shapes := make(map[string]act.Tote)
	var now *act.Tote
	for i := range all {
		a := &all[i]
		switch x := a.Body.(type) {
		case act.Tote:
			if a.Check() != nil {
				continue // compile says so
			}
			shapes[x.Name] = x
			stands, _ := on.Take(a)
			switch {
			case !own(a):
			case stands == "":
				b.only[a.ID] = true
			default:
				now = &x
			}
		case act.Swap:
			if gone[a.ID] || a.Check() != nil {
				continue
			}
			if stands, _ := on.Take(a); house && stands != rig {
				continue
			}
			shape, ok := shapes[x.Tote]
			if !ok && now == nil {
				continue // of no tote is the shape known
			}
			if !ok {
				shape = *now
				shape.Name = x.Tote
			}
			now = &shape
			named := shape
			if house { // its own are called on the rig as they are there
				named.Name = strings.TrimSuffix(shape.Name, act.Own("", rig))
			}
			b.stands[a.ID] = named
		}
	}
	return b
}

// in returns the rig's standing acts with what the books mean in the place of
// their entries. At one instant batches come first: what a person said of it
// counts. all are those that the books were read from.
func (b *books) in(rig string, all []act.Act) []act.Act {
	if b == nil {
		return ownOf(rig, all)
	}
	house := act.InHouse(all)
	out := slices.Clone(b.batches)
	for i := range all {
		a := all[i]
		if shape, ok := b.stands[a.ID]; ok {
			a.Body, a.Replaces = shape, nil
			if house {
				a.Rig = rig
			}
		} else if b.only[a.ID] || act.OfBooks(a.Body) || house && a.Rig != rig {
			continue
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(x, y act.Act) int { return cmp.Compare(x.From, y.From) })
	return out
}

// WithBooks returns a rig's standing acts as the ledger takes them: in the place
// of entries of the books what the tote on the rig held by them, as batches, and
// the tote that a swap brought. Without books that is the same list. In a house
// standing are those of all of it.
func WithBooks(rig string, standing []act.Act) []act.Act {
	return booksOf(rig, standing).in(rig, standing)
}
