package report

import (
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/meter/worth"
)

// lineWidth is how wide sentences run.
const lineWidth = 78

// wrap writes a sentence over as many lines as it needs, each after the margin;
// all but the first a little further in where there is a margin.
func wrap(b *strings.Builder, margin, text string) {
	at := 0
	words := strings.Fields(text)
	for i := len(words) - 1; i > 0; i-- {
		// A number stays with its unit.
		if w := words[i]; words[i-1] == "±" || unitWord(w) && words[i-1][len(words[i-1])-1] <= '9' || strings.HasPrefix(w, "%") || strings.HasPrefix(w, "°") || strings.HasPrefix(w, "mPa") {
			words[i-1] += " " + w
			words = append(words[:i], words[i+1:]...)
		}
	}
	for i, word := range words {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
			b.WriteString(margin)
			at = len(margin)
		case at+1+n > lineWidth:
			b.WriteString("\n" + margin)
			at = len(margin)
			if margin != "" {
				b.WriteString("  ")
				at += 2
			}
		default:
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at += n
	}
	b.WriteByte('\n')
}

// unitWord reports whether a word is a unit of volume, flow or mass.
func unitWord(w string) bool {
	w, _, _ = strings.Cut(strings.TrimRight(w, ".,:;"), "/")
	return w == "gal" || w == "L" || w == "lb" || w == "kg"
}

// plain is a number with so many decimals; "–" where it is none.
func plain(x float64, decimals int) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "–"
	}
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if n, ok := strings.CutPrefix(s, "-"); ok && strings.Trim(n, "0.") == "" {
		return n
	}
	return s
}

// signed is plain with its sign.
func signed(x float64, decimals int) string {
	s := plain(x, decimals)
	if x >= 0 && !strings.HasPrefix(s, "-") && s != "–" {
		return "+" + s
	}
	return s
}

// figures is a number with three figures, and no more than that says.
func figures(x float64) string {
	switch a := math.Abs(x); {
	case a >= 99.95 && a < 1e15:
		return strings.TrimSuffix(Fixed(int64(math.Round(x))*10, 10), ".0")
	case a >= 9.995:
		return plain(x, 1)
	case a >= 0.9995:
		return plain(x, 2)
	}
	return plain(x, 3)
}

// percent95 is a relative standard uncertainty as half a 95 % interval.
func percent95(u float64) string { return percentOf(worth.Cover * u) }

// percentOf is a share in percent, with two figures or so.
func percentOf(x float64) string {
	p := 100 * x
	switch a := math.Abs(p); {
	case math.IsNaN(p):
		return "–"
	case a >= 9.95:
		return plain(p, 0) + " %"
	case a >= 0.995:
		return plain(p, 1) + " %"
	case a >= 0.0995:
		return plain(p, 2) + " %"
	case a < 0.0005:
		return "0 %"
	}
	return plain(p, 3) + " %"
}

// change is what a change of ln by d does, in percent with its sign.
func change(d float64) string {
	s := percentOf(math.Expm1(d))
	if d > 0 && s != "0 %" {
		return "+" + s
	}
	return s
}

// difference is a difference of temperatures, given in K.
func difference(u quantity.System, k float64) string {
	if u == quantity.US {
		return plain(1.8*k, 1) + " °F"
	}
	return plain(k, 1) + " °C"
}

func degree(u quantity.System) string {
	if u == quantity.US {
		return "°F"
	}
	return "°C"
}

// Hundredths is a volume in the person's unit, to a hundredth.
func Hundredths(u quantity.System, v quantity.Volume) string {
	cells, _ := Closing(u, 100, []quantity.Volume{v})
	_, unit := u.VolumeParts(v)
	return Fixed(cells[0], 100) + " " + unit
}

// value is a number back from how JSON prints it; NaN for none.
func value(n number) float64 {
	x, err := strconv.ParseFloat(string(n), 64)
	if err != nil {
		return math.NaN()
	}
	return x
}

func signedPercent(x float64) string {
	if s := percentOf(x); strings.HasPrefix(s, "-") || s == "–" {
		return s
	}
	return "+" + percentOf(x)
}

// kUnit is the unit of a K-factor as a person reads it.
func kUnit(u quantity.System, mass bool) string {
	switch {
	case mass && u == quantity.US:
		return "pulses/lb"
	case mass:
		return "pulses/kg"
	case u == quantity.US:
		return "pulses/gal"
	}
	return "pulses/L"
}

// kNumber is a K-factor, given in pulses per m³ or kg, in kUnit, with five figures.
func kNumber(u quantity.System, k float64, mass bool) string {
	switch {
	case mass && u == quantity.US:
		k *= float64(quantity.Pound)
	case mass:
	case u == quantity.US:
		k *= quantity.USGallon.CubicMetres()
	default:
		k /= 1000
	}
	_, power, _ := strings.Cut(strconv.FormatFloat(k, 'e', 4, 64), "e")
	e, _ := strconv.Atoi(power)
	return plain(k, min(max(4-e, 0), 6))
}

// KFactor is a K-factor as a person reads it; k is in pulses per m³, or per kg
// of a mass proving.
func KFactor(u quantity.System, k float64, mass bool) string {
	return kNumber(u, k, mass) + " " + kUnit(u, mass)
}

// Percent is a share in percent, as tables show it.
func Percent(x float64) string { return percentOf(x) }

// KUnit is the unit that KFactor gives.
func KUnit(u quantity.System, mass bool) string { return kUnit(u, mass) }
