package report

import (
	"io"
	"math"
	"time"

	"yardtally/calibrate/line"
	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/worth"
)

// ForecastSheet asks whether a rig will pump a syrup.
type ForecastSheet struct {
	Rig    string
	Line   line.Line    // as labelled
	Said   bool         // false: nobody described it, it is a usual one
	Learnt *line.Learnt // what its own pulls made of it; nil: not learnt yet

	Syrup   syrup.Syrup
	SolidsU quantity.Solids // standard uncertainty of its solids
	InTote  bool            // it is the batch in the tote
	Temp    quantity.Temperature
	TempU   float64 // standard uncertainty, K
	TempAt  int64   // Unix ns of the reading it is; 0: it was asked for
	Air     quantity.Temperature
	HasAir  bool
	Set     line.Setting

	Thin  []quantity.Solids // what to thin it to; nil: some steps
	Yards []ForecastYard    // of tonight
}

// ForecastYard is what a yard is meant to get.
type ForecastYard struct {
	Yard, Name string
	Colonies   int
	Each       quantity.Volume
}

func (y *ForecastYard) volume() quantity.Volume { return quantity.Volume(y.Colonies) * y.Each }

type forecastDoc struct {
	Report        string            `json:"report"` // "forecast"
	LegalForTrade bool              `json:"legal_for_trade"`
	Rig           string            `json:"rig"`
	Solids        map[string]number `json:"solids"` // by kind, shares of the dry solids
	Brix          number            `json:"brix"`
	BrixU         number            `json:"brix_u"` // standard uncertainty, as all that end in _u
	InTote        bool              `json:"in_tote"`
	TempU         number            `json:"temp_k_u"`
	TempAt        instant           `json:"temp_at"` // null: it was asked for
	Line          forecastLineDoc   `json:"line"`
	Now           forecastRow       `json:"now"`
	LowLPM        number            `json:"low_l_per_min"` // 19 of 20 are between low and high
	HighLPM       number            `json:"high_l_per_min"`
	OutletKPa     number            `json:"outlet_kpa"` // gauge, at the pump's outlet
	SuctionM      number            `json:"suction_head_m"`
	MarginM       number            `json:"suction_margin_m"` // what is left of it above what the pump needs
	Losses        forecastLossDoc   `json:"losses_kpa"`
	HangsOn       forecastHangs     `json:"hangs_on"`
	Limits        string            `json:"limits"`
	ColdFill      *forecastCold     `json:"cold_fill"` // null: the air is not known, or as warm
	Temperatures  []forecastRow     `json:"by_temperature"`
	Thinned       []forecastThin    `json:"thinned"`
	Yards         []forecastYardRow `json:"yards"`
	SaturatedC    number            `json:"saturated_c"` // null where not known
	CanDrop       bool              `json:"can_crystallize"`
	Notes         []string          `json:"notes"`
	Cautions      []string          `json:"cautions"`
}

type forecastLineDoc struct {
	Described   bool   `json:"described"`
	Learnt      bool   `json:"learnt"`
	HoseBoreM   number `json:"hose_bore_m"`
	HoseLengthM number `json:"hose_length_m"`
	OnReelM     number `json:"hose_on_reel_m"`
	HoseL       number `json:"hose_l"` // what it holds
	PumpHeadM   number `json:"pump_head_m"`
	PumpRated   number `json:"pump_rated_per_min"`
	PumpPerMin  number `json:"pump_per_min"` // what was reckoned with
	NozzleBoreM number `json:"nozzle_bore_m"`
	LevelM      number `json:"level_m"` // of syrup in the tote, reckoned with
}

type forecastRow struct {
	TempC    number `json:"temp_c"`
	FlowLPM  number `json:"flow_l_per_min"`
	LowLPM   number `json:"low_l_per_min"` // 19 of 20 are between low and high
	HighLPM  number `json:"high_l_per_min"`
	SPerL    number `json:"s_per_l"` // null: nothing flows
	SPerGal  number `json:"s_per_us_gal"`
	Hours    number `json:"hours"`     // of flow, for tonight's yards
	LessSure string `json:"less_sure"` // marks, joined by ", "
}

