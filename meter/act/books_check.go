package act

import (
	"encoding/json"
	"fmt"

	"yardtally/calibrate/syrup"
)

// check reports the first thing that cannot be so, under a field's name.
func (g Goods) check(in string) error {
	f := func(name string) string { return in + name }
	switch g.Kind {
	case SugarGoods, HFCS42Goods, HFCS55Goods, InvertGoods:
	default:
		return &FieldError{f("kind"), `must be "sugar", "hfcs-42", "hfcs-55" or "invert"`, fmt.Sprintf("%q", g.Kind)}
	}
	if err := firstOf(
		within(f("bags"), g.Bags, 0, 100000),
		within(f("bag_kg"), g.BagKg, 0, 2000),
		within(f("kg"), g.Kg, 0, 500000),
		within(f("l"), g.L, 0, 350000),
		within(f("temp_c"), g.TempC, -5, 50),
		within(f("within_pct"), g.WithinPct, 0, 20),
		within(f("brix_within"), g.BrixWithin, 0, 5),
	); err != nil {
		return err
	}
	said := 0
	for _, v := range []float64{g.Bags, g.Kg, g.L} {
		if v > 0 {
			said++
		}
	}
	if said != 1 {
		return &FieldError{f("kg"), "must be said, or bags, or l: exactly one of the three", fmt.Sprintf("%d of them", said)}
	}
	switch {
	case g.Bags > 0 && g.BagKg == 0:
		return &FieldError{f("bag_kg"), "must be said where bags are, kg", g.BagKg}
	case g.Bags == 0 && g.BagKg > 0:
		return &FieldError{f("bags"), "must be said where bag_kg is", g.Bags}
	case g.Bags*g.BagKg > 500000:
		return &FieldError{f("bags"), "must be 500000 kg at most in all", g.Bags * g.BagKg}
	case g.Kind == SugarGoods && g.L > 0:
		return &FieldError{f("l"), "must not be said of sugar: weigh it, or count bags", g.L}
	case g.Kind == SugarGoods && g.Brix != 0:
		return within(f("brix"), g.Brix, 90, 100)
	case g.Kind == InvertGoods && g.Brix == 0:
		return &FieldError{f("brix"), "must be said of invert: there is no usual", g.Brix}
	case g.Brix != 0:
		return within(f("brix"), g.Brix, 1, 77)
	}
	return nil
}

func (c *Content) check() error {
	if c == nil {
		return nil
	}
	return firstOf(within("before.l", c.L, 0, 1e6), within("before.within_l", c.WithinL, 0, 1e6))
}

func checkText(field, s string) error {
	if len(s) > 200 {
		return &FieldError{field, "must be 200 bytes at most", len(s)}
	}
	return nil
}

// checkRead checks what a measurement says.
func checkRead(b Batch) error {
	if b.Reading != 0 && b.Brix != 0 {
		return &FieldError{"reading", "must not stand beside brix", b.Reading}
	}
	if err := firstOf(
		within("brix", b.Brix, 0, 77),
		within("reading", b.Reading, 0, 95),
		within("brix_within", b.BrixWithin, 0, 20),
	); err != nil || b.Reading == 0 {
		return err
	}
	_, _, err := b.read(syrup.Makeup{})
	return err
}

// Check implements Body.
func (p Purchase) Check() error {
	return firstOf(p.Goods.check(""), within("price", p.Price, 0, 1e9), checkText("lot", p.Lot))
}

// Check implements Body.
func (c Count) Check() error {
	if err := within("price", c.Price, 0, 1e9); err != nil {
		return err
	}
	if !c.Empty {
		return c.Goods.check("")
	}
	for _, v := range []float64{c.Bags, c.BagKg, c.Kg, c.L} {
		if v != 0 {
			return &FieldError{"empty", "must not stand beside an amount", v}
		}
	}
	g := c.Goods
	g.Kg, g.Brix = 1, 0
	if g.Kind == InvertGoods {
		g.Brix = 77
	}
	return g.check("")
}

// Check implements Body.
func (m Mix) Check() error {
	if n := len(m.Parts); n < 1 || n > MostParts {
		return &FieldError{"parts", fmt.Sprintf("must be between 1 and %d", MostParts), n}
	}
	dry := false
	for i, p := range m.Parts {
		if err := p.check(fmt.Sprintf("parts[%d].", i)); err != nil {
			return err
		}
		dry = dry || p.Kind == SugarGoods
	}
	if err := firstOf(
		within("water_kg", m.WaterKg, 0, 500000),
		within("water_l", m.WaterL, 0, 500000),
		within("water_within_pct", m.WaterWithinPct, 0, 20),
		within("temp_c", m.TempC, -5, 50),
		within("volume_l", m.VolumeL, 0, 500000),
		within("volume_within_l", m.VolumeWithinL, 0, 500000),
		checkRead(Batch{Brix: m.Brix, Reading: m.Reading, ReadC: m.ReadC, Compensated: m.Compensated, BrixWithin: m.BrixWithin}),
		m.Before.check(),
		checkText("name", m.Name), checkText("tote", m.Tote),
	); err != nil {
		return err
	}
	if m.WaterKg > 0 && m.WaterL > 0 {
		return &FieldError{"water_l", "must not stand beside water_kg", m.WaterL}
	}
	if dry && m.WaterKg == 0 && m.WaterL == 0 && !m.Measured() {
		return &FieldError{"water_kg", "must be said, or water_l, or what brix it came to", m.WaterKg}
	}
	return nil
}

