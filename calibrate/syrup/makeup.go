package syrup

import (
	"fmt"

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

// Only returns the makeup of one kind alone.
func Only(k Kind) Makeup {
	var m Makeup
	if k != Sucrose {
		m.other[k-1] = 1
	}
	return m
}

// Share returns which part of the dry solids is of kind k, by mass, 0 to 1.
func (m Makeup) Share(k Kind) float64 {
	if k != Sucrose {
		return m.other[k-1]
	}
	s := 1.0
	for _, o := range m.other {
		s -= o
	}
	return max(0, s)
}

// Syrup is a solution: what its solids are, and how much of it they are.
// Syrups can be compared with ==.
type Syrup struct {
	Makeup Makeup
	Solids quantity.Solids // true dry solids, mass fraction
}