type forecastLossDoc struct {
	Suction number `json:"suction"`
	Screen  number `json:"screen"`
	Meter   number `json:"meter"`
	Hose    number `json:"hose"`
	Nozzle  number `json:"nozzle"`
}

// forecastHangs is the exponents of bore, pressure and area, and what a kelvin
// and a Brix more change of the flow, relative.
type forecastHangs struct {
	Bore      number `json:"bore"`
	Pressure  number `json:"pump_pressure"`
	Nozzle    number `json:"nozzle_area"`
	PerKelvin number `json:"one_kelvin_warmer_relative"`
	PerBrix   number `json:"one_brix_more_relative"`
}

type forecastCold struct {
	AirC    number `json:"air_c"`
	L       number `json:"volume_l"`
	Seconds number `json:"seconds"` // with pump and hose as cold as the air
	Warm    number `json:"warm_seconds"`
}

type forecastThin struct {
	Brix        number `json:"brix"`
	WaterL      number `json:"water_l_per_l"` // to each litre of the syrup
	FlowLPM     number `json:"flow_l_per_min"`
	SPerL       number `json:"s_per_l"`
	Faster      number `json:"faster"`         // flow by the flow before
	SugarKgL    number `json:"sugar_kg_per_l"` // dry solids
	SugarKgH    number `json:"sugar_kg_per_h"`
	SugarFaster number `json:"sugar_faster"` // the same by that before
	Hours       number `json:"hours"`        // of flow, for tonight's yards, the same volume each
	SugarHours  number `json:"sugar_hours"`  // the same sugar each
	LessSure    string `json:"less_sure"`
}

// thinner is what water buys, at one step.
type thinner struct {
	line.Thinning
	brix   quantity.Solids
	water  quantity.Volume // to a litre of the syrup
	sugarL float64         // dry solids, kg/L
}

type forecastYardRow struct {
	Yard     string `json:"yard"`
	Name     string `json:"name"`
	Colonies int    `json:"colonies"`
	EachL    number `json:"each_l"`
	VolumeL  number `json:"volume_l"`
	Hours    number `json:"hours"` // of flow alone; null: nothing flows, or colonies or fill not said
}

// forecast is the answer.
type forecast struct {
	s            *ForecastSheet
	line         line.Line
	point        line.Point
	sense        line.Sense
	low, high    quantity.Flow
	before       line.Outlook
	rows         []line.Outlook
	wides        []float64 // of rows: high by flow, and flow by low
	thin         []thinner
	tonight      quantity.Volume
	cold         time.Duration // 0: not asked
	warm         time.Duration
	coldOf       quantity.Volume
	crystals     mix.Crystals
	crystalsNote string
	cautions     []string
}

// slow is when it is said to pump hardly: a gallon in two minutes. Common
// practice, no source.
const slow = 120 * time.Second

// Forecast writes whether a rig will pump a syrup: how much flows, how sure that
// is, what it hangs on and what warmth or water buy. As CSV it is the rows by
// temperature. Errors are the writer's, *syrup.RangeError or *line.Error.
func Forecast(w io.Writer, s ForecastSheet, o Options) error {
	f, err := foretell(&s, o.Units)
	if err != nil {
		return err
	}
	switch o.Format {
	case JSON:
		return writeJSON(w, f.doc(o))
	case CSV:
		return writeCSV(w, f.rowDocs())
	}
	return f.table(w, o)
}

