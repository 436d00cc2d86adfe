package dashboard

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	rig "yardtally/calibrate/line"
	"yardtally/calibrate/mix"
	"yardtally/calibrate/plan"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/calibrate/tote"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/worth"
)

const (
	mixPath = "/mix"
	// usualMix is what the page proposes to mix: what is usual before winter.
	usualMix = "2:1"
	// usualTemp is reckoned with where no temperature was said or read.
	usualTemp quantity.Temperature = 20
)

// Wish is what a person asks to have mixed, as it was typed. "" is not said.
type Wish struct {
	Syrup      string   // as plan.ParseSyrup reads it
	Yards      []string // by ID or name; none: as planned for the night
	Colonies   string   // instead of yards: how many, "24", or of several yards, "24, 18"
	Each       string   // "1 gal" of syrup for each colony
	Stores     string   // or "10 lb" of capped stores
	Yield      string   // kg of stores a kg of sugar makes
	Temp       string   // "55 F"
	TempWithin float64  // its error at most, K
	Bag        string   // "50 lb"
	Price      string   // of sugar: "31/bag"; "": the store's average, where the books have one
	SyrupPrice string   // of corn syrup: "4.20/gal"; "": the same
	Tote       string   // "275 gal", instead of the rig's own
	ToteGross  string   // its plate
	ToteEmpty  string
	Left       bool // count what is in the tote

	Currency string // of prices that name none; "": not said

	Units quantity.System
	Loose bool // units may be left out, and are then the person's
}

// Sheet is what a wish comes to on a rig. v may be nil, where nothing is known,
// as may learnt. Errors that a person can mend are *act.FieldError, whose Field
// is the wish's, such as "each" or "syrup-price".
func (w *Wish) Sheet(v *ledger.View, learnt *rig.Learnt) (s report.PlanSheet, err error) {
	if v == nil {
		v = new(ledger.View)
	}
	s.Pump = SheetOf(v)
	s.Pump.Learnt = learnt
	s.By, s.Yield, s.TempU = mix.Usual, plan.UsualYield, quantity.Temperature(w.TempWithin/math.Sqrt(3))
	s.Said = strings.Join(strings.Fields(w.Syrup), " ")
	if len(w.Syrup) > 200 {
		return s, &act.FieldError{Field: "syrup", Rule: "must have 200 letters at most", Value: len(w.Syrup)}
	}
	if s.Recipe, err = plan.ParseSyrup(w.Syrup); err != nil {
		return s, w.fieldOf(err)
	}
	for _, step := range []func(*report.PlanSheet, *ledger.View) error{w.warmth, w.amounts, w.prices, w.vessel, w.left} {
		if err := step(&s, v); err != nil {
			return s, err
		}
	}
	// The rest that cannot be so is found here already, and named.
	if _, err := plan.Make(s.Ask); err != nil {
		return s, w.fieldOf(err)
	}
	return s, nil
}

// wished reads one field; ok is false where it was not said.
func wished[T any](w *Wish, field, text, unit, rule string, parse func(string) (T, error)) (x T, ok bool, err error) {
	if text = strings.TrimSpace(text); text == "" {
		return x, false, nil
	}
	if w.Loose {
		x, err = typed(field, text, unit, rule, parse)
		return x, err == nil, err
	}
	if x, err = parse(text); err != nil {
		return x, false, &act.FieldError{Field: field, Rule: rule, Value: strconv.Quote(text)}
	}
	return x, true, nil
}

func (w *Wish) warmth(s *report.PlanSheet, v *ledger.View) (err error) {
	_, unit := w.Units.TemperatureParts(0)
	t, said, err := wished(w, "temp", w.Temp, unit, "must be a temperature with its unit, like 55 F or 13 C", quantity.ParseTemperature)
	switch {
	case err != nil:
		return err
	case said:
		s.Temp = t
	case v.Syrup.Has && v.Syrup.Value >= float64(syrup.MinTemperature) && v.Syrup.Value <= float64(syrup.MaxTemperature):
		s.Temp, s.TempAt = quantity.Temperature(v.Syrup.Value), v.Syrup.At
	default:
		s.Temp, s.Taken = usualTemp, true
	}
	return nil
}

// plainUnits are the units of a number that names none, on the page.
func (w *Wish) plainUnits() (vol, mass string) {
	if w.Units == quantity.US {
		return "gal", "lb"
	}
	return "L", "kg"
}

