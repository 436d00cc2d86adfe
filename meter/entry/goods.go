package entry

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// Limits of what is read. Judgement, no source.
const (
	mostText  = 1000 // bytes of a field
	mostParts = 16   // of a mix
	mostBags  = 100000
	mostShown = 200 // letters of a value in an error
)

// goodsKinds are the kinds of goods, and what else they may be called.
var goodsKinds = []struct {
	kind  string
	spell []string
}{
	{"sugar", []string{"sugar", "sucrose"}},
	{"hfcs-42", []string{"hfcs-42", "hfcs42"}},
	{"hfcs-55", []string{"hfcs-55", "hfcs55"}},
	{"invert", []string{"invert"}},
}

const kindRule = `must be of sugar, hfcs-42, hfcs-55 or invert, like "40 bags of 50 lb sugar" or "30 gal hfcs-55"`

// water is what goodsKinds has no name for: it is no goods, and part of a mix.
const water = "water"

// part is an amount of goods or of water, as it was written.
type part struct {
	goods act.Goods // kind "water": Kg or L of it
	bare  bool      // its kind was not said
	unbag bool      // in bags of which the weight was not said
}

// parsePart reads an amount and what it is of, as in "40 bags of 50 lb sugar",
// "500 lb of sugar", "3 x 55 gal hfcs-55 at 76.5 Brix", "40 gal water within 1 %".
func parsePart(field, text string) (p part, err error) {
	bad := func(rule string) (part, error) { return p, refuse(field, rule, text) }
	const shape = `must be an amount with its unit and what it is of, like "40 bags of 50 lb sugar", "500 lb sugar" or "30 gal hfcs-55"`
	if len(text) > mostText {
		return bad(fmt.Sprintf("must be at most %d letters", mostText))
	}
	words := strings.Fields(text)
	head, clauses := cutClauses(words)
	if len(head) == 0 {
		return bad(shape)
	}
	rest, err := p.amount(field, text, head)
	if err != nil {
		return p, err
	}
	if len(rest) > 0 && strings.EqualFold(rest[0], "of") {
		rest = rest[1:]
	}
	switch name := strings.ToLower(strings.Join(rest, " ")); {
	case name == "":
		p.bare = true
		if p.goods.Bags > 0 || p.unbag {
			p.goods.Kind = "sugar" // nothing else comes in bags
		}
	case name == water:
		p.goods.Kind = water
	default:
		for _, k := range goodsKinds {
			for _, s := range k.spell {
				if name == s {
					p.goods.Kind = k.kind
				}
			}
		}
		if p.goods.Kind == "" {
			return bad(kindRule)
		}
	}
	if p.goods.Kind == water && p.goods.Bags != 0 {
		return bad(`must have water by weight or volume, like "40 gal water"`)
	}
	return p, p.clauses(field, text, clauses)
}

// cutClauses parts an amount from what follows it: "at ..." and "within ...".
func cutClauses(words []string) (head []string, clauses [][]string) {
	head = words
	for i := len(words) - 1; i >= 0; i-- {
		if strings.EqualFold(words[i], "at") || strings.EqualFold(words[i], "within") {
			clauses = append([][]string{head[i:]}, clauses...)
			head = head[:i]
		}
	}
	return head, clauses
}

// amount reads how much it is, and returns the words that follow.
func (p *part) amount(field, text string, words []string) (rest []string, err error) {
	bad := func(rule string) ([]string, error) { return nil, refuse(field, rule, text) }
	n, nerr := plainNumber(words[0])
	if nerr == nil && len(words) == 1 {
		return bad(`must name its unit, like bags, lb, kg, gal or L`)
	}
	if nerr == nil && (strings.EqualFold(words[1], "bag") || strings.EqualFold(words[1], "bags")) {
		if n > mostBags {
			return bad(fmt.Sprintf("must be at most %d bags", mostBags))
		}
		p.goods.Bags, rest = n, words[2:]
		if len(rest) > 1 && strings.EqualFold(rest[0], "of") && startsNumber(rest[1]) {
			kg, used, err := longest(rest[1:], quantity.ParseMass)
			if err != nil {
				return nil, refuseAs(field, text, err)
			}
			p.goods.BagKg, rest = tidy(float64(kg)), rest[1+used:]
			return rest, nil
		}
		p.unbag = true
		return rest, nil
	}
	times := 1.0
	if nerr == nil && len(words) > 2 && (strings.EqualFold(words[1], "x") || words[1] == "×") {
		times, words = n, words[2:]
	}
	if !startsNumber(words[0]) {
		return bad(`must begin with an amount and its unit, like "40 bags", "500 lb" or "30 gal"`)
	}
	if kg, used, err := longest(words, quantity.ParseMass); err == nil {
		p.goods.Kg = tidy(float64(kg) * times)
		return words[used:], p.positive(field, text, p.goods.Kg)
	}
	v, used, err := longest(words, quantity.ParseVolume)
	if err != nil {
		var pe *quantity.ParseError
		if errors.As(err, &pe) && strings.Contains(pe.Rule, "one of") {
			return bad(`must name its unit, one of bags, lb, oz, kg, g, t, gal, qt, pt, L, mL, m3`)
		}
		return nil, refuseAs(field, text, err)
	}
	p.goods.L = tidy(v.Litres() * times)
	return words[used:], p.positive(field, text, p.goods.L)
}

