package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"yardtally/calibrate/line"
	"yardtally/calibrate/mix"
	"yardtally/calibrate/plan"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	"yardtally/meter/worth"
)

// manyLoads is how many loads are listed one by one.
const manyLoads = 24

// thinSyrup is the solids below which syrup is thin: some days in warmth spoil it
// (common practice, no source).
const thinSyrup quantity.Solids = 0.6

// Mixing is a plan in words and tables.
type Mixing struct {
	Of       string // which syrup, how warm, for how many
	Answer   string
	Loud     []Loud
	Parts    []Passage
	Cautions []string
}

// PlanFor is Plan for a page. o.Format is of no matter.
func PlanFor(s PlanSheet, o Options) (*Mixing, error) {
	f, err := makePlan(&s, o)
	if err != nil {
		return nil, err
	}
	out := &Mixing{Of: f.of(o.Units), Answer: f.answer(o.Units), Loud: f.loud, Cautions: f.cautions}
	for _, p := range f.passages(o) {
		part := Passage{Head: p.head, Text: p.text}
		if p.grid != nil {
			part.Table = p.grid.table()
		}
		out.Parts = append(out.Parts, part)
	}
	return out, nil
}

func (f *planning) of(u quantity.System) string {
	said := ""
	if f.s.Said != "" {
		said = " (" + f.s.Said + ")"
	}
	return fmt.Sprintf("Syrup of %v, %s Brix%s at %s, for %s", f.p.State.Syrup.Makeup, plain(f.p.State.Syrup.Solids.Brix(), 1), said,
		u.Temperature(f.s.Temp), count(f.p.Colonies, "colony", "colonies"))
}

// answer says what to weigh.
func (f *planning) answer(u quantity.System) string {
	p := f.p
	if p.Make == 0 {
		return "Nothing to mix: what is in the tote is enough."
	}
	var parts []string
	for i := range p.Parts {
		parts = append(parts, f.sayAmount(u, &p.Parts[i]))
	}
	makes := "That makes"
	if p.Corrected {
		makes = "With what is in the tote that makes"
	}
	return fmt.Sprintf("Weigh %s. %s %s of syrup, %s to weigh in all.", list(parts), makes, u.Volume(f.made()), u.Mass(p.Weigh().Mass()))
}

// made is the volume that the answer speaks of.
func (f *planning) made() quantity.Volume {
	if f.p.Corrected {
		return f.p.State.Volume
	}
	return f.p.Make
}

// sayBag is a bag's weight, as its label has it.
func sayBag(u quantity.System, bag quantity.Mass) string {
	n, unit := u.MassParts(bag)
	return strings.TrimSuffix(n, ".0") + " " + unit
}

// sayAmount says a weight, and what it is in bags or by volume.
func (f *planning) sayAmount(u quantity.System, x *plan.Amount) string {
	s := u.Mass(x.Weigh.Mass()) + " of " + partName(x)
	switch {
	case x.What == mix.DrySugar && f.s.Bag > 0:
		s += " (" + f.bags(u, x, " of "+sayBag(u, f.s.Bag)) + ")"
	case x.What != mix.DrySugar:
		s += " (" + u.Volume(x.Volume) + ")"
	}
	return s
}

// bags says whole bags and what is weighed besides: "10 bags of 50 lb and 17.1 lb".
func (f *planning) bags(u quantity.System, x *plan.Amount, of string) string {
	switch {
	case x.Rest == 0:
		return count(x.Bags, "bag", "bags") + of
	case x.Bags == 0:
		return "no whole bag" + of
	}
	return count(x.Bags, "bag", "bags") + of + " and " + u.Mass(x.Rest.Mass())
}

// list joins what belongs together: "a, b and c".
func list(parts []string) string {
	if n := len(parts); n > 1 {
		return strings.Join(parts[:n-1], ", ") + " and " + parts[n-1]
	}
	return strings.Join(parts, "")
}

