package main

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/entry"
	"yardtally/meter/sugar"
)

// listBook lists the entries of the books, and what is in store and in each tote.
func (s *spoken) listBook() error {
	standing := s.known().Standing
	book := sugar.Read(standing)
	why := make(map[string]string)
	for _, r := range book.Review {
		why[r.Act] = r.Why
	}
	n := 0
	for i := range standing {
		a := &standing[i]
		if !isEntry(a) {
			continue
		}
		if n == 0 {
			fmt.Fprintf(s.e.out, "Books of %s\n\n", s.whose())
		}
		n++
		fmt.Fprintf(s.e.out, "%s  %s by %s\n    %s\n", short(a.ID), day(a.From, s.zone), a.Who, s.sayAct(a.Body))
		if why[a.ID] != "" {
			fmt.Fprintf(s.e.out, "    To settle: %s.\n", why[a.ID])
		}
	}
	if n == 0 {
		fmt.Fprintln(s.e.out, "Nothing is booked yet: \"yardtally book -h\" says how.")
		return nil
	}
	fmt.Fprintln(s.e.out, "\nIn store by the books:")
	if len(book.Stocks) == 0 {
		fmt.Fprintln(s.e.out, "  nothing that was booked")
	}
	for _, k := range entry.InStore(book, standing) {
		if k.Of != "" && k.Mass == 0 {
			continue // the house's store has it
		}
		fmt.Fprintln(s.e.out, "  "+s.sayStock(&k))
	}
	fmt.Fprintln(s.e.out, "In totes:")
	totes := entry.InTotes(book)
	for i := range totes {
		fmt.Fprintln(s.e.out, "  "+s.sayHeld(&totes[i]))
	}
	if len(totes) == 0 {
		fmt.Fprintln(s.e.out, "  nothing that was booked")
	}
	return nil
}

// sayStock says what is in store of a kind, in bags where it comes in those.
func (s *spoken) sayStock(k *entry.Stocked) string {
	text := s.sys.Mass(k.Mass) + " of " + k.Kind
	if k.Of != "" {
		text += ", " + k.Of + "’s own"
	}
	if k.Bag > 0 {
		text += fmt.Sprintf(", %.3g bags", k.Bags())
	}
	if k.HasPrice {
		text += fmt.Sprintf(", at %s a %s", entry.Money(k.Price*float64(s.perMass()), s.currency()), s.massUnit())
	}
	if k.Mass < 0 {
		text += ": more went out than came in"
	}
	return text
}

// perMass is the mass that prices are of, in the person's units.
func (s *spoken) perMass() quantity.Mass {
	if s.sys == quantity.US {
		return quantity.Pound
	}
	return quantity.Kilogram
}

func (s *spoken) massUnit() string {
	if s.sys == quantity.US {
		return "lb"
	}
	return "kg"
}

// sayHeld says what a tote holds: that on the rig as it was seen, others by the books.
func (s *spoken) sayHeld(x *entry.Holding) string {
	h, name := x.Held, x.Held.Tote
	if name == "" {
		name = "the tote on the rig"
	}
	_, unnamed := act.StandsOn(name)
	if unnamed = unnamed && s.house != nil; unnamed {
		name = "the tote on " + x.Rig
	}
	how := s.sys.Volume(x.Volume) + " by the books"
	if x.OnRig {
		how = "its level is not known"
		if r, err := entry.OnRig(s.known(), x.Rig); err == nil {
			how = fmt.Sprintf("%s ± %s, by %s at %s", s.sys.Volume(quantity.VolumeOf(r.L/1000)), s.sys.Volume(quantity.VolumeOf(r.Within/1000)), r.By(), day(r.At, s.zone))
		} else if t := &s.viewOf(x.Rig).Tote; t.Known {
			how = s.sys.Volume(t.Volume) + " by its level of " + day(t.At, s.zone)
		}
		switch {
		case s.house != nil && !unnamed:
			name += ", on " + x.Rig
		case s.house == nil && h.Tote != "":
			name += ", on the rig"
		}
	}
	if h.Batch.Total() == 0 {
		return name + ": " + how
	}
	text := fmt.Sprintf("%s: %s, %v at %.1f Brix", name, how, h.Syrup.Makeup, h.Syrup.Solids.Brix())
	if h.Unstirred {
		text += ", not stirred"
	}
	return text
}
