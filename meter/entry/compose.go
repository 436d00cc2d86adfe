package entry

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// reader reads fields; the first error stays.
type reader struct {
	way   Way
	f     Fields
	k     *Known
	at    int64
	notes []string
	err   error
}

// Compose reads an entry of a way. Errors are *act.FieldError.
func Compose(way string, f Fields, k *Known) (*Entry, error) {
	w, ok := WayOf(way)
	if !ok {
		names := make([]string, 0, len(Ways()))
		for _, w := range Ways() {
			names = append(names, w.Name)
		}
		return nil, refuse("way", "must be one of "+strings.Join(names, ", "), way)
	}
	r := &reader{way: w, f: f, k: k}
	r.allowed()
	r.at = r.instant()
	if r.err != nil {
		return nil, r.err
	}
	body := r.body()
	if r.err == nil {
		r.err = fieldOf(r.check(body))
	}
	if r.err != nil {
		return nil, r.err
	}
	return &Entry{From: r.at, Body: body, Notes: r.notes}, nil
}

// check reports what in the body cannot be so, as of the book that it comes into.
func (r *reader) check(b act.Body) error {
	if !r.k.house() {
		return b.Check()
	}
	a := act.Act{ID: "x", Rig: act.House, Body: b}
	err := a.Check()
	var fe *act.FieldError
	if errors.As(err, &fe) {
		return fe // without the kind before it
	}
	return err
}

// allowed refuses fields that say nothing of the way.
func (r *reader) allowed() {
	for _, x := range append([]Field{{Name: What}}, AllFields()...) {
		text := r.f[x.Name]
		switch {
		case text == "":
		case x.Name == What && r.way.Arg != "":
		case x.Name != What && slices.Contains(r.way.Fields, x.Name):
		default:
			r.fail(x.Name, "must not stand with "+r.way.Name, text)
		}
		if x.Name == Rig && text != "" && !r.k.house() {
			r.fail(x.Name, "must not be said where there is one rig", text)
		}
		if x.Switch && text != "" && text != "true" {
			r.fail(x.Name, "must be true where it is said", text)
		}
	}
	if r.way.Arg != "" && r.text(What) == "" {
		r.fail(What, "must be given, like "+r.way.Like, "")
	}
}

func (r *reader) fail(field, rule, value string) {
	if r.err == nil {
		r.err = refuse(field, rule, value)
	}
}

func (r *reader) keep(err error) {
	if r.err == nil {
		r.err = err
	}
}

func (r *reader) note(format string, args ...any) {
	r.notes = append(r.notes, fmt.Sprintf(format, args...))
}

// text returns a field without what stands around it.
func (r *reader) text(field string) string { return strings.TrimSpace(r.f[field]) }

func (r *reader) on(field string) bool { return r.f[field] == "true" }

// longestText bounds names and notes, in letters.
const longestText = 60

func (r *reader) name(field string) string {
	s := r.text(field)
	if utf8.RuneCountInString(s) > longestText || !utf8.ValidString(s) || strings.ContainsFunc(s, func(c rune) bool { return !strconv.IsPrint(c) }) {
		r.fail(field, fmt.Sprintf("must be %d letters at most that can be read", longestText), s)
	}
	return s
}

// measured reads a field's quantity; none where it is empty.
func measured[Q any](r *reader, field string, parse func(string) (Q, error)) (q Q) {
	text := r.text(field)
	if text == "" {
		return q
	}
	q, err := parse(text)
	if err != nil {
		r.keep(refuseAs(field, text, err))
	}
	return q
}

func (r *reader) litres(field string) float64 {
	v := measured(r, field, quantity.ParseVolume)
	if v < 0 {
		r.fail(field, "must not be negative", r.text(field))
	}
	return tidy(v.Litres())
}

func (r *reader) brix(field string) float64 {
	return tidy(measured(r, field, quantity.ParseBrix).Brix())
}

// celsius reads a temperature. Acts have 0 for 20 °C: 0 itself is said as a
// value that no thermometer tells from it.
func (r *reader) celsius(field string) float64 {
	if r.text(field) == "" {
		return 0
	}
	if t := tidy(float64(measured(r, field, quantity.ParseTemperature))); t != 0 {
		return t
	}
	return freezing
}

const freezing = 1e-6 // °C