// amounts finds who gets how much.
func (w *Wish) amounts(s *report.PlanSheet, v *ledger.View) error {
	vol, mass := w.plainUnits()
	each, hasEach, err := wished(w, "each", w.Each, vol, "must be a volume with its unit, like 1 gal or 4 L", quantity.ParseVolume)
	if err != nil {
		return err
	}
	stores, hasStores, err := wished(w, "stores", w.Stores, mass, "must be a weight with its unit, like 10 lb or 5 kg", quantity.ParseMass)
	switch {
	case err != nil:
		return err
	case hasEach && hasStores:
		return &act.FieldError{Field: "stores", Rule: "must not stand beside each: a volume of syrup, or a weight of stores", Value: strconv.Quote(w.Stores)}
	case hasEach && each <= 0:
		return &act.FieldError{Field: "each", Rule: "must be more than 0", Value: strconv.Quote(w.Each)}
	case hasStores && stores <= 0:
		return &act.FieldError{Field: "stores", Rule: "must be more than 0", Value: strconv.Quote(w.Stores)}
	}
	if yield, ok, err := wished(w, "yield", w.Yield, "", "must be a number, kg of stores a kg of sugar, like 0.9", func(text string) (float64, error) {
		return strconv.ParseFloat(strings.TrimSpace(text), 64)
	}); err != nil {
		return err
	} else if ok {
		s.Yield = plan.Of(yield)
	}
	yards, err := w.who(v)
	if err != nil {
		return err
	}
	for _, y := range yards {
		if hasEach || hasStores {
			y.Each, y.Stores = each, stores
		}
		if y.Colonies == 0 || y.Each == 0 && y.Stores == 0 {
			s.Unsaid = append(s.Unsaid, y.Name)
			continue
		}
		s.Yards = append(s.Yards, y)
	}
	switch {
	case len(s.Yards) > 0:
	case strings.TrimSpace(w.Colonies) != "":
		return &act.FieldError{Field: "each", Rule: "must be given, like 1 gal, or stores, like 10 lb", Value: `""`}
	case len(s.Unsaid) > 0:
		return &act.FieldError{Field: "yards", Rule: "must have colonies and a fill, or be said as colonies and each", Value: strings.Join(s.Unsaid, ", ")}
	default:
		return &act.FieldError{Field: "colonies", Rule: "must be given, like 24, as no yard is known", Value: `""`}
	}
	return nil
}

// mostYards bounds how many yards can be said by their colonies.
const mostYards = 100

// who lists yards with what they are meant to get.
func (w *Wish) who(v *ledger.View) (out []plan.Yard, err error) {
	if text := strings.TrimSpace(w.Colonies); text != "" {
		if len(w.Yards) > 0 {
			return nil, &act.FieldError{Field: "colonies", Rule: "must not stand beside yards", Value: strconv.Quote(text)}
		}
		for _, n := range strings.Split(text, ",") {
			n = strings.TrimSpace(n)
			x, err := strconv.Atoi(n)
			if err != nil || x < 1 || x > 100_000 {
				return nil, &act.FieldError{Field: "colonies", Rule: "must be a whole number, 1 to 100000, or several with commas between them", Value: strconv.Quote(n)}
			}
			if len(out) == mostYards {
				return nil, &act.FieldError{Field: "colonies", Rule: fmt.Sprintf("must be of %d yards at most", mostYards), Value: strings.Count(text, ",") + 1}
			}
			out = append(out, plan.Yard{Name: fmt.Sprintf("yard %d", len(out)+1), Colonies: x})
		}
		return out, nil
	}
	planned := map[string]plan.Yard{}
	for _, y := range v.Plan {
		planned[y.Yard] = plan.Yard{ID: y.Yard, Name: report.NameOf(v, y.Yard), Colonies: y.Colonies, Each: y.Each}
		if len(w.Yards) == 0 {
			out = append(out, planned[y.Yard])
		}
	}
	for _, said := range w.Yards {
		y, ok := planYard(v, planned, strings.TrimSpace(said))
		if !ok {
			return nil, &act.FieldError{Field: "yards", Rule: "must be yards that are known, by name or id", Value: strconv.Quote(said)}
		}
		for _, x := range out {
			if x.ID == y.ID {
				return nil, &act.FieldError{Field: "yards", Rule: "must be said once each", Value: strconv.Quote(said)}
			}
		}
		out = append(out, y)
	}
	return out, nil
}