// warn finds what a person must not miss, the worst first.
func (f *planning) warn(u quantity.System) {
	p, loud := f.p, func(word, text string) { f.loud = append(f.loud, Loud{word, text}) }
	only := func(w tote.Weights, over bool) string {
		if over {
			w.Missing = nil
		} else {
			w.Over = nil
		}
		words := w.Words(u)
		if len(words) == 0 {
			return ""
		}
		return strings.Join(words[:len(words)-1], " ") // the last is among the cautions
	}
	if p.Full != nil {
		if p.Kept {
			text := "Full of this, the tote is too much. " + only(p.Full.Weights, true)
			if p.Most > f.s.Tote.Unusable {
				loud("Too heavy when full", text+fmt.Sprintf(" No load here goes above %s in the tote.", u.Volume(p.Most)))
			} else {
				loud("Too heavy", text+" By these ratings nothing may be loaded.")
			}
		}
		for i := range p.Loads {
			if text := only(p.Loads[i].Weights, true); text != "" {
				loud("Too heavy", fmt.Sprintf("Load %d. %s", i+1, text))
				break
			}
		}
		if text := only(p.Full.Weights, false); text != "" {
			loud("Weight not judged", text)
		}
	}
	if c := &p.State.Crystals; c.Can {
		loud("Crystals", p.State.Note(u))
	}
	switch q := &f.flow.point; {
	case q.Flow == 0:
		loud("It will not pump", "The pump does not lift this syrup to the nozzle.")
	case q.Marks&line.Starved != 0:
		loud("The suction starves", "Less flows than is said here: warm or thin the syrup, or shorten the suction.")
	}
}

// passages is all between the answer and the cautions.
func (f *planning) passages(o Options) (out []passage) {
	u, p := o.Units, f.p
	out = append(out, passage{text: f.notes(u)}, f.yardTable(u))
	if len(p.Loads) > 0 {
		out = append(out, f.loadTable(u))
	}
	if p.Full != nil {
		out = append(out, passage{head: "A full tote", text: f.full(u)})
	} else {
		out = append(out, passage{head: "Loads", text: []string{"No tote is known, so loads and their weight are not reckoned: -tote, or [tote] of the settings, says what it holds."}})
	}
	out = append(out, passage{head: "Time", text: f.times(u)})
	if len(p.Costs) > 0 {
		out = append(out, passage{head: "Cost", text: f.costs(u)})
	}
	return append(out, passage{head: "Reckoned with", text: f.taken(o)})
}

// notes say what there is to know of the mix.
func (f *planning) notes(u quantity.System) (out []string) {
	s, p := f.s, f.p
	if p.Make > 0 {
		by := "By these weights"
		if s.Left != nil {
			by = "With what is there"
		}
		out = append(out, fmt.Sprintf("%s it comes to %s Brix ± %s and %s ± %s.", by, plain(p.State.Syrup.Solids.Brix(), 1),
			plain(worth.Cover*p.State.SolidsU.Brix(), 1), u.Volume(p.State.Volume), Within(u, quantity.Volume(worth.Cover*float64(p.State.VolumeU)))))
	}
	if text := f.wholeBags(u); text != "" {
		out = append(out, text)
	}
	if s.Left != nil {
		out = append(out, f.left(u))
	}
	if p.Below > 0 && p.Make > 0 {
		out = append(out, fmt.Sprintf("In it are %s that stay below the tote's outlet.", u.Volume(p.Below)))
	}
	if hose := f.flow.line.Holdup(); p.Make > 0 && hose > 0 {
		out = append(out, fmt.Sprintf("Not in it: the %s that fill an empty hose.", u.Volume(hose)))
	}
	if note := p.State.Note(u); note != "" && !p.State.Crystals.Can {
		out = append(out, note)
	}
	if p.Make > 0 && p.State.Syrup.Solids < thinSyrup {
		out = append(out, "So thin a syrup spoils within days in warmth: mix no more than is fed at once.")
	}
	return out
}

