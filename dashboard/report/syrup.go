package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// SyrupSheet asks what a syrup is at a temperature.
type SyrupSheet struct {
	Syrup   syrup.Syrup
	SolidsU quantity.Solids // standard uncertainty of its solids
	Temp    quantity.Temperature
	TempU   float64 // standard uncertainty, K

	// Where the solids came from a refractometer: what it showed, where, and
	// what that says.
	Read        bool
	Reading     float64 // Brix of its sucrose scale
	ReadTemp    quantity.Temperature
	Compensated bool
	Finding     syrup.Finding
}

// Origin says where a figure comes from and how far it can be trusted.
type Origin struct {
	Figure string `json:"figure"`
	Source string `json:"source"`
	Range  string `json:"range"`
	Misfit string `json:"misfit"`
}

type partsDoc struct {
	Formula     number `json:"formula"`
	Brix        number `json:"brix"`
	Temperature number `json:"temperature"`
	All         number `json:"all"`
}

type readingDoc struct {
	Brix             number `json:"brix"`
	C                number `json:"c"` // null where not said
	Compensated      bool   `json:"compensated"`
	TemperatureAdded number `json:"temperature_added_brix"`
	MakeupAdded      number `json:"makeup_added_brix"`
	WithinData       bool   `json:"within_data"`
}

type syrupDoc struct {
	Report        string            `json:"report"` // "syrup"
	LegalForTrade bool              `json:"legal_for_trade"`
	Solids        map[string]number `json:"solids"` // by kind, shares of the dry solids
	Brix          number            `json:"brix"`
	BrixU         number            `json:"brix_u"` // standard uncertainty, as all that end in _u
	TempC         number            `json:"temp_c"`
	TempU         number            `json:"temp_k_u"`
	Density       number            `json:"density_kg_m3"`
	DensityU      partsDoc          `json:"density_relative_u"`
	Viscosity     number            `json:"viscosity_mpa_s"`
	ViscosityU    partsDoc          `json:"viscosity_relative_u"`
	WithinData    bool              `json:"within_data"`
	PerBrix       worthDoc          `json:"one_brix_more_relative"`
	PerKelvin     worthDoc          `json:"one_kelvin_colder_relative"`
	CanDrop       bool              `json:"can_crystallize"`
	SaturatedC    number            `json:"saturated_c"` // null where not known
	Crystals      string            `json:"crystals"`
	Reading       *readingDoc       `json:"reading"`
	Origins       []Origin          `json:"origins"`
	Cautions      []string          `json:"cautions"`
}

type worthDoc struct {
	Density   number `json:"density"`
	Viscosity number `json:"viscosity"`
}