func planYard(v *ledger.View, planned map[string]plan.Yard, said string) (plan.Yard, bool) {
	for i := range v.Yards {
		y := &v.Yards[i]
		if y.ID == "" || y.Closed || y.ID != said && !strings.EqualFold(y.Name, said) {
			continue
		}
		if p, ok := planned[y.ID]; ok {
			return p, true
		}
		return plan.Yard{ID: y.ID, Name: report.NameOf(v, y.ID), Colonies: y.Colonies, Each: y.Fill}, true
	}
	return plan.Yard{}, false
}

func (w *Wish) prices(s *report.PlanSheet, v *ledger.View) (err error) {
	mass := "kg"
	if w.Units == quantity.US {
		mass = "lb"
	}
	if s.Bag, _, err = wished(w, "bag", w.Bag, mass, "must be a weight with its unit, like 50 lb or 25 kg", quantity.ParseMass); err != nil {
		return err
	}
	for _, p := range []struct {
		field, text string
		into        *plan.Price
	}{{"price", w.Price, &s.Sugar}, {"syrup-price", w.SyrupPrice, &s.Bought}} {
		if strings.TrimSpace(p.text) == "" {
			*p.into = w.booked(&s.Recipe, p.field == "price", v.Prices)
			continue
		}
		if *p.into, err = plan.ParsePrice(p.text); err != nil {
			var e *plan.Error
			if errors.As(err, &e) {
				return &act.FieldError{Field: p.field, Rule: e.Rule, Value: e.Value}
			}
			return err
		}
		if p.into.Sign == "" {
			p.into.Sign = w.Currency
		}
	}
	return nil
}

// booked is the store's average price of sugar, or of the one other thing that
// the recipe takes; none where the books have none.
func (w *Wish) booked(r *mix.Recipe, sugar bool, prices map[string]float64) (p plan.Price) {
	kind, solids := act.SugarGoods, quantity.Solids(1)
	if !sugar {
		kind = ""
		for _, part := range r.Parts {
			name := part.Syrup.Makeup.String()
			switch {
			case part.What != mix.Dissolved:
				continue
			case kind != "" && (kind != name || solids != part.Syrup.Solids):
				return p // one price cannot be of two
			}
			kind, solids = name, part.Syrup.Solids
		}
	}
	each, ok := prices[kind]
	if !ok {
		return p
	}
	p = plan.Price{Amount: each * float64(solids), Per: plan.PerKilogram, Sign: w.Currency, Of: "the store's average price"}
	if w.Units == quantity.US {
		p.Amount, p.Per = p.Amount*float64(quantity.Pound), plan.PerPound
	}
	return p
}

// vessel finds the tote: the one that was said, or the rig's own.
func (w *Wish) vessel(s *report.PlanSheet, v *ledger.View) error {
	vol, mass := w.plainUnits()
	holds, said, err := wished(w, "tote", w.Tote, vol, "must be a volume with its unit, like 275 gal", quantity.ParseVolume)
	if err != nil {
		return err
	}
	gross, hasGross, err := wished(w, "tote-gross", w.ToteGross, mass, "must be a weight with its unit, like 2540 lb", quantity.ParseMass)
	if err != nil {
		return err
	}
	empty, hasEmpty, err := wished(w, "tote-empty", w.ToteEmpty, mass, "must be a weight with its unit, like 130 lb", quantity.ParseMass)
	if err != nil {
		return err
	}
	if v.Stand == nil && !said {
		if hasGross || hasEmpty {
			return &act.FieldError{Field: "tote", Rule: "must be given beside its plate, like 275 gal", Value: `""`}
		}
		return nil
	}
	t := new(plan.Tote)
	if b := v.Stand; b != nil {
		if x := b.Trailer; x != nil {
			t.Trailer = tote.Trailer{Described: true, Empty: quantity.Mass(x.EmptyKg), Other: quantity.Mass(x.OtherKg),
				Gross: quantity.Mass(x.GrossKg), Axles: quantity.Mass(x.AxlesKg), Tongue: quantity.Mass(x.TongueKg)}
		}
		if !said { // another tote has another plate
			t.Name, t.Holds = b.Name, quantity.VolumeOf(b.CapacityL/1000)
			t.Unusable = quantity.VolumeOf(b.UnusableL / 1000)
			t.Plate = tote.Plate{Empty: quantity.Mass(b.EmptyKg), Gross: quantity.Mass(b.GrossKg)}
		}
	}
	if said {
		t.Holds = holds
	}
	if hasGross {
		t.Plate.Gross = gross
	}
	if hasEmpty {
		t.Plate.Empty = empty
	}
	s.Tote = t
	return nil
}