func foretell(s *ForecastSheet, u quantity.System) (*forecast, error) {
	f := &forecast{s: s, line: s.Line}
	if s.Learnt != nil {
		f.line = s.Learnt.Line()
	}
	// Refuses what the formulas do not reach.
	if _, err := s.Syrup.Estimate(s.Temp, s.SolidsU, s.TempU); err != nil {
		return nil, err
	}
	c := line.Under(s.Syrup, s.Temp, line.AllAt(s.Temp), s.Set)
	var err error
	if f.point, err = line.Operate(&f.line, &c); err != nil {
		return nil, err
	}
	if f.sense, err = line.Sensitivities(&f.line, &c); err != nil {
		return nil, err
	}
	f.before = line.Outlook{Temp: s.Temp, Flow: f.point.Flow, PerGallon: line.PerGallon(f.point.Flow), Marks: f.point.Marks}
	wide, err := f.wide(&c, &f.point, &f.sense)
	if err != nil {
		return nil, err
	}
	f.low, f.high = f.point.Flow/quantity.Flow(wide), f.point.Flow*quantity.Flow(wide)
	from, to, n := temperatures(s.Temp, u)
	if f.rows, err = line.ByTemperature(&f.line, s.Syrup, s.Set, from, to, n); err != nil {
		return nil, err
	}
	for i := range f.rows {
		if err := f.widen(&f.rows[i]); err != nil {
			return nil, err
		}
	}
	for i := range s.Yards {
		f.tonight += s.Yards[i].volume()
	}
	if err := f.thinned(); err != nil {
		return nil, err
	}
	if err := f.coldFill(u); err != nil {
		return nil, err
	}
	kilo, err := mix.Syrup(s.Syrup, 1, mix.Usual)
	if err != nil {
		return nil, err
	}
	st, err := kilo.At(s.Temp, 0)
	if err != nil {
		return nil, err
	}
	f.crystals, f.crystalsNote = st.Crystals, st.Note(u)
	f.cautions = append([]string{
		"Never run the pump against a shut trigger for long: it heats the syrup and itself. Stop it before hose, screen or nozzle are opened.",
		"Where the suction starves, warm or thin the syrup, or shorten the suction; a raised throttle starves it more, and with its vent shut pulls the tote in.",
		"Hot syrup burns, and syrup warmed too far harms bees: warm it slowly, not above 32 °C (90 °F), and stir.",
	}, Cautions...)
	return f, nil
}

// widen works out within what the flow of a row is.
func (f *forecast) widen(x *line.Outlook) error {
	c := line.Under(f.s.Syrup, x.Temp, line.AllAt(x.Temp), f.s.Set)
	p, err := line.Operate(&f.line, &c)
	if err != nil {
		return err
	}
	sense, err := line.Sensitivities(&f.line, &c)
	if err != nil {
		return err
	}
	wide, err := f.wide(&c, &p, &sense)
	f.wides = append(f.wides, wide)
	return err
}

// wide is by what factor 19 of 20 flows are at most more, or less, than expected.
func (f *forecast) wide(c *line.Conditions, at *line.Point, s *line.Sense) (float64, error) {
	relU := f.byLabels(c, at, s)
	if f.s.Learnt != nil {
		p, err := f.s.Learnt.Predict(c, line.Known{SolidsU: f.s.SolidsU, TempU: f.s.TempU})
		if err != nil {
			return 0, err
		}
		relU = p.RelU
	}
	return math.Exp(worth.Cover * relU), nil
}

// byLabels is the relative standard uncertainty of the flow of a line that is
// not learnt: as far as labels, Brix, temperature and the formulas can be off.
func (f *forecast) byLabels(c *line.Conditions, at *line.Point, s *line.Sense) float64 {
	w := line.UsualWidths()
	friction := 0.0
	if at.Marks&line.Transitional != 0 {
		friction = s.LnFriction * w.Friction
	}
	sum := 0.0
	for _, x := range []float64{s.LnBore * w.LnBore, s.LnPressure * w.LnPressure, s.LnNozzle * w.LnNozzle, s.Reel * w.Reel, friction,
		s.LnViscosity * c.ViscosityU, s.Solids * float64(f.s.SolidsU), s.Kelvin * f.s.TempU} {
		sum += x * x
	}
	return math.Sqrt(sum)
}

// temperatures are those of the table: 0 to 30 °C by 2.5, in US units 30 to
// 85 °F by 5, further where the temperature asked for is.
func temperatures(t quantity.Temperature, u quantity.System) (from, to quantity.Temperature, n int) {
	x, lo, hi, step := float64(t), 0.0, 30.0, 2.5
	least, most := float64(syrup.MinTemperature), float64(syrup.MaxTemperature)
	if u == quantity.US {
		x, lo, hi, step = t.Fahrenheit(), 30, 85, 5
		least, most = 25, 120
	}
	lo = max(least, min(lo, step*math.Floor(x/step)))
	hi = min(most, max(hi, step*math.Ceil(x/step)))
	n = int(math.Round((hi-lo)/step)) + 1
	if u == quantity.US {
		return quantity.FromFahrenheit(lo), quantity.FromFahrenheit(hi), n
	}
	return quantity.Temperature(lo), quantity.Temperature(hi), n
}

