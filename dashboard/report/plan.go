package report

import (
	"io"
	"math"
	"strings"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/plan"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/calibrate/tote"
	"yardtally/meter/worth"
)

// PlanSheet asks what to mix.
type PlanSheet struct {
	plan.Ask
	Said   string   // the syrup, as it was asked for
	Unsaid []string // yards that are not in it, as colonies or fill are not said

	TempAt int64 // Unix ns of the reading that Temp is; 0: none
	Taken  bool  // Temp is neither said nor read, but taken for want of either
	// Pump is the rig that dispenses it. Syrup, temperature and yards are filled in.
	Pump ForecastSheet
}

type planDoc struct {
	Report        string            `json:"report"` // "mix"
	LegalForTrade bool              `json:"legal_for_trade"`
	Rig           string            `json:"rig"`
	Syrup         string            `json:"syrup"`  // as it was asked for
	Solids        map[string]number `json:"solids"` // by kind, shares of the dry solids
	Brix          number            `json:"brix"`
	BrixU         number            `json:"brix_u"` // standard uncertainty, as all that end in _u
	Density       number            `json:"density_kg_m3"`
	TempC         number            `json:"temp_c"` // volumes are at it
	TempTaken     bool              `json:"temp_taken"`
	TempAt        instant           `json:"temp_at"`
	Colonies      int               `json:"colonies"`
	NeedL         number            `json:"need_l"`
	SolidsKg      number            `json:"need_solids_kg"`
	BelowL        number            `json:"below_outlet_l"` // mixed besides, as an empty tote keeps it
	LeftL         number            `json:"left_l"`         // counted as there already; null: not counted
	LeftU         number            `json:"left_l_u"`
	MakeL         number            `json:"make_l"`
	MakeU         number            `json:"make_l_u"` // by the weights alone
	MakeKg        number            `json:"make_kg"`
	Yield         number            `json:"stores_kg_per_kg_sugar"` // reckoned with
	YieldLeast    number            `json:"stores_kg_per_kg_sugar_least"`
	YieldMost     number            `json:"stores_kg_per_kg_sugar_most"`
	BagKg         number            `json:"bag_kg"`
	Weigh         []planPart        `json:"weigh"`
	Yards         []planYard        `json:"yards"`
	Unsaid        []string          `json:"yards_unsaid"`
	Tote          *planTote         `json:"tote"` // null: not known
	Loads         []planLoad        `json:"loads"`
	FlowLPM       number            `json:"flow_l_per_min"` // null: the rig is not known
	LowLPM        number            `json:"low_l_per_min"`  // 19 of 20 are between low and high
	HighLPM       number            `json:"high_l_per_min"`
	Hours         number            `json:"hours"` // of flow
	HoursLeast    number            `json:"hours_least"`
	HoursMost     number            `json:"hours_most"`
	Cost          number            `json:"cost"` // null: not everything has a price
	Currency      string            `json:"currency"`
	SaturatedC    number            `json:"saturated_c"`
	CanDrop       bool              `json:"can_crystallize"`
	Warnings      []string          `json:"warnings"`
	Notes         []string          `json:"notes"`
	Cautions      []string          `json:"cautions"`
}

type planPart struct {
	What      string `json:"what"` // "sugar", "water", "hfcs-55" …
	Brix      number `json:"brix"` // null of sugar and water
	MassKg    number `json:"mass_kg"`
	VolumeL   number `json:"volume_l"`
	Bags      number `json:"bags"` // whole ones; null where there are none
	RestKg    number `json:"rest_kg"`
	Price     number `json:"price"`
	Per       string `json:"price_per"`
	Cost      number `json:"cost"`
	BagsToBuy number `json:"bags_to_buy"`
	BagsCost  number `json:"bags_cost"`
}

type planYard struct {
	Yard     string `json:"yard"`
	Name     string `json:"name"`
	Colonies int    `json:"colonies"`
	EachL    number `json:"each_l"`
	VolumeL  number `json:"volume_l"`
	SolidsKg number `json:"solids_kg"`
	StoresKg number `json:"stores_each_kg"`
	Hours    number `json:"hours"` // of flow
}