func (r *reader) body() act.Body {
	switch r.way.Name {
	case "purchase":
		g := r.goods(r.one())
		return act.Purchase{Goods: g, Price: r.price(g), Lot: r.name("lot")}
	case "count":
		return r.count()
	case "mix":
		return r.mix()
	case "transfer", "load":
		return r.transfer()
	case "swap":
		t := r.tote(What, true)
		if t == "" {
			t = r.text(What)
		}
		s := act.Swap{Tote: t}
		if r.k.house() {
			if s.Rig = r.mustRig(); r.err == nil {
				s.Tote = r.standing(t)
			}
		}
		return s
	case "water":
		return r.water()
	case "stirred":
		s := act.Stirred{Tote: r.tote("tote", false)}
		s.Brix, s.Reading, s.ReadC, s.Compensated, s.BrixWithin = r.blend(false)
		return s
	case "rinse":
		l, within := r.drawn()
		return act.Rinse{Tote: r.tote("tote", false), L: l, WithinL: within}
	case "loss":
		b := act.Lost{Why: strings.ToLower(r.text("why"))}
		if b.Why == "" {
			r.fail("why", "must be given: spilled, dumped, spoiled or leaked", "")
		} else if !slices.Contains([]string{act.Spilled, act.Dumped, act.Spoiled, act.Leaked}, b.Why) {
			r.fail("why", "must be spilled, dumped, spoiled or leaked", r.text("why"))
		}
		b.Tote, b.Goods, b.L, b.WithinL = r.storeOrTote()
		return b
	case "fed":
		b := act.Fed{Yard: r.yard("yard"), Note: r.name("note")}
		if n := r.text("colonies"); n != "" {
			c, err := strconv.Atoi(n)
			if err != nil || c < 1 || c > 100000 {
				r.fail("colonies", "must be a whole number between 1 and 100000", n)
			}
			b.Colonies = c
		}
		b.Tote, b.Goods, b.L, b.WithinL = r.storeOrTote()
		return b
	case "content":
		l := measured(r, What, quantity.ParseVolume)
		if l < 0 {
			r.fail(What, "must not be negative", r.text(What))
		}
		b := act.Contents{Tote: r.tote("tote", false), L: tidy(l.Litres())}
		b.WithinL = r.withinL("within", b.L)
		if b.WithinL == 0 {
			r.note("Taken as right to %s at most.", r.volume(b.Within()))
		}
		return b
	}
	return nil
}

// one reads the field What as one amount of goods, and settles how heavy a bag is.
func (r *reader) one() (p part) {
	if r.err != nil {
		return p
	}
	p, err := parsePart(What, r.text(What))
	r.keep(err)
	r.bagged(&p)
	return p
}

// bagged gives bags the weight that was said beside, or else that of the bags
// bought last.
func (r *reader) bagged(p *part) {
	if r.err != nil || !p.unbag {
		return
	}
	if kg := measured(r, "bag", quantity.ParseMass); kg > 0 {
		p.goods.BagKg = tidy(float64(kg))
		return
	} else if r.text("bag") != "" {
		r.fail("bag", "must be above 0", r.text("bag"))
		return
	}
	if kg := r.lastBag(p.goods.Kind); kg > 0 {
		p.goods.BagKg = kg
		r.note("A bag is taken as %s, as last bought.", massText(kg))
		return
	}
	r.fail("bag", `must be given where bags are, like "50 lb", as none were bought before`, "")
}

// lastBag returns the weight of a bag of a kind as it was last said before.
func (r *reader) lastBag(kind string) (kg float64) {
	for i := range r.k.Standing {
		a := &r.k.Standing[i]
		if a.From > r.at {
			break
		}
		var g act.Goods
		switch b := a.Body.(type) {
		case act.Purchase:
			g = b.Goods
		case act.Count:
			g = b.Goods
		}
		if g.Kind == kind && g.BagKg > 0 {
			kg = g.BagKg
		}
	}
	return kg
}

// usual is how an amount was measured, and what its error is at most where
// nothing was said.
func (r *reader) usual(what string, g act.Goods) {
	how := "by a scale"
	switch {
	case g.Bags > 0:
		how = "by the bags' label"
	case g.L > 0:
		how = "by the marks"
	}
	r.note("%s: taken as right to %s %% at most, %s.", what, plain(tidy(100*g.Within())), how)
}

// goods is what was read of the field What as goods, with what is said beside.
func (r *reader) goods(p part) act.Goods {
	if r.err != nil {
		return act.Goods{}
	}
	switch {
	case p.bare && p.goods.Kind == "":
		r.fail(What, kindRule, r.text(What))
	case p.goods.Kind == water:
		r.fail(What, kindRule, r.text(What))
	}
	g := p.goods
	r.beside(&g, &p)
	if g.Bags > 0 || g.Kg > 0 || g.L > 0 {
		if g.WithinPct == 0 {
			r.usual(words(g), g)
		}
		r.sold(g)
	}
	return g
}