// thinSteps are what thinning is shown for where nothing is asked for: whole
// steps of 2.5 Brix below what there is, ever wider.
func thinSteps(s quantity.Solids) (out []quantity.Solids) {
	first := 2.5 * math.Floor((s.Brix()-1)/2.5)
	for _, below := range []float64{0, 2.5, 5, 10, 15} {
		if b := first - below; b >= 30 {
			out = append(out, quantity.FromBrix(b))
		}
	}
	return out
}

func (f *forecast) thinned() error {
	s := f.s
	to := s.Thin
	if to == nil {
		if f.point.Flow == 0 {
			return nil // there is nothing to compare with
		}
		to = thinSteps(s.Syrup.Solids)
	}
	thick := s.Syrup.Near(s.Temp).Density
	water := syrup.Syrup{}.Near(s.Temp).Density
	for _, b := range to {
		t, err := line.Thin(&f.line, s.Syrup, b, s.Temp, s.Set)
		if err != nil {
			return err
		}
		f.thin = append(f.thin, thinner{Thinning: t, brix: b, water: quantity.VolumeOf(t.Water * float64(thick/water) / 1000),
			sugarL: sugarPerLitre(syrup.Syrup{Makeup: s.Syrup.Makeup, Solids: b}, s.Temp)})
	}
	return nil
}

// sugarPerLitre is the dry solids in a litre, kg.
func sugarPerLitre(s syrup.Syrup, t quantity.Temperature) float64 {
	return float64(s.Solids) * float64(s.Near(t).Density) / 1000
}

// sugarPerHour is the dry solids that flow, kg/h, of a syrup with so much to the litre.
func sugarPerHour(sugarL float64, q quantity.Flow) float64 { return sugarL * float64(q) * 1000 * 3600 }

func (f *forecast) thinDocs() []forecastThin {
	out := []forecastThin{}
	for i := range f.thin {
		t := &f.thin[i]
		q := t.After.Flow
		out = append(out, forecastThin{Brix: rounded(t.brix.Brix(), 4), WaterL: rounded(t.water.Litres(), 4), FlowLPM: flowLPM(q),
			SPerL: rounded(secondsFor(quantity.Litre, q), 3), Faster: rounded(t.Faster, 4), SugarKgL: rounded(t.sugarL, 4),
			SugarKgH: rounded(sugarPerHour(t.sugarL, q), 2), SugarFaster: rounded(t.Sugar, 4),
			Hours: rounded(f.hours(q), 3), SugarHours: rounded(f.hours(t.Before.Flow)/t.Sugar, 3), LessSure: t.After.Marks.String()})
	}
	return out
}

// coldFill asks how long a fill takes after a drive, pump and hose being as
// cold as the air.
func (f *forecast) coldFill(u quantity.System) error {
	s := f.s
	if !s.HasAir || f.point.Flow == 0 || s.Temp-s.Air < 2 || s.Air < syrup.MinTemperature {
		return nil
	}
	f.coldOf = 4 * quantity.Litre
	if u == quantity.US {
		f.coldOf = quantity.USGallon
	}
	if len(s.Yards) > 0 && s.Yards[0].Each > 0 {
		f.coldOf = s.Yards[0].Each
	}
	cold, _, err := line.Pour(&f.line, s.Syrup, s.Temp, line.AllAt(s.Air), s.Set, f.coldOf)
	f.cold, f.warm = cold, time.Duration(secondsFor(f.coldOf, f.point.Flow)*1e9)
	return err
}

// hours is how long tonight's yards take; NaN where nothing flows or nothing
// is to be fed.
func (f *forecast) hours(q quantity.Flow) float64 { return secondsFor(f.tonight, q) / 3600 }

// secondsFor is how long a volume takes, s; NaN where it never comes.
func secondsFor(v quantity.Volume, q quantity.Flow) float64 {
	if !(q > 0) || v <= 0 {
		return math.NaN()
	}
	return v.CubicMetres() / float64(q)
}

func flowLPM(q quantity.Flow) number { return rounded(float64(q/quantity.LitrePerMinute), 4) }

