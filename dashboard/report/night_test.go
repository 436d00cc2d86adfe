package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// outings returns a view of fills of 4 L, each of which takes a minute, and the
// outings and visits that they make; what is without a yard is loose.
func outings(starts []time.Time, yards []string) *ledger.View {
	v := &ledger.View{Rig: "heron", Yards: []ledger.YardInfo{{ID: "mill", Name: "Mill Bottom", Colonies: 3}, {ID: "orchard", Name: "Orchard End", Colonies: 9}}}
	for i, t := range starts {
		at, end, last := t.UnixNano(), t.Add(time.Minute).UnixNano(), len(v.Outings)-1
		if last < 0 || at-v.Outings[last].To > outing.Pause {
			v.Outings = append(v.Outings, ledger.Outing{From: at})
			last++
		}
		o := &v.Outings[last]
		if n := len(v.Visits); n == 0 || o.To == 0 || v.Visits[n-1].Yard != yards[i] {
			v.Visits = append(v.Visits, ledger.Visit{Yard: yards[i], Reason: ledger.ByPosition, From: at, Over: true})
			o.Visits++
		}
		o.To = end
		x := &v.Visits[len(v.Visits)-1]
		x.To = end
		vol := 4*quantity.Litre + quantity.Volume(i)
		if yards[i] == "" {
			x.Loose += vol
			v.Loose = append(v.Loose, ledger.Loose{Session: 1, First: uint64(i), Last: uint64(i + 1), Start: at, End: end, Volume: vol, Why: outing.Ground, Visit: len(v.Visits) - 1, Reason: ledger.NoYard})
			continue
		}
		x.Fills, x.Pulls, x.Volume = x.Fills+1, x.Pulls+1, x.Volume+vol
		v.Fills = append(v.Fills, ledger.Fill{Session: 1, First: uint64(i), Last: uint64(i + 1), Start: at, End: end, Volume: vol, Yard: yards[i], Reason: ledger.ByPosition, Visit: len(v.Visits) - 1})
		v.At = end
	}
	return v
}

// A night's report has the whole of the outings that began on its date: over
// midnight, five o'clock and noon, and where the clock is changed meanwhile
// (in 2026 in America/Chicago on 8 March and 1 November at 02:00: IANA time
// zone database, northamerica).
func TestNightWhole(t *testing.T) {
	loc, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name, begin, last string
		date              string
		hours             int // of feeding, a fill each
	}{
		{"past midnight", "2026-10-09 22:10", "01:10", "2026-10-09", 4},
		{"past five", "2026-10-09 22:10", "06:10", "2026-10-09", 9},
		{"past noon", "2026-10-09 22:10", "13:10", "2026-10-09", 16},
		{"begun after midnight", "2026-10-10 00:10", "06:10", "2026-10-09", 7},
		{"a morning", "2026-10-09 09:10", "14:10", "2026-10-09", 6},
		{"an hour comes twice", "2026-10-31 22:10", "03:10", "2026-10-31", 7},
		{"an hour is left out", "2026-03-07 22:10", "05:10", "2026-03-07", 7},
	} {
		first, err := time.ParseInLocation("2006-01-02 15:04", tc.begin, loc)
		if err != nil {
			t.Fatal(err)
		}
		starts, yards := []time.Time{first.Add(-25 * time.Hour)}, []string{"mill"}
		for h := range tc.hours {
			starts, yards = append(starts, first.Add(time.Duration(h)*time.Hour)), append(yards, "mill")
		}
		starts, yards = append(starts, first.Add(time.Duration(tc.hours+24)*time.Hour)), append(yards, "mill")
		v := outings(starts, yards)
		date, _ := time.Parse(time.DateOnly, tc.date)
		o := Options{Zone: loc, Units: quantity.SI}
		o.From, o.To = v.NightOn(date, loc)
		var b bytes.Buffer
		if err := Fills(&b, v, o); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		for _, want := range []string{
			"night of " + date.Format("2 Jan 2006") + " (America/Chicago)\n",
			"\n  1  " + first.Format("15:04:05"),
			"\n" + strings.Repeat(" ", 3-len(strconv.Itoa(tc.hours))) + strconv.Itoa(tc.hours) + "  " + tc.last + ":00",
			strconv.Itoa(tc.hours) + " fills",
			"Mill Bottom, " + first.Format("15:04") + " to " + tc.last[:3] + "11: ",
		} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in\n%s", tc.name, want, text)
			}
		}
		if n := strings.Count(text, "Mill Bottom"); n != 1 {
			t.Errorf("%s: the visit has %d headings:\n%s", tc.name, n, text)
		}
		// All nights together number each night's fills from 1.
		b.Reset()
		if err := Fills(&b, v, Options{Zone: loc}); err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(b.String(), "\n  1  "); n != 3 || strings.Count(b.String(), "Night of ") != 3 || !strings.Contains(b.String(), "\nNight of "+tc.date+"\n") {
			t.Errorf("%s: %d nights begin with 1:\n%s", tc.name, n, b.String())
		}
	}
}

