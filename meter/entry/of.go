package entry

import (
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// Standing returns the acts of all that hold, without entries that were
// corrected since; those of a house as act.Housed names things.
func Standing(all []act.Act) []act.Act {
	if act.InHouse(all) {
		return HouseStanding(all)
	}
	return counting(all)
}

// HouseStanding is Standing of a house of which only one rig may have spoken yet.
func HouseStanding(all []act.Act) []act.Act { return act.Housed(counting(all)) }

func counting(all []act.Act) []act.Act {
	standing := act.Standing(all)
	gone := act.Corrected(standing)
	out := standing[:0]
	for i := range standing {
		if !gone[standing[i].ID] {
			out = append(out, standing[i])
		}
	}
	return out
}

// Of returns how a person would write an entry, so that Compose makes the same
// of it again; ok is false for acts that are no such entries.
func Of(a *act.Act, zone *time.Location) (way string, f Fields, ok bool) {
	f = Fields{"at": time.Unix(0, a.From).In(zone).Format(time.RFC3339Nano)}
	set := func(field, text string) {
		if text != "" {
			f[field] = text
		}
	}
	turn := func(field string, on bool) {
		if on {
			f[field] = "true"
		}
	}
	// In a house's book the tote on a rig is said by the rig.
	vessel := func(field, tote string) {
		if rig, on := act.StandsOn(tote); on && a.Rig == act.House {
			if tote = rig; field == "tote" {
				field = Rig
			}
		}
		set(field, tote)
	}
	before := func(c *act.Content) {
		switch {
		case c == nil:
		case c.L == 0 && c.WithinL == 0:
			turn("empty", true)
		default:
			set("left", volumeText(c.L))
			set("left-within", within(c.WithinL))
		}
	}
	blend := func(brix, reading, readC float64, compensated bool, off float64) {
		set("brix", brixText(brix))
		set("reading", brixText(reading))
		if reading != 0 && readC != 0 {
			set("reading-temp", celsiusText(readC))
		}
		turn("compensated", compensated)
		set("brix-within", brixText(off))
	}
	out := func(g *act.Goods, tote string, l, off float64) {
		if g != nil {
			set(What, goodsText(*g))
			return
		}
		set(What, volumeText(l))
		vessel("tote", tote)
		set("within", within(off))
	}
	goods := func(g act.Goods) {
		bare := g
		bare.Brix, bare.BrixWithin, bare.TempC, bare.WithinPct = 0, 0, 0, 0
		set(What, goodsText(bare))
		set("brix", brixText(g.Brix))
		set("brix-within", brixText(g.BrixWithin))
		if g.TempC != 0 {
			set("temp", celsiusText(g.TempC))
		}
		if g.WithinPct > 0 {
			set("within", plain(g.WithinPct)+" %")
		}
	}
	way = a.Body.Kind()
	switch b := a.Body.(type) {
	case act.Purchase:
		goods(b.Goods)
		set("price", money(b.Price))
		set("lot", b.Lot)
	case act.Count:
		if b.Empty {
			set(What, "0 kg "+b.Goods.Kind)
			break
		}
		goods(b.Goods)
		set("price", money(b.Price))
	case act.Mix:
		var parts []string
		for _, p := range b.Parts {
			parts = append(parts, goodsText(p))
		}
		if b.WaterKg > 0 || b.WaterL > 0 {
			parts = append(parts, goodsText(act.Goods{Kind: water, Kg: b.WaterKg, L: b.WaterL, WithinPct: b.WaterWithinPct}))
		}
		set(What, strings.Join(parts, " + "))
		set("name", b.Name)
		vessel("tote", b.Tote)
		blend(b.Brix, b.Reading, b.ReadC, b.Compensated, b.BrixWithin)
		if b.TempC != 0 {
			set("temp", celsiusText(b.TempC))
		}
		set("volume", volumeOrNone(b.VolumeL))
		set("volume-within", within(b.VolumeWithinL))
		turn("unstirred", b.Unstirred)
		before(b.Before)
	case act.Transfer:
		set(What, volumeText(b.L))
		if b.All {
			set(What, "all")
		}
		vessel("from", b.FromTote)
		set("within", within(b.WithinL))
		rig, on := act.StandsOn(b.ToTote)
		_, between := act.StandsOn(b.FromTote)
		switch {
		case a.Rig == act.House && on && !between:
			way = "load"
			set(Rig, rig)
		case b.ToTote == "" && b.FromTote != "":
			way = "load"
		default:
			vessel("to", b.ToTote)
		}
		before(b.Before)
	case act.Swap:
		set(What, b.Tote)
		set(Rig, b.Rig)
	case act.Water:
		set(What, goodsText(act.Goods{Kind: water, Kg: b.Kg, L: b.L}))
		if b.WithinPct > 0 {
			set("within", plain(b.WithinPct)+" %")
		}
		vessel("tote", b.Tote)
		turn("unstirred", b.Unstirred)
		before(b.Before)
	case act.Stirred:
		vessel("tote", b.Tote)
		blend(b.Brix, b.Reading, b.ReadC, b.Compensated, b.BrixWithin)
	case act.Rinse:
		out(nil, b.Tote, b.L, b.WithinL)
	case act.Lost:
		out(b.Goods, b.Tote, b.L, b.WithinL)
		set("why", b.Why)
	case act.Fed:
		out(b.Goods, b.Tote, b.L, b.WithinL)
		set("yard", b.Yard)
		if b.Colonies > 0 {
			set("colonies", strconv.Itoa(b.Colonies))
		}
		set("note", b.Note)
	case act.Contents:
		out(nil, b.Tote, b.L, b.WithinL)
	default:
		return "", nil, false
	}
	return way, f, true
}

// instead are fields of which a new one takes the place of the others.
var instead = [][]string{{"brix", "reading"}, {"left", "empty"}, {"tote", Rig}}

// Change returns how an entry reads with some of its fields said anew; one that
// is there but empty takes a field away.
func Change(old, anew Fields) Fields {
	out := make(Fields)
	for k, v := range old {
		out[k] = v
	}
	for _, group := range instead {
		for _, said := range group {
			if anew[said] == "" {
				continue
			}
			for _, other := range group {
				if other != said {
					delete(out, other)
				}
			}
		}
	}
	if anew["brix"] != "" {
		delete(out, "reading-temp")
		delete(out, "compensated")
	}
	if anew["left"] != "" || anew["empty"] != "" {
		delete(out, "left-within")
	}
	if anew[What] != "" && anew["within"] == "" {
		delete(out, "within")
	}
	if strings.EqualFold(anew[What], "all") {
		delete(out, "within")
	}
	if anew[What] == "" {
		if anew["bag"] != "" {
			out[What] = without(out[What], "bags", "of", 3)
		}
		if anew["within"] != "" {
			out[What] = without(out[What], "", "within", 3)
		}
	}
	if was, err := time.Parse(time.RFC3339, old["at"]); err == nil {
		switch {
		case anew["on"] != "" && anew["at"] == "":
			out["at"] = was.Format(time.TimeOnly)
		case anew["on"] == "" && anew["at"] != "" && len(anew["at"]) <= len(time.TimeOnly+" pm"):
			out["on"] = was.Format(time.DateOnly)
		}
	}
	for k, v := range anew {
		out[k] = v
		if v == "" {
			delete(out, k)
		}
	}
	return out
}

// without takes so many words out of a text from each word on that follows
// after ("": any).
func without(text, after, word string, words int) string {
	in := strings.Fields(text)
	var out []string
	for i := 0; i < len(in); i++ {
		if in[i] == word && i+words <= len(in) && (after == "" || i > 0 && in[i-1] == after) {
			i += words - 1
			continue
		}
		out = append(out, in[i])
	}
	return strings.Join(out, " ")
}

// goodsText is an amount of goods as parsePart reads it.
func goodsText(g act.Goods) string {
	text := ""
	switch {
	case g.Bags > 0:
		text = plain(g.Bags) + " bags of " + massText(g.BagKg)
	case g.L > 0:
		text = volumeText(g.L)
	default:
		text = massText(g.Kg)
	}
	text += " " + g.Kind
	if g.Brix > 0 {
		text += " at " + brixText(g.Brix)
	}
	if g.TempC != 0 {
		text += " at " + celsiusText(g.TempC)
	}
	if g.WithinPct > 0 {
		text += " within " + plain(g.WithinPct) + " %"
	}
	return text
}

// plainest returns the shortest of the texts that is read as x again.
func plainest(x float64, texts []string, read func(string) (float64, error)) string {
	best := ""
	for _, t := range texts {
		if y, err := read(t); err == nil && tidy(y) == tidy(x) && (best == "" || len(t) < len(best)) {
			best = t
		}
	}
	return best
}

// Mass writes a mass as a person does who reads it off a label: in pounds or
// kilograms, whichever takes fewer digits.
func Mass(kg float64) string { return massText(kg) }

func massText(kg float64) string {
	lb := tidy(kg / float64(quantity.Pound))
	return plainest(kg, []string{plain(lb) + " lb", plain(kg) + " kg"}, func(s string) (float64, error) {
		m, err := quantity.ParseMass(s)
		return float64(m), err
	})
}

func volumeText(l float64) string {
	gal := tidy(l / quantity.USGallon.Litres())
	return plainest(l, []string{plain(gal) + " gal", plain(l) + " L"}, func(s string) (float64, error) {
		v, err := quantity.ParseVolume(s)
		return v.Litres(), err
	})
}

func volumeOrNone(l float64) string {
	if l == 0 {
		return ""
	}
	return volumeText(l)
}

func within(l float64) string { return volumeOrNone(l) }

func brixText(brix float64) string {
	if brix == 0 {
		return ""
	}
	return plain(brix) + " Brix"
}

func celsiusText(c float64) string {
	f := tidy(quantity.Temperature(c).Fahrenheit())
	return plainest(c, []string{plain(f) + " F", plain(c) + " C"}, func(s string) (float64, error) {
		t, err := quantity.ParseTemperature(s)
		return float64(t), err
	})
}

// money prints an amount of money, in hundredths unless it is finer.
func money(x float64) string {
	if x == 0 {
		return ""
	}
	if x == cents(x) {
		return strconv.FormatFloat(x, 'f', 2, 64)
	}
	return plain(x)
}