// wholeBags says what the next whole number of bags makes.
func (f *planning) wholeBags(u quantity.System) string {
	p, s := f.p, f.s
	at := slices.IndexFunc(p.Parts, func(x plan.Amount) bool { return x.What == mix.DrySugar })
	if at < 0 || s.Bag == 0 || p.Parts[at].Rest == 0 || p.Corrected || p.Parts[at].Weigh == 0 {
		return ""
	}
	n := p.Parts[at].Bags + 1
	more := float64(n) * float64(s.Bag) / float64(p.Parts[at].Weigh.Mass())
	var with []string
	for i := range p.Parts {
		if i != at {
			x := p.Parts[i]
			x.Weigh = mix.Micrograms(float64(x.Weigh) * more)
			x.Volume, x.Bags, x.Rest = quantity.Volume(float64(x.Volume)*more), 0, 0
			with = append(with, u.Mass(x.Weigh.Mass())+" of "+partName(&x))
		}
	}
	text := fmt.Sprintf("With no bag left open: %s", count(n, "bag", "bags"))
	if len(with) > 0 {
		text += " with " + list(with)
	}
	return text + " make " + u.Volume(quantity.Volume(float64(p.State.Volume)*more)) + "."
}

// left says how what is in the tote is counted.
func (f *planning) left(u quantity.System) string {
	l, p := f.s.Left, f.p
	text := fmt.Sprintf("Counted as there: %s ± %s of %s Brix", u.Volume(l.Volume), Within(u, leftWithin(l)), plain(l.Batch.Syrup().Solids.Brix(), 1))
	if un := f.s.Tote.Unusable; un > 0 {
		text += fmt.Sprintf(", with the %s below the outlet", u.Volume(un))
	}
	switch {
	case p.Make == 0 || len(p.Loads) == 0:
	case p.Drawn:
		text += ". The tote is as full as it may be: feed what is in it first"
	case p.Corrected:
		text += fmt.Sprintf(". The first load is so weighed that together they come to %s Brix", plain(p.Loads[0].Brix.Brix(), 1))
	default:
		text += fmt.Sprintf(". No amount of this recipe brings that to its Brix; with the first load it comes to %s Brix", plain(p.Loads[0].Brix.Brix(), 1))
	}
	return text + "."
}

func (f *planning) yardTable(u quantity.System) passage {
	p := f.p
	vol, _, _ := units(u)
	_, mass := u.MassParts(0)
	vs := make([]quantity.Volume, len(p.Yards))
	ms := make([]mix.Micrograms, len(p.Yards))
	for i := range p.Yards {
		vs[i] = p.Yards[i].Volume
		ms[i], _ = mix.MicrogramsOf("solids", p.Yards[i].Solids) // a share of what was mixed
	}
	cells, sum := Closing(u, 100, vs)
	sugar := closeMasses(u, ms)
	open := openTimes(vs, f.flow.point.Flow)
	g := grid{head: []string{"yard", ">colonies", ">" + vol + " each", ">" + vol, ">sugar, " + mass, ">stores each, " + mass, "?>trigger open"}}
	for i := range p.Yards {
		y := &p.Yards[i]
		each, _ := Closing(u, 100, []quantity.Volume{y.Each})
		stores, _ := u.MassParts(f.storesEach(y, p.Yield.Usual))
		name := y.Name
		if name == "" {
			name = "yard " + strconv.Itoa(i+1)
		}
		g.add(name, strconv.Itoa(y.Colonies), Fixed(each[0], 100), Fixed(cells[i], 100), sugar[i], stores, open[i])
	}
	if len(p.Yards) > 1 {
		g.rule()
		g.add("all", strconv.Itoa(p.Colonies), "", Fixed(sum, 100), sugar[len(ms)], "", span(f.hours(f.flow.point.Flow)))
	}
	text := []string{f.yield(u)}
	if len(f.s.Unsaid) > 0 {
		text = append(text, "Not in it, as colonies or fill are not said: "+strings.Join(f.s.Unsaid, ", ")+".")
	}
	return passage{"What each yard takes", &g, text}
}