// Syrup writes what a syrup is, how sure that is, and where it comes from. The
// error is the writer's, or a *syrup.RangeError.
func Syrup(w io.Writer, s SyrupSheet, o Options) error {
	est, err := s.Syrup.Estimate(s.Temp, s.SolidsU, s.TempU)
	if err != nil {
		return err
	}
	kilo, err := mix.Syrup(s.Syrup, 1, mix.Usual)
	if err != nil {
		return err
	}
	st, err := kilo.At(s.Temp, 0)
	if err != nil {
		return err
	}
	crystals := strings.TrimPrefix(st.Note(o.Units), "Crystals: ")
	switch {
	case crystals != "":
		crystals = strings.ToUpper(crystals[:1]) + crystals[1:]
	case st.Crystals.Known:
		crystals = "None down to " + o.Units.Temperature(syrup.MinTemperature) + ", the coldest looked at."
	default:
		crystals = "No figure is known for such syrup; as thin as this, none are to be expected."
	}
	if o.Format == JSON {
		return syrupJSON(w, s, &est, &st, crystals)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Syrup of %v, %s Brix at %s\n\n", s.Syrup.Makeup, plain(s.Syrup.Solids.Brix(), 1), o.Units.Temperature(s.Temp))
	g := grid{head: []string{"", ">", "", ">± in all", ">by formula", ">by Brix", ">by temperature"}}
	line := func(what, number, unit string, p syrup.Parts) {
		g.add(what, number, unit, percent95(p.Combined()), percent95(p.Formula), percent95(p.Brix), percent95(p.Temperature))
	}
	number, unit := o.Units.DensityParts(est.Density)
	line("density", number, unit, est.DensityParts)
	line("viscosity", figures(float64(est.Viscosity/quantity.MillipascalSecond)), "mPa·s (cP)", est.ViscosityParts)
	solids, unit := o.Units.DensityParts(est.Density * quantity.Density(s.Syrup.Solids))
	g.add("dry solids", solids, unit, "", "", "", "")
	if err := g.write(&b); err != nil {
		return err
	}
	fmt.Fprintf(&b, "\n± holds the truth 19 times in 20. Counted with: Brix within %s, temperature within %s.\n",
		plain(math.Sqrt(3)*s.SolidsU.Brix(), 1), difference(o.Units, math.Sqrt(3)*s.TempU))
	if est.Mark != syrup.Within {
		b.WriteString("Outside what published tables cover: the formula is carried on, and less sure.\n")
	}
	step := 1.0
	if o.Units == quantity.US {
		step = 1 / 1.8
	}
	b.WriteByte('\n')
	wrap(&b, "", fmt.Sprintf("One Brix more is worth %s of density and %s of viscosity.",
		change(est.DensityPerSolids*0.01), change(est.ViscosityPerSolids*0.01)))
	wrap(&b, "", fmt.Sprintf("One %s colder is worth %s of density and %s of viscosity.",
		degree(o.Units), change(-est.DensityPerKelvin*step), change(-est.ViscosityPerKelvin*step)))
	if s.Read {
		b.WriteByte('\n')
		sayReading(&b, &s, o.Units)
	}
	b.WriteString("\nCrystals\n")
	wrap(&b, "  ", crystals)
	b.WriteString("\nWhere the figures come from\n")
	for _, f := range origins(&s) {
		wrap(&b, "  ", fmt.Sprintf("%s: %s. For %s. %s.", f.Figure, f.Source, f.Range, f.Misfit))
	}
	b.WriteString("\nTake care\n")
	for _, c := range Cautions {
		wrap(&b, "  ", c)
	}
	b.WriteString("\n" + LegalNote + "\n")
	_, err = io.WriteString(w, b.String())
	return err
}

func sayReading(b *strings.Builder, s *SyrupSheet, u quantity.System) {
	f := &s.Finding
	said := fmt.Sprintf("The refractometer showed %s Brix", plain(s.Reading, 1))
	if !math.IsNaN(float64(s.ReadTemp)) {
		said += " at " + u.Temperature(s.ReadTemp)
	}
	if s.Compensated {
		said += ", and corrects for temperature itself"
	} else {
		said += fmt.Sprintf("; for temperature %s Brix was added", signed(f.TemperatureAdded.Brix(), 2))
	}
	if f.MakeupAdded != 0 {
		said += fmt.Sprintf("; its scale reads syrup of other sugars than sucrose low, so %s Brix was added", signed(f.MakeupAdded.Brix(), 2))
	}
	wrap(b, "", fmt.Sprintf("%s. True dry solids: %s ± %s Brix (of that the reading ± %s, temperature ± %s, makeup ± %s).", said,
		plain(f.Solids.Brix(), 2), plain(2*f.U().Brix(), 2), plain(2*f.ReadingU.Brix(), 2), plain(2*f.TemperatureU.Brix(), 2), plain(2*f.MakeupU.Brix(), 2)))
	if f.Mark != syrup.Within {
		wrap(b, "", "That is outside the data of the corrections, and less sure.")
	}
}

func syrupJSON(w io.Writer, s SyrupSheet, est *syrup.Estimate, st *mix.State, crystals string) error {
	parts := func(p syrup.Parts) partsDoc {
		return partsDoc{rounded(p.Formula, 6), rounded(p.Brix, 6), rounded(p.Temperature, 6), rounded(p.Combined(), 6)}
	}
	d := syrupDoc{Report: "syrup", Solids: make(map[string]number),
		Brix: rounded(s.Syrup.Solids.Brix(), 4), BrixU: rounded(s.SolidsU.Brix(), 4),
		TempC: rounded(float64(s.Temp), 3), TempU: rounded(s.TempU, 4),
		Density: rounded(float64(est.Density), 3), DensityU: parts(est.DensityParts),
		Viscosity: rounded(float64(est.Viscosity/quantity.MillipascalSecond), 4), ViscosityU: parts(est.ViscosityParts),
		WithinData: est.Mark == syrup.Within,
		PerBrix:    worthDoc{rounded(math.Expm1(est.DensityPerSolids*0.01), 6), rounded(math.Expm1(est.ViscosityPerSolids*0.01), 6)},
		PerKelvin:  worthDoc{rounded(math.Expm1(-est.DensityPerKelvin), 6), rounded(math.Expm1(-est.ViscosityPerKelvin), 6)},
		CanDrop:    st.Crystals.Can, Crystals: crystals, Origins: origins(&s), Cautions: Cautions}
	for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
		if x := s.Syrup.Makeup.Share(k); x > 0 {
			d.Solids[k.String()] = rounded(x, 6)
		}
	}
	if st.Crystals.HasBelow {
		d.SaturatedC = rounded(float64(st.Crystals.Below), 2)
	}
	if s.Read {
		d.Reading = &readingDoc{rounded(s.Reading, 4), rounded(float64(s.ReadTemp), 3), s.Compensated,
			rounded(s.Finding.TemperatureAdded.Brix(), 4), rounded(s.Finding.MakeupAdded.Brix(), 4), s.Finding.Mark == syrup.Within}
	}
	return writeJSON(w, d)
}

