package report

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/line"
	"yardtally/calibrate/mix"
	"yardtally/calibrate/plan"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/calibrate/tote"
)

// toMix is an invented plan: four yards of rig heron.
func toMix(t *testing.T, what string) PlanSheet {
	t.Helper()
	r, err := plan.ParseSyrup(what)
	if err != nil {
		t.Fatal(err)
	}
	s := PlanSheet{Said: what, Pump: ForecastSheet{Rig: "heron", Line: line.Usual()}}
	s.Recipe, s.Temp, s.TempU, s.By, s.Yield = r, 13, 0.5, mix.Usual, plan.UsualYield
	for i, n := range []int{24, 18, 12, 16} {
		s.Yards = append(s.Yards, plan.Yard{Name: []string{"Orchard End", "Mill Bottom", "Larch Bank", "Ferry Lane"}[i], Colonies: n, Each: 2 * quantity.USGallon})
	}
	s.Tote = &plan.Tote{Name: "blue", Holds: 60 * quantity.USGallon, Unusable: quantity.USGallon, Plate: tote.Plate{Empty: 20, Gross: 260}}
	s.Bag = 50 * quantity.Pound
	s.Sugar, _ = plan.ParsePrice("$31/bag")
	s.Bought, _ = plan.ParsePrice("$4.20/gal")
	return s
}

