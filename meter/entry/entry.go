// Package entry turns what a person writes of the season's books into acts, and
// acts into what a person would have written. The command line and the page
// give it the same named fields of text.
//
// Every amount names its unit. What is not said is taken as usual, or as the
// journal has it, and Entry.Notes says so. Errors in what was written are
// *act.FieldError with the name of the field.
package entry

import (
	"slices"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// Fields are what a person wrote, by the names of fields. A field that is not
// there, or empty, is not said; a switch is "true" where it is on.
type Fields map[string]string

// Field is one that a way may have.
type Field struct {
	Name   string
	Arg    string // what stands for its value: "MASS"; "" for a switch
	What   string // it is, in words
	Switch bool
}

// What is the field that needs no name on a command line: the amount or name
// that an entry is about.
const What = "what"

// Rig is the field that says, in a house with several rigs, which one's tote an
// entry means by the one on the rig.
const Rig = "rig"

// Way is a sort of entry.
type Way struct {
	Name   string
	Arg    string // what What stands for; "": it has none
	What   string // it says, in words
	Like   string // an example, after the name
	Fields []string
}

var blend = []string{"brix", "reading", "reading-temp", "compensated", "brix-within"}

var before = []string{"left", "left-within", "empty"}

// Ways returns all sorts of entries.
func Ways() []Way {
	with := func(lists ...[]string) []string { return append(slices.Concat(lists...), "on", "at") }
	goods := []string{"bag", "within", "brix", "brix-within", "temp"}
	return []Way{
		{"purchase", "GOODS", "something was bought", `"40 bags of 50 lb sugar" -price '$1540'`, with(goods, []string{"price", "lot"})},
		{"count", "GOODS", "so much is in the store; the first count is the opening stock", `"38 bags sugar" -bag "50 lb"`, with(goods, []string{"price"})},
		{"mix", "PARTS", "syrup was mixed in a tote", `"12 bags sugar + 40 gal water" -brix "62 Brix"`,
			with([]string{"bag", "within", "name", "tote", "rig"}, blend, []string{"temp", "volume", "volume-within", "unstirred"}, before)},
		{"transfer", "VOLUME|all", "syrup went from one tote to another", `"100 gal" -from "mixing tank" -to "tote one"`, with([]string{"from", "to", "rig", "within"}, before)},
		{"load", "VOLUME|all", "syrup went from a tote to the one on the rig", `"200 gal" -from "mixing tank"`, with([]string{"from", "rig", "within"}, before)},
		{"swap", "TOTE", "another tote stands on the rig from then on", `"tote two"`, with([]string{"rig"})},
		{"water", "WATER", "water was added to what is in a tote", `"5 gal" -unstirred`, with([]string{"tote", "rig", "within", "unstirred"}, before)},
		{"stirred", "", "what is in a tote is mixed now", `-brix "60.5 Brix"`, with([]string{"tote", "rig"}, blend)},
		{"rinse", "VOLUME", "water went through meter and hose", `"4 gal"`, with([]string{"tote", "rig", "within"})},
		{"loss", "GOODS|VOLUME", "goods of the store, or syrup of a tote, were lost", `"1 bag sugar" -bag "50 lb" -why spilled`, with([]string{"bag", "tote", "rig", "within", "why"})},
		{"fed", "GOODS|VOLUME", "goods of the store, or syrup of a tote, were fed past the meter", `"3 gal" -yard mill -colonies 3`, with([]string{"bag", "tote", "rig", "within", "yard", "colonies", "note"})},
		{"content", "VOLUME", "a tote was seen to hold so much", `"25 gal" -tote "mixing tank"`, with([]string{"tote", "rig", "within"})},
	}
}

// WayOf returns the way of that name.
func WayOf(name string) (Way, bool) {
	ways := Ways()
	i := slices.IndexFunc(ways, func(w Way) bool { return w.Name == name })
	if i < 0 {
		return Way{}, false
	}
	return ways[i], true
}

// AllFields returns every field but What, in the order of help.
func AllFields() []Field {
	return []Field{
		{"on", "DATE", "day it happened, like 2026-10-09; alone it means noon", false},
		{"at", "TIME", "when it happened: \"17:30\" or \"5:30pm\" of -on or today, or \"2026-10-09 17:30\" (default: now)", false},
		{"bag", "MASS", "a bag by its label, like \"50 lb\" (default: as last bought)", false},
		{"within", "SHARE", "error of the amount at most, like \"1 %\" or \"2 lb\" (default: as usual for how it was measured)", false},
		{"price", "MONEY", "price of it all, or of one with its unit, like \"$38.50 a bag\"", false},
		{"lot", "TEXT", "lot or batch by the supplier", false},
		{"name", "TEXT", "what the mix is called", false},
		{"tote", "TOTE", "tote it is about (default: the one on the rig)", false},
		{"from", "TOTE", "tote it comes from", false},
		{"to", "TOTE", "tote it goes to (default: the one on the rig)", false},
		{Rig, "RIG", "rig whose tote it is, where the house has several", false},
		{"brix", "BRIX", "dry solids, like \"62 Brix\"", false},
		{"reading", "BRIX", "instead, what a refractometer shows on its sucrose scale", false},
		{"reading-temp", "TEMPERATURE", "of the reading", false},
		{"compensated", "", "the refractometer corrects for temperature itself", true},
		{"brix-within", "BRIX", "error of Brix or reading at most (default 0.2 Brix)", false},
		{"temp", "TEMPERATURE", "of the volume that was measured, like \"68 F\"", false},
		{"volume", "VOLUME", "what the tote held when it was mixed", false},
		{"volume-within", "VOLUME", "error of that at most", false},
		{"unstirred", "", "it is not stirred yet", true},
		{"left", "VOLUME", "what the tote held before, like \"25 gal\" (default: the rig's level at rest)", false},
		{"left-within", "VOLUME", "error of that at most", false},
		{"empty", "", "the tote was empty before", true},
		{"why", "WHY", "spilled, dumped, spoiled or leaked", false},
		{"yard", "YARD", "that it was fed in", false},
		{"colonies", "N", "how many were fed", false},
		{"note", "TEXT", "of it", false},
	}
}

// Known is what an entry is read beside.
type Known struct {
	Now      int64 // Unix ns: the keeper's
	Zone     *time.Location
	View     *ledger.View
	Rigs     []*ledger.View  // of a house: its rigs' own, and View is ledger.Together of them; nil: of one rig
	Standing []act.Act       // of a house as act.Housed names things
	Units    quantity.System // of notes
	Currency string          // of prices
}

// house reports whether entries are of a house's book.
func (k *Known) house() bool { return k.Rigs != nil }

// rig returns a rig of the house in letters of any case; false: it has none of
// that name.
func (k *Known) rig(name string) (string, bool) {
	for _, v := range k.Rigs {
		if strings.EqualFold(v.Rig, name) {
			return v.Rig, true
		}
	}
	return "", false
}

func (k *Known) rigNames() string {
	var names []string
	for _, v := range k.Rigs {
		names = append(names, v.Rig)
	}
	return strings.Join(names, ", ")
}

// on is what is known of one rig of the house, or of the only one.
func (k *Known) on(rig string) *Known {
	for _, v := range k.Rigs {
		if v.Rig == rig {
			one := *k
			one.View = v
			return &one
		}
	}
	return k
}

// Entry is an act to be kept.
type Entry struct {
	From  int64 // Unix ns
	Body  act.Body
	Notes []string // what was taken where nothing was said, in sentences
}