// beside puts what stands in fields of their own into the goods.
func (r *reader) beside(g *act.Goods, p *part) {
	only := func(field string, has bool) bool {
		if r.text(field) != "" && has {
			r.fail(field, "must not be said twice", r.text(field))
		}
		return r.text(field) != ""
	}
	if only("bag", g.BagKg > 0 && !p.unbag) && g.Bags == 0 && !p.unbag {
		r.fail("bag", "must stand only where there are bags", r.text("bag"))
	}
	if only("brix", g.Brix > 0) {
		g.Brix = r.brix("brix")
	}
	if only("temp", g.TempC != 0) {
		if g.TempC = r.celsius("temp"); g.L == 0 {
			r.fail("temp", "must stand only where it is measured by volume", r.text("temp"))
		}
	}
	if r.text("brix-within") != "" {
		if g.BrixWithin = r.brix("brix-within"); g.Kind == act.SugarGoods {
			r.fail("brix-within", "must not be said of sugar", r.text("brix-within"))
		}
	}
	if only("within", g.WithinPct > 0) && r.err == nil {
		pct, err := withinOf("within", r.text("within"), g.Kg+g.Bags*g.BagKg, g.L, g.Bags)
		r.keep(err)
		g.WithinPct = pct
	}
}

// sold says at which solids corn syrup is taken.
func (r *reader) sold(g act.Goods) {
	if g.Brix == 0 && (g.Kind == act.HFCS42Goods || g.Kind == act.HFCS55Goods) {
		r.note("%s is taken at %s Brix, as it is usually sold.", g.Kind, plain(tidy(g.Syrup().Solids.Brix())))
	}
}

func (r *reader) count() act.Body {
	p := r.one()
	if r.err != nil {
		return act.Count{}
	}
	if p.goods.Bags != 0 || p.goods.Kg != 0 || p.goods.L != 0 {
		g := r.goods(p)
		return act.Count{Goods: g, Price: r.price(g)}
	}
	if p.bare && p.goods.Kind == "" || p.goods.Kind == water {
		r.fail(What, kindRule, r.text(What))
	}
	for _, x := range []string{"within", "brix", "brix-within", "temp", "price"} {
		if r.text(x) != "" {
			r.fail(x, "must not be said of nothing", r.text(x))
		}
	}
	return act.Count{Goods: act.Goods{Kind: p.goods.Kind}, Empty: true}
}

// blend reads what a syrup was measured to be.
func (r *reader) blend(must bool) (brix, reading, readC float64, compensated bool, within float64) {
	brix, reading, readC = r.brix("brix"), r.brix("reading"), r.celsius("reading-temp")
	compensated, within = r.on("compensated"), r.brix("brix-within")
	switch said := r.text("reading") != ""; {
	case said && r.text("brix") != "":
		r.fail("reading", "must not stand beside brix", r.text("reading"))
	case !said && r.text("reading-temp") != "":
		r.fail("reading-temp", "must stand only with reading", r.text("reading-temp"))
	case !said && compensated:
		r.fail("compensated", "must stand only with reading", "true")
	case said && !compensated && r.text("reading-temp") == "":
		r.fail("reading-temp", `must be given, like "68 F", or compensated where the refractometer corrects for temperature itself`, "")
	case !said && r.text("brix") == "" && r.text("brix-within") != "":
		r.fail("brix-within", "must stand only with brix or reading", r.text("brix-within"))
	case (said || r.text("brix") != "") && within == 0:
		r.note("Brix is taken as right to %s at most, a hand refractometer's step.", plain(act.DefaultBrixWithin))
	case must && !said && r.text("brix") == "":
		r.fail("brix", `must be given, like "62 Brix", or a reading`, "")
	}
	return brix, reading, readC, compensated, within
}

