package report

import (
	"strconv"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/books"
)

// StatementRow is a line of a statement. Solids of the lines whose part is "came
// in" are together those of all other lines, exactly; lines of "yards", "no yard"
// and "elsewhere" are together what passed the meter.
type StatementRow struct {
	Part     string  `json:"part"`             // as in books.Part
	Key      string  `json:"key"`              // tells it from others of its part
	Yard     string  `json:"yard"`             // the yard's id; "" where it is about none
	Name     string  `json:"name"`             // for people
	By       string  `json:"by"`               // how stock is known: counted, by the books, said, level
	VolumeL  number  `json:"volume_l"`         // of syrup; null of dry goods
	WithinL  number  `json:"volume_within_l"`  // half the 95 % interval of volume_l
	Sucrose  number  `json:"sucrose_kg"`       // dry solids, by kind
	Invert   number  `json:"invert_kg"`        //
	HFCS42   number  `json:"hfcs42_kg"`        //
	HFCS55   number  `json:"hfcs55_kg"`        //
	Solids   number  `json:"solids_kg"`        // all kinds together
	WithinKg number  `json:"solids_within_kg"` // half the 95 % interval of solids_kg
	UnknownL number  `json:"unknown_l"`        // of volume_l, that of which the solids are not known: they are in no sum
	Cost     number  `json:"cost"`             // in the house's currency; null where any of it has no price
	Unpriced number  `json:"unpriced_kg"`      // solids of kinds without a price
	Visits   number  `json:"visits"`           // this and what follows: of yards alone
	Fills    number  `json:"fills"`            // those that are no top-ups
	Colonies number  `json:"colonies"`         // in the mean over the visits; null where not said
	ColonyL  number  `json:"colony_l"`         // a colony's share of volume_l, to the microlitre
	MeantL   number  `json:"meant_l"`          // for a colony over all visits; null where not said
	OfMeant  number  `json:"of_meant"`         // colony_l over meant_l
	ColonyKg number  `json:"colony_kg"`        // a colony's share of solids_kg, to the milligram
	ColonyC  number  `json:"colony_cost"`      // and of cost
	LeastL   number  `json:"least_l"`          // that one colony got on one visit
	MostL    number  `json:"most_l"`
	DoubtL   number  `json:"doubt_l"` // volume of what may, or may not, be in volume_l
	First    instant `json:"first"`   // of the line's flow or entries
	Last     instant `json:"last"`
}

// ServedRow is what one numbered colony got.
type ServedRow struct {
	Yard    string `json:"yard"`
	Name    string `json:"yard_name"`
	Colony  int    `json:"colony"`
	Fills   int    `json:"fills"`
	VolumeL number `json:"volume_l"`
	Solids  number `json:"solids_kg"`
	Cost    number `json:"cost"` // null where any of it has no price
}

type totalRow struct {
	VolumeL  number `json:"volume_l"`
	WithinL  number `json:"volume_within_l"`
	Solids   number `json:"solids_kg"`
	WithinKg number `json:"solids_within_kg"`
}

type priceRow struct {
	Kind     string `json:"kind"`
	PerKg    number `json:"per_kg"`      // of dry solids; null where no price was said
	Unpriced number `json:"unpriced_kg"` // solids of it that came in without a price
}

type issuedRow struct {
	Number int     `json:"number"`
	Title  string  `json:"title"`
	At     instant `json:"at"`
	Who    string  `json:"who"`
	Act    string  `json:"act"`
}

type statementDoc struct {
	Report        string         `json:"report"` // "statement"
	Rig           string         `json:"rig"`    // of a house all of them, with commas between
	Rigs          []string       `json:"rigs,omitempty"`
	From          instant        `json:"from"`
	To            instant        `json:"to"`
	At            instant        `json:"at"` // newest record that it rests on
	Zone          string         `json:"zone"`
	Nights        int            `json:"nights"`
	LegalForTrade bool           `json:"legal_for_trade"`
	Record        string         `json:"record_of_purchase"`
	Currency      string         `json:"currency"`
	Issued        *issuedRow     `json:"issued"` // null: it was not
	Booked        bool           `json:"booked"` // false: only what was metered
	Lines         []StatementRow `json:"lines"`
	Fed           totalRow       `json:"fed"`     // through the meter, to yards known or not
	Metered       totalRow       `json:"metered"` // all through the meter
	UnaccountedKg number         `json:"unaccounted_kg"`
	WithinKg      number         `json:"unaccounted_within_kg"` // half its 95 % interval
	HiddenL       number         `json:"hidden_l"`              // the most that can have flowed unseen
	Prices        []priceRow     `json:"prices"`
	Colonies      []ServedRow    `json:"colonies"` // of yards of which every fill's colony is sure
	Open          bool           `json:"open"`
	Settled       bool           `json:"settled"`
}