type planTote struct {
	Name      string `json:"name"`
	HoldsL    number `json:"holds_l"`
	UnusableL number `json:"unusable_l"`
	FullKg    number `json:"full_liquid_kg"` // of the syrup that is mixed
	FullTote  number `json:"full_tote_kg"`   // with the tote
	FullRolls number `json:"full_rolling_kg"`
	FullU     number `json:"full_kg_u"`
	FullOver  string `json:"full_over"` // ratings that it exceeds or may exceed, joined by ", "
	MostL     number `json:"most_l"`    // to which it may be filled
	Kept      bool   `json:"kept_by_ratings"`
}

// planLoad is one filling of the tote, and a line of the CSV.
type planLoad struct {
	Load     int    `json:"load"`
	BeforeL  number `json:"before_l"` // in the tote
	AfterL   number `json:"after_l"`
	InL      number `json:"in_l"`
	SugarKg  number `json:"sugar_kg"`
	Bags     number `json:"bags"` // whole ones
	RestKg   number `json:"rest_kg"`
	WaterKg  number `json:"water_kg"`
	WaterL   number `json:"water_l"`
	BoughtKg number `json:"syrup_kg"` // corn syrup and other syrup put in
	BoughtL  number `json:"syrup_l"`
	Brix     number `json:"brix"` // of what is in the tote afterwards
	LiquidKg number `json:"liquid_kg"`
	LiquidU  number `json:"liquid_kg_u"`
	ToteKg   number `json:"tote_kg"`    // with the tote
	RollsKg  number `json:"rolling_kg"` // with the trailer; null: none is described
	AxlesKg  number `json:"axles_kg"`   // the most that rests on them
	TongueKg number `json:"tongue_kg"`
	Over     string `json:"over"`    // ratings that it exceeds or may exceed
	Missing  string `json:"missing"` // ratings that nobody has entered
}

// planning is the answer.
type planning struct {
	s        *PlanSheet
	p        *plan.Plan
	flow     *forecast
	loud     []Loud
	cautions []string
}

// Loud is a warning: a word or two, and a sentence or more.
type Loud struct{ Word, Text string }

// Plan writes what to mix for the yards ahead. As CSV it is a line a load.
// Errors are the writer's, or those of plan.Make and Forecast.
func Plan(w io.Writer, s PlanSheet, o Options) error {
	f, err := makePlan(&s, o)
	if err != nil {
		return err
	}
	switch o.Format {
	case JSON:
		return writeJSON(w, f.doc(o))
	case CSV:
		return writeCSV(w, f.loadDocs())
	}
	return f.table(w, o)
}

func makePlan(s *PlanSheet, o Options) (*planning, error) {
	p, err := plan.Make(s.Ask)
	if err != nil {
		return nil, err
	}
	f := &planning{s: s, p: p}
	pump := s.Pump
	pump.Syrup, pump.SolidsU, pump.Temp, pump.TempU = p.State.Syrup, p.State.SolidsU, s.Temp, float64(s.TempU)
	pump.Thin, pump.HasAir, pump.Yards = []quantity.Solids{}, false, nil
	for _, y := range p.Yards {
		pump.Yards = append(pump.Yards, ForecastYard{y.ID, y.Name, y.Colonies, y.Each})
	}
	if f.flow, err = foretell(&pump, o.Units); err != nil {
		return nil, err
	}
	f.warn(o.Units)
	f.cautions = append(append(append([]string(nil), mix.Cautions...), planCautions...), Cautions[1:]...)
	return f, nil
}

// planCautions are what everyone should know who mixes, lifts and hauls so much.
// Lifting: the load constant of NIOSH's lifting equation, 23 kg, from memory.
// Exhaust: NIOSH 96-118, read. The rest is common practice, no source.
var planCautions = []string{
	"Bags are heavy: 23 kg (51 lb) is the most for one person, close to the body and between knee and chest; two people, a ramp or a hoist beyond that.",
	"A loaded tote is a tonne and more: strap it, drive slowly, and fill it on the trailer, level and chocked. Half full it surges when braking.",
	"Leave the tote's lid or vent open while it fills and while it empties: suction pulls a shut tote in.",
	"A gasoline engine's exhaust kills within minutes in a shed, a barn or an enclosed trailer, doors open or not. Pump and mix outside.",
	"Syrup in the open starts robbing: feed at dusk, spill nothing, wash away what is spilled, keep weak colonies' entrances small.",
	"The weights here are reckoned, not weighed. The plates of tote, trailer, coupling and vehicle hold, and a weighbridge; whether the load may go on the road, and where a tote may be filled and a pump run, is for the law and the codes where you are and for those licensed to judge it.",
}