func planText(t *testing.T, s PlanSheet, o Options) string {
	t.Helper()
	var b strings.Builder
	if err := Plan(&b, s, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestPlanCloses: every printed column that has a sum adds up to it, in both
// systems of units.
func TestPlanCloses(t *testing.T) {
	for _, u := range []quantity.System{quantity.US, quantity.SI} {
		for _, what := range []string{"2:1", "1:1", "hfcs-55", "20 kg hfcs-55 + 10 kg sugar + 8 kg water"} {
			s := toMix(t, what)
			m, err := PlanFor(s, Options{Units: u})
			if err != nil {
				t.Fatal(err)
			}
			tables := 0
			for _, p := range m.Parts {
				if p.Table == nil {
					continue
				}
				tables++
				last := len(p.Table.Rows) - 1
				for c, col := range p.Table.Columns {
					sum, err := strconv.ParseFloat(strings.ReplaceAll(p.Table.Rows[last][c], ",", ""), 64)
					if !p.Table.Sum(last) {
						t.Fatalf("%s: %s has no sum line", what, p.Head)
					}
					if err != nil {
						continue // no sum of this one, or in bags
					}
					got := 0.0
					for _, r := range p.Table.Rows[:last-1] {
						x, err := strconv.ParseFloat(strings.ReplaceAll(r[c], ",", ""), 64)
						if err != nil {
							t.Fatalf("%s: %s: %v", what, col.Name, err)
						}
						got += x
					}
					if math.Abs(got-sum) > 1e-6 {
						t.Errorf("%s, %v: %s adds up to %v, not %v", what, u, col.Name, got, sum)
					}
				}
			}
			if tables != 2 {
				t.Errorf("%s: %d tables", what, tables)
			}
		}
	}
}

func TestCloseMasses(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	for range 300 {
		ms := make([]mix.Micrograms, 1+r.IntN(9))
		var sum mix.Micrograms
		for i := range ms {
			ms[i] = mix.Micrograms(r.Int64N(int64([]float64{3e9, 4e11, 9e12}[r.IntN(3)])))
			sum += ms[i]
		}
		for u, unit := range map[quantity.System]quantity.Mass{quantity.US: quantity.Pound, quantity.SI: quantity.Kilogram} {
			cells := closeMasses(u, ms)
			step, got := 0.1, 0.0
			if sum.Mass() >= 100*unit {
				step = 1
			}
			for i, c := range cells {
				x, err := strconv.ParseFloat(strings.ReplaceAll(c, ",", ""), 64)
				if err != nil {
					t.Fatal(err)
				}
				if i < len(ms) {
					got += x
					if d := math.Abs(x - float64(ms[i].Mass()/unit)); d > step {
						t.Fatalf("%v is printed as %s", ms[i], c)
					}
				} else if math.Abs(got-x) > 1e-6 || math.Abs(x-float64(sum.Mass()/unit)) > step/2+1e-9 {
					t.Fatalf("%v: %v", ms, cells)
				}
			}
		}
	}
}

// TestPlanForPrograms: JSON is one object, its loads the lines of the CSV, and
// both add up to what is to be weighed, to the microgram.
func TestPlanForPrograms(t *testing.T) {
	s := toMix(t, "20 kg hfcs-55 + 10 kg sugar + 8 kg water")
	var d struct {
		Report string
		Legal  bool `json:"legal_for_trade"`
		MakeKg json.Number
		Make   json.Number `json:"make_kg"`
		MakeL  json.Number `json:"make_l"`
		NeedL  json.Number `json:"need_l"`
		Weigh  []struct {
			What string
			Mass json.Number `json:"mass_kg"`
			Cost json.Number
		}
		Loads    []map[string]any
		Cost     json.Number
		Hours    float64
		Least    float64 `json:"hours_least"`
		Most     float64 `json:"hours_most"`
		Tote     map[string]any
		Warnings []string
	}
	if err := json.Unmarshal([]byte(planText(t, s, Options{Format: JSON, Units: quantity.SI})), &d); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(planText(t, s, Options{Format: CSV}))).ReadAll()
	if err != nil || len(rows) != len(d.Loads)+1 || len(d.Loads) < 3 {
		t.Fatalf("%d lines, %d loads, %v", len(rows), len(d.Loads), err)
	}
	// billionths, exactly
	ns := func(text string) (n int64) {
		whole, part, _ := strings.Cut(text, ".")
		n, err := strconv.ParseInt(whole+(part + "000000000")[:9], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	sum := map[string]int64{}
	for _, r := range rows[1:] {
		for c, name := range rows[0] {
			switch name {
			case "sugar_kg", "water_kg", "syrup_kg", "in_l":
				sum[name] += ns(r[c])
			}
		}
	}
	all := int64(0)
	for _, w := range d.Weigh {
		name := map[string]string{"sugar": "sugar_kg", "water": "water_kg", "hfcs-55": "syrup_kg"}[w.What]
		if got := ns(w.Mass.String()); sum[name] != got {
			t.Errorf("%s: loads have %d, all is %d", w.What, sum[name], got)
		}
		all += ns(w.Mass.String())
	}
	if all != ns(d.Make.String()) || sum["in_l"] != ns(d.MakeL.String()) || ns(d.MakeL.String()) != ns(d.NeedL.String())+int64(quantity.USGallon) {
		t.Errorf("%d in all, make %s kg, %s L for %s L", all, d.Make, d.MakeL, d.NeedL)
	}
	if d.Report != "mix" || d.Legal || !(d.Least < d.Hours && d.Hours < d.Most) {
		t.Errorf("%+v", d)
	}
	cents := int64(0)
	for _, w := range d.Weigh {
		if w.Cost != "" {
			cents += ns(w.Cost.String()) / 10_000_000
		}
	}
	if cents == 0 || cents != ns(d.Cost.String())/10_000_000 {
		t.Errorf("%d cents, said %s", cents, d.Cost)
	}
	if len(d.Warnings) == 0 || !strings.HasPrefix(d.Warnings[0], "Too heavy when full: ") || d.Tote["kept_by_ratings"] != true {
		t.Errorf("%q, %v", d.Warnings, d.Tote)
	}
}

// TestPlanWarns: what a person must not miss is said, and only that.
func TestPlanWarns(t *testing.T) {
	for _, c := range []struct {
		change func(*PlanSheet)
		want   []string // words of the warnings
		text   string
	}{
		{func(s *PlanSheet) {}, []string{"Too heavy when full", "Crystals"}, "The tote's plate: "},
		{func(s *PlanSheet) { s.Temp, s.Tote.Plate.Gross = 25, 1000 }, nil, ""},
		{func(s *PlanSheet) { s.Temp, s.Tote.Plate.Gross = 25, 0 }, []string{"Weight not judged"}, "not entered yet. Read it before you fill or drive."},
		{func(s *PlanSheet) { s.Temp, s.Tote.Plate.Gross = 25, 20 }, []string{"Too heavy"}, "By these ratings nothing may be loaded."},
		{func(s *PlanSheet) {
			s.Temp, s.Tote.Plate.Gross, s.Tote.Trailer = 25, 1000, tote.Trailer{Described: true, Empty: 300, Gross: 500, Axles: 900, Tongue: 200}
		}, []string{"Too heavy when full"}, "The trailer's gross rating: "},
		{func(s *PlanSheet) {
			s.Recipe, s.Temp, s.Tote = mix.Recipe{Parts: []mix.Part{{What: mix.Dissolved, Syrup: syrup.Syrup{Makeup: syrup.Only(syrup.HFCS42), Solids: 0.71}, Mass: 1}}}, 10, nil
		}, []string{"Crystals"}, "Can drop crystals at this temperature."},
		{func(s *PlanSheet) { s.Temp, s.Tote, s.Pump.Line.Pump.Shutoff = 25, nil, 0.5 }, []string{"It will not pump"}, "None: nothing flows at this temperature."},
	} {
		s := toMix(t, "2:1")
		c.change(&s)
		m, err := PlanFor(s, Options{})
		if err != nil {
			t.Fatal(err)
		}
		var words []string
		for _, l := range m.Loud {
			words = append(words, l.Word)
		}
		text := planText(t, s, Options{})
		if strings.Join(words, "|") != strings.Join(c.want, "|") || !strings.Contains(strings.Join(strings.Fields(text), " "), c.text) {
			t.Errorf("%q, want %q with %q: %s", words, c.want, c.text, text)
		}
		if strings.Count(text, "\n! ") != len(words) {
			t.Errorf("%d warnings in the text, want %q", strings.Count(text, "\n! "), words)
		}
	}
}

// TestPlanUnits: a table is in the person's units, never mixed; the cautions name both.
func TestPlanUnits(t *testing.T) {
	for u, other := range map[quantity.System]string{quantity.US: `\d (kg|L|°C|L/min)\b`, quantity.SI: `\d (lb|gal|°F|gal/min)\b`} {
		s := toMix(t, "2:1")
		body, _, ok := strings.Cut(planText(t, s, Options{Units: u}), "\nTake care\n")
		if !ok {
			t.Fatal("no cautions")
		}
		if found := regexp.MustCompile(other).FindAllString(body, -1); len(found) > 0 {
			t.Errorf("%v: %q in %s", u, found, body)
		}
	}
}

// Many loads are not listed one by one.
func TestManyLoads(t *testing.T) {
	s := toMix(t, "2:1")
	s.Tote.Holds = 5 * quantity.USGallon
	m, err := PlanFor(s, Options{})
	if err != nil {
		t.Fatal(err)
	}
	i := 1
	if rows := m.Parts[i+1].Table.Rows; m.Parts[i+1].Head != "Loads" || len(rows) != 5 || rows[1][0] != "2 to 34, each" || rows[2][0] != "35" || rows[4][0] != "all" {
		t.Errorf("%q", rows)
	}
}

func TestPlanCautions(t *testing.T) {
	text := strings.Join(strings.Fields(planText(t, toMix(t, "1:1"), Options{})), " ")
	for _, want := range []string{"no vinegar", "Never boil", "HMF", "fermenting", "robbing", "Bags are heavy", "scalds", "exhaust", "those licensed to judge", "codes where you are", "bee inspector", "vent open",
		"So thin a syrup spoils within days", "common practice, no source", "not legal for trade"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q", want)
		}
	}
}