func (p *part) positive(field, text string, x float64) error {
	if !(x >= 0) || math.IsInf(x, 0) {
		return refuse(field, "must not be negative", text)
	}
	return nil
}

// clauses reads "at 76.5 Brix", "at 90 F" and "within 1 %".
func (p *part) clauses(field, text string, clauses [][]string) error {
	for _, c := range clauses {
		what := strings.Join(c[1:], " ")
		if strings.EqualFold(c[0], "within") {
			pct, err := p.within(field, what)
			if err != nil {
				return err
			}
			p.goods.WithinPct = pct
			continue
		}
		if s, err := quantity.ParseBrix(what); err == nil {
			if p.goods.Kind == water || p.goods.Bags > 0 {
				return refuse(field, "must have Brix only of a syrup", text)
			}
			p.goods.Brix = tidy(s.Brix())
			continue
		}
		t, err := quantity.ParseTemperature(what)
		if err != nil {
			return refuse(field, `must have after "at" its solids or its temperature, like "76.5 Brix" or "90 F"`, text)
		}
		if p.goods.L == 0 {
			return refuse(field, "must have a temperature only where it is measured by volume", text)
		}
		p.goods.TempC = tidy(float64(t))
	}
	return nil
}

// within reads how far an amount may be off, in percent of it: "1 %", "2 lb".
func (p *part) within(field, text string) (pct float64, err error) {
	return withinOf(field, text, p.goods.Kg+p.goods.Bags*p.goods.BagKg, p.goods.L, p.goods.Bags)
}

// withinOf returns text, a share or an amount in the unit of what it is of, in
// percent. Amounts that are not known are 0.
func withinOf(field, text string, kg, l, bags float64) (pct float64, err error) {
	share := func(x, of float64) (float64, error) {
		if of <= 0 {
			return 0, refuse(field, `must be a share like "1 %" or an amount in the same unit`, text)
		}
		return checkPct(field, text, 100*x/of)
	}
	if rest, ok := strings.CutSuffix(strings.TrimSpace(text), "%"); ok {
		x, err := plainNumber(strings.TrimSpace(rest))
		if err != nil {
			return 0, refuse(field, `must be a share like "1 %" or an amount like "2 lb"`, text)
		}
		return checkPct(field, text, x)
	}
	if w := strings.Fields(text); len(w) == 2 && (strings.EqualFold(w[1], "bag") || strings.EqualFold(w[1], "bags")) {
		if x, err := plainNumber(w[0]); err == nil {
			return share(x, bags)
		}
	}
	if m, err := quantity.ParseMass(text); err == nil {
		return share(float64(m), kg)
	}
	if v, err := quantity.ParseVolume(text); err == nil {
		return share(v.Litres(), l)
	}
	return 0, refuse(field, `must be a share like "1 %" or an amount with its unit, like "2 lb"`, text)
}

func checkPct(field, text string, pct float64) (float64, error) {
	if !(pct > 0 && pct <= 50) {
		return 0, refuse(field, "must be above 0 and at most 50 %", text)
	}
	return tidy(pct), nil
}

// parseParts reads the parts of a mix, joined by "+" or "and".
func parseParts(field, text string) (parts []part, err error) {
	if len(text) > mostText {
		return nil, refuse(field, fmt.Sprintf("must be at most %d letters", mostText), text)
	}
	var words []string
	flush := func() error {
		if len(parts) == mostParts {
			return refuse(field, fmt.Sprintf("must not have more than %d parts", mostParts), text)
		}
		p, err := parsePart(field, strings.Join(words, " "))
		parts, words = append(parts, p), nil
		return err
	}
	for _, w := range strings.Fields(strings.ReplaceAll(text, "+", " + ")) {
		if w != "+" && !strings.EqualFold(w, "and") {
			words = append(words, w)
		} else if err := flush(); err != nil {
			return nil, err
		}
	}
	return parts, flush()
}

// plainNumber reads digits with a point: no sign, no exponent.
func plainNumber(s string) (float64, error) {
	if s == "" || strings.Trim(s, "0123456789.") != "" {
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseFloat(s, 64)
}

func startsNumber(w string) bool {
	return w != "" && strings.ContainsRune("0123456789.-−+", []rune(w)[0])
}

// longest reads a quantity from the most words that make one, three at most:
// "30 US gal", "30gal".
func longest[Q any](words []string, parse func(string) (Q, error)) (q Q, used int, err error) {
	var first error
	for n := min(3, len(words)); n > 0; n-- {
		if q, err = parse(strings.Join(words[:n], " ")); err == nil {
			return q, n, nil
		}
		if n == min(2, len(words)) {
			first = err
		}
	}
	if first != nil {
		err = first
	}
	return q, 0, err
}

// tidy takes off what the last bits of a conversion leave: 12 digits are far
// more than any of these are known to.
func tidy(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 12, 64), 64)
	if err != nil {
		return x
	}
	return y
}

// refuse is an error that names field, rule and value.
func refuse(field, rule, value string) error {
	if r := []rune(value); len(r) > mostShown {
		value = string(r[:mostShown]) + "..."
	}
	return &act.FieldError{Field: field, Rule: rule, Value: strconv.Quote(value)}
}

// refuseAs is refuse with the rule of a quantity's own error.
func refuseAs(field, text string, err error) error {
	var pe *quantity.ParseError
	if errors.As(err, &pe) {
		return refuse(field, pe.Rule, text)
	}
	return refuse(field, err.Error(), text)
}
