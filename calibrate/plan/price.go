package plan

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
)

// Per is what a price is for one of.
type Per uint8

// The units of prices.
const (
	PerNothing Per = iota // no price
	PerBag
	PerKilogram
	PerPound
	PerLitre
	PerGallon // US
)

var perNames = [...]string{"", "bag", "kg", "lb", "L", "gal"}

// String returns "bag", "kg", "lb", "L" or "gal".
func (p Per) String() string { return perNames[min(p, PerGallon)] }

// Price is a price in a person's own currency. Its zero value is no price.
type Price struct {
	Amount float64
	Per    Per
	Sign   string // of the currency, such as "$"; "" where none was said
	Of     string // where it is from, if not from whoever asked
}

// mostPrice bounds a price, so that sums stay exact to the cent.
const mostPrice = 1e6

// ParsePrice reads a price, such as "31/bag", "$0.62/lb", "€1.10 per kg" or
// "4.20/gal". Errors are *Error.
func ParsePrice(text string) (Price, error) {
	fail := func(rule string) (Price, error) {
		return Price{}, &Error{"price", rule, fmt.Sprintf("%q", text)}
	}
	const shape = `must be an amount for one bag, kg, lb, L or gal, like "31/bag" or "0.62/lb"`
	if len(text) > 40 {
		return fail("must be shorter than 40 letters")
	}
	amount, per, ok := strings.Cut(text, "/")
	if !ok {
		if amount, per, ok = strings.Cut(text, " per "); !ok {
			return fail(shape)
		}
	}
	amount = strings.TrimSpace(amount)
	at := strings.IndexFunc(amount, func(r rune) bool { return unicode.IsDigit(r) || r == '.' || r == '-' })
	if at < 0 {
		return fail(shape)
	}
	p := Price{Sign: strings.TrimSpace(amount[:at])}
	if utf8.RuneCountInString(p.Sign) > 4 || !utf8.ValidString(p.Sign) || strings.ContainsFunc(p.Sign, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fail("must have a currency of 4 letters at most")
	}
	x, err := strconv.ParseFloat(amount[at:], 64)
	if err != nil {
		return fail(shape)
	}
	if !(x >= 0 && x <= mostPrice) {
		return fail("must be between 0 and 1000000")
	}
	p.Amount = x
	for i, name := range perNames {
		if i > 0 && strings.EqualFold(strings.TrimSpace(per), name) {
			p.Per = Per(i)
			return p, nil
		}
	}
	return fail(shape)
}

// Cost is what one part of a plan costs.
type Cost struct {
	Part  int // of Plan.Parts
	Price Price
	Cents int64 // for what is weighed, rounded
	// Of sugar in bags that has a price: for so many whole bags as have to be
	// bought; 0 bags where that is not so.
	Bags      int
	BagsCents int64
}

// cost prices the parts.
func (p *Plan) cost(a *Ask) error {
	for i := range p.Parts {
		x := &p.Parts[i]
		field, price := "price", a.Sugar
		switch x.What {
		case mix.PureWater:
			continue
		case mix.Dissolved:
			field, price = "syrup-price", a.Bought
		}
		if price.Per == PerNothing {
			continue
		}
		if len(p.Costs) > 0 && p.Costs[0].Price.Sign != price.Sign {
			return &Error{field, "must be in the currency of the other price", fmt.Sprintf("%q", price.Sign)}
		}
		kg := float64(x.Weigh.Mass())
		c := Cost{Part: i, Price: price}
		each := 0.0 // for a kilogram
		switch price.Per {
		case PerBag:
			if x.What != mix.DrySugar {
				return &Error{field, "must be for one kg, lb, L or gal, as syrup comes in no bags", price.Per}
			}
			if a.Bag == 0 {
				return &Error{field, "must stand beside the weight of a bag", price.Per}
			}
			each = price.Amount / float64(a.Bag)
		case PerKilogram:
			each = price.Amount
		case PerPound:
			each = price.Amount / float64(quantity.Pound)
		default:
			if x.What == mix.DrySugar {
				return &Error{field, "must be for one bag, kg or lb, as sugar is not sold by volume", price.Per}
			}
			v := x.Volume.Litres()
			if price.Per == PerGallon {
				v = x.Volume.USGallons()
			}
			each = price.Amount * v / kg
		}
		c.Cents = int64(math.Round(100 * each * kg))
		if x.What == mix.DrySugar && a.Bag > 0 {
			c.Bags = x.Bags
			if x.Rest > 0 {
				c.Bags++
			}
			c.BagsCents = int64(math.Round(100 * each * float64(a.Bag) * float64(c.Bags)))
		}
		p.Costs = append(p.Costs, c)
	}
	return nil
}

// Priced reports whether everything that has to be bought has a price.
func (p *Plan) Priced() bool {
	bought := 0
	for i := range p.Parts {
		if p.Parts[i].What != mix.PureWater {
			bought++
		}
	}
	return bought > 0 && bought == len(p.Costs)
}
