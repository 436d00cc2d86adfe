package report

import (
	"io"
	"strings"
)

// Sheet is a statement or a balance for people, as text that closes in the
// printed digits. Terminal, paper and page show the same cells.
type Sheet struct {
	Title  string
	Under  []string // lines under the title
	Lead   []string // a sentence or more each, before the tables
	Tables []SheetTable
	Notes  []string // a sentence or more each
	Legal  []string // what stands last, on every sheet of paper
}

// SheetTable is one table of a Sheet.
type SheetTable struct {
	Head    string // what stands over it; may be ""
	Columns []Column
	Rows    []SheetRow
}

// SheetRow is a row of a table.
type SheetRow struct {
	Is    RowIs
	Cells []string // one a column; of a heading one alone
}

// RowIs is what a row of a table is.
type RowIs uint8

// The rows of a table.
const (
	PlainRow RowIs = iota
	HeadRow        // stands over the rows that follow
	SumRow         // sums rows above it
)

// drop leaves out the columns in which no row has anything.
func (t *SheetTable) drop() {
	for c := len(t.Columns) - 1; c >= 0; c-- {
		used := false
		for _, r := range t.Rows {
			used = used || r.Is != HeadRow && r.Cells[c] != ""
		}
		if used {
			continue
		}
		t.Columns = append(t.Columns[:c:c], t.Columns[c+1:]...)
		for i, r := range t.Rows {
			if r.Is != HeadRow {
				t.Rows[i].Cells = append(r.Cells[:c:c], r.Cells[c+1:]...)
			}
		}
	}
}

// writeText writes the sheet for a terminal.
func (s *Sheet) writeText(w io.Writer) error {
	var b strings.Builder
	b.WriteString(s.Title + "\n")
	for _, u := range s.Under {
		wrap(&b, "", u)
	}
	for i, n := range s.Lead {
		if i == 0 {
			b.WriteByte('\n')
		}
		wrap(&b, "", n)
	}
	for _, t := range s.Tables {
		b.WriteByte('\n')
		if t.Head != "" {
			b.WriteString(t.Head + "\n")
		}
		g := grid{words: true}
		for _, c := range t.Columns {
			name := strings.ReplaceAll(strings.ReplaceAll(c.Name, "-\n", ""), "\n", " ")
			if c.Right {
				name = ">" + name
			}
			g.head = append(g.head, name)
		}
		for i, r := range t.Rows {
			switch {
			case r.Is == HeadRow && i > 0:
				g.across("")
				g.across(r.Cells[0])
			case r.Is == HeadRow:
				g.across(r.Cells[0])
			case r.Is == SumRow && i > 0 && t.Rows[i-1].Is == PlainRow:
				g.rule()
				g.add(r.Cells...)
			default:
				g.add(r.Cells...)
			}
		}
		if err := g.write(&b); err != nil {
			return err
		}
	}
	b.WriteByte('\n')
	for _, n := range s.Notes {
		wrap(&b, "", n)
	}
	if len(s.Notes) > 0 {
		b.WriteByte('\n')
	}
	for _, n := range s.Legal {
		wrap(&b, "", n)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