// Cautions are what everyone should know who keeps or feeds syrup. They are no
// substitute for the label and for those who know the place.
var Cautions = []string{
	"Heat and acid make HMF, which harms bees: little happens near 32 °C (90 °F), much from 40 °C (104 °F). Do not boil, add no acid, keep totes out of the sun. (LeBlanc et al. 2009, J. Agric. Food Chem. 57:7369, from summaries.)",
	"There is no Brix at which syrup is safe from fermenting: some yeasts live in all of it. Do not feed what smells of alcohol, froths or has been standing warm.",
	"What the label of the syrup says, and what your bee inspector or extension service advises, goes before this.",
}

// origins says where the figures of a sheet come from.
func origins(s *SyrupSheet) []Origin {
	cane := s.Syrup.Makeup.Share(syrup.Sucrose)
	corn := 1 - cane
	var out []Origin
	if cane > 0 {
		out = append(out,
			Origin{"Density of sucrose syrup", "Bubnik et al., Sugar Technologists Manual (1995) p. 164, as two public codes carry it", "0 to 77 %, -5 to 50 °C",
				"Within 0.36 kg/m³ of the CRC Handbook at 20 °C and of a table at 15 °C; warmer and colder no table was at hand"},
			Origin{"Viscosity of sucrose syrup", "our own fit, in Genotelle's form, to the CRC Handbook, the 1918 series of the Bureau of Standards and NBS Circular 440", "0 to 77 %, -5 to 50 °C",
				"Foretells tables it was not fitted to within 6 % up to 70 %, and within 18 % above"})
	}
	if corn > 1e-9 {
		out = append(out,
			Origin{"Density of HFCS and invert", "our own fit to Buck (in Alternative Sweeteners) and to fructose and glucose in the CRC Handbook", "0 to 77 %; data from 10 to 40 °C",
				"Within 0.02 % of Buck, or 0.1 % if he weighed in air, which he does not say"},
			Origin{"Viscosity of HFCS and invert", "our own fit to the same", "0 to 77 %; data from 20 to 40 °C",
				"± 15 % where there are data, ± 30 % in the cold, where there are none"})
	}
	if corn > 1e-9 && cane > 1e-9 {
		out = append(out, Origin{"Blends", "the two above, weighed by their shares of the dry solids", "any blend", "No table was at hand; the ± is widened for it"})
	}
	if cane >= 0.95 {
		out = append(out, Origin{"Saturation", "Vavrinecz 1962, as two public codes carry it", "-5 to 60 °C",
			"Within 0.12 % of a table; the older Herzfeld scale differs by up to 0.5 %"})
	} else {
		out = append(out, Origin{"Crystals of HFCS and blends", "Buck, in Alternative Sweeteners", "syrup as sold", "No curve is known"})
	}
	if s.Read {
		out = append(out, Origin{"Refractometer's scale", "our fit to the ICUMSA 1974 values (from memory), checked with the CRC Handbook", "0 to 80 %", "Within 0.04 Brix"})
		if !s.Compensated {
			out = append(out, Origin{"Refractometer's temperature", "our fit to OIV-MA-AS2-02 Table I", "5 to 30 °C; read from 5 to 17 °C", "Within 0.02 Brix there, 0.07 at 30 °C"})
		}
		if corn > 1e-9 {
			out = append(out, Origin{"Refractometer on other sugars", "our fit to fructose and glucose in the CRC Handbook and the official table for honey", "40 to 87 %", "Within 0.1 Brix; what the sugars are adds 0.2"})
		}
	}
	return out
}

// Amount is something to put in: in words, and how much.
type Amount struct {
	Text   string
	Mass   quantity.Mass   // 0: given by volume
	Volume quantity.Volume // 0: dry, or given by weight
}

type amountDoc struct {
	Text   string `json:"text"`
	MassKg number `json:"mass_kg"`
	L      number `json:"volume_l"`
}