func (r *reader) mix() act.Body {
	m := act.Mix{Name: r.name("name"), Tote: r.tote("tote", true), Unstirred: r.on("unstirred")}
	parts, err := parseParts(What, r.text(What))
	r.keep(err)
	waterSaid := false
	for i := range parts {
		p := &parts[i]
		if r.err != nil {
			return m
		}
		if p.goods.Kind == water {
			if waterSaid {
				r.fail(What, "must have water once", r.text(What))
			}
			waterSaid = true
			if p.goods.Brix != 0 || p.goods.TempC != 0 {
				r.fail(What, "must not say at what the water is", r.text(What))
			}
			m.WaterKg, m.WaterL, m.WaterWithinPct = p.goods.Kg, p.goods.L, p.goods.WithinPct
			if m.WaterKg == 0 && m.WaterL == 0 {
				r.fail(What, "must have some of each part", r.text(What))
			}
			if m.WaterWithinPct == 0 {
				pct, how := act.UsualScalePct, "by a scale"
				if m.WaterL > 0 {
					pct, how = act.UsualVolumePct, "by the marks"
				}
				r.note("The water: taken as right to %s %% at most, %s.", plain(pct), how)
			}
			continue
		}
		r.bagged(p)
		if p.bare && p.goods.Kind == "" {
			r.fail(What, kindRule, r.text(What))
		}
		if r.err != nil {
			return m
		}
		g := p.goods
		if g.Bags == 0 && g.Kg == 0 && g.L == 0 {
			r.fail(What, "must have some of each part", r.text(What))
		}
		if t := r.text("within"); t != "" && g.WithinPct == 0 {
			g.WithinPct, err = withinOf("within", t, g.Kg+g.Bags*g.BagKg, g.L, g.Bags)
			r.keep(err)
		}
		if g.WithinPct == 0 {
			r.usual(words(g), g)
		}
		r.sold(g)
		m.Parts = append(m.Parts, g)
	}
	if r.err == nil && len(m.Parts) == 0 {
		r.fail(What, "must have sugar or syrup besides water: water alone is the way water", r.text(What))
	}
	if r.text("bag") != "" && !slices.ContainsFunc(parts, func(p part) bool { return p.unbag }) {
		r.fail("bag", "must stand only where bags are said without their weight", r.text("bag"))
	}
	m.Brix, m.Reading, m.ReadC, m.Compensated, m.BrixWithin = r.blend(false)
	dry := slices.ContainsFunc(m.Parts, func(g act.Goods) bool { return g.Kind == act.SugarGoods })
	if dry && !waterSaid && !m.Measured() {
		r.fail("brix", `must be given, like "62 Brix", where the water is not: one of the two must be known`, "")
	}
	m.TempC, m.VolumeL = r.celsius("temp"), r.litres("volume")
	if m.VolumeL == 0 && r.text("volume-within") != "" {
		r.fail("volume-within", "must stand only with volume", r.text("volume-within"))
	}
	m.VolumeWithinL = r.withinL("volume-within", m.VolumeL)
	m.Before = r.before(m.Tote, r.mixed(m))
	return m
}

// mixed returns about how much a mix comes to, L, to see whether it can be.
func (r *reader) mixed(m act.Mix) (l float64) {
	kg := m.WaterKg
	for _, g := range m.Parts {
		if g.L > 0 {
			l += g.L
		} else {
			kg += g.Kg + g.Bags*g.BagKg
		}
	}
	// Dry sugar dissolved takes up some 0.62 L a kilogram (1/1.59, memory).
	return l + m.WaterL + 0.62*kg
}

func (r *reader) transfer() act.Body {
	t := act.Transfer{}
	if r.way.Name == "load" && r.k.house() {
		if r.text("from") == "" {
			r.fail("from", `must name the tote that it came from, like "mixing tank"`, "")
		}
		t.ToTote = act.OnRig(r.mustRig())
	}
	t.FromTote = r.tote("from", false)
	if r.way.Name == "transfer" {
		t.ToTote = r.tote("to", true)
	}
	what := r.text(What)
	if strings.EqualFold(what, "all") {
		t.All = true
		if r.text("within") != "" {
			r.fail("within", "must stand only with a volume", r.text("within"))
		}
	} else {
		t.L, t.WithinL = r.drawn()
	}
	switch {
	case r.way.Name == "load" && t.FromTote == "":
		r.fail("from", `must name the tote that it came from, like "mixing tank"`, "")
	case t.FromTote == t.ToTote || r.standing(t.FromTote) == r.standing(t.ToTote):
		r.fail("to", "must be another tote than it came from", r.text("to"))
	}
	t.Before = r.before(t.ToTote, t.L)
	return t
}

func (r *reader) water() act.Body {
	w := act.Water{Tote: r.tote("tote", false), Unstirred: r.on("unstirred")}
	p := r.one()
	if r.err != nil {
		return w
	}
	if p.goods.Kind != water && !p.bare || p.goods.Bags > 0 || p.unbag || p.goods.Brix != 0 || p.goods.TempC != 0 {
		r.fail(What, `must be an amount of water, like "5 gal" or "40 lb"`, r.text(What))
	}
	w.Kg, w.L, w.WithinPct = p.goods.Kg, p.goods.L, p.goods.WithinPct
	if w.Kg == 0 && w.L == 0 {
		r.fail(What, "must be above 0", r.text(What))
	}
	if t := r.text("within"); t != "" && r.err == nil {
		pct, err := withinOf("within", t, w.Kg, w.L, 0)
		r.keep(err)
		w.WithinPct = pct
	}
	if w.WithinPct == 0 {
		g := act.Goods{Kg: w.Kg, L: w.L}
		r.usual("The water", g)
	}
	w.Before = r.before(w.Tote, w.L+w.Kg)
	return w
}

