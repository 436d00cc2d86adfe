package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/books"
	"yardtally/meter/ledger"
	"yardtally/meter/sugar"
	"yardtally/meter/worth"
)

// A season that never was.
type madeUp struct {
	v    *ledger.View
	acts []act.Act
	now  int64
	last uint64
	rng  *rand.Rand
	said int // acts that the batches are of
}

func madeUpSeason(yards []ledger.YardInfo) *madeUp {
	s := &madeUp{now: time.Date(2026, 9, 20, 15, 0, 0, 0, time.UTC).UnixNano(), rng: rand.New(rand.NewPCG(7, 1))}
	s.v = &ledger.View{Rig: "heron", Zone: "UTC", PulseVolume: 2 * quantity.Millilitre, Curves: curves(), Yards: yards}
	s.say(act.Tote{Name: "blue", CapacityL: 1040, HeightM: 1})
	return s
}

func (s *madeUp) say(b act.Body) {
	s.now += 60e9
	s.acts = append(s.acts, act.Act{ID: fmt.Sprintf("a%02d", len(s.acts)), Rig: "heron", Who: "wren", When: s.now, From: s.now, Body: b})
}

func (s *madeUp) flow(v quantity.Volume) (f worth.Flow, first, last uint64) {
	if s.said != len(s.acts) {
		s.v.Batches, s.said = nil, len(s.acts)
		s.batches()
	}
	first = s.last
	s.last += uint64(v / (2 * quantity.Millilitre))
	m := v.CubicMetres()
	return worth.Flow{Volume: m, Key: 1, Batch: int32(len(s.v.Batches)), Sense: [proving.Terms]float64{m}, Brix: 1e-4 * m}, first, s.last
}

func (s *madeUp) batches() {
	for _, a := range sugar.Batches(act.Standing(s.acts)) {
		liquid, _, err := a.Body.(act.Batch).Solution()
		if err != nil {
			panic(err)
		}
		s.v.Batches = append(s.v.Batches, ledger.Booked{ID: a.ID, From: a.From, Liquid: liquid})
	}
}

// visit gives each colony of a yard what was meant for it, more or less.
func (s *madeUp) visit(y ledger.YardInfo) {
	x := ledger.Visit{Yard: y.ID, From: s.now, Over: true, Colonies: y.Colonies, Meant: y.Fill}
	if n := len(s.v.Outings); n == 0 || s.now > s.v.Outings[n-1].To+6*3600e9 {
		s.v.Outings = append(s.v.Outings, ledger.Outing{From: s.now})
	}
	for k := range y.Colonies {
		v := y.Fill + quantity.Volume(s.rng.IntN(300)-140)*quantity.Millilitre
		f := ledger.Fill{Session: 1, Start: s.now, End: s.now + 60e9, Volume: v, Yard: y.ID, Reason: ledger.ByPosition, Visit: len(s.v.Visits), Syrup: 12, HasSyrup: true}
		f.Metered, f.First, f.Last = s.flow(v)
		if y.ID == "ferry" {
			f.Colony = k + 1
		}
		s.v.Fills = append(s.v.Fills, f)
		x.Fills++
		s.now += 80e9
	}
	x.To = s.now
	s.v.Visits = append(s.v.Visits, x)
	o := &s.v.Outings[len(s.v.Outings)-1]
	o.To, o.Visits = s.now, o.Visits+1
	s.v.At, s.v.Settled = s.now, s.now
	s.now += 20 * 60e9
}

func (s *madeUp) loose(why string, v quantity.Volume) {
	l := ledger.Loose{Session: 1, Start: s.now, End: s.now + 20e9, Volume: v, Why: why, Visit: -1}
	l.Metered, l.First, l.Last = s.flow(v)
	s.v.Loose = append(s.v.Loose, l)
	s.v.Outings[len(s.v.Outings)-1].To = s.now
	s.now += 60e9
}

