package entry

import (
	"math"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// Stocked is what is in store of a kind of goods, by the books.
type Stocked struct {
	Kind     string
	Of       string        // the rig whose own store it is, in a house; "": the only one, or the house's
	Mass     quantity.Mass // below 0: more went out than came in
	Bag      quantity.Mass // as it was last bought or counted; 0: not in bags
	Price    float64       // of a kilogram of dry solids, in the house's currency
	HasPrice bool
}

// Bags is Mass in bags, to the tenth.
func (s *Stocked) Bags() float64 { return math.Round(10*float64(s.Mass/s.Bag)) / 10 }

// InStore lists what is in store, with standing the acts that book was read from.
func InStore(book *sugar.Book, standing []act.Act) []Stocked {
	var out []Stocked
	for i := range book.Stocks {
		k := &book.Stocks[i]
		solids, water := k.Left()
		s := Stocked{Kind: k.Kind, Of: k.Of, Mass: solids.Mass() + water.Mass()}
		s.Price, s.HasPrice = book.Price(k.Kind)
		for j := range standing {
			var g act.Goods
			switch b := standing[j].Body.(type) {
			case act.Purchase:
				g = b.Goods
			case act.Count:
				g = b.Goods
			}
			if g.Kind == k.Kind && g.BagKg > 0 {
				s.Bag = quantity.Mass(g.BagKg)
			}
		}
		out = append(out, s)
	}
	return out
}

// Holding is what a tote holds now, by the books.
type Holding struct {
	Held   *sugar.Held
	Rig    string          // on which it stands, in a house
	OnRig  bool            // the meter may have taken from it since: its level knows better
	Volume quantity.Volume // at 20 °C
}

// InTotes lists the totes that hold something, and that on the rig, in order of
// when that began.
func InTotes(book *sugar.Book) []Holding {
	last := make(map[string]int)
	for i := range book.Held {
		last[book.Held[i].Tote] = i
	}
	on := make(map[int]string)
	rigs := []string{""}
	if book.House {
		rigs = book.Rigs
	}
	for _, rig := range rigs {
		if i := book.OnRig(rig, math.MaxInt64); i >= 0 && last[book.Held[i].Tote] == i {
			on[i] = rig
		}
	}
	var out []Holding
	for i := range book.Held {
		h := &book.Held[i]
		rig, onRig := on[i]
		if last[h.Tote] != i || h.Batch.Total() == 0 && !onRig {
			continue
		}
		out = append(out, Holding{h, rig, onRig, held(h.Batch)})
	}
	return out
}

// held is the volume of what a tote holds, at 20 °C.
func held(b mix.Batch) quantity.Volume {
	if b.Total() == 0 {
		return 0
	}
	return quantity.VolumeOf(float64(b.Total().Mass()) / float64(b.Syrup().Near(20).Density))
}