// yield says what stores are reckoned by.
func (f *planning) yield(u quantity.System) string {
	y, unit, short := f.p.Yield, "kilogram", "kg"
	if u == quantity.US {
		unit, short = "pound", "lb"
	}
	text := fmt.Sprintf("Sugar is the dry solids. A %s of it is reckoned to make %s %s of capped stores", unit, plain(y.Usual, 2), short)
	if y.Least == y.Most {
		return text + ", as was said."
	}
	text += fmt.Sprintf(" (common practice, no source), which may be %s to %s (from memory; without any loss it would be 1.22)", plain(y.Least, 2), plain(y.Most, 2))
	lo, hi := f.p.Yards[0], f.p.Yards[0]
	for _, s := range f.p.Yards {
		if s.Each < lo.Each {
			lo = s
		}
		if s.Each > hi.Each {
			hi = s
		}
	}
	return text + fmt.Sprintf(": between %s and %s a colony. Heft the hives.", u.Mass(f.storesEach(&lo, y.Least)), u.Mass(f.storesEach(&hi, y.Most)))
}

func (f *planning) loadTable(u quantity.System) passage {
	p := f.p
	vol, _, _ := units(u)
	_, mass := u.MassParts(0)
	g := grid{head: []string{">load", ">in, " + vol, ">then in tote, " + vol}}
	for i := range p.Parts {
		name := partName(&p.Parts[i])
		g.head = append(g.head, ">"+name+", "+mass)
		switch {
		case p.Parts[i].What != mix.DrySugar:
			g.head = append(g.head, ">"+name+", "+vol)
		case f.s.Bag > 0:
			g.head = append(g.head, ">in bags of "+sayBag(u, f.s.Bag))
		}
	}
	g.head = append(g.head, ">with tote, "+mass, "?>rolling, "+mass)
	n := len(p.Loads)
	shown := n
	if n > manyLoads {
		shown = 1 // and the middle ones in one line, and the last
	}
	vs := make([]quantity.Volume, n)
	for i := range p.Loads {
		vs[i] = p.Loads[i].Rises()
	}
	ins, inSum := Closing(u, 10, vs)
	weights, volumes := make([][]string, len(p.Parts)), make([][]int64, len(p.Parts))
	sums := make([]int64, len(p.Parts))
	for k := range p.Parts {
		ms, ls := make([]mix.Micrograms, n), make([]quantity.Volume, n)
		for i := range p.Loads {
			ms[i], ls[i] = p.Loads[i].Parts[k].Weigh, p.Loads[i].Parts[k].Volume
		}
		weights[k] = closeMasses(u, ms)
		volumes[k], sums[k] = Closing(u, 10, ls)
	}
	row := func(name string, i int) {
		l := &p.Loads[i]
		after, _ := Closing(u, 10, []quantity.Volume{l.After})
		cells := []string{name, Fixed(ins[i], 10), Fixed(after[0], 10)}
		for k := range p.Parts {
			cells = append(cells, weights[k][i])
			switch {
			case p.Parts[k].What != mix.DrySugar:
				cells = append(cells, Fixed(volumes[k][i], 10))
			case f.s.Bag > 0:
				cells = append(cells, f.bags(u, &l.Parts[k], ""))
			}
		}
		gross, _ := u.MassParts(l.Weights.Tote)
		rolls := ""
		if l.Weights.Trailer > 0 {
			rolls, _ = u.MassParts(l.Weights.Trailer)
		}
		g.add(append(cells, gross, rolls)...)
	}
	for i := range shown {
		row(strconv.Itoa(i+1), i)
	}
	if shown < n {
		row(fmt.Sprintf("2 to %d, each", n-1), 1)
		row(strconv.Itoa(n), n-1)
	}
	if n > 1 {
		g.rule()
		cells := []string{"all", Fixed(inSum, 10), ""}
		for k := range p.Parts {
			cells = append(cells, weights[k][n])
			switch {
			case p.Parts[k].What != mix.DrySugar:
				cells = append(cells, Fixed(sums[k], 10))
			case f.s.Bag > 0:
				cells = append(cells, f.bags(u, &p.Parts[k], ""))
			}
		}
		g.add(append(cells, "", "")...)
	}
	text := "The tote must be filled once"
	if n > 1 {
		text = fmt.Sprintf("The tote must be filled %d times", n)
	}
	if un := f.s.Tote.Unusable; un > 0 {
		text += fmt.Sprintf("; of each filling %s can be drawn at most, as %s stay below the outlet", u.Volume(p.Most-un), u.Volume(un))
	}
	return passage{"Loads", &g, []string{text + "."}}
}

