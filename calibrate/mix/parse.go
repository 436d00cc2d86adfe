package mix

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Limits of a recipe's text.
const (
	maxText  = 1000 // bytes
	maxParts = 16
)

// ParseRecipe reads a recipe:
//
//	2:1                       sugar to water, by weight
//	1:1 by volume             the same, by volume
//	65 Brix                   sugar and water to that
//	16 lb sugar + 1 gal water
//	4 x 25 lb sugar + 6 gal water at 15 °C
//	2 bags of 50 lb sugar and 30 L hfcs-55
//	100 L syrup at 60 Brix + 10 kg sugar
//
// Parts are sugar, water, hfcs-42, hfcs-55, invert and syrup (sucrose); each has
// a mass or a volume with its unit. "at" gives the solids of a syrup (needed
// for invert and syrup; HFCS is taken as sold: 71 and 77 %) and the temperature
// at which a volume is measured. Errors are *Error.
func ParseRecipe(text string) (Recipe, error) {
	fail := func(rule string) (Recipe, error) { return Recipe{}, &Error{"recipe", rule, quoted(text)} }
	if len(text) > maxText {
		return fail(fmt.Sprintf("must be shorter than %d characters", maxText))
	}
	words := strings.Fields(text)
	if len(words) == 0 {
		return fail(`must be a ratio ("2:1"), a target ("65 Brix") or parts ("16 lb sugar + 1 gal water")`)
	}
	if strings.Contains(text, ":") {
		return parseRatio(text, words)
	}
	if s, err := quantity.ParseBrix(text); err == nil {
		if !(s > 0 && s < 1) {
			return fail("must be above 0 and below 100 Brix")
		}
		return Recipe{Target: s}, nil
	} else if why := new(quantity.ParseError); errors.As(err, &why) && strings.HasPrefix(why.Rule, "must be between") {
		return fail("must be above 0 and below 100 Brix")
	}
	var r Recipe
	part := []string{}
	flush := func() error {
		p, err := parsePart(len(r.Parts)+1, part)
		if err != nil {
			return err
		}
		r.Parts = append(r.Parts, p)
		part = part[:0]
		return nil
	}
	for _, w := range strings.Fields(strings.ReplaceAll(text, "+", " + ")) {
		if w != "+" && !strings.EqualFold(w, "and") {
			part = append(part, w)
			continue
		}
		if err := flush(); err != nil {
			return Recipe{}, err
		}
		if len(r.Parts) == maxParts {
			return fail(fmt.Sprintf("must not have more than %d parts", maxParts))
		}
	}
	if err := flush(); err != nil {
		return Recipe{}, err
	}
	return r, nil
}

func parseRatio(text string, words []string) (Recipe, error) {
	fail := func(rule string) (Recipe, error) { return Recipe{}, &Error{"ratio", rule, quoted(text)} }
	var r Recipe
	n := len(words)
	if n >= 2 && strings.EqualFold(words[n-2], "by") {
		switch how := strings.ToLower(words[n-1]); how {
		case "weight", "mass":
		case "volume":
			r.ByVolume = true
		default:
			return fail(`must end in "by weight" or "by volume"`)
		}
		n -= 2
	}
	sugar, water, _ := strings.Cut(strings.Join(words[:n], ""), ":")
	for _, p := range []struct {
		text string
		into *float64
	}{{sugar, &r.Sugar}, {water, &r.Water}} {
		if strings.Trim(p.text, "0123456789.") != "" || strings.Count(p.text, ".") > 1 {
			return fail(`must be two plain numbers, sugar to water, such as "2:1" or "5:3 by volume"`)
		}
		x, err := strconv.ParseFloat(p.text, 64)
		if err != nil || !(x >= 0.001 && x <= 1000) {
			return fail("must be two numbers, sugar to water, each 0.001 to 1000")
		}
		*p.into = x
	}
	return r, nil
}