func statementJSON(st *books.Statement, o Options) statementDoc {
	d := statementDoc{Report: "statement", Rig: st.Rig, Rigs: st.Rigs, From: instant(st.From), To: instant(st.To), At: instant(st.At), Zone: st.Zone,
		Nights: st.Nights, Record: "supplier's ticket", Currency: o.Currency, Booked: st.Booked, Lines: statementRows(st),
		Fed: totalOf(&st.Fed), Metered: totalOf(&st.Metered), HiddenL: litres(st.Hidden), Prices: []priceRow{}, Colonies: servedRows(st),
		Open: st.Open, Settled: !st.Unsettled}
	for _, l := range st.Of(books.Unaccounted) {
		if l.Key == "" {
			d.UnaccountedKg, d.WithinKg = exactKg(l.Sugars.All()), withinKg(l.SugarsWithin)
		}
	}
	for _, p := range st.Prices {
		r := priceRow{Kind: p.Kind, Unpriced: exactKg(p.Unpriced)}
		if p.PerKg > 0 {
			r.PerKg = rounded(p.PerKg, 6)
		}
		d.Prices = append(d.Prices, r)
	}
	if x := o.Issued; x != nil {
		d.Issued = &issuedRow{x.Number, x.Title, instant(x.When), x.Who, x.Act}
	}
	return d
}

func totalOf(t *books.Total) totalRow {
	return totalRow{litres(t.Volume), withinL(t.Within), exactKg(t.Sugars.All()), withinKg(t.SugarsWithin)}
}

// exactKg is a mass in kg, exactly.
func exactKg(m mix.Micrograms) number { return litres(quantity.Volume(m)) } // as nanolitres are to litres

func withinKg(m mix.Micrograms) number {
	if m <= 0 {
		return ""
	}
	return exactKg(m)
}

// costOf is a cost where all of it has a price.
func costOf(m books.Money, unpriced mix.Micrograms) number {
	if unpriced != 0 {
		return ""
	}
	return rounded(m.Float(), 6)
}

func statementRows(st *books.Statement) []StatementRow {
	out := make([]StatementRow, 0, len(st.Lines))
	for i := range st.Lines {
		l := &st.Lines[i]
		r := StatementRow{Part: string(l.Part), Key: l.Key, Yard: l.Yard, Name: l.Name, By: l.By,
			WithinL: withinL(l.Within), Sucrose: exactKg(l.Sugars[syrup.Sucrose]), Invert: exactKg(l.Sugars[syrup.Invert]),
			HFCS42: exactKg(l.Sugars[syrup.HFCS42]), HFCS55: exactKg(l.Sugars[syrup.HFCS55]), Solids: exactKg(l.Sugars.All()),
			WithinKg: withinKg(l.SugarsWithin), UnknownL: litres(l.Unknown), Cost: costOf(l.Cost, l.Unpriced), Unpriced: exactKg(l.Unpriced),
			First: instant(l.First), Last: instant(l.Last)}
		if l.Volume != 0 || l.Part == books.ToYards || l.Part == books.InTotes {
			r.VolumeL = litres(l.Volume)
		}
		if l.Part == books.ToYards {
			r.Visits, r.Fills, r.DoubtL = number(strconv.Itoa(l.Visits)), number(strconv.Itoa(l.Fills)), litres(l.Doubt)
			if l.Most > 0 {
				r.LeastL, r.MostL = litres(l.Least), litres(l.Most)
			}
			if l.Meant > 0 {
				r.MeantL = litres(l.Meant)
			}
			if l.Colonies > 0 {
				each := l.Volume.Litres() / l.Colonies
				r.Colonies, r.ColonyL = rounded(l.Colonies, 6), rounded(each, 6)
				if l.Meant > 0 {
					r.OfMeant = rounded(each/l.Meant.Litres(), 6)
				}
				if l.Unknown == 0 {
					r.ColonyKg = rounded(float64(l.Sugars.All().Mass())/l.Colonies, 6)
				}
				if l.Unpriced == 0 {
					r.ColonyC = rounded(l.Cost.Float()/l.Colonies, 6)
				}
			}
		}
		out = append(out, r)
	}
	return out
}

func servedRows(st *books.Statement) []ServedRow {
	out := make([]ServedRow, 0, len(st.Served))
	for _, s := range st.Served {
		name := st.YardNames[s.Yard]
		if name == "" {
			name = s.Yard
		}
		out = append(out, ServedRow{s.Yard, name, s.Colony, s.Fills, litres(s.Volume), exactKg(s.Sugars.All()), costOf(s.Cost, s.Unpriced)})
	}
	return out
}