// full says what a tote full of it weighs.
func (f *planning) full(u quantity.System) []string {
	w, t := &f.p.Full.Weights, f.s.Tote
	text := fmt.Sprintf("Filled to its %s, this syrup weighs %s, with the tote %s ± %s", u.Volume(t.Holds), u.Mass(w.Liquid), u.Mass(w.Tote), roundMass(u, tote.Wide*w.U))
	if t.Plate.Empty == 0 {
		text += " (the tote's own weight taken as usual)"
	}
	if w.Trailer > 0 {
		text += fmt.Sprintf(", and %s with the trailer, of it at most %s on the axles and %s on the tongue", u.Mass(w.Trailer), u.Mass(w.Axles), u.Mass(w.Tongue))
	}
	out := []string{text + "."}
	if w.Trailer == 0 {
		out = append(out, "No trailer is described: its gross, axle and tongue ratings are not held against it.")
	}
	return out
}

// roundMass is a mass to the whole unit.
func roundMass(u quantity.System, m quantity.Mass) string {
	x, unit := float64(m), "kg"
	if u == quantity.US {
		x, unit = x/float64(quantity.Pound), "lb"
	}
	return strings.TrimSuffix(Fixed(int64(math.Round(x))*10, 10), ".0") + " " + unit
}

// times says how long it takes to dispense.
func (f *planning) times(u quantity.System) (out []string) {
	q := &f.flow.point
	if q.Flow == 0 {
		return []string{"None: nothing flows at this temperature."}
	}
	text := fmt.Sprintf("%s with the trigger open, at %s", span(f.hours(q.Flow)), u.Flow(q.Flow))
	if slow, fast := span(f.hours(f.flow.low)), span(f.hours(f.flow.high)); slow != "" && fast != "" {
		text += fmt.Sprintf("; between %s and %s", fast, slow)
	}
	notes := f.flow.notes(Options{Units: u})
	// The first says between which flows, and by what it is known.
	out = append(out, text+".", notes[0])
	return append(out, "Walking, opening feeders, driving and filling the tote come on top.")
}

// costs says what it costs.
func (f *planning) costs(u quantity.System) (out []string) {
	p := f.p
	var parts, unpriced []string
	per := ""
	for i := range p.Parts {
		x := &p.Parts[i]
		at := slices.IndexFunc(p.Costs, func(c plan.Cost) bool { return c.Part == i })
		if at < 0 {
			if x.What != mix.PureWater {
				unpriced = append(unpriced, partName(x))
			}
			continue
		}
		c := &p.Costs[at]
		amount := u.Mass(x.Weigh.Mass())
		if c.Price.Per == plan.PerLitre || c.Price.Per == plan.PerGallon {
			amount = u.Volume(x.Volume)
		}
		said := fmt.Sprintf("%s: %s of %s at %s%s a %s", f.sayMoney(c.Price.Sign, c.Cents), amount, partName(x),
			c.Price.Sign, sayPrice(c.Price.Amount), c.Price.Per)
		if c.Price.Of != "" {
			said += ", " + c.Price.Of
		}
		parts = append(parts, said+".")
		if c.Bags > 0 && c.BagsCents != c.Cents {
			parts = append(parts, fmt.Sprintf("Bought in whole bags: %s, %s.", f.sayMoney(c.Price.Sign, c.BagsCents), count(c.Bags, "bag", "bags")))
		}
		per = c.Price.Sign
	}
	out = append(out, strings.Join(parts, " "))
	if len(unpriced) > 0 {
		return append(out, "Without a price, and not in it: "+strings.Join(unpriced, ", ")+".")
	}
	if len(p.Costs) > 1 {
		out = append(out, fmt.Sprintf("In all %s.", f.sayMoney(per, f.total())))
	}
	return append(out, fmt.Sprintf("That is %s a colony.", f.sayMoney(per, (f.total()+int64(p.Colonies)/2)/int64(p.Colonies))))
}