// drawn reads the field What as a volume of syrup or water, and its error.
func (r *reader) drawn() (l, within float64) {
	v := measured(r, What, quantity.ParseVolume)
	if r.err == nil && v <= 0 {
		r.fail(What, "must be above 0", r.text(What))
	}
	l = tidy(v.Litres())
	within = r.withinL("within", l)
	if within == 0 {
		r.note("%s: taken as right to %s %% at most, by the marks.", r.volume(l), plain(act.UsualVolumePct))
	}
	return l, within
}

// withinL reads how far l litres may be off at most, L.
func (r *reader) withinL(field string, l float64) float64 {
	text := r.text(field)
	if text == "" || r.err != nil {
		return 0
	}
	if v, err := quantity.ParseVolume(text); err == nil {
		if v <= 0 {
			r.fail(field, "must be above 0", text)
		}
		return tidy(v.Litres())
	}
	rest, ok := strings.CutSuffix(text, "%")
	x, err := plainNumber(strings.TrimSpace(rest))
	if !ok || err != nil || !(x > 0 && x <= 100) {
		r.fail(field, `must be a volume with its unit or a share, like "1 gal" or "2 %"`, text)
		return 0
	}
	if l == 0 {
		r.fail(field, "must be a volume with its unit, as the amount is none", text)
	}
	return math.Round(10*l*x) / 1000 // to the millilitre
}

// storeOrTote reads the field What as goods of the store or, where its kind is
// not said, as syrup of a tote.
func (r *reader) storeOrTote() (tote string, g *act.Goods, l, within float64) {
	if !r.k.house() {
		tote = r.tote("tote", false)
	}
	p := r.one()
	if r.err != nil {
		return tote, nil, 0, 0
	}
	if p.bare && p.goods.Kind == "" && p.goods.L > 0 {
		if p.goods.WithinPct > 0 || p.goods.Brix > 0 || p.goods.TempC > 0 {
			r.fail(What, "must be a volume alone where it is of a tote", r.text(What))
		}
		if l, within = r.drawn(); r.k.house() {
			tote = r.tote("tote", false)
		}
		return tote, nil, l, within
	}
	for _, field := range []string{"tote", Rig} {
		if r.text(field) != "" {
			r.fail(field, "must not stand beside goods, which are in the store", r.text(field))
		}
	}
	x := r.goods(p)
	return tote, &x, 0, 0
}

// price reads what all of it cost, in the house's currency.
func (r *reader) price(g act.Goods) float64 {
	text := r.text("price")
	if text == "" || r.err != nil {
		return 0
	}
	bad := func() float64 {
		r.fail("price", fmt.Sprintf("must be an amount of money, like %q, or of one, like %q", r.k.Currency+"38.50", r.k.Currency+"38.50 a bag"), text)
		return 0
	}
	num, per, each := strings.Cut(text, " a ")
	if !each {
		num, each = strings.CutSuffix(text, " each")
		per = "bag"
	}
	num = strings.TrimSpace(num)
	num = strings.TrimSpace(strings.TrimPrefix(num, r.k.Currency))
	num = strings.TrimSpace(strings.TrimSuffix(num, r.k.Currency))
	x, err := plainNumber(num)
	if err != nil || !(x > 0 && x < 1e9) {
		return bad()
	}
	if !each {
		return x
	}
	per = strings.ToLower(strings.TrimSpace(per))
	kg := g.Kg + float64(g.Bags*g.BagKg)
	if per == "bag" {
		if g.Bags == 0 {
			r.fail("price", "must be of a bag only where there are bags", text)
			return 0
		}
		return cents(x * g.Bags)
	}
	if m, err := quantity.ParseMass("1 " + per); err == nil && kg > 0 {
		return cents(x * kg / float64(m))
	}
	if v, err := quantity.ParseVolume("1 " + per); err == nil && g.L > 0 {
		return cents(x * g.L / v.Litres())
	}
	return bad()
}

// cents rounds money to hundredths.
func cents(x float64) float64 { return math.Round(x*100) / 100 }

// plain prints a number in plain digits.
func plain(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func (r *reader) volume(l float64) string {
	return r.k.Units.Volume(quantity.VolumeOf(l / 1000))
}