func (s *madeUp) season(o Options) *books.Season {
	standing := act.Standing(s.acts)
	book := sugar.Read(standing)
	from, to := books.Period(s.v, book, time.UTC)
	x, _ := books.FromView(s.v, standing, book, from, to)
	x.Units = o.Units
	return x
}

func bagsOf(n float64) act.Goods { return act.Goods{Kind: act.SugarGoods, Bags: n, BagKg: 25} }

func fourYards() []ledger.YardInfo {
	const gal = quantity.USGallon
	return []ledger.YardInfo{{ID: "ferry", Name: "Ferry Lane", Colonies: 16, Fill: gal}, {ID: "larch", Name: "Larch Bank", Colonies: 12, Fill: gal},
		{ID: "mill", Name: "Mill Bottom", Colonies: 18, Fill: gal}, {ID: "orchard", Name: "Orchard End", Colonies: 24, Fill: gal}}
}

// fall is two mixes, three nights and some of all that there can be.
func fall() *madeUp {
	s := madeUpSeason(fourYards())
	y := s.v.Yards
	s.say(act.Count{Goods: bagsOf(4), Price: 92})
	s.say(act.Purchase{Goods: bagsOf(36), Price: 846})
	s.say(act.Purchase{Goods: act.Goods{Kind: act.HFCS55Goods, L: 200}})
	s.say(act.Mix{Tote: "blue", Parts: []act.Goods{bagsOf(18)}, WaterKg: 225, Before: &act.Content{}})
	s.now += 5 * 3600e9
	s.visit(y[3])
	s.loose("priming", 2*quantity.Litre)
	s.visit(y[2])
	s.visit(y[1])
	s.loose("flush", 5*quantity.Litre)
	s.say(act.Rinse{L: 3})
	s.now += 7 * 24 * 3600e9
	s.say(act.Mix{Tote: "blue", Parts: []act.Goods{bagsOf(14), {Kind: act.HFCS55Goods, L: 120}}, WaterKg: 170, Before: &act.Content{L: 298}})
	s.visit(y[0])
	s.visit(y[3])
	s.loose("dribble", 700*quantity.Millilitre)
	s.say(act.Fed{Goods: &act.Goods{Kind: act.SugarGoods, Kg: 25}, Yard: "larch", Colonies: 12})
	s.say(act.Lost{Tote: "blue", L: 8, Why: act.Spilled})
	s.say(act.Contents{Tote: "blue", L: 645})
	s.say(act.Count{Goods: bagsOf(7)})
	return s
}