func (f *forecast) row(x line.Outlook, low, high quantity.Flow) forecastRow {
	return forecastRow{TempC: rounded(float64(x.Temp), 3), FlowLPM: flowLPM(x.Flow), LowLPM: flowLPM(low), HighLPM: flowLPM(high), SPerL: rounded(secondsFor(quantity.Litre, x.Flow), 3),
		SPerGal: rounded(secondsFor(quantity.USGallon, x.Flow), 3), Hours: rounded(f.hours(x.Flow), 3), LessSure: x.Marks.String()}
}

func (f *forecast) rowDocs() (out []forecastRow) {
	for i, x := range f.rows {
		wide := quantity.Flow(f.wides[i])
		out = append(out, f.row(x, x.Flow/wide, x.Flow*wide))
	}
	return out
}

func (f *forecast) speed() quantity.Frequency {
	if f.s.Set.Speed > 0 {
		return f.s.Set.Speed
	}
	return f.line.Pump.Idle
}

func (f *forecast) doc(o Options) forecastDoc {
	s, p, l := f.s, &f.point, &f.line
	kpa := func(x quantity.Pressure) number { return rounded(float64(x/quantity.Kilopascal), 3) }
	metres := func(x quantity.Length) number { return rounded(float64(x), 5) }
	d := forecastDoc{Report: "forecast", Rig: s.Rig, Solids: make(map[string]number), Brix: rounded(s.Syrup.Solids.Brix(), 4), BrixU: rounded(s.SolidsU.Brix(), 4),
		InTote: s.InTote, TempU: rounded(s.TempU, 4), TempAt: instant(s.TempAt),
		Line: forecastLineDoc{Described: s.Said, Learnt: s.Learnt != nil, HoseBoreM: metres(l.Hose.Bore), HoseLengthM: metres(l.Hose.Length), OnReelM: metres(l.Hose.OnReel),
			HoseL: rounded(l.Holdup().Litres(), 3), PumpHeadM: metres(l.Pump.Shutoff), PumpRated: rounded(float64(l.Pump.Rated/quantity.PerMinute), 2),
			PumpPerMin: rounded(float64(f.speed()/quantity.PerMinute), 2), NozzleBoreM: metres(l.Nozzle.Bore), LevelM: metres(s.Set.Level)},
		Now: f.row(f.before, f.low, f.high), LowLPM: flowLPM(f.low), HighLPM: flowLPM(f.high),
		OutletKPa: kpa(p.Outlet), SuctionM: rounded(float64(p.Suction), 3), MarginM: rounded(float64(p.Margin), 3),
		Losses: forecastLossDoc{kpa(p.Losses.Suction), kpa(p.Losses.Screen), kpa(p.Losses.Meter), kpa(p.Losses.Hose), kpa(p.Losses.Nozzle)},
		HangsOn: forecastHangs{rounded(f.sense.LnBore, 4), rounded(f.sense.LnPressure, 4), rounded(f.sense.LnNozzle, 4),
			rounded(math.Expm1(f.sense.Kelvin), 6), rounded(math.Expm1(f.sense.Solids*0.01), 6)},
		Limits: f.sense.Words(), Temperatures: f.rowDocs(), Thinned: f.thinDocs(), Yards: []forecastYardRow{},
		CanDrop: f.crystals.Can, Notes: append([]string{}, f.notes(o)...), Cautions: f.cautions}
	for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
		if x := s.Syrup.Makeup.Share(k); x > 0 {
			d.Solids[k.String()] = rounded(x, 6)
		}
	}
	if f.cold > 0 {
		d.ColdFill = &forecastCold{rounded(float64(s.Air), 3), litres(f.coldOf), rounded(f.cold.Seconds(), 2), rounded(f.warm.Seconds(), 2)}
	}
	for i := range s.Yards {
		y := &s.Yards[i]
		d.Yards = append(d.Yards, forecastYardRow{y.Yard, y.Name, y.Colonies, litres(y.Each), litres(y.volume()), rounded(secondsFor(y.volume(), p.Flow)/3600, 3)})
	}
	if f.crystals.HasBelow {
		d.SaturatedC = rounded(float64(f.crystals.Below), 2)
	}
	return d
}
