package settings

import (
	"errors"
	"fmt"
	"reflect"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Error is what is wrong with one field of a settings file.
type Error struct {
	Path  string
	Line  int    // 0: not known
	Field string // as in the file, e.g. "yards[2].enter"; "": the line as such
	Rule  string
	Value string // as it stands in the file; "" where it is not there, or secret
}

func (e *Error) Error() string {
	s := e.Path + ": "
	if e.Line > 0 {
		s = fmt.Sprintf("%s:%d: ", e.Path, e.Line)
	}
	if e.Field != "" {
		s += e.Field + ": "
	}
	s += e.Rule
	if e.Value != "" {
		s += ", is " + e.Value
	}
	return s
}

// layout is where each field stands in the file, found by a walk over its
// syntax; it also tells fields that are not known, and values of a wrong kind.
type layout struct {
	path   string
	parser unstable.Parser
	line   map[string]int    // by field
	raw    map[string]string // single values as they stand in the file, by field
	length map[string]int    // how many elements a list of tables has
	wrong  []error
	kinds  bool // whether a value is of a wrong kind, so that decoding tells nothing of use
}

// survey walks over a file. Where its syntax is broken it says so only.
func survey(path string, data []byte) (*layout, error) {
	l := &layout{path: path, line: make(map[string]int), raw: make(map[string]string), length: make(map[string]int)}
	l.parser.Reset(data)
	top := place{t: reflect.TypeFor[file]()}
	at := top
	for l.parser.NextExpression() {
		switch n := l.parser.Expression(); n.Kind {
		case unstable.Table:
			at = l.table(top, n, false)
		case unstable.ArrayTable:
			at = l.table(top, n, true)
		case unstable.KeyValue:
			l.keyValue(at, n)
		}
	}
	if l.parser.Error() != nil {
		// Decoding fails at the same spot, and says where that is.
		return nil, decodeError(path, toml.Unmarshal(data, new(file)))
	}
	return l, nil
}

// place is a table or value of the file: its field and what it is to become.
// t is nil where no setting of ours can stand.
type place struct {
	field string
	t     reflect.Type
}

func (p place) under(key string) string {
	if p.field == "" {
		return key
	}
	return p.field + "." + key
}

func (l *layout) bad(line int, field, rule, value string) {
	l.wrong = append(l.wrong, &Error{Path: l.path, Line: line, Field: field, Rule: rule, Value: value})
}

// badKind is bad for a value that is not of the field's kind.
func (l *layout) badKind(line int, field, rule, value string) {
	l.kinds = true
	l.bad(line, field, rule, value)
}

func (l *layout) lineOf(n *unstable.Node) int { return l.parser.Shape(n.Raw).Start.Line }

// table follows the key of [a.b] or, as one of a list, [[a.b]].
func (l *layout) table(at place, n *unstable.Node, list bool) place {
	keys := n.Key()
	for keys.Next() {
		k := keys.Node()
		if at = l.child(at, k); at.t == nil {
			return at
		}
		last := keys.IsLast()
		if at.t.Kind() == reflect.Slice {
			switch {
			case last && list:
				l.length[at.field]++
			case last:
				l.badKind(l.lineOf(k), at.field, fmt.Sprintf("must be written [[%s]], as there may be several", name(n)), fmt.Sprintf("[%s]", name(n)))
				return place{}
			case l.length[at.field] == 0:
				return place{} // decoding says what is wrong
			}
			at = place{fmt.Sprintf("%s[%d]", at.field, l.length[at.field]-1), plain(at.t.Elem())}
			if _, seen := l.line[at.field]; !seen { // [[a.b]] is in what [[a]] began
				l.line[at.field] = l.lineOf(k)
			}
		} else if last && list {
			l.badKind(l.lineOf(k), at.field, fmt.Sprintf("must be written [%s], as there is only one", name(n)), fmt.Sprintf("[[%s]]", name(n)))
			return place{}
		}
		if at.t.Kind() != reflect.Struct {
			l.badKind(l.lineOf(k), at.field, mustBe(at.t), fmt.Sprintf("the table [%s]", name(n)))
			return place{}
		}
	}
	return at
}

func name(n *unstable.Node) string {
	var parts []string
	for keys := n.Key(); keys.Next(); {
		parts = append(parts, string(keys.Node().Data))
	}
	return strings.Join(parts, ".")
}

// child is the field that a key names in a table.
func (l *layout) child(at place, k *unstable.Node) place {
	if at.t == nil {
		return at
	}
	key := string(k.Data)
	field := at.under(key)
	var known []string
	for i := range at.t.NumField() {
		f := at.t.Field(i)
		tag := f.Tag.Get("toml")
		if tag == key {
			if _, seen := l.line[field]; !seen {
				l.line[field] = l.lineOf(k)
			}
			return place{field, plain(f.Type)}
		}
		known = append(known, tag)
	}
	l.bad(l.lineOf(k), field, "is not a setting; here may stand "+strings.Join(known, ", "), "")
	return place{field: field}
}

func (l *layout) keyValue(at place, n *unstable.Node) {
	keys := n.Key()
	line := 0
	for keys.Next() {
		k := keys.Node()
		line = l.lineOf(k)
		if at.t != nil && at.t.Kind() != reflect.Struct {
			l.badKind(line, at.field, mustBe(at.t), "a table")
			return
		}
		if at = l.child(at, k); at.t == nil {
			return
		}
	}
	l.value(at, n.Value(), line)
}

func (l *layout) value(at place, n *unstable.Node, line int) {
	good := false
	switch n.Kind {
	case unstable.String:
		l.raw[at.field] = fmt.Sprintf("%q", n.Data)
		good = at.t.Kind() == reflect.String
	case unstable.Integer:
		l.raw[at.field] = string(n.Data)
		good = at.t.Kind() == reflect.Int || at.t.Kind() == reflect.Float64
	case unstable.Float:
		l.raw[at.field] = string(n.Data)
		good = at.t.Kind() == reflect.Float64
	case unstable.Bool:
		l.raw[at.field] = string(n.Data)
		good = at.t.Kind() == reflect.Bool
	case unstable.InlineTable:
		if good = at.t.Kind() == reflect.Struct; good {
			for it := n.Children(); it.Next(); {
				if c := it.Node(); c.Kind == unstable.KeyValue {
					l.keyValue(at, c)
				}
			}
		}
	case unstable.Array:
		if good = at.t.Kind() == reflect.Slice; good {
			i := 0
			for it := n.Children(); it.Next(); {
				c := it.Node()
				if c.Kind == unstable.Comment {
					continue
				}
				e := place{fmt.Sprintf("%s[%d]", at.field, i), plain(at.t.Elem())}
				// A list has no place of its own: it stands where its first value does.
				for first := c; first != nil && first.Valid(); first = first.Child() {
					if first.Raw.Length > 0 {
						line = l.lineOf(first)
						break
					}
				}
				l.line[e.field] = line
				l.value(e, c, line)
				i++
			}
		}
	default:
		l.raw[at.field] = string(n.Data) // dates and times
	}
	if !good {
		value := l.raw[at.field]
		if secret(at.field) {
			value = ""
		}
		l.badKind(line, at.field, mustBe(at.t), value)
	}
}

// secret reports whether a field's value must not be shown.
func secret(field string) bool {
	key := field[strings.LastIndexByte(field, '.')+1:]
	return key == "password" || key == "token"
}

func plain(t reflect.Type) reflect.Type {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	return t
}

func mustBe(t reflect.Type) string {
	switch {
	case t == reflect.TypeFor[measure]():
		return `must be text in quotes, a number and its unit`
	case t.Kind() == reflect.String:
		return "must be text in quotes"
	case t.Kind() == reflect.Int:
		return "must be a whole number"
	case t.Kind() == reflect.Float64:
		return "must be a number"
	case t.Kind() == reflect.Bool:
		return "must be true or false"
	case t.Kind() == reflect.Slice:
		return "must be a list in [ ]"
	}
	return "must be a table"
}

// near returns the line of a field or, where it is not in the file, of the
// nearest table around it; 0 is none.
func (l *layout) near(field string) int {
	for field != "" {
		if n, ok := l.line[field]; ok {
			return n
		}
		field = field[:max(strings.LastIndexAny(field, ".["), 0)]
	}
	return 0
}

// text is a value as it stands in the file; "" where it is not there.
func (l *layout) text(field string) string {
	if raw, ok := l.raw[field]; ok {
		return raw
	}
	var parts []string
	for i := 0; ; i++ {
		raw, ok := l.raw[fmt.Sprintf("%s[%d]", field, i)]
		if !ok {
			break
		}
		parts = append(parts, raw)
	}
	if parts == nil {
		return ""
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

func decodeError(path string, err error) error {
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return fmt.Errorf("%s: %w", path, err)
	}
	row, _ := de.Position()
	rule := strings.TrimPrefix(de.Error(), "toml: ")
	if len(de.Key()) == 0 {
		rule = "is not TOML: " + rule
	}
	return &Error{Path: path, Line: row, Field: strings.Join(de.Key(), "."), Rule: rule}
}