// balanced is a balance as it might come out, with everything there can be in it.
func balanced() *books.Balance {
	day := int64(24 * 3600e9)
	at := time.Date(2026, 9, 20, 15, 0, 0, 0, time.UTC).UnixNano()
	fig := func(m, u, v, after, z float64) books.Figure {
		return books.Figure{Measured: m, U: u, Value: v, After: after, Moved: v - m, Z: z, Known: true}
	}
	return &books.Balance{From: at - 10*3600e9, To: at + 100*day, Limit: 3.1, Notice: books.NotForTrade,
		Streams: []books.Stream{
			{Name: "stock count", Kind: books.StockCount, Act: "a01", At: at, Held: -1, Solids: fig(100, 0.3, 100.1, 0.3, 0.2), From: -1, To: 0},
			{Name: "bought", Kind: books.Purchased, Act: "a02", At: at, Held: -1, Solids: fig(900, 1.9, 903.4, 1.8, 3.4), From: -1, To: 0},
			{Name: "sugar into the mix", Kind: books.Sugared, Act: "a04", At: at + 2*day, Held: -1, Solids: fig(450, 1, 450.1, 0.9, 0.1), From: 0, To: 1},
			{Name: "water into the mix", Kind: books.Watered, Act: "a04", At: at + 2*day, Held: -1, Water: fig(225, 1.3, 224.2, 1, -0.9), From: -1, To: 1},
			{Name: "Orchard End", Kind: books.Dispensed, At: at + 2*day, Yard: "orchard", Held: 0, Volume: 0.0914, Solids: fig(80.6, 0.5, 80.9, 0.4, 0.8), Water: fig(40.3, 0.3, 40.4, 0.3, 0.2), From: 1, To: -1},
			{Name: "priming", Kind: books.Dispensed, At: at + 2*day, Why: "priming", Held: 0, Volume: 0.002, Solids: fig(1.8, 0.02, 1.8, 0.02, 0.1), Water: fig(0.9, 0.01, 0.9, 0.01, 0), From: 1, To: -1},
			{Name: "content at the end", Kind: books.Content, At: at + 9*day, Held: 0, Unmeasured: true, Solids: books.Figure{Value: 366, After: 3.1, Known: true}, Water: books.Figure{Value: 183, After: 2.2, Known: true}, From: 1, To: -1},
			{Name: "stock at the end, not counted", Kind: books.StockCount, At: at + 9*day, Held: -1, Unmeasured: true, From: 3, To: -1},
		},
		Pools: []books.Pool{{Name: "store of sugar", Store: "sugar", From: at, To: at + 9*day, Closed: true, Missing: 21.4, MissingU: 3.3, Known: true},
			{Name: "tote blue", Tote: "blue", From: at, To: at + 9*day, Closed: true, Missing: -1.2, MissingU: 4.1, Known: true},
			{Name: "tote grey", Tote: "grey", From: at, To: at + 9*day}, {Name: "store of hfcs-55", Store: "hfcs-55", From: at, To: at + 9*day}},
		Missing: 20.2, MissingWithin: 10.3, MissingKnown: true, Open: []string{"tote grey", "store of hfcs-55"},
		Global: books.Test{Chi2: 31.25, DOF: 14, P: 0.0052, Rejects: true},
		Culprits: []books.Culprit{{Kind: books.OfBags, Act: "a04", Pool: -1, Size: 1, Z: 4.4, Words: "about one bag more of sugar was used than was booked in the mix of 22 September",
			With: []books.Culprit{{Kind: books.OfGoods, Act: "a02", Pool: -1, Size: -24.1, U: 4, Z: 4.2, Words: "about 53.1 lb less of sugar came than was booked as bought on 20 September"}}, More: 1}},
		Cleared: true, Review: []books.Review{{Act: "a09", Why: "l: must not be more than the tote held, 40 L, is 60"}, {Why: "2.0 gal of Mill Bottom is in no balance: no entry tells what was in the tote"}}}
}

func goldenFile(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s: not as it was:\n%s", name, got)
	}
}

func usd() Options { return Options{Units: quantity.US, Currency: "$"} }

func withFormat(o Options, f Format) Options { o.Format = f; return o }

// restated is the fall, issued, and then corrected.
func restated(t *testing.T) (*books.Restated, *books.Statement) {
	t.Helper()
	s := fall()
	st := s.season(usd()).Statement(s.v, nil)
	body, err := books.Issue(st, 3, "", s.acts)
	if err != nil {
		t.Fatal(err)
	}
	s.now += 24 * 3600e9
	s.say(body)
	s.now += 24 * 3600e9
	s.say(act.Purchase{Goods: bagsOf(1), Price: 24})
	s.acts[len(s.acts)-1].From -= 9 * 24 * 3600e9
	for i := range s.v.Fills { // moved by hand
		if f := &s.v.Fills[i]; f.Yard == "mill" && f.Volume > 3800*quantity.Millilitre {
			f.Yard = "larch"
			s.say(act.Assign{Session: 1, First: f.First, Last: f.Last, Yard: "larch"})
			break
		}
	}
	r := books.Compare(books.IssuedOf(act.Standing(s.acts))[0], s.season(usd()).Statement(s.v, nil), s.acts)
	return &r, s.season(usd()).Statement(s.v, nil)
}