// sayPrice is a price with the decimals it has, four at most, whole or two at least.
func sayPrice(x float64) string {
	s := strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(x, 'f', 4, 64), "0"), ".")
	if at := strings.IndexByte(s, '.'); at >= 0 && len(s)-at == 2 {
		s += "0"
	}
	return s
}

func (f *planning) sayMoney(sign string, cents int64) string { return sign + Fixed(cents, 100) }

// taken says what was reckoned with.
func (f *planning) taken(o Options) (out []string) {
	s, u := f.s, o.Units
	t := u.Temperature(s.Temp)
	switch {
	case s.TempAt != 0:
		out = append(out, fmt.Sprintf("The syrup's temperature as read at %s, %s; volumes are at it.", o.minute(s.TempAt), t))
	case s.Taken:
		out = append(out, fmt.Sprintf("%s, as no temperature was said or read; volumes are at it, and cold makes the time much longer.", t))
	default:
		out = append(out, fmt.Sprintf("%s, as was said; volumes are at it.", t))
	}
	by := s.By
	out = append(out, fmt.Sprintf("Weights right to ± %s (a platform scale, or the bags' labels: common practice, no source); sugar taken as dry.", percent95(by.Scale)))
	for i := range f.p.Parts {
		if f.p.Parts[i].What == mix.Dissolved {
			out = append(out, fmt.Sprintf("Corn syrup's and other syrup's solids right to ± %s Brix: its ticket says better.", plain(by.SoldWithin.Brix(), 1)))
			break
		}
	}
	if s.Recipe.ByVolume {
		out = append(out, fmt.Sprintf("Sugar by volume packs at %s ± %s: weigh it to know better.", u.Density(by.Bulk), u.Density(by.BulkWithin)))
	}
	out = append(out, "This is a plan, not a record: what was mixed is what the scale said, and its Brix what the refractometer says.")
	return out
}

func (f *planning) table(w io.Writer, o Options) error {
	var b strings.Builder
	b.WriteString("What to mix\n")
	wrap(&b, "", f.of(o.Units))
	b.WriteByte('\n')
	wrap(&b, "", f.answer(o.Units))
	for _, l := range f.loud {
		b.WriteByte('\n')
		wrap(&b, "", "! "+l.Word+". "+l.Text)
	}
	all := slices.DeleteFunc(f.passages(o), func(p passage) bool { return p.head == "" && len(p.text) == 0 })
	if len(all) > 0 && all[0].head == "" {
		b.WriteByte('\n')
	}
	return writePassages(w, &b, all, f.cautions)
}

// closeMasses prints masses in the person's unit, so rounded that they add up to
// their sum, which is the last: to the whole unit where the sum has hundreds,
// else to a tenth.
func closeMasses(u quantity.System, ms []mix.Micrograms) []string {
	unit, _ := mix.MicrogramsOf("unit", quantity.Kilogram)
	if u == quantity.US {
		unit, _ = mix.MicrogramsOf("unit", quantity.Pound)
	}
	var total int64
	for _, m := range ms {
		total += int64(m)
	}
	per := int64(10)
	if total >= 100*int64(unit) {
		per = 1
	}
	sum, left := floorDiv(total, int64(unit), per)
	if left >= int64(unit)-left {
		sum++
	}
	cells, rest, order := make([]int64, len(ms)), make([]int64, len(ms)), make([]int, len(ms))
	short := sum
	for i, m := range ms {
		cells[i], rest[i] = floorDiv(int64(m), int64(unit), per)
		short -= cells[i]
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return rest[order[a]] > rest[order[b]] })
	for _, i := range order[:min(max(short, 0), int64(len(order)))] {
		cells[i]++
	}
	out := make([]string, 0, len(ms)+1)
	for _, c := range append(cells, sum) {
		text := Fixed(c*(10/per), 10)
		if per == 1 {
			text = strings.TrimSuffix(text, ".0")
		}
		out = append(out, text)
	}
	return out
}
