package report

import (
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"yardtally/calibrate/quantity"
)

// Sizes on paper, mm and points.
const (
	margin    = 12.0
	point     = 25.4 / 72 // mm
	leading   = 1.28      // height of a line over the size of its letters
	headPlus  = 4.5       // points that the title is larger than the rest
	largest   = 10.0      // points
	smallest  = 7.0       // points, to get all onto one sheet
	tiniest   = 5.5       // points, to get a table's columns onto a sheet's width
	ifNot     = 8.5       // points, where it takes more than one sheet
	columnGap = 0.9       // between columns at least, over the size of letters
	sheetNo   = 25.0      // mm for the sheet's number beside the title
	mostGap   = 6.0       // mm more than that at most, to fill the sheet's width
)

// paper prints one sheet.
type paper struct {
	p       *fpdf.Fpdf
	sheet   *Sheet
	w, h    float64 // mm that can be printed on
	size    float64 // points
	y       float64 // mm below the margin; where the next line begins
	dry     bool    // it is only measured
	no, all int     // sheets
	table   *SheetTable
	widths  []float64
	gap     float64 // mm of each width but the first
	foot    float64 // mm that the lines at the foot of every sheet take
	under   string  // heading of the rows in hand
}

// writePDF writes the sheet as PDF: on US letter for US units, else on A4; on
// one sheet of paper where that can be read. made is the date that stands in
// the file; the same sheet and date give the same bytes. others are the same
// sheet laid out otherwise: that which can be printed largest is. The error is
// the writer's.
func (s *Sheet) writePDF(w io.Writer, u quantity.System, made time.Time, others ...*Sheet) error {
	p := s.paper(u, made)
	for _, o := range others {
		if q := o.paper(u, made); q.no < p.no || q.no == p.no && q.size > p.size {
			p = q
		}
	}
	p.dry, p.all = false, p.no
	p.print()
	return p.p.Output(w)
}

// paper lays the sheet out.
func (s *Sheet) paper(u quantity.System, made time.Time) *paper {
	format := "A4"
	if u == quantity.US {
		format = "Letter"
	}
	pdf := fpdf.New("P", "mm", format, "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(made)
	pdf.SetModificationDate(made)
	pdf.SetProducer("Yardtally", true)
	pdf.SetTitle(s.Title, true)
	pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	pdf.SetMargins(margin, margin, margin)
	pdf.SetAutoPageBreak(false, 0)
	pw, ph := pdf.GetPageSize()
	p := &paper{p: pdf, sheet: s, w: pw - 2*margin, h: ph - 2*margin}
	p.fit()
	return p
}

// fit finds the largest size at which all stands on one sheet; where none can
// be read, the one for several.
func (p *paper) fit() {
	p.dry = true
	for p.size = largest; p.size >= smallest; p.size -= 0.25 {
		if p.wide() <= p.w {
			if p.print(); p.no == 1 {
				return
			}
		}
	}
	for p.size = ifNot; p.size > tiniest && p.wide() > p.w; p.size -= 0.25 {
	}
	p.print()
}

// wide is how wide the widest table is, mm.
func (p *paper) wide() float64 {
	most := 0.0
	for i := range p.sheet.Tables {
		p.measure(&p.sheet.Tables[i])
		most = max(most, p.tableWidth())
	}
	return most
}

// measure finds the widths of a table's columns, the gap before each with it.
func (p *paper) measure(t *SheetTable) {
	p.table, p.widths = t, make([]float64, len(t.Columns))
	p.gap = columnGap * p.size * point
	for c, col := range t.Columns {
		for _, word := range strings.Split(col.Name, "\n") {
			p.widths[c] = max(p.widths[c], p.width(word, true))
		}
		for _, r := range t.Rows {
			if r.Is != HeadRow {
				p.widths[c] = max(p.widths[c], p.width(r.Cells[c], r.Is == SumRow))
			}
		}
		if c > 0 {
			p.widths[c] += p.gap
		}
	}
}

// spread fills the width of the sheet with a table.
func (p *paper) spread() {
	n := len(p.widths) - 1
	if n < 1 {
		return
	}
	more := min(max(0, (p.w-p.tableWidth())/float64(n)), mostGap)
	for c := range n {
		p.widths[c+1] += more
	}
	p.gap += more
}

func (p *paper) font(bold bool) {
	style := ""
	if bold {
		style = "B"
	}
	p.p.SetFont("go", style, p.size)
}

func (p *paper) width(text string, bold bool) float64 {
	p.font(bold)
	return p.p.GetStringWidth(printable(text))
}

// printable puts a sign in place of those that the fonts cannot hold.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r > 0xffff || r == utf8.RuneError || r < ' ' {
			return '\u25a1'
		}
		return r
	}, text)
}

func (p *paper) line() float64 { return p.size * leading * point }

// lines breaks a text to the sheet's width.
func (p *paper) lines(text string) []string {
	p.font(false)
	var out []string
	at := ""
	for _, word := range strings.Fields(printable(text)) {
		if at != "" && p.p.GetStringWidth(at+" "+word) > p.w {
			out = append(out, at)
			at = ""
		}
		if at != "" {
			at += " "
		}
		at += word
	}
	return append(out, at)
}

// text prints a piece of text at x, from the left margin on; right: up to x.
func (p *paper) text(x float64, text string, bold, right bool) {
	if p.dry || text == "" {
		return
	}
	p.font(bold)
	text = printable(text)
	if right {
		x -= p.p.GetStringWidth(text)
	}
	p.p.Text(margin+x, margin+p.y+p.size*point, text)
}

