package report

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/books"
	"yardtally/meter/ledger"
)

// readPDF is what Poppler, which shares nothing with what wrote it, reads from a
// PDF: its text, number of sheets and their size.
func readPDF(t *testing.T, data []byte) (text string, sheets int, size string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sheet.pdf")
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	run := func(name string, args ...string) string {
		bin, err := exec.LookPath(name)
		if err != nil {
			if os.Getenv("YARDTALLY_CI") != "" {
				t.Fatalf("%s is not installed, and must be here", name)
			}
			t.Skipf("%s (Debian: poppler-utils) is not installed: PDFs are not read back", name)
		}
		out, err := exec.Command(bin, args...).Output()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return string(out)
	}
	info := run("pdfinfo", path)
	find := func(pattern string) string {
		m := regexp.MustCompile(pattern).FindStringSubmatch(info)
		if m == nil {
			t.Fatalf("pdfinfo says:\n%s", info)
		}
		return m[1]
	}
	sheets, err := strconv.Atoi(find(`Pages: +(\d+)`))
	if err != nil {
		t.Fatal(err)
	}
	return run("pdftotext", "-layout", path, "-"), sheets, find(`Page size: .*\((.+)\)`)
}

// words is a text with one space between words.
func words(s string) string { return strings.Join(strings.Fields(s), " ") }