// left counts what is in the tote.
func (w *Wish) left(s *report.PlanSheet, v *ledger.View) error {
	no := func(rule, value string) error { return &act.FieldError{Field: "left", Rule: rule, Value: value} }
	switch {
	case !w.Left:
		return nil
	case strings.TrimSpace(w.Tote) != "":
		return no("must not stand beside tote: the level is the rig's own tote's", "true")
	case v.Stand == nil:
		return no("must be of a tote that is known", "true")
	case v.Batch == nil:
		return no("must be of a batch that is known, as nobody said what is in the tote", "true")
	}
	l := new(plan.Left)
	within := v.Tote.Within
	switch {
	case v.Left.Known:
		l.Volume, within = v.Left.There.Volume+s.Tote.Unusable, v.Left.There.Within
	case v.Tote.Known:
		l.Volume = v.Tote.Volume
	default:
		why := v.Tote.Why
		if why == "" {
			why = "no level was heard"
		}
		return no("must be of a level that is known", why)
	}
	l.VolumeU = quantity.Volume(math.Round(float64(within) / worth.Cover))
	x, u, err := v.Batch.Solution()
	if err != nil {
		return err
	}
	l.Batch, err = mix.ByVolume(x, l.Volume, s.Temp, mix.Reading{Solids: quantity.Solids(u), Volume: l.VolumeU, Temp: s.TempU})
	s.Left = l
	return w.fieldOf(err)
}

// fieldOf names the field that a refusal is of.
func (w *Wish) fieldOf(err error) error {
	var pe *plan.Error
	var me *mix.Error
	var te *tote.Error
	var re *syrup.RangeError
	switch {
	case errors.As(err, &pe):
		return &act.FieldError{Field: pe.Field, Rule: pe.Rule, Value: pe.Value}
	case errors.As(err, &me):
		rule := me.Rule
		if me.Field != "recipe" && me.Field != "ratio" {
			rule = me.Field + " " + rule
		}
		return &act.FieldError{Field: "syrup", Rule: rule, Value: me.Value}
	case errors.As(err, &te):
		return &act.FieldError{Field: "tote", Rule: te.Field + " " + te.Rule, Value: te.Value}
	case errors.As(err, &re) && re.Field == "temperature":
		t := func(x float64) string { return w.Units.Temperature(quantity.Temperature(x)) }
		return &act.FieldError{Field: "temp", Rule: fmt.Sprintf("must be between %s and %s", t(re.Min), t(re.Max)), Value: t(re.Value)}
	case errors.As(err, &re):
		return &act.FieldError{Field: "syrup", Rule: fmt.Sprintf("must have between %.4g and %.4g Brix", re.Min, re.Max), Value: fmt.Sprintf("%.4g", re.Value)}
	}
	return err
}

// mixModel is the page "What to mix".
type mixModel struct {
	shell
	Wish            Wish
	Rigs            []choice // of a house; empty: of one rig
	Files           string   // the query of what was asked, for CSV and JSON
	Yards           []choice
	Vol, Mass, Deg  string
	HasTote, HasNow bool
	Wrong, Bad      string
	Answer          *report.Mixing
}

// wishOf reads what a request asks to have mixed. In a house it is for all rigs
// together, or for the one that it names, with its tote and line.
func (s *server) wishOf(r *http.Request) (m *model, wish Wish, rig string, err error) {
	m = newModel(s.Feed.Snapshot())
	q := r.URL.Query()
	if rig = q.Get("rig"); rig != "" {
		if m.viewOf(rig) == m.view {
			err = &act.FieldError{Field: "rig", Rule: "must be one of the house's rigs", Value: strconv.Quote(clip(rig))}
		} else {
			m = m.own(rig)
		}
	}
	wish = Wish{Syrup: q.Get("syrup"), Yards: q["yards"], Colonies: q.Get("colonies"), Each: q.Get("each"), Stores: q.Get("stores"),
		Yield: q.Get("yield"), Temp: q.Get("temp"), TempWithin: tempWithin, Bag: q.Get("bag"), Price: q.Get("price"), SyrupPrice: q.Get("syrup-price"),
		Tote: q.Get("tote"), ToteGross: q.Get("tote-gross"), Left: q.Get("left") != "", Units: m.Units, Loose: true, Currency: m.Currency}
	return m, wish, rig, err
}

