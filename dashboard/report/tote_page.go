package report

import (
	"io"
	"math"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	"yardtally/meter/ledger"
	ltote "yardtally/meter/tote"
)

// LevelRow is what the tote held at an instant, by its level sensor.
type LevelRow struct {
	At       instant `json:"at"`
	Tote     string  `json:"tote"`
	VolumeL  number  `json:"volume_l"`
	WithinL  number  `json:"within_l"` // half the 95 % interval of volume_l
	AtRest   bool    `json:"at_rest"`
	MeteredL number  `json:"metered_l"` // since the first reading
}

// PointWithin returns half the 95 % interval of a level, the strapping's share in it.
func PointWithin(v *ledger.View, p *ltote.Point) quantity.Volume {
	u, share := p.U.CubicMetres(), v.Terms.ShareU*p.Volume.CubicMetres()
	return quantity.VolumeOf(tote.Wide * math.Hypot(u, share))
}

// levelDoc is Levels as JSON.
type levelDoc struct {
	Report        string     `json:"report"` // "levels"
	Rig           string     `json:"rig"`
	LegalForTrade bool       `json:"legal_for_trade"`
	Levels        []LevelRow `json:"levels"`
}

// Levels writes the levels of the newest outing as CSV or JSON. The error is the
// writer's.
func Levels(w io.Writer, v *ledger.View, o Options) error {
	rows := []LevelRow{}
	for i := range v.Points {
		p := &v.Points[i]
		rows = append(rows, LevelRow{instant(p.At), p.Tote, litres(p.Volume), withinL(PointWithin(v, p)), p.Rest, litres(p.Metered)})
	}
	if o.Format == CSV {
		return writeCSV(w, rows)
	}
	return writeJSON(w, levelDoc{Report: "levels", Rig: v.Rig, Levels: rows})
}

// StrapRow is a line of a strapping table, as it is given and as it was learnt
// from the meter.
type StrapRow struct {
	LevelM       number `json:"level_m"`
	GivenL       number `json:"given_l"`
	GivenWithin  number `json:"given_within_l"` // half its 95 % interval
	LearntL      number `json:"learnt_l"`       // null where it was not learnt
	LearntWithin number `json:"learnt_within_l"`
}

// Straps is a tote's strapping table beside the one that was learnt of it.
type Straps struct {
	Given  tote.Table
	Has    bool // Given is known
	Learnt *tote.Learnt
	// Shift is what the learnt volumes are moved by to begin where the given
	// ones do: what lies below the lowest level that was seen, no meter tells.
	Shift quantity.Volume
}

// NewStraps puts both side by side; l may be nil.
func NewStraps(given *tote.Table, l *tote.Learnt) *Straps {
	s := &Straps{Learnt: l}
	if given != nil {
		s.Given, s.Has = *given, true
	}
	if s.Has && l != nil {
		if lines := l.Table.Straps(); len(lines) > 0 {
			if v, mark := s.Given.Volume(lines[0].Level); mark == tote.Within {
				s.Shift = v - lines[0].Volume
			}
		}
	}
	return s
}

// Level is what both tables say of a level.
type Level struct {
	At                         quantity.Length
	Given, GivenWithin         quantity.Volume
	Learnt, LearntWithin       quantity.Volume
	HasGiven, HasLearnt, Apart bool // Apart: they differ by more than both say
}

// every is how far lines of a page's strapping are apart.
const every = 50 * quantity.Millimetre

// Levels are the levels that a page shows, from the floor up.
func (s *Straps) Levels() (out []Level) {
	top := quantity.Length(0)
	if s.Has {
		if lines := s.Given.Straps(); len(lines) > 0 {
			top = lines[len(lines)-1].Level
		}
	}
	if s.Learnt != nil {
		if lines := s.Learnt.Table.Straps(); len(lines) > 0 {
			top = max(top, lines[len(lines)-1].Level)
		}
	}
	for k := 0; k <= 100 && quantity.Length(k)*every <= top+every/2; k++ {
		x := Level{At: min(quantity.Length(k)*every, top)}
		within := func(t *tote.Table) (quantity.Volume, quantity.Volume, bool) {
			p := t.At(x.At)
			return p.Volume, quantity.VolumeOf(tote.Wide * p.U), p.Mark == tote.Within || p.Mark == tote.Gap
		}
		if s.Has {
			x.Given, x.GivenWithin, x.HasGiven = within(&s.Given)
		}
		if s.Learnt != nil {
			x.Learnt, x.LearntWithin, x.HasLearnt = within(&s.Learnt.Table)
			x.Learnt += s.Shift
		}
		d := x.Learnt - x.Given
		x.Apart = x.HasGiven && x.HasLearnt && max(d, -d) > x.GivenWithin+x.LearntWithin
		if x.HasGiven || x.HasLearnt {
			out = append(out, x)
		}
	}
	return out
}

// strapsDoc is a strapping as JSON.
type strapsDoc struct {
	Report        string     `json:"report"` // "strapping"
	Rig           string     `json:"rig"`
	LegalForTrade bool       `json:"legal_for_trade"`
	Straps        []StrapRow `json:"straps"`
}

// Write writes the strapping as CSV or JSON. The error is the writer's.
func (s *Straps) Write(w io.Writer, rig string, o Options) error {
	rows := []StrapRow{}
	for _, x := range s.Levels() {
		r := StrapRow{LevelM: rounded(float64(x.At), 4)}
		if x.HasGiven {
			r.GivenL, r.GivenWithin = litres(x.Given), withinL(x.GivenWithin)
		}
		if x.HasLearnt {
			r.LearntL, r.LearntWithin = litres(x.Learnt), withinL(x.LearntWithin)
		}
		rows = append(rows, r)
	}
	if o.Format == CSV {
		return writeCSV(w, rows)
	}
	return writeJSON(w, strapsDoc{Report: "strapping", Rig: rig, Straps: rows})
}

// Table is the strapping for a page.
func (s *Straps) Table(u quantity.System) *Figures {
	_, lu := u.LengthParts(0)
	vol, _, _ := units(u)
	g := grid{head: []string{">level, " + lu, "?>given, " + vol, "?>±", "?>learnt, " + vol, "?>±", "?remark"}}
	for _, x := range s.Levels() {
		level, _ := u.LengthParts(x.At)
		cells := []string{level, "", "", "", "", ""}
		if x.HasGiven {
			c, _ := Closing(u, 10, []quantity.Volume{x.Given})
			cells[1], cells[2] = Fixed(c[0], 10), Within(u, x.GivenWithin)
		}
		if x.HasLearnt {
			c, _ := Closing(u, 10, []quantity.Volume{x.Learnt})
			cells[3], cells[4] = Fixed(c[0], 10), Within(u, x.LearntWithin)
		}
		if x.Apart {
			cells[5] = "apart"
		}
		g.add(cells...)
	}
	return g.table()
}

// Says is what should be known of what was learnt; nil: nothing was.
func (s *Straps) Says(u quantity.System) (out []string) {
	if s.Has {
		out = append(out, "Given, "+lower(s.Given.Source().Words()))
	}
	l := s.Learnt
	if l == nil {
		return out
	}
	_, worth, _ := strings.Cut(l.Table.Source().Words(), ": ")
	out = append(out, "Learnt from the meter, by "+plural(l.Used, "level")+" in "+plural(l.Runs, "run")+": "+worth)
	return append(out, learntNotes(l, u)...)
}