func pdfOf(t *testing.T, s *Sheet, u quantity.System) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := s.writePDF(&b, u, time.Date(2026, 11, 4, 0, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// What stands in a sheet stands on the paper, row by row, and all that repeats
// is on every sheet of it.
func onPaper(t *testing.T, s *Sheet, u quantity.System, most int) {
	t.Helper()
	data := pdfOf(t, s, u)
	if !bytes.Equal(data, pdfOf(t, s, u)) {
		t.Error("the same sheet made two different files")
	}
	text, sheets, size := readPDF(t, data)
	if want := map[quantity.System]string{quantity.US: "letter", quantity.SI: "A4"}[u]; size != want {
		t.Errorf("paper is %s, want %s", size, want)
	}
	if sheets > most {
		t.Errorf("%d sheets, want %d at most", sheets, most)
	}
	has := map[string]bool{}
	for _, line := range strings.Split(text, "\n") {
		has[words(line)] = true
	}
	for _, table := range s.Tables {
		for _, r := range table.Rows {
			if row := words(strings.Join(r.Cells, " ")); !has[row] {
				t.Errorf("not on the paper: %q", row)
			}
		}
	}
	flat := words(text)
	for _, n := range slices.Concat([]string{s.Title}, s.Under, s.Lead, s.Notes) {
		if !strings.Contains(flat, words(n)) && sheets == 1 {
			t.Errorf("not on the paper: %q", n)
		}
	}
	pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
	for i, page := range pages {
		flat := words(page)
		if !strings.Contains(flat, LegalNote+" "+RecordNote) || !strings.Contains(flat, s.Title) {
			t.Errorf("sheet %d: without the title or the notes that belong on each", i+1)
		}
		if no := fmt.Sprintf("sheet %d of %d", i+1, sheets); sheets > 1 && !strings.Contains(flat, no) {
			t.Errorf("sheet %d does not say %q", i+1, no)
		}
	}
}

func TestStatementOnPaper(t *testing.T) {
	for _, u := range []quantity.System{quantity.US, quantity.SI} {
		o := Options{Units: u, Currency: "$"}
		s := fall()
		onPaper(t, StatementSheet(s.season(o).Statement(s.v, balanced()), o, true), u, 1)
		onPaper(t, BalanceSheet(balanced(), o), u, 1)
		for yards, most := range map[int]int{25: 1, 60: 2, 200: 4} {
			s := many(yards)
			onPaper(t, StatementSheet(s.season(o).Statement(s.v, nil), o, true), u, most)
		}
	}
	r, now := restated(t)
	onPaper(t, RestatedSheet(r, now, usd()), quantity.US, 1)
}

// What Write functions make is what the sheets are.
func TestPDFFormat(t *testing.T) {
	s := fall()
	season := s.season(usd())
	st := season.Statement(s.v, nil)
	r, now := restated(t)
	o := withFormat(usd(), PDF)
	for i, write := range []func(b *bytes.Buffer) error{
		func(b *bytes.Buffer) error { return Statement(b, st, o) },
		func(b *bytes.Buffer) error { return Balance(b, balanced(), o) },
		func(b *bytes.Buffer) error { return Restated(b, r, now, o) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		if text, sheets, _ := readPDF(t, b.Bytes()); sheets != 1 || !strings.Contains(words(text), LegalNote) {
			t.Errorf("%d: %d sheets:\n%s", i, sheets, text)
		}
	}
}

// Names may be in any script, long, or broken: the file is whole, and names that
// European letters can write are readable.
func TestNamesOnPaper(t *testing.T) {
	yards := []ledger.YardInfo{{ID: "a", Name: "Łąka, Žďár & Œuvre", Colonies: 2, Fill: quantity.Litre}, {ID: "b", Name: "Παλιό, Стрелка", Colonies: 2, Fill: quantity.Litre},
		{ID: "c", Name: "蜂場 🐝 \x00\xff\nx", Colonies: 1, Fill: quantity.Litre}, {ID: "d", Name: strings.Repeat("very long ", 12) + "name", Colonies: 1, Fill: quantity.Litre}}
	s := madeUpSeason(yards)
	s.say(act.Purchase{Goods: bagsOf(4), Price: 92})
	s.say(act.Mix{Tote: "blue", Parts: []act.Goods{bagsOf(4)}, WaterKg: 50})
	for _, y := range yards {
		s.visit(y)
	}
	o := Options{Units: quantity.SI, Currency: "EUR"}
	sheet := StatementSheet(s.season(o).Statement(s.v, nil), o, true)
	text, sheets, _ := readPDF(t, pdfOf(t, sheet, quantity.SI))
	for _, name := range []string{yards[0].Name, yards[1].Name} {
		if !strings.Contains(text, name) {
			t.Errorf("%q is not on the paper:\n%s", name, text)
		}
	}
	if sheets != 1 {
		t.Errorf("%d sheets", sheets)
	}
}

// tenths reads a printed amount; blank is nothing.
func tenths(t *testing.T, cell string) int64 {
	t.Helper()
	cell = strings.NewReplacer(",", "", ".", "", "*", "", "–", "0").Replace(cell)
	if cell == "" {
		return 0
	}
	n, err := strconv.ParseInt(cell, 10, 64)
	if err != nil {
		t.Fatalf("cell %q: %v", cell, err)
	}
	return n
}

// invent makes a statement of any amounts, that closes to the microgram.
func invent(r *rand.Rand) *books.Statement {
	st := &books.Statement{Version: books.Version, Rig: "heron", Booked: r.IntN(5) > 0, YardNames: map[string]string{}, Nights: 3}
	var left books.Sugars
	kinds := []int{0, 3}[:1+r.IntN(2)]
	put := func(p books.Part, key string, sign int64, metered bool) {
		l := books.Line{Part: p, Key: key, Name: key}
		for _, k := range kinds {
			l.Sugars[k] = mix.Micrograms(r.Int64N(4e11))
			if p == books.Unaccounted {
				l.Sugars[k] = left[k]
			}
			left[k] += mix.Micrograms(sign) * l.Sugars[k]
			l.Cost += books.Money(l.Sugars[k] / 1000 * mix.Micrograms(3*(k+1)) / 7)
		}
		if metered {
			l.Volume = quantity.Volume(r.Int64N(4e11))
			l.Visits, l.Fills, l.Colonies, l.FewestMost = 1+r.IntN(4), 9, float64(1+r.IntN(30)), [2]int{9, 9}
			l.Meant = quantity.Volume(r.Int64N(9e9))
		}
		st.Lines = append(st.Lines, l)
	}
	if st.Booked {
		for i := range 1 + r.IntN(4) {
			put(books.CameIn, fmt.Sprint("bought ", i), 1, false)
		}
	}
	for i := range r.IntN(70) {
		put(books.ToYards, fmt.Sprint("yard ", i), -1, true)
	}
	for i := range r.IntN(5) {
		put(books.Elsewhere, fmt.Sprint("kind ", i), -1, true)
	}
	if st.Booked {
		put(books.ByHand, "dry", -1, false)
		put(books.InStore, "sugar", -1, false)
		put(books.Unaccounted, "", -1, false)
	}
	return st
}

// Whatever the amounts, what is printed adds up: lines to their sums, kinds to
// all sugar, and all of it to what came in; no line is off by more than its
// last digit.
func TestStatementClosesInPrint(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 7))
	n := 400
	if os.Getenv("YARDTALLY_FULL") != "" {
		n = 4000
	}
	for range n {
		st := invent(r)
		if err := st.Check(); err != nil {
			t.Fatal(err)
		}
		o := Options{Units: []quantity.System{quantity.US, quantity.SI}[r.IntN(2)], Currency: "$"}
		table := StatementSheet(st, o, false).Tables[0]
		column := func(name string) int {
			return slices.IndexFunc(table.Columns, func(c Column) bool { return strings.HasPrefix(c.Name, name) })
		}
		sums := map[string][]int64{}
		var group, fed, all []int64
		add := func(a []int64, row []string) []int64 {
			if a == nil {
				a = make([]int64, len(row))
			}
			for c := 1; c < len(row); c++ {
				a[c] += tenths(t, row[c])
			}
			return a
		}
		kinds := []int{}
		for c, col := range table.Columns {
			if col.Name == kindWords[0] || col.Name == kindWords[3] {
				kinds = append(kinds, c)
			}
		}
		in := false
		for _, row := range table.Rows {
			switch row.Is {
			case HeadRow:
				group, in = nil, row.Cells[0] == partHeads[books.CameIn]
				continue
			case PlainRow:
				group = add(group, row.Cells)
				if !in {
					all = add(all, row.Cells)
				}
				if row.Cells[0][:4] == "yard" || row.Cells[0][:4] == "kind" {
					fed = add(fed, row.Cells)
				}
			case SumRow:
				want := group
				switch row.Cells[0] {
				case "all through the meter":
					want = fed
				case "sum, what came in":
					want = append([]int64{}, all...)
					if i := column("gal") + column("L") + 1; i >= 0 {
						want[max(i, 0)] = 0 // volumes have no sum here
					}
				}
				sums[row.Cells[0]] = add(nil, row.Cells)
				for c := 1; c < len(row.Cells); c++ {
					if got := tenths(t, row.Cells[c]); got != want[c] && table.Columns[c].Name != "±" {
						t.Fatalf("%s, %s: printed %d, the lines make %d", row.Cells[0], table.Columns[c].Name, got, want[c])
					}
				}
			}
			if sugar := column("sugar"); len(kinds) == 2 && tenths(t, row.Cells[sugar]) != tenths(t, row.Cells[kinds[0]])+tenths(t, row.Cells[kinds[1]]) {
				t.Fatalf("%v: kinds do not make all sugar", row.Cells)
			}
		}
		if st.Booked && !slices.Equal(sums["came in"], sums["sum, what came in"]) {
			t.Fatalf("came in %v, sum %v", sums["came in"], sums["sum, what came in"])
		}
		c := cellsOf(st, o)
		unit, _ := massUnit(o.Units)
		for i := range st.Lines {
			for k, kind := range c.kinds {
				exact := float64(st.Lines[i].Sugars[kind]) * tenth / float64(unit)
				if d := float64(c.kg[k].line[i]) - exact; d <= -1 || d >= 1 {
					t.Fatalf("line %s: %d for %g tenths", st.Lines[i].Key, c.kg[k].line[i], exact)
				}
			}
		}
	}
}

func BenchmarkPDF(b *testing.B) {
	for _, yards := range []int{25, 60} {
		s := many(yards)
		o := usd()
		sheet := StatementSheet(s.season(o).Statement(s.v, nil), o, true)
		b.Run(fmt.Sprint(yards, "_yards"), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				var out bytes.Buffer
				if err := sheet.writePDF(&out, o.Units, time.Unix(0, 0)); err != nil {
					b.Fatal(err)
				}
				b.SetBytes(int64(out.Len()))
			}
		})
	}
}
