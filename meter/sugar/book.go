// Package sugar follows sugar, syrup and water by what people said of them:
// through the store, the mixes and the totes. It knows nothing of what was
// metered: what went out of a tote by the meter shows only where somebody said
// what the tote held.
//
// Masses are whole micrograms. What moves leaves one place and comes to another,
// so that none is made or lost whatever was said; where acts do not agree with
// one another, what moves is what there was, and the act is listed for review.
//
// A mix or a tote that was measured has as much water as the measurement says;
// the difference to what was weighed is a Move as well, marked Reckoned.
// Instants are Unix ns; math.MinInt64 is since ever. Volumes are those at 20 °C.
package sugar

import (
	"math"
	"sort"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
)

// UnstirredBrix is how far the Brix of what flows out of a tote that was not
// stirred may be off at most, beside all else. Common practice, no source: water
// on top of syrup stays there for hours.
const UnstirredBrix = 5.0

// at is the temperature of volumes for which none is said, °C.
const at20 quantity.Temperature = 20

// Where is a kind of place.
type Where uint8

// The kinds of places.
const (
	Bought  Where = iota // from outside
	Opening              // there when the books begin
	Tap                  // water
	Store                // Name: the kind of goods
	Tote                 // Name: the tote's
	Meter                // out of the tote of that Name by the meter, as far as what it held says so
	Yard                 // Name: the yard's id; fed past the meter
	Gone                 // Name: why, as in act.Lost, or Missing
)

// Missing is why less was in a tote than there should have been, where the tote
// was not on the rig and nobody said why.
const Missing = "missing"

var whereNames = [...]string{"bought", "opening stock", "water", "store", "tote", "meter", "yard", "lost"}

// String returns the kind's name.
func (w Where) String() string {
	if int(w) >= len(whereNames) {
		return "?"
	}
	return whereNames[w]
}

// Place is where goods, syrup or water can be.
type Place struct {
	At   Where
	Name string
}

// Move is an amount that went from one place to another.
type Move struct {
	Act      string // the id of the act
	Kind     string // and its kind, as in act
	At       int64
	From, To Place
	Batch    mix.Batch
	Held     int  // where From is a tote: what it held, in Book.Held; else -1
	Reckoned bool // water that a measurement tells of, not weighed
}

// Portion is the part of a tote's solids that comes from one mix.
type Portion struct {
	Act   string // the mix; of what the tote held when the books began, what said so
	Share float64
}

// Held is what a tote held from an instant on, as far as acts say.
type Held struct {
	Tote      string
	From      int64
	Act       string // by which it is so
	OnRig     bool
	Rig       string    // where OnRig: which
	Batch     mix.Batch // nothing: nothing is known to be in it
	Syrup     syrup.Syrup
	SolidsU   quantity.Solids // standard uncertainty of Syrup.Solids
	Measured  bool            // the Brix was measured, of all of it or of the mix that makes most of it
	Unstirred bool
	Before    *act.Content
	Mixes     []Portion // in order of time; shares add up to 1

	changed bool  // not only the amount
	said    bool  // by an act.Batch
	made    int64 // when the oldest tenth of it was mixed
}

// Part is a part of a mix as it left the store.
type Part struct {
	Goods act.Goods
	Batch mix.Batch
}

// Made is a mix.
type Made struct {
	Act, Name, Tote string
	At              int64
	Body            act.Mix
	Parts           []Part
	Water           mix.Batch // as weighed or measured; nothing where not known
	WaterKnown      bool
	Weighed         mix.Batch // Parts and Water
	Batch           mix.Batch // what came into the tote: Weighed, or as measured
	Held            int       // what the tote held then, in Book.Held
}

// Reading is a measured Brix held against what the acts make expect.
type Reading struct {
	Act, Tote           string
	At                  int64
	Mix                 bool // of what was mixed, not of all in the tote
	Expected, ExpectedU quantity.Solids
	Read, ReadU         quantity.Solids
}

// Seen is what a tote was said to hold, before or without anything coming in.
type Seen struct {
	Act, Tote string
	At        int64
	L, U      float64         // L; U a standard uncertainty
	Booked    quantity.Volume // by the acts alone, before this was taken in
	Held      int             // what it held, in Book.Held; -1: not known
	Exposed   bool            // the meter may have taken from it since that was known
}

// Counted is a stock count held against the books.
type Counted struct {
	Act    string
	At     int64
	Batch  mix.Batch      // found
	Solids mix.Micrograms // there should have been, may be negative
}

// Stock is the store of one kind of goods.
type Stock struct {
	Kind string
	Of   string // the rig whose own it is, in a house; "": the only one, or the house's
	// What came in and what went out, to mixes, to yards and lost; and between
	// the house's store and those that rigs had of their own.
	Opening, Bought, Mixed, Fed, Lost mix.Batch
	Came, Went                        mix.Batch
	Paid                              float64        // for PaidSolids, in the house's currency
	PaidSolids                        mix.Micrograms // for which a price was said
	Counts                            []Counted      // without the opening
}

// Left returns what is in store by the books; it may be negative.
func (s *Stock) Left() (solids, water mix.Micrograms) {
	return s.Opening.DrySolids() + s.Bought.DrySolids() + s.Came.DrySolids() - s.Mixed.DrySolids() - s.Fed.DrySolids() - s.Lost.DrySolids() - s.Went.DrySolids(),
		s.Opening.Water() + s.Bought.Water() + s.Came.Water() - s.Mixed.Water() - s.Fed.Water() - s.Lost.Water() - s.Went.Water()
}