// Rows add up to the sum, as numbers and as a table prints them, whatever the
// view is and wherever it is cut.
func TestRandomSumsClose(t *testing.T) {
	begin := time.Date(2026, 10, 30, 18, 0, 0, 0, time.UTC)
	for seed := range uint64(60) {
		rnd := rand.New(rand.NewPCG(seed, 3))
		at := begin
		var starts []time.Time
		var yards []string
		for range 1 + rnd.IntN(60) {
			starts, yards = append(starts, at), append(yards, []string{"mill", "orchard", "", "larch"}[rnd.IntN(4)])
			at = at.Add(time.Duration(1+rnd.IntN(40)) * time.Minute)
			if rnd.IntN(15) == 0 {
				at = at.Add(time.Duration(rnd.IntN(40)) * time.Hour)
			}
		}
		v := outings(starts, yards)
		for i := range v.Fills {
			f := &v.Fills[i]
			f.Volume += quantity.Volume(rnd.Int64N(int64(4 * quantity.Litre)))
			f.TopUp, f.Short = rnd.IntN(5) == 0, rnd.IntN(6) == 0
			if rnd.IntN(9) == 0 {
				f.Visit = -1
			}
		}
		o := Options{Units: quantity.System(rnd.IntN(2))}
		switch rnd.IntN(3) {
		case 0: // a night
			o.From, o.To = v.NightAt(starts[rnd.IntN(len(starts))].UnixNano(), time.UTC)
		case 1: // any stretch
			o.From = begin.UnixNano() + rnd.Int64N(at.UnixNano()-begin.UnixNano())
			o.To = o.From + rnd.Int64N(at.UnixNano()-begin.UnixNano())
		}
		from, to := o.span()
		var want int64
		n := 0
		for _, f := range v.Fills {
			if f.Start >= from && f.Start < to {
				want += int64(f.Volume)
				n++
			}
		}
		for _, l := range v.Loose {
			if l.Start >= from && l.Start < to {
				want += int64(l.Volume)
			}
		}
		for _, name := range []string{"fills", "yards"} {
			var b bytes.Buffer
			if err := writers[name](&b, v, o); err != nil {
				t.Fatal(err)
			}
			tableCloses(t, name, b.String(), want > 0)
			b.Reset()
			o.Format = CSV
			if err := writers[name](&b, v, o); err != nil {
				t.Fatal(err)
			}
			all, err := csv.NewReader(&b).ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			col := map[string]int{"fills": 4, "yards": 7}[name]
			var sum int64
			for _, r := range all[1:] {
				sum += nanolitres(t, r[col])
			}
			if sum != want {
				t.Errorf("seed %d, %s: rows add up to %d nL, want %d", seed, name, sum, want)
			}
			b.Reset()
			o.Format = JSON
			if err := writers[name](&b, v, o); err != nil {
				t.Fatal(err)
			}
			var doc struct {
				Sum struct {
					Fills  int         `json:"fills"`
					TopUps int         `json:"top_ups"`
					TotalL json.Number `json:"total_l"`
				} `json:"sum"`
			}
			if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
				t.Fatal(err)
			}
			if doc.Sum.Fills+doc.Sum.TopUps != n || nanolitres(t, doc.Sum.TotalL.String()) != want {
				t.Errorf("seed %d, %s: %+v, want %d pulls and %d nL", seed, name, doc.Sum, n, want)
			}
			o.Format = Table
		}
	}
}

// tableCloses adds up a column as it is printed; some tells that there is flow in it.
func tableCloses(t *testing.T, name, text string, some bool) {
	t.Helper()
	lines := strings.Split(text, "\n")
	head := lines[2]
	unit := "gal"
	if !strings.Contains(head, "gal") {
		unit = "L"
	}
	upTo := " " + unit // of fills
	if name == "yards" {
		upTo = "sum " + unit
	}
	end := utf8.RuneCountInString(head[:strings.Index(head, upTo)+len(upTo)])
	var rows, sum int64
	seen, rule := 0, false
	for _, l := range lines[3:] {
		if strings.HasPrefix(l, "---") {
			rule = true
			continue
		}
		if l == "" && rule {
			break
		}
		if len([]rune(l)) < end || strings.HasSuffix(l, ".") && !strings.Contains(l, "  ") {
			continue
		}
		cell := []rune(l)[:end]
		fields := strings.Fields(string(cell))
		number := strings.ReplaceAll(fields[len(fields)-1], ",", "")
		whole, part, ok := strings.Cut(number, ".")
		if !ok {
			continue // a heading
		}
		n, err := strconv.ParseInt(whole+part, 10, 64)
		if err != nil {
			continue
		}
		switch {
		case !rule:
			rows += n
			seen++
		case strings.Contains(l, "sum"):
			sum = n
		}
	}
	if rows != sum || some != (seen > 0) || some != (sum > 0) {
		t.Errorf("%s: %d rows as printed add up to %d, the sum is %d:\n%s", name, seen, rows, sum, text)
	}
}
