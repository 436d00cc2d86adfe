package settings

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

// Table is a table of a settings file that is to be written: the values of its
// keys as they stand in TOML, such as Quote("heron") or "115200".
type Table struct {
	Name   string // "" for the keys before the first table, else as in the file: "tote", "broker.users"
	Values []KeyValue
	Aside  bool // written as a comment: for what cannot be said whole yet
}

// KeyValue is a key and what stands behind its "=".
type KeyValue struct{ Key, Value string }

// Set puts a value in; "" takes it out.
func (t *Table) Set(key, value string) {
	for i := range t.Values {
		if t.Values[i].Key == key {
			t.Values = append(t.Values[:i:i], t.Values[i+1:]...)
			break
		}
	}
	if value != "" {
		t.Values = append(t.Values, KeyValue{key, value})
	}
}

// Quote writes text as a string of TOML (v1.0.0, "String", from memory: a basic
// string escapes quotes, backslashes and control characters).
func Quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range s {
		switch {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteRune(c)
		case unicode.IsControl(c):
			fmt.Fprintf(&b, "\\u%04X", c)
		default:
			b.WriteRune(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// part is a stretch of the example: a table's header and its keys, with the
// comments before it.
type part struct {
	name   string
	before []string // comments and empty lines that lead to the header
	header string
	keys   []keyLines
}

// keyLines are a key with its value, or a comment or an empty line (key "").
type keyLines struct {
	key   string
	lines []string
}

// Fill writes settings in the words of Example: the values of the tables in the
// places of the example's own, and all else of it as comments. Several tables
// of one name are a list, or those of "broker.users" the users of the broker.
// It fails on a table or key that the example has not.
func Fill(tables []Table) (string, error) {
	parts := partsOf(Example)
	have := map[string][]Table{}
	for _, t := range tables {
		have[t.Name] = append(have[t.Name], t)
	}
	var b strings.Builder
	done := map[string]bool{}
	for i := range parts {
		p := &parts[i]
		for _, l := range p.before {
			b.WriteString(l + "\n")
		}
		ts := have[p.name]
		if done[p.name] || len(ts) == 0 {
			p.write(&b, nil)
			continue
		}
		done[p.name] = true
		for k := range ts {
			if err := p.fits(&ts[k], parts); err != nil {
				return "", err
			}
			if k == 0 {
				p.write(&b, &ts[k])
			} else {
				p.brief(&b, &ts[k])
			}
		}
	}
	for _, t := range tables {
		if !done[t.Name] {
			return "", fmt.Errorf("table: must be one of the example, is %q", t.Name)
		}
	}
	return b.String(), nil
}

// fits reports a key that no table of the example of that name has.
func (p *part) fits(t *Table, parts []part) error {
	for _, v := range t.Values {
		found := false
		for i := range parts {
			if parts[i].name == p.name {
				for _, k := range parts[i].keys {
					found = found || k.key == v.Key
				}
			}
		}
		if !found {
			return fmt.Errorf("%s.%s: must be a key of the example", t.Name, v.Key)
		}
	}
	return nil
}

// write puts a part out, with the values of t; with nil all as comments.
func (p *part) write(b *strings.Builder, t *Table) {
	put := func(live bool, line string) {
		if !live && line != "" && !strings.HasPrefix(line, "#") {
			line = "# " + line
		}
		b.WriteString(line + "\n")
	}
	values := map[string]string{}
	live := false
	if t != nil {
		live = !t.Aside
		for _, v := range t.Values {
			values[v.Key] = v.Value
		}
	}
	if p.header != "" {
		put(live, p.header)
	}
	for _, k := range p.keys {
		value, given := values[k.key]
		if k.key == "" || !given {
			for _, l := range k.lines {
				put(false, l)
			}
			continue
		}
		put(live, filled(k, value))
		delete(values, k.key)
	}
	p.rest(b, t, values)
}

// rest puts out the values for which this part of the example has no line, for
// only another of its name has.
func (p *part) rest(b *strings.Builder, t *Table, values map[string]string) {
	if t == nil {
		return
	}
	for _, v := range t.Values {
		if _, left := values[v.Key]; left {
			line := v.Key + " = " + v.Value
			if t.Aside {
				line = "# " + line
			}
			b.WriteString(line + "\n")
		}
	}
}

// brief puts out one more of a list, without the comments that the first has.
func (p *part) brief(b *strings.Builder, t *Table) {
	mark := ""
	if t.Aside {
		mark = "# "
	}
	fmt.Fprintf(b, "\n%s%s\n", mark, strings.TrimSpace(beforeComment(p.header)))
	for _, v := range t.Values {
		fmt.Fprintf(b, "%s%s = %s\n", mark, v.Key, v.Value)
	}
}

// filled is a key's line with another value; the comment stays in its column
// where it can.
func filled(k keyLines, value string) string {
	first := k.lines[0]
	code := beforeComment(first)
	comment := first[len(code):]
	line := k.key + " = " + value
	if comment == "" {
		return line
	}
	return line + strings.Repeat(" ", max(1, len(code)-len(line))) + comment
}

// beforeComment is a line up to its comment, if it has one.
func beforeComment(line string) string {
	quoted := false
	for i := 0; i < len(line); i++ {
		switch {
		case quoted && line[i] == '\\':
			i++
		case line[i] == '"':
			quoted = !quoted
		case line[i] == '#' && !quoted:
			return line[:i]
		}
	}
	return line
}

// partsOf takes the example apart.
func partsOf(text string) []part {
	parts := []part{{}}
	lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
	for i := 0; i < len(lines); i++ {
		line := lines[i]
		p := &parts[len(parts)-1]
		code := strings.TrimSpace(beforeComment(line))
		switch {
		case strings.HasPrefix(code, "["):
			next := part{name: strings.Trim(code, "[]"), header: line}
			// The comments just before a header are the header's.
			for n := len(p.keys); n > 0 && p.keys[n-1].key == ""; n = len(p.keys) {
				next.before = append(p.keys[n-1].lines, next.before...)
				p.keys = p.keys[:n-1]
			}
			parts = append(parts, next)
		case code == "":
			p.keys = append(p.keys, keyLines{lines: []string{line}})
		default:
			key, _, _ := strings.Cut(code, "=")
			k := keyLines{key: strings.TrimSpace(key), lines: []string{line}}
			for open := brackets(code); open > 0 && i+1 < len(lines); {
				i++
				k.lines = append(k.lines, lines[i])
				open += brackets(beforeComment(lines[i]))
			}
			p.keys = append(p.keys, k)
		}
	}
	return parts
}

// brackets is how many are opened and not closed; the example has none in texts
// that are more than a line long.
func brackets(code string) int {
	n, quoted := 0, false
	for i := range len(code) {
		switch c := code[i]; {
		case c == '"':
			quoted = !quoted
		case !quoted && c == '[':
			n++
		case !quoted && c == ']':
			n--
		}
	}
	return n
}

// Live is what of a settings file is no comment, line by line, with secrets
// hidden: for showing it.
func Live(text string) (out []string) {
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\r\n")
		code := strings.TrimRightFunc(beforeComment(line), unicode.IsSpace)
		if strings.TrimSpace(code) == "" {
			continue
		}
		if key, _, ok := strings.Cut(code, "="); ok && secret(strings.TrimSpace(key)) {
			code = strings.TrimSpace(key) + " = " + strconv.Quote("(hidden)")
		}
		out = append(out, code)
	}
	return out
}
