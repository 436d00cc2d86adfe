package wire

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"unicode/utf8"
)

// Result is one thing that a rig's account came to, as brokers keep it for
// whoever asks: a number with its unit, or a text.
type Result struct {
	Name  string // within the rig: "fill/volume", "yards/larch/solids"
	At    int64  // of what instant, Unix ns; 0: not said
	Unit  string // as RFC 8428 names it; "": it is a text
	Value float64
	Text  string
}

// resultUnits are the units that results come in, each with the unit of its kind
// that is written and how many of it make one of that. All are registered (RFC 8428 section
// 12.1, read); the registry says of g and l that kg and m3 are to be used
// instead, so those are read and never written.
var resultUnits = map[string]struct {
	unit string
	per  float64
}{
	"m3": {"m3", 1}, "l": {"m3", 1000},
	"kg": {"kg", 1}, "g": {"kg", 1000},
	"count": {"count", 1}, "Cel": {"Cel", 1}, "s": {"s", 1}, "/": {"/", 1},
}

// ParseResults reads one SenML pack of a rig's results, in the order of its
// records; with rig "" the rig is that of the first good name. The rules are
// ParsePack's, but for these: a name is the rig's and any parts after it; a
// record has one number in a unit of results, or one text; a number in l or g
// becomes one in m3 or kg; a record without absolute time has none.
func ParseResults(data []byte, rig string) ([]Result, []Drop) {
	var out []Result
	p := pack{rig: []byte(rig), told: &out}
	p.parse(data)
	return out, p.drops
}

// result turns a well-formed record into a result.
func (p *pack) result(r *rec) {
	var tmp [maxName]byte
	name, rest, ok := p.name(r, tmp[:0], true)
	if !ok {
		return
	}
	if len(rest) == 0 {
		p.drop(BadName, "name: must have a part after the rig, is %s", show(name))
		return
	}
	x := Result{Name: string(rest)}
	const values = 1<<fV | 1<<fVS | 1<<fVB | 1<<fVD
	switch r.has & values {
	case 1 << fV:
		unit := p.baseUnit
		if r.has.has(fU) {
			unit = r.unit
		}
		u, known := resultUnits[string(unit)]
		if !known {
			p.drop(WrongUnit, "%s: unit must be m3, kg, count, Cel, s, /, or l or g, is %s", rest, show(unit))
			return
		}
		x.Unit, x.Value = u.unit, r.value
		if p.hasBaseValue {
			x.Value += p.baseValue
		}
		if x.Value /= u.per; math.IsInf(x.Value, 0) {
			p.drop(Impossible, "%s: must be a number that a float64 can hold, is %v", rest, x.Value)
			return
		}
	case 1 << fVS:
		x.Text = string(unquote(r.text))
	default:
		p.drop(NotANumber, "%s: must have one value, v or vs, has none, another kind or several", rest)
		return
	}
	at := p.baseTime + r.time
	if (at > p.baseTime) != (r.time > 0) || at == math.MinInt64 {
		p.drop(BadTime, "%s: bt and t together must be within 292 years of 1970", rest)
		return
	}
	if at >= absolute {
		x.At = at
	}
	*p.told = append(*p.told, x)
}

// AppendResults appends results of a rig as one SenML pack, without a line end.
// of is the part of their names that is common to all, like "fill": it becomes
// the base name, and the names here stand without it. The time is at, Unix ns,
// for all of them. ParseResults gives the same back.
//
//	[{"bn":"heron/fill/","bt":1790000000.2,"n":"volume","u":"m3","v":0.00412},{"n":"yard","vs":"larch"}]
//
// It fails, appending nothing, on a name that is none, a unit that is not of
// results or is not to be written, a number that is not finite, a text that is
// not UTF-8, a time before 2^28 s, and a pack over MaxPack or MaxRecords.
func AppendResults(dst []byte, rig, of string, at int64, rs []Result) ([]byte, error) {
	if err := CheckRig(rig); err != nil {
		return dst, err
	}
	switch {
	case len(rs) == 0 || len(rs) > MaxRecords:
		return dst, fmt.Errorf("pack: must be 1 to %d records, is %d", MaxRecords, len(rs))
	case at < absolute:
		return dst, fmt.Errorf("time: must be 2^28 s or later, is %d ns", at)
	}
	base := rig + "/" + of + "/"
	out := append(dst, '[')
	for i := range rs {
		r := &rs[i]
		if err := r.check(base); err != nil {
			return dst, fmt.Errorf("result %q: %w", r.Name, err)
		}
		out = append(out, '{')
		if i == 0 {
			out = append(append(append(out, `"bn":"`...), base...), `","bt":`...)
			out = append(appendSeconds(out, at), ',')
		}
		out = append(append(append(out, `"n":"`...), r.Name...), '"')
		if r.Unit == "" {
			text, err := json.Marshal(r.Text)
			if err != nil {
				return dst, err
			}
			out = append(append(out, `,"vs":`...), text...)
		} else {
			out = append(append(append(out, `,"u":"`...), r.Unit...), `","v":`...)
			form := byte('f')
			if a := math.Abs(r.Value); a != 0 && a < 1e-12 || a >= 1e21 {
				form = 'e'
			}
			out = strconv.AppendFloat(out, r.Value, form, -1, 64)
		}
		out = append(out, '}', ',')
	}
	out[len(out)-1] = ']'
	if n := len(out) - len(dst); n > MaxPack {
		return dst, fmt.Errorf("pack: must be at most %d bytes, is %d", MaxPack, n)
	}
	return out, nil
}

func (r *Result) check(base string) error {
	name := base + r.Name
	if len(r.Name) == 0 || len(name) > maxName {
		return fmt.Errorf("name: must be at most %d bytes with %q before it, and not empty, is %d", maxName, base, len(name))
	}
	for i := range len(name) {
		if !nameByte(name[i]) {
			return fmt.Errorf("name: must be letters, digits and - : . / _, is %s", show([]byte(name)))
		}
	}
	switch u, known := resultUnits[r.Unit]; {
	case r.Unit == "" && !utf8.ValidString(r.Text):
		return fmt.Errorf("text: must be UTF-8, is %q", r.Text)
	case r.Unit == "" && r.Value != 0 || r.Unit != "" && r.Text != "":
		return fmt.Errorf("value: must be a number with its unit or a text, is %v %q and %q", r.Value, r.Unit, r.Text)
	case r.Unit != "" && (!known || u.unit != r.Unit):
		return fmt.Errorf("unit: must be m3, kg, count, Cel, s or /, is %q", r.Unit)
	case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
		return fmt.Errorf("value: must be finite, is %v", r.Value)
	}
	return nil
}