// reckon answers a wish.
func (s *server) reckon(m *model, wish Wish) (report.PlanSheet, error) {
	if strings.TrimSpace(wish.Colonies) != "" {
		wish.Yards = nil // the form sends its yards all the same
	}
	var learnt *rig.Learnt
	if m.Watch != nil {
		learnt = m.Watch.Learnt
	}
	return wish.Sheet(m.view, learnt)
}

// mix answers the form in its own query; without one it only asks.
func (s *server) mix(w http.ResponseWriter, r *http.Request) {
	m, wish, of, err := s.wishOf(r)
	q := r.URL.Query()
	f := mixModel{shell: s.shell(r), HasTote: m.view.Stand != nil, HasNow: m.view.Batch != nil && m.view.Stand != nil && (m.view.Left.Known || m.view.Tote.Known)}
	f.Vol, _, f.Deg = units(m.Units)
	_, f.Mass = m.Units.MassParts(0)
	for _, v := range s.Feed.Snapshot().Rigs {
		f.Rigs = append(f.Rigs, choice{v.Rig, v.Rig, v.Rig == of})
	}
	asked := len(q) > 0
	if !asked {
		wish.Syrup = usualMix
	}
	f.Wish = wish
	f.choose(m, &wish, asked)
	status := http.StatusOK
	if asked && err == nil {
		var sheet report.PlanSheet
		if sheet, err = s.reckon(m, wish); err == nil {
			f.Answer, err = report.PlanFor(sheet, report.Options{Units: m.Units, Zone: m.zone})
			err = wish.fieldOf(err)
		}
		f.Files = "?" + q.Encode()
	}
	if err != nil {
		f.Wrong, f.Bad = refusal(err)
		status = http.StatusUnprocessableEntity
	}
	s.answer(w, r, status, "mix.html", f)
}

// mixFile gives what the page answers as CSV or JSON.
func (s *server) mixFile(w http.ResponseWriter, r *http.Request) {
	m, wish, _, err := s.wishOf(r)
	o := report.Options{Format: report.CSV, Units: quantity.SI, Zone: m.zone}
	kind := "text/csv; charset=utf-8; header=present"
	if strings.HasSuffix(r.URL.Path, ".json") {
		o.Format, kind = report.JSON, "application/json"
	}
	var b bytes.Buffer
	var sheet report.PlanSheet
	if err == nil {
		sheet, err = s.reckon(m, wish)
	}
	if err == nil {
		err = wish.fieldOf(report.Plan(&b, sheet, o))
	}
	if err != nil {
		text, _ := refusal(err)
		http.Error(w, text, http.StatusUnprocessableEntity)
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}

// choose lists the yards that are in use, those of the night marked at first.
func (f *mixModel) choose(m *model, wish *Wish, asked bool) {
	chosen := map[string]bool{}
	for _, id := range wish.Yards {
		chosen[id] = true
	}
	stands := map[string]ledger.Planned{}
	for _, y := range m.view.Plan {
		stands[y.Yard] = y
		if !asked {
			chosen[y.Yard] = true
		}
	}
	for i := range m.view.Yards {
		y := &m.view.Yards[i]
		if y.ID == "" || y.Closed {
			continue
		}
		colonies, each := y.Colonies, y.Fill
		if p, ok := stands[y.ID]; ok {
			colonies, each = p.Colonies, p.Each
		}
		text := report.NameOf(m.view, y.ID) + ": colonies not said"
		if colonies > 0 {
			text = fmt.Sprintf("%s: %d colonies", report.NameOf(m.view, y.ID), colonies)
			if each > 0 {
				text += ", " + report.Hundredths(m.Units, each) + " each"
			}
		}
		f.Yards = append(f.Yards, choice{y.ID, text, chosen[y.ID]})
	}
}