// hours is how long all yards take at a flow, h.
func (f *planning) hours(q quantity.Flow) float64 { return secondsFor(f.p.Need, q) / 3600 }

// storesEach is what a colony's syrup makes of stores.
func (f *planning) storesEach(y *plan.Share, yield float64) quantity.Mass {
	return y.Solids / quantity.Mass(y.Colonies) * quantity.Mass(yield)
}

// kilos returns m in kg, exactly.
func kilos(m mix.Micrograms) number { return litres(quantity.Volume(m)) } // both count in billionths

func kgOf(m quantity.Mass) number { return rounded(float64(m), 3) }

func partName(a *plan.Amount) string {
	switch a.What {
	case mix.DrySugar:
		return "sugar"
	case mix.PureWater:
		return "water"
	}
	if a.Syrup.Makeup == syrup.Only(syrup.Sucrose) {
		return "syrup"
	}
	return a.Syrup.Makeup.String()
}

func money(cents int64) number { return rounded(float64(cents)/100, 2) }

func overNames(w *tote.Weights) string {
	var out []string
	for _, o := range w.Over {
		out = append(out, o.Rating.String())
	}
	return strings.Join(out, ", ")
}

func missingNames(w *tote.Weights) string {
	var out []string
	for _, r := range w.Missing {
		out = append(out, r.String())
	}
	return strings.Join(out, ", ")
}

// loadDocs are the loads; one that has no weights where the tote is not known.
func (f *planning) loadDocs() []planLoad {
	out := []planLoad{}
	loads := f.p.Loads
	if len(loads) == 0 && len(f.p.Parts) > 0 {
		loads = []plan.Load{{After: f.p.Make, Parts: f.p.Parts, Brix: f.p.State.Syrup.Solids}}
	}
	for i := range loads {
		l := &loads[i]
		d := planLoad{Load: i + 1, BeforeL: litres(l.Before), AfterL: litres(l.After), InL: litres(l.Rises()), Brix: rounded(l.Brix.Brix(), 4)}
		var sum [3]mix.Micrograms
		var vol [3]quantity.Volume
		var rest mix.Micrograms
		bags := 0
		for _, x := range l.Parts {
			sum[x.What] += x.Weigh
			vol[x.What] += x.Volume
			bags += x.Bags
			rest += x.Rest
		}
		d.SugarKg, d.WaterKg, d.WaterL, d.BoughtKg, d.BoughtL = kilos(sum[mix.DrySugar]), kilos(sum[mix.PureWater]), litres(vol[mix.PureWater]),
			kilos(sum[mix.Dissolved]), litres(vol[mix.Dissolved])
		if f.s.Bag > 0 {
			d.Bags, d.RestKg = rounded(float64(bags), 0), kilos(rest)
		}
		if w := &l.Weights; w.Tote > 0 {
			d.LiquidKg, d.LiquidU, d.ToteKg = kgOf(w.Liquid), kgOf(w.U), kgOf(w.Tote)
			if w.Trailer > 0 {
				d.RollsKg, d.AxlesKg, d.TongueKg = kgOf(w.Trailer), kgOf(w.Axles), kgOf(w.Tongue)
			}
			d.Over, d.Missing = overNames(w), missingNames(w)
		}
		out = append(out, d)
	}
	return out
}

func (f *planning) partDocs() []planPart {
	out := []planPart{}
	for i := range f.p.Parts {
		x := &f.p.Parts[i]
		d := planPart{What: partName(x), MassKg: kilos(x.Weigh)}
		switch x.What {
		case mix.Dissolved:
			d.Brix = rounded(x.Syrup.Solids.Brix(), 4)
			fallthrough
		case mix.PureWater:
			d.VolumeL = litres(x.Volume)
		case mix.DrySugar:
			if f.s.Bag > 0 {
				d.Bags, d.RestKg = rounded(float64(x.Bags), 0), kilos(x.Rest)
			}
		}
		for _, c := range f.p.Costs {
			if c.Part == i {
				d.Price, d.Per, d.Cost = rounded(c.Price.Amount, 6), c.Price.Per.String(), money(c.Cents)
				if c.Bags > 0 {
					d.BagsToBuy, d.BagsCost = rounded(float64(c.Bags), 0), money(c.BagsCents)
				}
			}
		}
		out = append(out, d)
	}
	return out
}