func TestStatementGolden(t *testing.T) {
	s := fall()
	season := s.season(usd())
	st := season.Statement(s.v, nil)
	weighed := season.Statement(s.v, balanced())
	si := Options{Units: quantity.SI, Currency: "EUR"}
	issued := usd()
	issued.Issued = &books.Issued{Act: "a20", Number: 3, Title: "autumn feeding", Who: "wren", When: time.Date(2026, 11, 4, 20, 10, 0, 0, time.UTC).UnixNano()}
	colonies := withFormat(usd(), CSV)
	colonies.Colonies = true
	bare := *season
	bare.Book = nil
	r, now := restated(t)
	for name, write := range map[string]func(w io.Writer) error{
		"statement.txt":         func(w io.Writer) error { return Statement(w, st, usd()) },
		"statement.csv":         func(w io.Writer) error { return Statement(w, st, withFormat(usd(), CSV)) },
		"statement.json":        func(w io.Writer) error { return Statement(w, st, withFormat(issued, JSON)) },
		"statement_weighed.txt": func(w io.Writer) error { return Statement(w, weighed, si) },
		"statement_issued.txt":  func(w io.Writer) error { return Statement(w, weighed, issued) },
		"statement_metered.txt": func(w io.Writer) error { return Statement(w, bare.Statement(s.v, nil), usd()) },
		"colonies.csv":          func(w io.Writer) error { return Statement(w, st, colonies) },
		"restated.txt":          func(w io.Writer) error { return Restated(w, r, now, usd()) },
		"restated.csv":          func(w io.Writer) error { return Restated(w, r, now, withFormat(usd(), CSV)) },
		"restated.json":         func(w io.Writer) error { return Restated(w, r, now, withFormat(usd(), JSON)) },
		"balance.txt":           func(w io.Writer) error { return Balance(w, balanced(), usd()) },
		"balance_si.txt":        func(w io.Writer) error { return Balance(w, balanced(), si) },
		"balance.csv":           func(w io.Writer) error { return Balance(w, balanced(), withFormat(usd(), CSV)) },
		"balance.json":          func(w io.Writer) error { return Balance(w, balanced(), withFormat(usd(), JSON)) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		goldenFile(t, name, b.Bytes())
		if filepath.Ext(name) == ".txt" && !strings.HasSuffix(strings.Join(strings.Fields(b.String()), " "), LegalNote+" "+RecordNote) {
			t.Errorf("%s does not say that it is not legal for trade", name)
		}
		if filepath.Ext(name) == ".json" {
			var d struct {
				Legal  *bool   `json:"legal_for_trade"`
				Record *string `json:"record_of_purchase"`
			}
			if err := json.Unmarshal(b.Bytes(), &d); err != nil || d.Legal == nil || *d.Legal || d.Record == nil || *d.Record != "supplier's ticket" {
				t.Errorf("%s: %v %+v", name, err, d)
			}
		}
	}
}

// many is a season of so many yards.
func many(n int) *madeUp {
	yards := fourYards()
	for i := len(yards); i < n; i++ {
		yards = append(yards, ledger.YardInfo{ID: fmt.Sprintf("y%02d", i), Name: fmt.Sprintf("Yard No %d", i), Colonies: 6 + i%5, Fill: quantity.USGallon})
	}
	s := madeUpSeason(yards)
	s.say(act.Count{Goods: bagsOf(4), Price: 92})
	s.say(act.Purchase{Goods: bagsOf(float64(20 * n)), Price: 400 * float64(n)})
	for i := range yards {
		if i%8 == 0 {
			s.now += 24 * 3600e9
			s.say(act.Mix{Tote: "blue", Parts: []act.Goods{bagsOf(24)}, WaterKg: 300, Before: &act.Content{L: 200}})
			s.now += 3 * 3600e9
		}
		s.visit(yards[i])
	}
	s.say(act.Contents{Tote: "blue", L: 400})
	return s
}
