// Package books holds the season's books against what was metered: what was
// bought, mixed, fed, lost and left must add up, and where it does not the
// balance says by how much, how surely, and whose fault would explain it. A
// statement says where it went.
//
// Amounts are kg, volumes m³, instants Unix ns, uncertainties standard ones
// (GUM 3.1) unless called Within. Nothing here is legal for trade.
package books

import (
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// NotForTrade stands on every balance and statement.
const NotForTrade = "Not legal for trade. The supplier's ticket stays the record of purchase."

// Season is what a balance is made of: of a stretch of time the entries of the
// books, what was metered and what the totes were seen to hold by their sensors.
type Season struct {
	From, To int64     // entries, flows and levels at or after From and before To
	Acts     []act.Act // standing, in order of From; those before From tell what there was
	Book     *sugar.Book
	Metered  []Metered       // in order of At
	Levels   []Levelled      // in order of At
	Loc      *time.Location  // of the dates in words; nil: UTC
	Units    quantity.System // of the amounts in words
}

// Metered is flow through the meter that is on one account.
type Metered struct {
	Name string // what the account is called: a yard, or what else it was
	Yard string // "": none
	Rig  string // whose meter it was, where the books are of a house
	Why  string // "": fed to colonies; else as in outing.Loose
	At   int64  // when it began
	// Visit is its place among the view's visits, -1 for none; Held that of its
	// syrup in Book.Held, -1 where that is not known.
	Visit, Held int
	Volume      float64
	Temp        quantity.Temperature
	Own         float64  // standard uncertainty of Volume that nothing else shares
	Common      []Common // what it shares with other flows
}

// Common is by how much one standard uncertainty of a cause changes a volume,
// m³, signed. Causes of one name are one cause.
type Common struct {
	Cause string
	By    float64
}

// Levelled is what a tote held by its level sensor, at rest.
type Levelled struct {
	Rig    string // whose sensor, where the books are of a house
	Tote   string
	At     int64
	Volume float64
	U      float64 // of this reading alone
	ShareU float64 // relative, of what all readings of the tote share: its strapping
}

// Review is an entry, or what else could not be used as it was meant, and why.
type Review struct {
	Act string // "": no entry's
	Why string
}
