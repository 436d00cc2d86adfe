package entry

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// Money writes a price with the sign of its currency, to the hundredth.
func Money(x float64, currency string) string {
	text := strconv.FormatFloat(x, 'f', 2, 64)
	switch {
	case currency == "":
		return text
	case utf8.RuneCountInString(currency) == 1:
		return currency + text
	}
	return text + " " + currency
}

// Words says an entry of the books in a line; "" of other acts. currency is the
// sign of its prices.
func Words(b act.Body, u quantity.System, currency string) string {
	volume := func(l float64) string { return u.Volume(quantity.VolumeOf(l / 1000)) }
	from := func(tote string, l float64, g *act.Goods) string {
		if g != nil {
			return sayGoods(*g, u) + " from the store"
		}
		return volume(l) + " from " + sayTote(tote)
	}
	before := func(c *act.Content) string {
		if c == nil {
			return ""
		}
		return ", which held " + volume(c.L)
	}
	switch b := b.(type) {
	case act.Purchase:
		what := "purchase: " + sayGoods(b.Goods, u)
		if b.Price > 0 {
			what += ", price " + Money(b.Price, currency)
		}
		if b.Lot != "" {
			what += ", lot " + b.Lot
		}
		return what
	case act.Count:
		if b.Empty {
			return "count: no " + b.Goods.Kind + " in the store"
		}
		what := "count: " + sayGoods(b.Goods, u) + " in the store"
		if b.Price > 0 {
			what += ", which cost " + Money(b.Price, currency)
		}
		return what
	case act.Mix:
		var parts []string
		for _, p := range b.Parts {
			parts = append(parts, sayGoods(p, u))
		}
		switch {
		case b.WaterKg > 0:
			parts = append(parts, u.Mass(quantity.Mass(b.WaterKg))+" of water")
		case b.WaterL > 0:
			parts = append(parts, volume(b.WaterL)+" of water")
		case !b.WaterKnown():
			parts = append(parts, "water")
		}
		what := "mix: "
		if b.Name != "" {
			what += b.Name + ", "
		}
		what += strings.Join(parts, " and ") + " into " + sayTote(b.Tote) + before(b.Before) + sayRead(b.Brix, b.Reading)
		if b.VolumeL > 0 {
			what += ", " + volume(b.VolumeL) + " of it"
		}
		return what + unstirred(b.Unstirred)
	case act.Transfer:
		how := volume(b.L)
		if b.All {
			how = "all"
			if b.L > 0 {
				how += ", " + volume(b.L) + ","
			}
		}
		return "transfer: " + how + " of " + sayTote(b.FromTote) + " into " + sayTote(b.ToTote) + before(b.Before)
	case act.Swap:
		on := "the rig"
		if b.Rig != "" {
			on = b.Rig
		}
		return "swap: " + sayTote(b.Tote) + " stands on " + on
	case act.Water:
		how := u.Mass(quantity.Mass(b.Kg))
		if b.L > 0 {
			how = volume(b.L)
		}
		return "water: " + how + " into " + sayTote(b.Tote) + before(b.Before) + unstirred(b.Unstirred)
	case act.Stirred:
		return "stirred: " + sayTote(b.Tote) + sayRead(b.Brix, b.Reading)
	case act.Rinse:
		of := ""
		if rig, on := act.StandsOn(b.Tote); on {
			of = " of " + rig
		}
		return "rinse: " + volume(b.L) + " of water through meter and hose" + of
	case act.Lost:
		return "loss: " + from(b.Tote, b.L, b.Goods) + " " + b.Why
	case act.Fed:
		what := "fed: " + from(b.Tote, b.L, b.Goods) + " past the meter in yard " + b.Yard
		if b.Colonies > 0 {
			what += fmt.Sprintf(", to %d colonies", b.Colonies)
		}
		if b.Note != "" {
			what += ", " + b.Note
		}
		return what
	case act.Contents:
		return "content: " + sayTote(b.Tote) + " held " + volume(b.L)
	case act.Statement:
		return strings.TrimSuffix(fmt.Sprintf("statement: number %d, %s", b.Number, b.Title), ", ")
	}
	return ""
}

func sayGoods(g act.Goods, u quantity.System) string {
	how := u.Mass(quantity.Mass(g.Kg))
	switch {
	case g.Bags > 0:
		bags := "bags"
		if g.Bags == 1 {
			bags = "bag"
		}
		how = strconv.FormatFloat(g.Bags, 'g', -1, 64) + " " + bags + " of " + massText(g.BagKg)
	case g.L > 0:
		how = u.Volume(quantity.VolumeOf(g.L / 1000))
	}
	what := how + " of " + g.Kind
	if g.Brix > 0 {
		what += fmt.Sprintf(" at %g Brix", g.Brix)
	}
	return what
}

func sayTote(name string) string {
	if name == "" {
		return "the tote on the rig"
	}
	if rig, on := act.StandsOn(name); on {
		return "the tote on " + rig
	}
	return "tote " + name
}

func sayRead(brix, reading float64) string {
	switch {
	case brix > 0:
		return fmt.Sprintf(", %g Brix", brix)
	case reading > 0:
		return fmt.Sprintf(", which a refractometer read as %g Brix", reading)
	}
	return ""
}

func unstirred(is bool) string {
	if is {
		return ", not stirred"
	}
	return ""
}
