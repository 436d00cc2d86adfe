package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
)

// pouring is a time for a hand that holds a trigger.
func pouring(x float64) string {
	switch {
	case !(x >= 0) || x >= 86400:
		return "–"
	case x < 9.95:
		return plain(x, 1) + " s"
	case x < 599.5:
		return plain(x, 0) + " s"
	}
	return minutes(int64(math.Round(x / 60)))
}

// Pouring is how long a volume takes to flow, "–" where it never does.
func Pouring(v quantity.Volume, q quantity.Flow) string { return pouring(secondsFor(v, q)) }

// minutes is a time to the minute.
func minutes(m int64) string {
	if m < 60 {
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}

// cup is what a person times: a gallon or a litre, and its name.
func cup(u quantity.System) (quantity.Volume, string) {
	if u == quantity.US {
		return quantity.USGallon, "a gallon"
	}
	return quantity.Litre, "a litre"
}

// answer says in a line whether it will pump.
func (f *forecast) answer(u quantity.System) string {
	size, name := cup(u)
	flow := fmt.Sprintf("%s, %s in %s", u.Flow(f.point.Flow), name, pouring(secondsFor(size, f.point.Flow)))
	switch {
	case f.point.Flow == 0:
		return "No: the pump does not lift this syrup to the nozzle."
	case f.point.Marks&line.Starved != 0:
		return "Not like this: the suction starves. At the most " + flow + "."
	case f.before.PerGallon > slow:
		return "Hardly: " + flow + "."
	}
	return "Yes: " + flow + "."
}

// notes say how sure it is and why, a sentence each.
func (f *forecast) notes(o Options) (out []string) {
	s, u, p := f.s, o.Units, &f.point
	if f.point.Flow > 0 {
		who := "such rigs: this one is not learnt yet, and these are its labels' figures"
		switch {
		case s.Learnt != nil:
			who = fmt.Sprintf("pulls: learnt from %d of this rig's own", s.Learnt.Used)
		case !s.Said:
			who = "rigs: nothing is said of this one's line, so it is reckoned as a usual one; [line] of the settings describes it"
		}
		out = append(out, fmt.Sprintf("Between %s and %s in 19 of 20 %s.", u.Flow(f.low), u.Flow(f.high), who))
	}
	if p.Marks&line.Starved != 0 {
		out = append(out, fmt.Sprintf("The pump gets %s of suction head and needs %s: less flows than is said here.", u.Distance(max(0, p.Suction)), u.Distance(p.Suction-p.Margin)))
	}
	if p.Marks&line.Transitional != 0 {
		out = append(out, "Some of the hose is between laminar and turbulent, where friction is known to 30 %: there colder syrup can flow faster than warmer.")
	}
	if p.Marks&line.Beyond != 0 {
		out = append(out, "So thick a syrup is outside what was published of viscosity or of the pump: less sure than that.")
	}
	if s.Learnt != nil {
		words, odd := s.Learnt.Words(), len(s.Learnt.Outliers)
		out = append(out, words[:len(words)-odd]...) // the rest names them, with numbers that say nothing to people
		if odd > 0 {
			out = append(out, fmt.Sprintf("Left out, as far off the others: %s. A trigger half open does that.", count(odd, "pull", "pulls")))
		}
	}
	if f.crystalsNote != "" {
		out = append(out, f.crystalsNote)
	}
	return out
}

// hangs says what the flow hangs on, and where the pressure goes.
func (f *forecast) hangs(u quantity.System) (out []string) {
	if f.point.Flow == 0 {
		return nil
	}
	s, bore, wider := &f.sense, f.line.Hose.Bore, quantity.Millimetre
	name, step := "1 mm", 1.0
	if u == quantity.US {
		name, wider, step = "1/32 in", quantity.Inch/32, 1/1.8
	}
	tenth := math.Log(1.1)
	text := fmt.Sprintf("A hose %s wider is worth %s of flow, 10 %% more pump pressure %s, 10 %% more nozzle area %s; 1 %s colder %s",
		name, change(s.LnBore*math.Log1p(float64(wider/bore))), change(s.LnPressure*tenth), change(s.LnNozzle*tenth), degree(u), change(-s.Kelvin*step))
	if f.s.Syrup.Solids >= 0.01 {
		text += ", 1 Brix thinner " + change(-s.Solids*0.01)
	}
	out = append(out, text+".")
	x := &f.point.Losses
	sum := x.Suction + x.Screen + x.Meter + x.Hose + x.Nozzle
	if sum > 0 {
		share := func(p quantity.Pressure) string { return plain(100*float64(p/sum), 0) + " %" }
		out = append(out, fmt.Sprintf("Of %s, suction takes %s, screen %s, meter %s, hose %s, nozzle %s.",
			u.Pressure(sum), share(x.Suction), share(x.Screen), share(x.Meter), share(x.Hose), share(x.Nozzle)))
	}
	return out
}

// SayBore is a bore as it can be measured.
func SayBore(u quantity.System, b quantity.Length) string {
	if u == quantity.US {
		return plain(float64(b/quantity.Inch), 2) + " in"
	}
	return plain(float64(b/quantity.Millimetre), 1) + " mm"
}

// SayLine describes a line: its hose and its pump.
func SayLine(u quantity.System, l *line.Line, speed quantity.Frequency) string {
	return fmt.Sprintf("%s of %s hose, %s of it on the reel; a pump of %s at %s rpm, running at %s",
		u.Distance(l.Hose.Length), SayBore(u, l.Hose.Bore), u.Distance(l.Hose.OnReel), u.Distance(l.Pump.Shutoff),
		plain(float64(l.Pump.Rated/quantity.PerMinute), 0), plain(float64(speed/quantity.PerMinute), 0))
}

// Passage is a part of a report: sentences, or a table with sentences below it.
type Passage struct {
	Head  string
	Table *Figures // nil: none
	Text  []string
}

// Figures is a table of a report.
type Figures struct {
	Columns []Column
	Rows    [][]string // one without cells is a line under the rows above it
}

// Sum reports whether a row has a line above it.
func (f *Figures) Sum(row int) bool { return row > 0 && len(f.Rows[row-1]) == 0 }

// Column is a table's column.
type Column struct {
	Name  string
	Right bool // numbers, at its right edge
}

// Foretold is a forecast in words and tables.
type Foretold struct {
	Of       string // which syrup, how warm
	Answer   string
	Parts    []Passage
	Cautions []string

	// What flows by temperature, syrup and rig alike, the coldest first.
	Curve []CurvePoint
}

// CurvePoint is the flow to expect at a temperature; of 20 pulls 19 are between
// Low and High.
type CurvePoint struct {
	Temp            quantity.Temperature
	Flow, Low, High quantity.Flow
}

// Foretell is Forecast for a page. o.Format is of no matter.
func Foretell(s ForecastSheet, o Options) (*Foretold, error) {
	f, err := foretell(&s, o.Units)
	if err != nil {
		return nil, err
	}
	out := &Foretold{Of: f.of(o.Units), Answer: f.answer(o.Units), Cautions: f.cautions}
	for i, x := range f.rows {
		wide := quantity.Flow(f.wides[i])
		out.Curve = append(out.Curve, CurvePoint{x.Temp, x.Flow, x.Flow / wide, x.Flow * wide})
	}
	for _, p := range f.passages(o) {
		part := Passage{Head: p.head, Text: p.text}
		if p.grid != nil {
			part.Table = p.grid.table()
		}
		out.Parts = append(out.Parts, part)
	}
	return out, nil
}

// passage is a Passage in the making.
type passage struct {
	head string
	grid *grid
	text []string
}

func (f *forecast) of(u quantity.System) string {
	return fmt.Sprintf("Syrup of %v, %s Brix at %s", f.s.Syrup.Makeup, plain(f.s.Syrup.Solids.Brix(), 1), u.Temperature(f.s.Temp))
}

// passages is all between the answer and the cautions.
func (f *forecast) passages(o Options) (out []passage) {
	s, u := f.s, o.Units
	out = append(out, passage{text: f.notes(o)})
	var parts []string
	if s.InTote {
		parts = append(parts, "the batch in the tote")
	}
	if s.TempAt != 0 {
		parts = append(parts, "the syrup's temperature as read at "+o.minute(s.TempAt))
	}
	parts = append(parts, SayLine(u, &f.line, f.speed()))
	text := append([]string{"Reckoned with " + strings.Join(parts, "; ") + "."}, f.hangs(u)...)
	if f.cold > 0 {
		text = append(text, fmt.Sprintf("After a drive, with pump and hose as cold as the air (%s), a first fill of %s takes %s, not %s.",
			u.Temperature(s.Air), u.Volume(f.coldOf), pouring(f.cold.Seconds()), pouring(f.warm.Seconds())))
	}
	out = append(out, passage{text: text})
	if len(s.Yards) > 0 {
		out = append(out, f.yards(u))
	}
	out = append(out, f.byTemperature(u))
	if len(f.thin) > 0 {
		out = append(out, f.thinTable(u))
	}
	return out
}

// lessSure says in a table why a flow is less sure; JSON and CSV have the marks' names.
func lessSure(m line.Marks) string {
	var out []string
	for _, x := range [...]struct {
		mark line.Marks
		says string
	}{{line.Beyond, "outside the data"}, {line.Transitional, "friction ±30 %"}, {line.Starved, "suction starves"}, {line.Stalled, "not lifted"}} {
		if m&x.mark != 0 {
			out = append(out, x.says)
		}
	}
	return strings.Join(out, ", ")
}

func (f *forecast) byTemperature(u quantity.System) passage {
	size, name := cup(u)
	_, flow, temp := units(u)
	g := grid{head: []string{">" + temp, ">" + flow, ">" + name, "?>tonight", "?less sure"}}
	for _, x := range f.rows {
		n, _ := u.TemperatureParts(x.Temp)
		if u == quantity.SI {
			n = plain(float64(x.Temp), 1)
		}
		q, _ := u.FlowParts(x.Flow)
		g.add(n, q, pouring(secondsFor(size, x.Flow)), span(f.hours(x.Flow)), lessSure(x.Marks))
	}
	return passage{head: "By temperature, syrup and rig alike", grid: &g}
}

func (f *forecast) table(w io.Writer, o Options) error {
	var b strings.Builder
	title := "Will it pump? "
	if f.s.Rig != "" {
		title = "Will " + f.s.Rig + " pump it? "
	}
	b.WriteString(title + f.of(o.Units) + "\n\n")
	wrap(&b, "", f.answer(o.Units))
	return writePassages(w, &b, f.passages(o), f.cautions)
}

// writePassages writes passages behind what stands in b, of which the first
// goes on from it where it has no heading, then cautions and the legal note.
func writePassages(w io.Writer, b *strings.Builder, all []passage, cautions []string) error {
	for i := range all {
		p := &all[i]
		if i > 0 || p.head != "" {
			b.WriteByte('\n')
		}
		if p.head != "" {
			b.WriteString(p.head + "\n\n")
		}
		if p.grid != nil {
			if err := p.grid.write(b); err != nil {
				return err
			}
		}
		for _, text := range p.text {
			wrap(b, "", text)
		}
	}
	b.WriteString("\nTake care\n")
	for _, c := range cautions {
		wrap(b, "  ", c)
	}
	b.WriteString("\n" + LegalNote + "\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// span is hours to the minute; "" where there are none.
func span(hours float64) string {
	if math.IsNaN(hours) || hours >= 1000 {
		return ""
	}
	return minutes(int64(math.Round(hours * 60)))
}

// openTimes says how long each of several volumes takes to flow, one after the
// other, so rounded that they add up to their sum's; "" where nothing flows.
func openTimes(vs []quantity.Volume, q quantity.Flow) []string {
	out := make([]string, len(vs))
	minute := func(v quantity.Volume) int64 { return int64(math.Round(secondsFor(v, q) / 60)) }
	var through quantity.Volume
	for i, v := range vs {
		if !(q > 0) || v <= 0 {
			continue
		}
		before := int64(0)
		if through > 0 {
			before = minute(through)
		}
		through += v
		out[i] = minutes(minute(through) - before)
	}
	return out
}

// yards says how long tonight's yards take, with the trigger open.
func (f *forecast) yards(u quantity.System) (p passage) {
	s := f.s
	var vs []quantity.Volume
	var known []*ForecastYard
	var unsaid []string
	for i := range s.Yards {
		y := &s.Yards[i]
		if y.volume() == 0 {
			unsaid = append(unsaid, y.Name)
			continue
		}
		known, vs = append(known, y), append(vs, y.volume())
	}
	if len(known) > 0 {
		vol, _, _ := units(u)
		cells, sum := Closing(u, 100, vs)
		g := grid{head: []string{"tonight", ">colonies", ">" + vol + " each", ">" + vol, "?>trigger open"}}
		colonies := 0
		open := openTimes(vs, f.point.Flow)
		for i, y := range known {
			each, _ := Closing(u, 100, []quantity.Volume{y.Each})
			g.add(y.Name, fmt.Sprint(y.Colonies), Fixed(each[0], 100), Fixed(cells[i], 100), open[i])
			colonies += y.Colonies
		}
		g.rule()
		g.add("all", fmt.Sprint(colonies), "", Fixed(sum, 100), span(f.hours(f.point.Flow)))
		p.grid, p.text = &g, []string{"Walking, opening feeders and driving come on top."}
	}
	if len(unsaid) > 0 {
		p.text = append(p.text, "Not in it, as colonies or fill are not said: "+strings.Join(unsaid, ", ")+".")
	}
	return p
}

func (f *forecast) thinTable(u quantity.System) passage {
	size, name := cup(u)
	vol, flow, _ := units(u)
	mass, pound, litre := "kg", 1.0, 1.0
	if u == quantity.US {
		mass, pound, litre = "lb", float64(quantity.Pound), quantity.Litre.USGallons()
	}
	g := grid{head: []string{">Brix", ">water to 100 " + vol, ">" + flow, ">" + name, "?>faster", ">sugar " + mass + "/" + vol, ">" + mass + "/h", "?>same sugar", "?less sure"}}
	add := func(brix quantity.Solids, water, faster string, x *line.Outlook, sugarL, hours float64) {
		n, _ := u.FlowParts(x.Flow)
		g.add(plain(brix.Brix(), 1), water, n, pouring(secondsFor(size, x.Flow)), faster,
			plain(sugarL/pound/litre, 2), figures(sugarPerHour(sugarL, x.Flow)/pound), span(hours), lessSure(x.Marks))
	}
	now := f.hours(f.point.Flow)
	add(f.s.Syrup.Solids, "", "", &f.before, sugarPerLitre(f.s.Syrup, f.s.Temp), now)
	for i := range f.thin {
		t := &f.thin[i]
		add(t.brix, plain(100*t.water.Litres(), 1), plain(t.Faster, 2)+" ×", &t.After, t.sugarL, now/t.Sugar)
	}
	more := "Thinner syrup carries less sugar: for the same sugar each colony needs more of it"
	if f.tonight > 0 {
		more += ", which \"same sugar\" allows for"
	}
	return passage{"What thinning buys", &g, []string{more + ". Thin syrup ferments sooner."}}
}
