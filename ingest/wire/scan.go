package wire

import (
	"encoding/json"
)

// MaxDepth is how deep a pack may nest. Its own array and records are two; the
// rest is room for fields of others.
const MaxDepth = 16

// scan walks over JSON that is known to be valid (json.Valid), so that it has
// to find only where things end. encoding/json itself would take "V" for "v",
// and a float64 for a time; see also the benchmark.
type scan struct {
	b []byte
	i int
}

// space steps over white space and returns the byte that follows.
func (s *scan) space() byte {
	for {
		switch c := s.b[s.i]; c {
		case ' ', '\t', '\n', '\r':
			s.i++
		default:
			return c
		}
	}
}

// text reads a string. It is a piece of the input where nothing is escaped.
func (s *scan) text() []byte {
	start := s.i
	escaped := false
	for s.i++; s.b[s.i] != '"'; s.i++ {
		if s.b[s.i] == '\\' {
			escaped = true
			s.i++
		}
	}
	s.i++
	if !escaped {
		return s.b[start+1 : s.i-1]
	}
	var t string
	if json.Unmarshal(s.b[start:s.i], &t) != nil {
		return nil // cannot be: it is valid
	}
	return []byte(t)
}

// skip steps over any value and returns its bytes and how deep it nests (0 for
// a number or string).
func (s *scan) skip() (raw []byte, deep int) {
	s.space()
	start, depth := s.i, 0
	for {
		switch c := s.b[s.i]; c {
		case '{', '[':
			depth++
			deep = max(deep, depth)
			s.i++
		case '}', ']':
			depth--
			s.i++
		case '"':
			for s.i++; s.b[s.i] != '"'; s.i++ {
				if s.b[s.i] == '\\' {
					s.i++
				}
			}
			s.i++
		case ' ', '\t', '\n', '\r', ',', ':':
			s.i++
			continue
		default: // number, true, false, null
			for s.i < len(s.b) && !ends(s.b[s.i]) {
				s.i++
			}
		}
		if depth == 0 {
			return s.b[start:s.i], deep
		}
	}
}

func ends(c byte) bool {
	switch c {
	case ',', ':', ']', '}', ' ', '\t', '\n', '\r':
		return true
	}
	return false
}

// label reads the next label of an object and stops before its value; false at
// the object's end. Call it first after the opening brace.
func (s *scan) label() ([]byte, bool) {
	c := s.space()
	if c == ',' {
		s.i++
		c = s.space()
	}
	if c == '}' {
		s.i++
		return nil, false
	}
	k := s.text()
	s.space() // the colon
	s.i++
	return k, true
}

// element stops before the next element of an array; false at its end. Call it
// first after the opening bracket.
func (s *scan) element() bool {
	c := s.space()
	if c == ',' {
		s.i++
		c = s.space()
	}
	if c == ']' {
		s.i++
		return false
	}
	return true
}

// isNumber reports whether valid JSON is a number.
func isNumber(raw []byte) bool {
	return raw[0] == '-' || '0' <= raw[0] && raw[0] <= '9'
}

// unquote returns what a JSON string says.
func unquote(raw []byte) []byte {
	s := scan{b: raw}
	return s.text()
}