func parsePart(n int, words []string) (Part, error) {
	all := strings.Join(words, " ")
	fail := func(rule string) (Part, error) { return Part{}, &Error{fmt.Sprintf("part %d", n), rule, quoted(all)} }
	const shape = `must be an amount and what it is, such as "16 lb sugar" or "1 gal water"`
	if len(words) == 0 {
		return fail(shape)
	}
	head, rest := words, []string(nil)
	for i, w := range words {
		if strings.EqualFold(w, "at") {
			head, rest = words[:i], words[i:]
			break
		}
	}
	if len(head) < 2 {
		return fail(shape)
	}

	var p Part
	name, amount := strings.ToLower(head[len(head)-1]), head[:len(head)-1]
	hasSolids := true // not asked for
	switch name {
	case "sugar":
		p.What = DrySugar
	case "water":
		p.What = PureWater
	case "syrup":
		p.What, hasSolids = Dissolved, false
	default:
		k, err := syrup.ParseKind(name)
		if err != nil || k == syrup.Sucrose {
			return fail("must end in sugar, water, hfcs-42, hfcs-55, invert or syrup")
		}
		p.What, p.Syrup = Dissolved, syrup.Syrup{Makeup: syrup.Only(k), Solids: AsSold(k)}
		hasSolids = p.Syrup.Solids != 0
	}
	if strings.EqualFold(amount[len(amount)-1], "of") {
		amount = amount[:len(amount)-1]
	}

	count := 1.0
	if len(amount) > 2 {
		switch strings.ToLower(amount[1]) {
		case "x", "×", "bag", "bags", "sack", "sacks":
			c, err := strconv.ParseUint(amount[0], 10, 16)
			if err != nil || c == 0 || c > 10_000 {
				return fail("must have a whole number of bags, 1 to 10000")
			}
			count, amount = float64(c), amount[2:]
			if strings.EqualFold(amount[0], "of") {
				amount = amount[1:]
			}
		}
	}
	m, v, rule := parseAmount(strings.Join(amount, " "))
	if rule != "" {
		return fail(rule)
	}
	p.Mass, p.Volume = m*quantity.Mass(count), v
	if v != 0 {
		if v > 1000*quantity.CubicMetre/quantity.Volume(count) {
			return fail("must not be more than 1000000 L")
		}
		p.Volume = v * quantity.Volume(count)
	} else if p.Mass > Most.Mass() {
		return fail("must not be more than 1000000 kg")
	}

	for len(rest) > 0 {
		end := 1
		for end < len(rest) && !strings.EqualFold(rest[end], "at") {
			end++
		}
		clause := strings.Join(rest[1:end], " ")
		rest = rest[end:]
		if s, err := quantity.ParseBrix(clause); err == nil {
			switch {
			case p.What != Dissolved:
				return fail("must not give Brix for sugar or water")
			case !(s > 0 && s <= syrup.MaxSolids):
				return fail("must give solids above 0 and not above 77 Brix")
			}
			p.Syrup.Solids, hasSolids = s, true
			continue
		}
		t, err := quantity.ParseTemperature(clause)
		if err != nil {
			return fail(`must give Brix or a temperature with its unit after "at"`)
		}
		if p.Volume == 0 || p.What == DrySugar {
			return fail("must not give a temperature but for a volume of water or syrup")
		}
		p.Temp, p.HasTemp = t, true
	}
	if !hasSolids {
		return fail(`must say how thick it is, such as "at 60 Brix"`)
	}
	return p, nil
}

// parseAmount reads a mass or a volume, above 0; rule says why not.
func parseAmount(text string) (m quantity.Mass, v quantity.Volume, rule string) {
	m, err := quantity.ParseMass(text)
	if err == nil {
		if !(m > 0) {
			return 0, 0, "must be more than 0"
		}
		return m, 0, ""
	}
	v, err2 := quantity.ParseVolume(text)
	if err2 == nil {
		if v <= 0 {
			return 0, 0, "must be more than 0"
		}
		return 0, v, ""
	}
	// Of units that neither knows, both say the same; else one of them has more to say.
	var why *quantity.ParseError
	if errors.As(err2, &why) && !strings.Contains(why.Rule, "unit") {
		return 0, 0, why.Rule
	}
	if errors.As(err, &why) && !strings.Contains(why.Rule, "unit") {
		return 0, 0, why.Rule
	}
	return 0, 0, "must have an amount with its unit: kg, g, t, lb, oz, or gal, qt, pt, cup, L, mL, m3"
}

// quoted returns text in quotes, cut where it is long.
func quoted(text string) string {
	if r := []rune(text); len(r) > 60 {
		text = string(r[:60]) + "..."
	}
	return strconv.Quote(text)
}