// rule draws a line across the table.
func (p *paper) rule(width, thick float64) {
	if p.dry {
		return
	}
	p.p.SetLineWidth(thick)
	p.p.Line(margin, margin+p.y, margin+width, margin+p.y)
}

// print prints or measures it all.
func (p *paper) print() {
	p.no, p.table = 0, nil
	n := 0
	for _, l := range p.sheet.Legal {
		n += len(p.lines(l))
	}
	p.foot = (float64(n) + 0.6) * p.line()
	p.turn()
	p.sentences(p.sheet.Lead)
	if len(p.sheet.Lead) > 0 {
		p.y += 0.7 * p.line()
	}
	for i := range p.sheet.Tables {
		t := &p.sheet.Tables[i]
		p.measure(t)
		p.spread()
		p.under = ""
		p.room(4)
		if i > 0 {
			p.y += 0.7 * p.line()
		}
		p.head()
		for k, r := range t.Rows {
			// A heading stays with what is under it, a sum with what is above it.
			need := 1.0
			if r.Is == HeadRow {
				need = 2.6
			} else if k+1 < len(t.Rows) && t.Rows[k+1].Is == SumRow {
				need = 2
			}
			if p.room(need) {
				p.head()
				if r.Is != HeadRow && p.under != "" {
					p.row(SheetRow{HeadRow, []string{p.under + ", continued"}}, true)
				}
			}
			if r.Is == HeadRow {
				p.under = r.Cells[0]
			}
			p.row(r, k == 0)
		}
		p.table = nil
	}
	p.y += 0.7 * p.line()
	p.sentences(p.sheet.Notes)
}

func (p *paper) sentences(all []string) {
	for _, n := range all {
		for _, l := range p.lines(n) {
			p.room(1)
			p.text(0, l, false, false)
			p.y += p.line()
		}
	}
}

// room turns to a new sheet where so many lines have no room on this one.
func (p *paper) room(lines float64) bool {
	if p.y+lines*p.line() <= p.h-p.foot {
		return false
	}
	p.turn()
	return true
}

// turn begins a sheet with its title, and its foot.
func (p *paper) turn() {
	p.no++
	p.y = 0
	if !p.dry {
		p.p.AddPage()
		p.y = p.h - p.foot + 0.4*p.line()
		p.rule(p.w, 0.15)
		p.y += 0.2 * p.line()
		for _, l := range p.sheet.Legal {
			for _, s := range p.lines(l) {
				p.text(0, s, false, false)
				p.y += p.line()
			}
		}
		p.y = 0
		if p.all > 1 {
			p.text(p.w, "sheet "+strconv.Itoa(p.no)+" of "+strconv.Itoa(p.all), false, true)
		}
	}
	size := p.size
	p.size += headPlus
	if p.no > 1 {
		p.size = size + 1
	}
	p.font(true)
	for p.size > size && p.p.GetStringWidth(printable(p.sheet.Title)) > p.w-sheetNo {
		p.size -= 0.25
		p.font(true)
	}
	p.text(0, p.sheet.Title, true, false)
	p.y += p.line()
	p.size = size
	if p.no > 1 {
		p.y += 0.3 * p.line()
		return
	}
	for _, u := range p.sheet.Under {
		for _, l := range p.lines(u) {
			p.text(0, l, false, false)
			p.y += p.line()
		}
	}
	p.y += 0.6 * p.line()
}

// head prints the heading of the table in hand; a name of several words stands
// in as many lines as it has parts.
func (p *paper) head() {
	if p.table.Head != "" {
		p.text(0, p.table.Head, true, false)
		p.y += p.line()
	}
	deep := 1
	for _, c := range p.table.Columns {
		deep = max(deep, strings.Count(c.Name, "\n")+1)
	}
	top := p.y
	p.cells(func(c int, x float64, right bool) {
		words := strings.Split(p.table.Columns[c].Name, "\n")
		for k, word := range words {
			p.y = top + float64(deep-len(words)+k)*p.line()
			p.text(x, word, true, right)
		}
	})
	p.y = top + float64(deep)*p.line() + 0.1*p.line()
	p.rule(min(p.tableWidth(), p.w), 0.25)
	p.y += 0.15 * p.line()
}

func (p *paper) tableWidth() float64 {
	sum := 0.0
	for _, w := range p.widths {
		sum += w
	}
	return sum
}

// cells calls f for each column with where its text begins or, of numbers, ends.
func (p *paper) cells(f func(c int, x float64, right bool)) {
	x := 0.0
	for c, col := range p.table.Columns {
		left := x
		x += p.widths[c]
		if col.Right {
			f(c, x, true)
			continue
		}
		if c > 0 {
			left += p.gap
		}
		f(c, left, false)
	}
}

func (p *paper) row(r SheetRow, first bool) {
	switch r.Is {
	case HeadRow:
		if !first {
			p.y += 0.45 * p.line()
		}
		p.text(0, r.Cells[0], true, false)
	default:
		if r.Is == SumRow {
			p.rule(min(p.tableWidth(), p.w), 0.15)
			p.y += 0.1 * p.line()
		}
		p.cells(func(c int, x float64, right bool) { p.text(x, r.Cells[c], r.Is == SumRow, right) })
	}
	p.y += p.line()
}
