package syrup

import (
	"fmt"
	"math"
	"strings"

	"yardtally/calibrate/quantity"
)

// Kind is a kind of dissolved sugar.
type Kind uint8

// The kinds. Numbers are not kept on disk; names are.
const (
	Sucrose Kind = iota // cane or beet sugar
	Invert              // glucose and fructose in equal parts
	HFCS42              // high-fructose corn syrup, 42 % of its solids fructose
	HFCS55              // the same with 55 %
)

const kinds = int(HFCS55) + 1

var kindNames = [kinds]string{"sucrose", "invert", "hfcs-42", "hfcs-55"}

// String returns the kind's name: "sucrose", "invert", "hfcs-42" or "hfcs-55".
func (k Kind) String() string {
	if int(k) >= kinds {
		return fmt.Sprintf("kind(%d)", uint8(k))
	}
	return kindNames[k]
}

// ParseKind returns the kind of that name. The error names those there are.
func ParseKind(name string) (Kind, error) {
	for k, n := range kindNames {
		if n == name {
			return Kind(k), nil
		}
	}
	return 0, fmt.Errorf(`syrup: must be "sucrose", "invert", "hfcs-42" or "hfcs-55", is %q`, name)
}

// Makeup says what the dry solids of a syrup are made of. Its zero value is
// sucrose alone. Makeups can be compared with ==.
type Makeup struct {
	other [kinds - 1]float64 // shares of the solids that are not sucrose, by Kind less one
}

// Only returns the makeup of one kind alone, which must be one of the above.
func Only(k Kind) Makeup {
	var m Makeup
	if k != Sucrose {
		m.other[k-1] = 1
	}
	return m
}

// Share returns which part of the dry solids is of kind k, by mass, 0 to 1.
func (m Makeup) Share(k Kind) float64 {
	if int(k) >= kinds {
		return 0
	}
	if k != Sucrose {
		return m.other[k-1]
	}
	s := 1.0
	for _, o := range m.other {
		s -= o
	}
	return max(0, s)
}

// Blend returns what the solids of a and b together are made of: each share is
// weighed with the dry solids that each brings. A mass that is not above zero,
// or is no number, brings nothing; if neither brings any, Blend returns a.
func Blend(a Makeup, aSolids quantity.Mass, b Makeup, bSolids quantity.Mass) Makeup {
	if !(bSolids > 0) {
		return a
	}
	if !(aSolids > 0) {
		return b
	}
	// The part that b brings, 0 to 1; made this way no sum overflows.
	part := 1 / (1 + float64(aSolids/bSolids))
	if math.IsNaN(part) { // both without end
		part = 0.5
	}
	for i, o := range a.other {
		a.other[i] = min(max(0, o+float64((b.other[i]-o)*part)), 1)
	}
	return a
}

// String names the kinds and their shares: "hfcs-55", or "sucrose 70 %, invert
// 30 %", rounded to 0.1 %.
func (m Makeup) String() string {
	var parts []string
	for k := range Kind(kinds) {
		switch s := m.Share(k); {
		case s == 1:
			return k.String()
		case s >= 0.0005:
			parts = append(parts, fmt.Sprintf("%v %.4g %%", k, math.Round(s*1000)/10))
		}
	}
	return strings.Join(parts, ", ")
}

// Syrup is a solution: what its solids are, and how much of it they are.
// Syrups can be compared with ==.
type Syrup struct {
	Makeup Makeup
	Solids quantity.Solids // true dry solids, mass fraction
}