// Check implements Body.
func (t Transfer) Check() error {
	if err := firstOf(
		within("l", t.L, 0, 1e6),
		within("within_l", t.WithinL, 0, 1e6),
		t.Before.check(),
		checkText("from_tote", t.FromTote), checkText("to_tote", t.ToTote),
	); err != nil {
		return err
	}
	if t.L == 0 && !t.All {
		return &FieldError{"l", "must be above 0, or all must be said", t.L}
	}
	if t.FromTote == t.ToTote {
		return &FieldError{"to_tote", "must be another than from_tote", fmt.Sprintf("%q", t.ToTote)}
	}
	return nil
}

// Check implements Body.
func (s Swap) Check() error {
	if s.Tote == "" {
		return &FieldError{"tote", "must name the tote that stands on the rig now", `""`}
	}
	return checkText("tote", s.Tote)
}

// Check implements Body.
func (w Water) Check() error {
	if err := firstOf(
		within("kg", w.Kg, 0, 500000),
		within("l", w.L, 0, 500000),
		within("within_pct", w.WithinPct, 0, 20),
		w.Before.check(), checkText("tote", w.Tote),
	); err != nil {
		return err
	}
	if (w.Kg > 0) == (w.L > 0) {
		return &FieldError{"kg", "must be above 0, or l: exactly one of the two", w.Kg}
	}
	return nil
}

// Check implements Body.
func (s Stirred) Check() error {
	return firstOf(checkText("tote", s.Tote),
		checkRead(Batch{Brix: s.Brix, Reading: s.Reading, ReadC: s.ReadC, Compensated: s.Compensated, BrixWithin: s.BrixWithin}))
}

// Check implements Body.
func (r Rinse) Check() error {
	return firstOf(checkText("tote", r.Tote), checkDrawn(r.L, r.WithinL))
}

func checkDrawn(l, withinL float64) error {
	if l == 0 {
		return &FieldError{"l", "must be above 0", l}
	}
	return firstOf(within("l", l, 0, 1e6), within("within_l", withinL, 0, 1e6))
}

// checkOut checks what left the store or a tote.
func checkOut(g *Goods, tote string, l, within float64) error {
	if g == nil {
		return firstOf(checkText("tote", tote), checkDrawn(l, within))
	}
	if l != 0 {
		return &FieldError{"l", "must not stand beside goods", l}
	}
	if tote != "" {
		return &FieldError{"tote", "must not stand beside goods, which are in the store", fmt.Sprintf("%q", tote)}
	}
	return g.check("goods.")
}

// Check implements Body.
func (l Lost) Check() error {
	switch l.Why {
	case Spilled, Dumped, Spoiled, Leaked:
	default:
		return &FieldError{"why", `must be "spilled", "dumped", "spoiled" or "leaked"`, fmt.Sprintf("%q", l.Why)}
	}
	return checkOut(l.Goods, l.Tote, l.L, l.WithinL)
}

// Check implements Body.
func (f Fed) Check() error {
	if f.Yard == "" {
		return &FieldError{"yard", "must not be empty", `""`}
	}
	if f.Colonies < 0 || f.Colonies > 100000 {
		return &FieldError{"colonies", "must be between 0 and 100000", f.Colonies}
	}
	return firstOf(checkText("note", f.Note), checkOut(f.Goods, f.Tote, f.L, f.WithinL))
}

// Check implements Body.
func (c Contents) Check() error {
	return firstOf(checkText("tote", c.Tote), within("l", c.L, 0, 1e6), within("within_l", c.WithinL, 0, 1e6))
}

// Check implements Body.
func (s Statement) Check() error {
	switch {
	case s.Number < 1 || s.Number > 1000000:
		return &FieldError{"number", "must be between 1 and 1000000", s.Number}
	case s.ToNS <= s.FromNS:
		return &FieldError{"to_ns", "must be after from_ns", s.ToNS}
	case len(s.Figures) > 1<<20:
		return &FieldError{"figures", "must be 1048576 bytes at most", len(s.Figures)}
	case !json.Valid(s.Figures):
		return &FieldError{"figures", "must be JSON", fmt.Sprintf("%.40q", s.Figures)}
	}
	return checkText("title", s.Title)
}
