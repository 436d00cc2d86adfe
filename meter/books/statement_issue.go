package books

import (
	"cmp"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// What two statements may differ by and still say the same: what is lost in
// rounding on machines of another kind, and no one would print.
const (
	sameVolume = quantity.Millilitre
	sameSolids = mix.Micrograms(1_000_000) // 1 g
	sameMoney  = Money(5_000)              // half of a hundredth
)

// Issue returns the act that issues a statement: its figures as they are now,
// and by a digest of their names the acts that they rest on.
func Issue(st *Statement, number int, title string, all []act.Act) (act.Statement, error) {
	kept := *st
	kept.Knew = knewOf(all)
	raw, err := json.Marshal(&kept)
	if err != nil {
		return act.Statement{}, fmt.Errorf("statement: %w", err)
	}
	b := act.Statement{Number: number, FromNS: st.From, ToNS: st.To, Title: title, Figures: raw}
	return b, b.Check()
}

// Issued is a statement that was issued.
type Issued struct {
	Act    string // its id
	Rig    string
	Who    string
	When   int64 // Unix ns
	Number int
	Title  string
	Twice  bool // another has the same number: two copies of a journal issued each its own
	// Figures as they were; nil where this version cannot read them, and why.
	Statement *Statement
	Why       string
}

// IssuedOf returns the statements issued, by number, then by when.
func IssuedOf(standing []act.Act) []Issued {
	var out []Issued
	many := make(map[int]int)
	for i := range standing {
		a := &standing[i]
		b, ok := a.Body.(act.Statement)
		if !ok {
			continue
		}
		x := Issued{Act: a.ID, Rig: a.Rig, Who: a.Who, When: a.When, Number: b.Number, Title: b.Title}
		st, err := figures(b.Figures)
		if err != nil {
			x.Why = err.Error()
		} else {
			x.Statement = st
		}
		many[b.Number]++
		out = append(out, x)
	}
	for i := range out {
		out[i].Twice = many[out[i].Number] > 1
	}
	slices.SortFunc(out, func(a, b Issued) int {
		return cmp.Or(cmp.Compare(a.Number, b.Number), cmp.Compare(a.When, b.When), cmp.Compare(a.Act, b.Act))
	})
	return out
}

// NextNumber is that of the next statement: one above the highest that was ever
// given, those taken back among them. all is every act of the house.
func NextNumber(all []act.Act) int {
	n := 0
	for i := range all {
		if b, ok := all[i].Body.(act.Statement); ok {
			n = max(n, b.Number)
		}
	}
	return n + 1
}

// figures reads the figures of a statement.
func figures(raw json.RawMessage) (*Statement, error) {
	var v struct {
		Version int `json:"version"`
	}
	if err := json.Unmarshal(raw, &v); err != nil {
		return nil, fmt.Errorf("figures: must be those of a statement: %w", err)
	}
	if v.Version != Version {
		return nil, &act.FieldError{Field: "figures.version", Rule: fmt.Sprintf("must be %d, for this version of Yardtally to read it", Version), Value: v.Version}
	}
	var st Statement
	if err := json.Unmarshal(raw, &st); err != nil {
		return nil, fmt.Errorf("figures: must be those of a statement: %w", err)
	}
	return &st, nil
}

// bears reports whether an act can change a statement.
func bears(b act.Body) bool {
	switch b.(type) {
	case act.Statement, act.Announced, act.Ack, act.Shelve, act.Line:
		return false
	}
	return true
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// digest is eight hexadecimal digits for the id of an act.
func digest(id string) string {
	n := crc32.Checksum([]byte(id), castagnoli)
	return fmt.Sprintf("%08x", n)
}

func knewOf(all []act.Act) string {
	seen := make(map[string]bool)
	for i := range all {
		if bears(all[i].Body) {
			seen[digest(all[i].ID)] = true
		}
	}
	return strings.Join(sorted(seen), "")
}

// knows reports whether a statement's figures rest on an act, or it was there
// and had been taken back.
func (s *Statement) knows(id string) bool {
	d := digest(id)
	for k := 0; k+8 <= len(s.Knew); k += 8 {
		if s.Knew[k:k+8] == d {
			return true
		}
	}
	return false
}

// Change is a line that is not what it was when the statement was issued.
type Change struct {
	Part    Part
	Key     string
	Name    string
	Was, Is Line     // zero where there was, or is, none
	New     bool     // there was none
	Gone    bool     // there is none any more
	Acts    []string // of Since, those that speak of this very line
}

// Since is an act that the statement as issued did not know of.
type Since struct {
	Act   act.Act
	Undid *act.Act // of an undo: what it took back
}

// Restated is a statement held against one that was issued.
type Restated struct {
	Issued  Issued
	Changes []Change // in the order of the lines
	Since   []Since  // in the order in which they were said
	Prices  []Price  // as they are, of kinds whose price per kilogram is another
	Was     []Price  // and as they were
}

// Compare holds a statement of the same period against an issued one. all is
// every act of the rig, those taken back among them.
func Compare(was Issued, now *Statement, all []act.Act) Restated {
	r := Restated{Issued: was}
	old := was.Statement
	if old == nil {
		return r
	}
	if act.InHouse(all) {
		all = act.Housed(all)
	}
	byID := make(map[string]*act.Act, len(all))
	for i := range all {
		byID[all[i].ID] = &all[i]
	}
	lines := make(map[lineKey][]string)
	for i := range all {
		a := &all[i]
		if !bears(a.Body) || old.knows(a.ID) {
			continue
		}
		s := Since{Act: *a}
		about := a
		for range all { // an undo of an undo
			u, ok := about.Body.(act.Undo)
			if !ok || byID[u.Act] == nil {
				break
			}
			about = byID[u.Act]
			if s.Undid == nil {
				s.Undid = about
			}
		}
		for _, l := range speaksOf(about.Body) {
			lines[l] = append(lines[l], a.ID)
		}
		r.Since = append(r.Since, s)
	}
	slices.SortFunc(r.Since, func(a, b Since) int {
		return cmp.Or(cmp.Compare(a.Act.When, b.Act.When), cmp.Compare(a.Act.ID, b.Act.ID))
	})
	before := make(map[lineKey]*Line)
	for i := range old.Lines {
		l := &old.Lines[i]
		before[lineKey{l.Part, l.Key}] = l
	}
	for i := range now.Lines {
		l := &now.Lines[i]
		k := lineKey{l.Part, l.Key}
		c := Change{Part: l.Part, Key: l.Key, Name: l.Name, Is: *l, Acts: lines[k]}
		if o := before[k]; o != nil {
			delete(before, k)
			if o.same(l) {
				continue
			}
			c.Was = *o
		} else {
			c.New = true
		}
		r.Changes = append(r.Changes, c)
	}
	for i := range old.Lines {
		l := &old.Lines[i]
		if k := (lineKey{l.Part, l.Key}); before[k] == l {
			r.Changes = append(r.Changes, Change{Part: l.Part, Key: l.Key, Name: l.Name, Was: *l, Gone: true, Acts: lines[k]})
		}
	}
	slices.SortStableFunc(r.Changes, func(a, b Change) int {
		return cmp.Compare(slices.Index(Parts, a.Part), slices.Index(Parts, b.Part))
	})
	for _, p := range now.Prices {
		i := slices.IndexFunc(old.Prices, func(o Price) bool { return o.Kind == p.Kind })
		if i >= 0 && MoneyOf(1000*old.Prices[i].PerKg) != MoneyOf(1000*p.PerKg) {
			r.Prices, r.Was = append(r.Prices, p), append(r.Was, old.Prices[i])
		}
	}
	return r
}

// same reports whether two lines say the same.
func (l *Line) same(o *Line) bool {
	near := func(a, b, by int64) bool { return a-b <= by && b-a <= by }
	for k := range l.Sugars {
		if !near(int64(l.Sugars[k]), int64(o.Sugars[k]), int64(sameSolids)) {
			return false
		}
	}
	return near(int64(l.Volume), int64(o.Volume), int64(sameVolume)) && near(int64(l.Unknown), int64(o.Unknown), int64(sameVolume)) &&
		near(int64(l.Cost), int64(o.Cost), int64(sameMoney)) && near(int64(l.Unpriced), int64(o.Unpriced), int64(sameSolids)) &&
		near(int64(l.Meant), int64(o.Meant), int64(sameVolume)) &&
		l.Visits == o.Visits && l.Fills == o.Fills && l.Colonies == o.Colonies
}

// lineKey names a line.
type lineKey struct {
	part Part
	key  string
}

// speaksOf lists the lines that an act speaks of by name. A proving or a Brix
// bears on many, and speaks of none.
func speaksOf(b act.Body) []lineKey {
	stored := func(g *act.Goods) []lineKey {
		if g == nil {
			return nil
		}
		return []lineKey{{InStore, g.Kind}}
	}
	tote := func(name string) []lineKey { return []lineKey{{InTotes, name}} }
	switch b := b.(type) {
	case act.Purchase:
		return append(stored(&b.Goods), lineKey{CameIn, "bought " + b.Goods.Kind})
	case act.Count:
		return append(stored(&b.Goods), lineKey{CameIn, "store " + b.Goods.Kind})
	case act.Mix:
		var out []lineKey
		for i := range b.Parts {
			out = append(out, stored(&b.Parts[i])...)
		}
		return append(out, tote(b.Tote)...)
	case act.Lost:
		if b.Goods == nil {
			return append(tote(b.Tote), lineKey{Lost, b.Why + " tote " + b.Tote})
		}
		return append(stored(b.Goods), lineKey{Lost, b.Why + " store " + b.Goods.Kind})
	case act.Fed:
		if b.Goods == nil {
			return append(tote(b.Tote), lineKey{ByHand, b.Yard + " syrup"})
		}
		return append(stored(b.Goods), lineKey{ByHand, b.Yard + " " + b.Goods.Kind})
	case act.Transfer:
		return append(tote(b.FromTote), tote(b.ToTote)...)
	case act.Water:
		return tote(b.Tote)
	case act.Contents:
		return tote(b.Tote)
	case act.Assign:
		return []lineKey{{ToYards, b.Yard}}
	case act.Deem:
		return []lineKey{{Elsewhere, b.As}}
	case act.Colonies:
		return []lineKey{{ToYards, b.Yard}}
	case act.Colony:
		return []lineKey{{ToYards, b.Yard}}
	case act.Yard:
		return []lineKey{{ToYards, b.ID}}
	}
	return nil
}