// Name tells the store from all others of the book.
func (s *Stock) Name() string { return storeName(s.Kind, s.Of) }

func storeName(kind, of string) string {
	if of == "" {
		return kind
	}
	return act.Own(kind, of)
}

// Price returns the average price of a kilogram of dry solids of a kind, of all
// stores; false where no price was said.
func (b *Book) Price(kind string) (float64, bool) {
	paid, solids := 0.0, mix.Micrograms(0)
	for i := range b.Stocks {
		if s := &b.Stocks[i]; s.Kind == kind {
			paid, solids = paid+s.Paid, solids+s.PaidSolids
		}
	}
	if solids <= 0 {
		return 0, false
	}
	return paid / float64(solids.Mass()), true
}

// Review is an act that could not be used as it was meant, or is doubtful.
type Review struct {
	Act, Why string
}

// Book is the season's books by what people said.
type Book struct {
	House    bool     // of a house, as act.Housed names things
	Rigs     []string // that acts speak of, in order of name
	Held     []Held   // in order of From
	Moves    []Move   // in order of time
	Stocks   []Stock
	Mixes    []Made
	Readings []Reading
	Seen     []Seen
	Review   []Review
}

// Stock returns the store of that name, which of the only one there is, or the
// house's, is the kind of goods; nil where there never was any.
func (b *Book) Stock(name string) *Stock {
	for i := range b.Stocks {
		if b.Stocks[i].Name() == name {
			return &b.Stocks[i]
		}
	}
	return nil
}

// OnRig returns what the tote on a rig held at an instant, as its place in
// Held; -1 where no act tells. In the books of one rig that is any rig.
func (b *Book) OnRig(rig string, at int64) int {
	i := sort.Search(len(b.Held), func(i int) bool { return b.Held[i].From > at })
	for i--; i >= 0 && !(b.Held[i].OnRig && (!b.House || b.Held[i].Rig == rig)); i-- {
	}
	return i
}

// In returns what a tote held at an instant, as its place in Held; -1 where no
// act tells.
func (b *Book) In(tote string, at int64) int {
	i := sort.Search(len(b.Held), func(i int) bool { return b.Held[i].From > at })
	for i--; i >= 0 && b.Held[i].Tote != tote; i-- {
	}
	return i
}

// Read reads the standing acts, in any order; those of a house are Housed.
func Read(standing []act.Act) *Book {
	r := newReader(standing)
	r.book.House, r.book.Rigs = act.InHouse(standing), r.over.Rigs()
	for _, a := range inOrder(standing) {
		r.take(a)
	}
	for _, rig := range r.over.Rigs() {
		r.bare(rig)
	}
	return r.book
}

// Again returns Held and Readings as Read would of other acts, made of those
// that b was read from: of a few that are changed, as a rule, so that about
// as much is held.
func (b *Book) Again(standing []act.Act) (held []Held, readings []Reading) {
	r := newReader(standing)
	r.brief = true
	r.book.Held, r.book.Readings = make([]Held, 0, len(b.Held)+1), make([]Reading, 0, len(b.Readings))
	for _, a := range inOrder(standing) {
		r.take(a)
	}
	return r.book.Held, r.book.Readings
}

func newReader(standing []act.Act) *reader {
	return &reader{book: new(Book), totes: make(map[string]*tote), same: make(map[moment][]told), most: make(map[string]float64),
		short: make(map[string]bool), came: make(map[string]int64), empty: make(map[string]*Review), over: act.NewRigTotes(standing)}
}

// Batches returns what the tote on the rig held as acts of a batch, to be merged
// with those that people said; each has the id of the act behind it. It is nil
// where there are no books.
func Batches(standing []act.Act) []act.Act { return Read(standing).Batches("", standing) }

// Batches is the same of a book that was read from standing, and of one rig.
func (b *Book) Batches(rig string, standing []act.Act) []act.Act {
	byID := make(map[string]*act.Act)
	for i := range standing {
		byID[standing[i].ID] = &standing[i]
	}
	var out []act.Act
	for i := range b.Held {
		h := &b.Held[i]
		a := byID[h.Act]
		if a == nil || !h.OnRig || b.House && h.Rig != rig || !h.changed || h.said || h.Batch.Total() == 0 || h.Syrup.Solids > syrup.MaxSolids {
			continue
		}
		out = append(out, act.Act{ID: a.ID, Rig: h.Rig, Who: a.Who, When: a.When, From: a.From, Body: h.batch()})
	}
	return out
}

// batch returns what a tote held as a batch.
func (h *Held) batch() act.Batch {
	b := act.Batch{Syrup: syrup.Sucrose.String(), Brix: h.Syrup.Solids.Brix(), MadeNS: max(0, h.made),
		BrixWithin: min(max(h.SolidsU.Brix()*math.Sqrt(3), 1e-3), 20)}
	// In percent to the hundredth, as a person would say it.
	shares := make(map[string]float64)
	for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
		if part := math.Round(h.Syrup.Makeup.Share(k)*1e4) / 100; part > 0 {
			shares[k.String()] = part
		}
	}
	switch {
	case len(shares) > 1:
		b.Syrup, b.Shares = "blend", shares
	default:
		for name := range shares {
			b.Syrup = name
		}
	}
	return b
}