func (f *planning) doc(o Options) planDoc {
	s, p := f.s, f.p
	d := planDoc{Report: "mix", Rig: s.Pump.Rig, Syrup: s.Said, Solids: make(map[string]number), Brix: rounded(p.State.Syrup.Solids.Brix(), 4),
		BrixU: rounded(p.State.SolidsU.Brix(), 4), Density: rounded(float64(p.State.Density), 3), TempC: rounded(float64(s.Temp), 3),
		TempTaken: s.Taken, TempAt: instant(s.TempAt), Colonies: p.Colonies, NeedL: litres(p.Need), SolidsKg: kgOf(p.Solids), BelowL: litres(p.Below),
		MakeL: litres(p.Make), MakeU: rounded(p.State.VolumeU.Litres(), 3), MakeKg: kilos(p.Weigh()), Yield: rounded(p.Yield.Usual, 4),
		YieldLeast: rounded(p.Yield.Least, 4), YieldMost: rounded(p.Yield.Most, 4), Weigh: f.partDocs(), Yards: []planYard{},
		Unsaid: append([]string{}, s.Unsaid...), Loads: []planLoad{}, CanDrop: p.State.Crystals.Can, Warnings: []string{}, Notes: []string{}, Cautions: f.cautions}
	for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
		if x := p.State.Syrup.Makeup.Share(k); x > 0 {
			d.Solids[k.String()] = rounded(x, 6)
		}
	}
	q := f.flow.point.Flow
	d.FlowLPM, d.LowLPM, d.HighLPM = flowLPM(q), flowLPM(f.flow.low), flowLPM(f.flow.high)
	d.Hours, d.HoursLeast, d.HoursMost = rounded(f.hours(q), 3), rounded(f.hours(f.flow.high), 3), rounded(f.hours(f.flow.low), 3)
	if s.Bag > 0 {
		d.BagKg = rounded(float64(s.Bag), 6)
	}
	if s.Left != nil {
		d.LeftL, d.LeftU = litres(s.Left.Volume), rounded(s.Left.VolumeU.Litres(), 3)
	}
	for i := range p.Yards {
		y := &p.Yards[i]
		d.Yards = append(d.Yards, planYard{y.ID, y.Name, y.Colonies, litres(y.Each), litres(y.Volume), kgOf(y.Solids),
			kgOf(f.storesEach(y, p.Yield.Usual)), rounded(secondsFor(y.Volume, q)/3600, 3)})
	}
	if t := s.Tote; t != nil {
		w := &p.Full.Weights
		d.Tote = &planTote{Name: t.Name, HoldsL: litres(t.Holds), UnusableL: litres(t.Unusable), FullKg: kgOf(w.Liquid), FullTote: kgOf(w.Tote),
			FullU: kgOf(w.U), FullOver: overNames(w), MostL: litres(p.Most), Kept: p.Kept}
		if w.Trailer > 0 {
			d.Tote.FullRolls = kgOf(w.Trailer)
		}
		if len(p.Loads) > 0 {
			d.Loads = f.loadDocs()
		}
	}
	if p.Priced() {
		d.Cost = money(f.total())
	}
	if len(p.Costs) > 0 {
		d.Currency = p.Costs[0].Price.Sign
	}
	if p.State.Crystals.HasBelow {
		d.SaturatedC = rounded(float64(p.State.Crystals.Below), 2)
	}
	for _, l := range f.loud {
		d.Warnings = append(d.Warnings, l.Word+": "+l.Text)
	}
	for _, x := range f.passages(o) {
		d.Notes = append(d.Notes, x.text...)
	}
	return d
}

// total is what all that has a price costs, in cents.
func (f *planning) total() (sum int64) {
	for _, c := range f.p.Costs {
		sum += c.Cents
	}
	return sum
}

// leftWithin is half the 95 % interval of what is left.
func leftWithin(l *plan.Left) quantity.Volume {
	return quantity.Volume(math.Round(worth.Cover * float64(l.VolumeU)))
}
