package ledger

import (
	"cmp"
	"slices"

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

// booksOf reads the books among standing acts; nil where there are none.
func booksOf(standing []act.Act) *books {
	if !slices.ContainsFunc(standing, func(a act.Act) bool { return act.OfBooks(a.Body) }) {
		return nil
	}
	book := sugar.Read(standing)
	b := &books{batches: book.Batches(standing), stands: make(map[string]act.Tote), only: make(map[string]bool)}
	for _, r := range book.Review {
		b.review = append(b.review, Review{Act: r.Act, Why: r.Why})
	}
	for i := range book.Stocks {
		if price, ok := book.Stocks[i].Price(); ok {
			if b.prices == nil {
				b.prices = make(map[string]float64)
			}
			b.prices[book.Stocks[i].Kind] = price
		}
	}
	gone := act.Corrected(standing)
	on := act.NewRigTote(standing)
	shapes := make(map[string]act.Tote)
	var now *act.Tote
	for i := range standing {
		a := &standing[i]
		switch x := a.Body.(type) {
		case act.Tote:
			if a.Check() != nil {
				continue // compile says so
			}
			shapes[x.Name] = x
			if !on.Take(a) {
				b.only[a.ID] = true
				continue
			}
			now = &x
		case act.Swap:
			if gone[a.ID] || a.Check() != nil {
				continue
			}
			on.Take(a)
			shape, ok := shapes[x.Tote]
			if !ok && now == nil {
				continue // of no tote is the shape known
			}
			if !ok {
				shape = *now
				shape.Name = x.Tote
			}
			now = &shape
			b.stands[a.ID] = shape
		}
	}
	return b
}

// in returns the standing acts with what the books mean in the place of their
// entries. At one instant batches come first: what a person said of it counts.
func (b *books) in(standing []act.Act) []act.Act {
	if b == nil {
		return standing
	}
	out := slices.Clone(b.batches)
	for i := range standing {
		a := standing[i]
		if shape, ok := b.stands[a.ID]; ok {
			a.Body, a.Replaces = shape, nil
		} else if b.only[a.ID] || act.OfBooks(a.Body) {
			continue
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(x, y act.Act) int { return cmp.Compare(x.From, y.From) })
	return out
}

// WithBooks returns the standing acts as the ledger takes them: in the place of
// entries of the books what the tote on the rig held by them, as batches, and the
// tote that a swap brought. Without books that is the same list.
func WithBooks(standing []act.Act) []act.Act { return booksOf(standing).in(standing) }