// MixSheet is what a recipe, or a change of a batch, comes to.
type MixSheet struct {
	Title string
	Weigh []Amount // what to put together, in order
	State mix.State
	Mass  quantity.Mass
	// Least and Most of the solids, where the bulk density of sugar makes them uncertain; 0 if not.
	Least, Most quantity.Solids
	Notes       []string // what else there is to know
}

type mixDoc struct {
	Report        string            `json:"report"` // "syrup mix"
	LegalForTrade bool              `json:"legal_for_trade"`
	Title         string            `json:"title"`
	Weigh         []amountDoc       `json:"put_together"`
	Solids        map[string]number `json:"solids"`
	Brix          number            `json:"brix"`
	BrixU         number            `json:"brix_u"`
	LeastBrix     number            `json:"least_brix"`
	MostBrix      number            `json:"most_brix"`
	TempC         number            `json:"temp_c"`
	Density       number            `json:"density_kg_m3"`
	VolumeL       number            `json:"volume_l"`
	VolumeU       number            `json:"volume_l_u"`
	MassKg        number            `json:"mass_kg"`
	Crystals      string            `json:"crystals"`
	Notes         []string          `json:"notes"`
	Cautions      []string          `json:"cautions"`
}

// Mix writes what comes of a recipe. The error is the writer's.
func Mix(w io.Writer, m MixSheet, o Options) error {
	st := &m.State
	cautions := append(append([]string(nil), mix.Cautions...), Cautions[1:]...)
	if o.Format == JSON {
		d := mixDoc{Report: "syrup mix", Title: m.Title, Weigh: []amountDoc{}, Solids: make(map[string]number),
			Brix: rounded(st.Syrup.Solids.Brix(), 4), BrixU: rounded(st.SolidsU.Brix(), 4), TempC: rounded(float64(st.Temp), 3),
			Density: rounded(float64(st.Density), 3), VolumeL: litres(st.Volume), VolumeU: litres(st.VolumeU), MassKg: rounded(float64(m.Mass), 6),
			Crystals: st.Note(o.Units), Notes: append([]string{}, m.Notes...), Cautions: cautions}
		for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
			if x := st.Syrup.Makeup.Share(k); x > 0 {
				d.Solids[k.String()] = rounded(x, 6)
			}
		}
		for _, a := range m.Weigh {
			doc := amountDoc{Text: a.Text}
			if a.Mass > 0 {
				doc.MassKg = rounded(float64(a.Mass), 6)
			}
			if a.Volume > 0 {
				doc.L = litres(a.Volume)
			}
			d.Weigh = append(d.Weigh, doc)
		}
		if m.Most > m.Least {
			d.LeastBrix, d.MostBrix = rounded(m.Least.Brix(), 2), rounded(m.Most.Brix(), 2)
		}
		return writeJSON(w, d)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", m.Title)
	for _, a := range m.Weigh {
		wrap(&b, "  ", a.Text)
	}
	if len(m.Weigh) > 0 {
		b.WriteByte('\n')
	}
	g := grid{head: []string{"", ">", "", ">±", ""}}
	g.add("Brix", plain(st.Syrup.Solids.Brix(), 1), "", plain(2*st.SolidsU.Brix(), 1), "of "+st.Syrup.Makeup.String())
	x, unit := o.Units.DensityParts(st.Density)
	g.add("density", x, unit, percent95(float64(st.DensityU/st.Density)), "at "+o.Units.Temperature(st.Temp))
	_, unit = o.Units.VolumeParts(st.Volume)
	cells, _ := Closing(o.Units, 100, []quantity.Volume{st.Volume})
	g.add("volume", Fixed(cells[0], 100), unit, Within(o.Units, 2*st.VolumeU), "at "+o.Units.Temperature(st.Temp))
	x, unit = o.Units.MassParts(m.Mass)
	g.add("weight", x, unit, "", "")
	if err := g.write(&b); err != nil {
		return err
	}
	b.WriteString("\n± holds the truth 19 times in 20.\n")
	if m.Most > m.Least {
		wrap(&b, "", fmt.Sprintf("Sugar by volume packs more or less tightly: from %s to %s Brix. Weigh it to know better.",
			plain(m.Least.Brix(), 1), plain(m.Most.Brix(), 1)))
	}
	for _, n := range m.Notes {
		wrap(&b, "", n)
	}
	if n := st.Note(o.Units); n != "" {
		wrap(&b, "", n)
	}
	b.WriteString("\nTake care\n")
	for _, c := range cautions {
		wrap(&b, "  ", c)
	}
	b.WriteString("\n" + LegalNote + "\n")
	_, err := io.WriteString(w, b.String())
	return err
}
