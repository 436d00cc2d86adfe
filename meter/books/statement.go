package books

import (
	"fmt"
	"math"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Sugars is dry solids by kind, in the order of syrup.Kind.
type Sugars [syrup.HFCS55 + 1]mix.Micrograms

// Plus returns a and b together.
func (a Sugars) Plus(b Sugars) Sugars {
	for k := range a {
		a[k] += b[k]
	}
	return a
}

// Less returns a without b.
func (a Sugars) Less(b Sugars) Sugars {
	for k := range a {
		a[k] -= b[k]
	}
	return a
}

// All is the solids of every kind together.
func (a Sugars) All() mix.Micrograms {
	var sum mix.Micrograms
	for _, m := range a {
		sum += m
	}
	return sum
}

// Money is an amount in millionths of the house's currency.
type Money int64

// MoneyOf returns an amount of the house's currency.
func MoneyOf(x float64) Money { return Money(math.Round(x * 1e6)) }

// Float returns m in the house's currency.
func (m Money) Float() float64 { return float64(m) / 1e6 }

// Part is a part of a statement. What came in is what all other parts are
// together, solids of each kind, to the microgram.
type Part string

// The parts, in their order.
const (
	CameIn      Part = "came in"     // what was there at the beginning, and what was bought
	ToYards     Part = "yards"       // fills, by the yard
	NoYard      Part = "no yard"     // fills of which no yard is known
	Elsewhere   Part = "elsewhere"   // other flow through the meter, by what it was
	ByHand      Part = "by hand"     // fed past the meter
	Lost        Part = "lost"        // from store and totes
	InTotes     Part = "in totes"    // at the end
	InStore     Part = "in store"    // at the end
	Unaccounted Part = "unaccounted" // what came in less all of the above
)

// Parts lists the parts in their order.
var Parts = []Part{CameIn, ToYards, NoYard, Elsewhere, ByHand, Lost, InTotes, InStore, Unaccounted}

// Line is a line of a statement. In JSON volumes are whole nanolitres, solids
// whole micrograms, costs millionths of the currency; a 95 % interval is given
// by half its width.
type Line struct {
	Part Part   `json:"part"`
	Key  string `json:"key,omitempty"`  // tells it from others of its part: yard, kind of flow, store or tote
	Yard string `json:"yard,omitempty"` // the yard's id, where it is about one
	Name string `json:"name"`           // for people

	Volume       quantity.Volume `json:"volume_nl,omitempty"` // of syrup; of dry sugar none
	Within       quantity.Volume `json:"volume_within_nl,omitempty"`
	Sugars       Sugars          `json:"solids_ug"` // by kind: sucrose, invert, hfcs-42, hfcs-55
	SugarsWithin mix.Micrograms  `json:"solids_within_ug,omitempty"`
	Unknown      quantity.Volume `json:"unknown_nl,omitempty"` // of Volume, that of which the solids are not known

	Cost     Money          `json:"cost_micro,omitempty"`  // of the solids that have a price
	Unpriced mix.Micrograms `json:"unpriced_ug,omitempty"` // solids of kinds that have none
	By       string         `json:"by,omitempty"`          // how it is known: "counts", "books", "level", "said"

	// Of a yard.
	Visits     int             `json:"visits,omitempty"`
	Fills      int             `json:"fills,omitempty"`         // those that are no top-ups
	Colonies   float64         `json:"colonies,omitempty"`      // standing there, in the mean over the visits that say; 0: not said
	FewestMost [2]int          `json:"colonies_range,omitzero"` // over the visits
	Meant      quantity.Volume `json:"meant_nl,omitempty"`      // for each colony, over all the visits; 0: not said of each
	Doubt      quantity.Volume `json:"doubt_nl,omitempty"`      // of what may, or may not, be in Volume
	Least      quantity.Volume `json:"least_nl,omitempty"`      // fill of one colony, its top-ups with it
	Most       quantity.Volume `json:"most_nl,omitempty"`
	First      int64           `json:"first_ns,omitempty"` // start of the first flow
	Last       int64           `json:"last_ns,omitempty"`  // end of the last
}

// Served is what one numbered colony got.
type Served struct {
	Yard     string          `json:"yard"`
	Colony   int             `json:"colony"`
	Fills    int             `json:"fills"`
	Volume   quantity.Volume `json:"volume_nl"`
	Sugars   Sugars          `json:"solids_ug"`
	Cost     Money           `json:"cost_micro,omitempty"`
	Unpriced mix.Micrograms  `json:"unpriced_ug,omitempty"`
}

// Price is what solids of a kind cost, in the mean over what has a price.
type Price struct {
	Kind     string         `json:"kind"`
	PerKg    float64        `json:"per_kg"`                // of dry solids, in the house's currency; 0: none has a price
	Unpriced mix.Micrograms `json:"unpriced_ug,omitempty"` // solids of it that came in without one
}

// Version is that of a statement's figures as they are kept.
const Version = 1

// Statement is where the sugar of a season went.
type Statement struct {
	Version int      `json:"version"`
	Rig     string   `json:"rig"`            // of several their names, with commas between them
	Rigs    []string `json:"rigs,omitempty"` // of a house
	From    int64    `json:"from_ns"`        // Unix ns; whole nights
	To      int64    `json:"to_ns"`
	At      int64    `json:"at_ns"`    // newest record that it rests on
	Until   int64    `json:"until_ns"` // To or, before that is over, what is newest of records and entries
	Zone    string   `json:"zone"`
	Nights  int      `json:"nights"`
	Booked  bool     `json:"booked"` // there are entries of what came in; else ToYards, NoYard and Elsewhere are all

	YardNames map[string]string `json:"yard_names"` // by id, as at the time

	Lines  []Line   `json:"lines"`            // in the order of Parts
	Served []Served `json:"served,omitempty"` // of yards of which every fill's colony is sure
	Prices []Price  `json:"prices,omitempty"`

	// All that went through the meter, and all that came in, with their 95 %
	// intervals; of ToYards and NoYard together, Fed.
	Metered Total `json:"metered"`
	Fed     Total `json:"fed"`

	Weighed   bool            `json:"weighed,omitempty"`   // by a balance: what is unaccounted for has its interval
	Doubted   bool            `json:"doubted,omitempty"`   // and the balance finds figures further off than they should be
	Hidden    quantity.Volume `json:"hidden_nl,omitempty"` // the most that can have flowed unseen while the counter was not heard
	Open      bool            `json:"open,omitempty"`      // a fill was running
	Unsettled bool            `json:"unsettled,omitempty"` // the newest flow may still change by itself
	Knew      string          `json:"knew,omitempty"`      // as issued: eight hexadecimal digits for the id of each act that it rests on
}

// Total is a sum with how sure it is.
type Total struct {
	Volume       quantity.Volume `json:"volume_nl"`
	Within       quantity.Volume `json:"volume_within_nl,omitempty"`
	Sugars       Sugars          `json:"solids_ug"`
	SugarsWithin mix.Micrograms  `json:"solids_within_ug,omitempty"`
}

// Of returns the lines of a part.
func (s *Statement) Of(p Part) []Line {
	var out []Line
	for _, l := range s.Lines {
		if l.Part == p {
			out = append(out, l)
		}
	}
	return out
}

// Check reports whether the parts add up to what came in, each kind to the
// microgram.
func (s *Statement) Check() error {
	if !s.Booked {
		return nil
	}
	var left Sugars
	for _, l := range s.Lines {
		if l.Part == CameIn {
			left = left.Plus(l.Sugars)
		} else {
			left = left.Less(l.Sugars)
		}
	}
	if left != (Sugars{}) {
		return fmt.Errorf("statement: must close, is off by %v", left)
	}
	return nil
}
