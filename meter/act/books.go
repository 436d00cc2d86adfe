package act

import (
	"encoding/json"
	"math"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// The acts of the season's books. From of each is when it happened.
//
// An entry is corrected by another that names it, and what it corrected itself,
// in Replaces (see Over): of entries connected so only the one said last
// counts. An undo of the correction brings back what it corrected.
//
// "The one on the rig" is the rig that the act is of; in a house with several
// see House.

// Kinds of goods.
const (
	SugarGoods  = "sugar" // dry, granulated
	HFCS42Goods = "hfcs-42"
	HFCS55Goods = "hfcs-55"
	InvertGoods = "invert"
)

// GoodsKinds lists the kinds of goods, in the order in which they are listed.
var GoodsKinds = []string{SugarGoods, HFCS42Goods, HFCS55Goods, InvertGoods}

// How far an amount may be off at most where nothing is said, percent. Common
// practice, no source.
const (
	UsualBagPct    = 0.5 // a bag, by its label
	UsualScalePct  = 1.0 // a platform or bathroom scale
	UsualVolumePct = 2.0 // the marks of a bucket, drum or tote
	UsualContentL  = 5.0 // what a tote was seen to hold, beside UsualVolumePct of it, L
)

// MostParts is how many parts a mix may have.
const MostParts = 16

// Goods is an amount of something bought or put in: in bags, by weight or by
// volume, of which exactly one is said.
type Goods struct {
	Kind       string  `json:"kind"` // one of GoodsKinds
	Bags       float64 `json:"bags,omitempty"`
	BagKg      float64 `json:"bag_kg,omitempty"` // net mass of a bag by its label, kg
	Kg         float64 `json:"kg,omitempty"`
	L          float64 `json:"l,omitempty"`          // of syrup only, L
	TempC      float64 `json:"temp_c,omitempty"`     // at which L was measured, °C; 0: 20 °C
	Brix       float64 `json:"brix,omitempty"`       // dry solids, mass percent; 0: of sugar 100, of corn syrup as usually sold (mix.AsSold)
	WithinPct  float64 `json:"within_pct,omitempty"` // error of the amount at most, percent; 0: usual for how it was measured
	BrixWithin float64 `json:"brix_within,omitempty"`

	// Store is the rig whose own store it is of, where Housed says so; "": the
	// only store there is, or the house's.
	Store string `json:"-"`
}

// Content is what a tote held.
type Content struct {
	L       float64 `json:"l"`
	WithinL float64 `json:"within_l,omitempty"` // error at most, L; 0: usual
}

// Purchase is goods that were bought.
type Purchase struct {
	Goods
	Price float64 `json:"price,omitempty"` // of all of it, in the house's currency; 0: not said
	Lot   string  `json:"lot,omitempty"`
}

// Count is what was found in the store of a kind of goods. The first of a kind,
// before anything else of it, is the opening stock.
type Count struct {
	Goods
	Price float64 `json:"price,omitempty"` // of opening stock, what it cost; 0: not said
	Empty bool    `json:"empty,omitempty"` // none was found; then no amount is said
}

// Mix is goods from the store, mixed with water in a tote. Without WaterKg and
// WaterL the water is as much as Brix or Reading tells; of syrup alone, none.
type Mix struct {
	Name           string  `json:"name,omitempty"`
	Tote           string  `json:"tote,omitempty"` // "": the one on the rig
	Parts          []Goods `json:"parts"`
	WaterKg        float64 `json:"water_kg,omitempty"`
	WaterL         float64 `json:"water_l,omitempty"`
	WaterWithinPct float64 `json:"water_within_pct,omitempty"` // error at most, percent; 0: usual

	Brix          float64  `json:"brix,omitempty"` // as in Batch; of what was mixed, before it came to what the tote held
	Reading       float64  `json:"reading,omitempty"`
	ReadC         float64  `json:"reading_temp_c,omitempty"`
	Compensated   bool     `json:"compensated,omitempty"`
	BrixWithin    float64  `json:"brix_within,omitempty"`
	TempC         float64  `json:"temp_c,omitempty"`   // of what was mixed, °C; 0: 20 °C
	VolumeL       float64  `json:"volume_l,omitempty"` // as measured at TempC, L; 0: not measured
	VolumeWithinL float64  `json:"volume_within_l,omitempty"`
	Unstirred     bool     `json:"unstirred,omitempty"` // lies in layers
	Before        *Content `json:"before,omitempty"`    // what the tote held; nil: not said
}

// Transfer is syrup that went from one tote to another. Filling the rig's tote
// is one.
type Transfer struct {
	FromTote string   `json:"from_tote,omitempty"` // "": the one on the rig
	ToTote   string   `json:"to_tote,omitempty"`   // "": the one on the rig
	L        float64  `json:"l,omitempty"`
	WithinL  float64  `json:"within_l,omitempty"`
	All      bool     `json:"all,omitempty"`    // all that there was; then L need not be said
	Before   *Content `json:"before,omitempty"` // what the one that it came into held; nil: not said
}

// Swap says that a tote stands on the rig from now on. Its shape is the newest
// Tote of that name, else as before.
type Swap struct {
	Tote string `json:"tote"`
	Rig  string `json:"rig,omitempty"` // in the house's book, which rig; else ""
}

// Water is water added to what is in a tote.
type Water struct {
	Tote      string   `json:"tote,omitempty"` // "": the one on the rig
	Kg        float64  `json:"kg,omitempty"`
	L         float64  `json:"l,omitempty"`
	WithinPct float64  `json:"within_pct,omitempty"` // error at most, percent; 0: usual
	Unstirred bool     `json:"unstirred,omitempty"`
	Before    *Content `json:"before,omitempty"` // what the tote held; nil: not said
}

// Stirred says that what is in a tote is mixed now, and what it was measured to
// be, if it was.
type Stirred struct {
	Tote        string  `json:"tote,omitempty"` // "": the one on the rig
	Brix        float64 `json:"brix,omitempty"` // as in Batch
	Reading     float64 `json:"reading,omitempty"`
	ReadC       float64 `json:"reading_temp_c,omitempty"`
	Compensated bool    `json:"compensated,omitempty"`
	BrixWithin  float64 `json:"brix_within,omitempty"`
}

// Rinse says that so much water, without solids, went through meter and hose.
type Rinse struct {
	Tote    string  `json:"tote,omitempty"` // "": the one on the rig
	L       float64 `json:"l"`
	WithinL float64 `json:"within_l,omitempty"` // error at most, L; 0: usual
}

// Why goods or syrup were lost.
const (
	Spilled = "spilled"
	Dumped  = "dumped"
	Spoiled = "spoiled"
	Leaked  = "leaked"
)

// Lost is goods lost from the store, or syrup from a tote.
type Lost struct {
	Goods   *Goods  `json:"goods,omitempty"`
	Tote    string  `json:"tote,omitempty"` // without Goods; "": the one on the rig
	L       float64 `json:"l,omitempty"`
	WithinL float64 `json:"within_l,omitempty"` // error at most, L; 0: usual
	Why     string  `json:"why"`                // one of the above
}

// Fed is what a yard got past the meter: goods from the store, such as dry
// sugar, or syrup from a tote by hand.
type Fed struct {
	Goods    *Goods  `json:"goods,omitempty"`
	Tote     string  `json:"tote,omitempty"` // without Goods; "": the one on the rig
	L        float64 `json:"l,omitempty"`
	WithinL  float64 `json:"within_l,omitempty"` // error at most, L; 0: usual
	Yard     string  `json:"yard"`
	Colonies int     `json:"colonies,omitempty"` // how many got of it; 0: not said
	Note     string  `json:"note,omitempty"`
}

// Contents is what a tote was seen to hold.
type Contents struct {
	Tote    string  `json:"tote,omitempty"` // "": the one on the rig
	L       float64 `json:"l"`
	WithinL float64 `json:"within_l,omitempty"` // error at most, L; 0: usual
}

// Statement is a statement of the books as it was issued.
type Statement struct {
	Number  int             `json:"number"`
	FromNS  int64           `json:"from_ns"` // of the time it is about, Unix ns
	ToNS    int64           `json:"to_ns"`
	Title   string          `json:"title,omitempty"`
	Figures json.RawMessage `json:"figures"`
}

func (Purchase) Kind() string  { return "purchase" }
func (Count) Kind() string     { return "count" }
func (Mix) Kind() string       { return "mix" }
func (Transfer) Kind() string  { return "transfer" }
func (Swap) Kind() string      { return "swap" }
func (Water) Kind() string     { return "water" }
func (Stirred) Kind() string   { return "stirred" }
func (Rinse) Kind() string     { return "rinse" }
func (Lost) Kind() string      { return "loss" }
func (Fed) Kind() string       { return "fed" }
func (Contents) Kind() string  { return "content" }
func (Statement) Kind() string { return "statement" }

// OfBooks reports whether an act is an entry of the season's books.
func OfBooks(b Body) bool {
	switch b.(type) {
	case Purchase, Count, Mix, Transfer, Swap, Water, Stirred, Rinse, Lost, Fed, Contents, Statement:
		return true
	}
	return false
}

// Syrup returns the kind of syrup that the goods' solids are, and which part of
// the goods they are.
func (g Goods) Syrup() syrup.Syrup {
	k := syrup.Sucrose
	if g.Kind != SugarGoods {
		k, _ = syrup.ParseKind(g.Kind) // Check has seen to it
	}
	s := syrup.Syrup{Makeup: syrup.Only(k), Solids: quantity.FromBrix(g.Brix)}
	if g.Brix == 0 {
		s.Solids = mix.AsSold(k)
		if g.Kind == SugarGoods {
			s.Solids = 1
		}
	}
	return s
}

// Mass returns the goods' mass, kg; of those by volume it is what they weigh.
// Errors are *FieldError.
func (g Goods) Mass() (quantity.Mass, error) {
	if g.L == 0 {
		return quantity.Mass(float64(g.Bags*g.BagKg) + g.Kg), nil
	}
	p, err := g.Syrup().At(g.temp())
	if err != nil {
		return 0, &FieldError{"l", "must be of syrup whose density is known: " + err.Error(), g.L}
	}
	return quantity.Mass(g.L / 1000 * float64(p.Density)), nil
}

func (g Goods) temp() quantity.Temperature { return TempOr20(g.TempC) }

// TempOr20 returns a temperature as acts have it, °C: 0 is 20 °C.
func TempOr20(c float64) quantity.Temperature {
	if c == 0 {
		return 20
	}
	return quantity.Temperature(c)
}

// Within returns by how much the amount may be off at most, as a fraction of it.
func (g Goods) Within() float64 {
	switch {
	case g.WithinPct > 0:
		return g.WithinPct / 100
	case g.Bags > 0:
		return UsualBagPct / 100
	case g.L > 0:
		return UsualVolumePct / 100
	}
	return UsualScalePct / 100
}

// Batch returns the goods as what they are made of, uncertainties by cause.
// Errors are *FieldError.
func (g Goods) Batch() (mix.Batch, error) {
	by := mix.Usual
	by.Scale = g.Within() / math.Sqrt(3)
	by.Measure = by.Scale
	if g.BrixWithin > 0 {
		by.SoldWithin = quantity.FromBrix(g.BrixWithin)
	}
	bad := func(err error) (mix.Batch, error) {
		return mix.Batch{}, &FieldError{"kind", "must be an amount that can be reckoned with: " + err.Error(), g.Kind}
	}
	m, err := g.Mass()
	if err != nil {
		return mix.Batch{}, err
	}
	s := g.Syrup()
	var b mix.Batch
	switch {
	case g.Kind == SugarGoods && s.Solids < 1:
		var dry, wet mix.Batch
		if dry, err = mix.Sugar(m*quantity.Mass(s.Solids), by); err == nil {
			if wet, err = mix.Water(m*quantity.Mass(1-s.Solids), by); err == nil {
				b, err = mix.Blend(dry, wet)
			}
		}
	case g.Kind == SugarGoods:
		b, err = mix.Sugar(m, by)
	case g.L > 0:
		b, err = mix.SyrupByVolume(s, quantity.VolumeOf(g.L/1000), g.temp(), by)
	default:
		b, err = mix.Syrup(s, m, by)
	}
	if err != nil {
		return bad(err)
	}
	return b, nil
}

// Within returns by how much the content may be off at most, L.
func (c Content) Within() float64 { return withinL(c.L, c.WithinL, UsualContentL) }

// Within returns by how much the content may be off at most, L.
func (c Contents) Within() float64 { return withinL(c.L, c.WithinL, UsualContentL) }

// withinL is an error at most of l: as said, else a share of l and least.
func withinL(l, said, least float64) float64 {
	if said > 0 {
		return said
	}
	return l*UsualVolumePct/100 + least
}

// Within returns by how much what went over may be off at most, L.
func (t Transfer) Within() float64 { return withinL(t.L, t.WithinL, 0) }

// Within returns by how much the water may be off at most, L.
func (r Rinse) Within() float64 { return withinL(r.L, r.WithinL, 0) }

// Within returns by how much what was lost from a tote may be off at most, L.
func (l Lost) Within() float64 { return withinL(l.L, l.WithinL, 0) }

// Within returns by how much what was fed from a tote may be off at most, L.
func (f Fed) Within() float64 { return withinL(f.L, f.WithinL, 0) }

// Batch returns the water that was added. The error is a *FieldError.
func (w Water) Batch() (mix.Batch, error) { return waterOf(w.Kg, w.L, w.WithinPct) }

// Water returns the water that was put in; nothing where it is not known. The
// error is a *FieldError.
func (m Mix) Water() (mix.Batch, error) { return waterOf(m.WaterKg, m.WaterL, m.WaterWithinPct) }

// WaterKnown reports whether it was said how much water was put in. Of syrup
// alone that nobody measured it is known: none.
func (m Mix) WaterKnown() bool {
	return m.WaterKg > 0 || m.WaterL > 0 || !m.Measured()
}

func waterOf(kg, l, within float64) (b mix.Batch, err error) {
	by := mix.Usual
	if l > 0 {
		by.Measure = orUsual(within, UsualVolumePct) / 100 / math.Sqrt(3)
		b, err = mix.WaterByVolume(quantity.VolumeOf(l/1000), 20, by)
	} else {
		by.Scale = orUsual(within, UsualScalePct) / 100 / math.Sqrt(3)
		b, err = mix.Water(quantity.Mass(kg), by)
	}
	if err != nil {
		return mix.Batch{}, &FieldError{"water", "must be an amount that can be reckoned with: " + err.Error(), max(kg, l)}
	}
	return b, nil
}

func orUsual(said, usual float64) float64 {
	if said > 0 {
		return said
	}
	return usual
}

// Measured reports whether what was mixed was measured.
func (m Mix) Measured() bool { return m.Brix > 0 || m.Reading > 0 }

// Found returns the solids of what was mixed as measured, where it is made of
// makeup, and their standard uncertainty. Errors are *FieldError.
func (m Mix) Found(makeup syrup.Makeup) (quantity.Solids, quantity.Solids, error) {
	return found(makeup, Batch{Brix: m.Brix, Reading: m.Reading, ReadC: m.ReadC, Compensated: m.Compensated, BrixWithin: m.BrixWithin})
}

// Measured reports whether what was stirred was measured.
func (s Stirred) Measured() bool { return s.Brix > 0 || s.Reading > 0 }

// Found returns what was measured, as Mix.Found does.
func (s Stirred) Found(makeup syrup.Makeup) (quantity.Solids, quantity.Solids, error) {
	return found(makeup, Batch{Brix: s.Brix, Reading: s.Reading, ReadC: s.ReadC, Compensated: s.Compensated, BrixWithin: s.BrixWithin})
}

func found(makeup syrup.Makeup, b Batch) (quantity.Solids, quantity.Solids, error) {
	s, u, err := b.read(makeup)
	return s.Solids, quantity.Solids(u), err
}
