package serialport

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
)

// lines feeds the pieces and returns the lines and the lengths of those too long.
func lines(t *testing.T, pieces ...string) (got []string, long []int) {
	t.Helper()
	var s splitter
	for _, p := range pieces {
		err := s.feed([]byte(p),
			func(l []byte) error { got = append(got, string(l)); return nil },
			func(n int) { long = append(long, n) })
		if err != nil {
			t.Fatal(err)
		}
	}
	return got, long
}

func TestSplitter(t *testing.T) {
	full := strings.Repeat("x", MaxLine)
	for _, c := range []struct {
		name   string
		pieces []string
		want   []string
		long   []int
	}{
		{"two lines at once", []string{"ab\r\ncd\r\n"}, []string{"ab", "cd"}, nil},
		{"a line in pieces", []string{"a", "", "b\r", "\n"}, []string{"ab"}, nil},
		{"LF alone", []string{"ab\ncd\n"}, []string{"ab", "cd"}, nil},
		{"empty lines", []string{"\r\n\n\r\nab\r\n"}, []string{"ab"}, nil},
		{"no end yet", []string{"ab"}, nil, nil},
		{"as long as may be", []string{full + "\r\n"}, []string{full}, nil},
		{"one too long", []string{full + "xy\r\nab\r\n"}, []string{"ab"}, []int{MaxLine + 3}},
		{"without end, in pieces", []string{full, full, full, "\nab\n"}, []string{"ab"}, []int{3 * MaxLine}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, long := lines(t, c.pieces...)
			if !slices.Equal(got, c.want) || !slices.Equal(long, c.long) {
				t.Errorf("got %d lines %.80q, long %v", len(got), got, long)
			}
		})
	}
}

// However the bytes are cut, the lines are the same, and the buffer is bounded.
func TestSplitterCutsDoNotMatter(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	var text []byte
	for range 200 {
		n := rnd.IntN(100)
		if rnd.IntN(20) == 0 {
			n = MaxLine - 3 + rnd.IntN(6)
		}
		text = append(text, bytes.Repeat([]byte{'a' + byte(rnd.IntN(26))}, n)...)
		text = append(text, "\r\n"...)
	}
	want, wantLong := lines(t, string(text))
	var pieces []string
	for rest := text; len(rest) > 0; {
		n := min(len(rest), rnd.IntN(50))
		pieces, rest = append(pieces, string(rest[:n])), rest[n:]
	}
	got, long := lines(t, pieces...)
	if !slices.Equal(got, want) || !slices.Equal(long, wantLong) {
		t.Errorf("%d lines and %v, want %d and %v", len(got), long, len(want), wantLong)
	}
	var s splitter
	for range 1000 {
		s.feed(bytes.Repeat([]byte{'x'}, 4096), nil, nil)
	}
	if cap(s.buf) > 4*MaxLine {
		t.Errorf("a line without end holds %d bytes", cap(s.buf))
	}
}

func TestSplitterStopsOnError(t *testing.T) {
	var s splitter
	stop := errors.New("stop")
	n := 0
	err := s.feed([]byte("a\nb\n"), func([]byte) error { n++; return stop }, nil)
	if err != stop || n != 1 {
		t.Errorf("got %v after %d lines", err, n)
	}
}

// A gigabyte without an end of line (64 MB in the quick form) holds no more than one line, is said once,
// and the line after it is read.
func TestAGigabyteWithoutEnd(t *testing.T) {
	var s splitter
	var got []string
	var long []int
	feed := func(p []byte) {
		t.Helper()
		err := s.feed(p, func(l []byte) error { got = append(got, string(l)); return nil }, func(n int) { long = append(long, n) })
		if err != nil {
			t.Fatal(err)
		}
	}
	megabytes := 64
	if os.Getenv("YARDTALLY_FULL") != "" {
		megabytes = 1024
	}
	block := bytes.Repeat([]byte{'x'}, 1<<20)
	for range megabytes {
		feed(block)
		if cap(s.buf) > 4*MaxLine {
			t.Fatalf("it holds %d bytes", cap(s.buf))
		}
	}
	feed([]byte("\r\nab\r\n"))
	if !slices.Equal(got, []string{"ab"}) || !slices.Equal(long, []int{megabytes<<20 + 1}) {
		t.Errorf("got %q, long %v", got, long)
	}
}
