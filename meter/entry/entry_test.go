package entry

import (
	"errors"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	ltote "yardtally/meter/tote"
)

var chicago = func() *time.Location {
	z, err := time.LoadLocation("America/Chicago")
	if err != nil {
		panic(err)
	}
	return z
}()

func at(day, hour, minute int) int64 {
	return time.Date(2026, 10, day, hour, minute, 0, 0, chicago).UnixNano()
}

// known is a house with a rig whose tote is "tote one", and a mixing tank.
func known() *Known {
	return &Known{Now: at(12, 17, 30), Zone: chicago, Units: quantity.US, Currency: "$",
		View: &ledger.View{At: at(9, 23, 0), Yards: []ledger.YardInfo{{ID: "mill", Name: "Mill Bottom"}, {ID: "orchard", Name: "Orchard End"}}},
		Standing: []act.Act{
			{ID: "a", Rig: "heron", From: 0, Body: act.Tote{Name: "tote one", CapacityL: 1000, LengthM: 1, WidthM: 1, HeightM: 1}},
			{ID: "b", Rig: "heron", From: at(1, 12, 0), Body: act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: 25}}},
			{ID: "c", Rig: "heron", From: at(2, 12, 0), Body: act.Mix{Tote: "mixing tank", Parts: []act.Goods{{Kind: "sugar", Bags: 2, BagKg: 25}}, WaterL: 25}},
		}}
}

// Pounds and gallons are exact: NIST Special Publication 811 (2008), appendix B.
const lb, gal = 0.45359237, 3.785411784

// What a keeper writes becomes what was meant.
func TestCompose(t *testing.T) {
	for _, c := range []struct {
		way   string
		f     Fields
		from  int64
		want  act.Body
		notes string // what they say among else
	}{
		{"purchase", Fields{What: "40 bags of 50 lb sugar", "price": "$1540", "lot": "L7", "on": "2026-10-03"}, at(3, 12, 0),
			act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: tidy(50 * lb)}, Price: 1540, Lot: "L7"}, "40 bags of 50 lb sugar: taken as right to 0.5 % at most, by the bags' label."},
		{"purchase", Fields{What: "40 bags", "bag": "50 lb", "price": "38.50 a bag", "within": "1 bag"}, at(12, 17, 30),
			act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: tidy(50 * lb), WithinPct: 2.5}, Price: 1540}, ""},
		{"purchase", Fields{What: "10 bags sugar"}, at(12, 17, 30),
			act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 10, BagKg: 25}}, "A bag is taken as 25 kg, as last bought. 10 bags of 25 kg sugar: taken"},
		{"purchase", Fields{What: "3 x 55 gal hfcs-55 at 90 F", "within": "1 %", "at": "2026-10-04 09:15"}, at(4, 9, 15),
			act.Purchase{Goods: act.Goods{Kind: "hfcs-55", L: tidy(165 * gal), TempC: tidy((90. - 32) / 1.8), WithinPct: 1}}, "77 Brix, as it is usually sold"},
		{"purchase", Fields{What: "2 t invert", "brix": "72 Brix", "brix-within": "0.5 Brix", "price": "0.55 a kg"}, at(12, 17, 30),
			act.Purchase{Goods: act.Goods{Kind: "invert", Kg: 2000, Brix: 72, BrixWithin: 0.5}, Price: 1100}, "taken as right to 1 % at most, by a scale"},
		{"count", Fields{What: "38.5 bags of sugar", "at": "5:00pm"}, at(12, 17, 0),
			act.Count{Goods: act.Goods{Kind: "sugar", Bags: 38.5, BagKg: 25}}, ""},
		{"count", Fields{What: "0 kg sugar"}, at(12, 17, 30), act.Count{Goods: act.Goods{Kind: "sugar"}, Empty: true}, ""},
		{"mix", Fields{What: "12 bags + 40 gal water", "tote": "Mixing Tank", "reading": "61.5 Brix", "reading-temp": "68 F", "empty": "true", "on": "2026-10-09", "at": "17:30"}, at(9, 17, 30),
			act.Mix{Tote: "mixing tank", Parts: []act.Goods{{Kind: "sugar", Bags: 12, BagKg: 25}}, WaterL: tidy(40 * gal), Reading: 61.5, ReadC: 20, Before: &act.Content{}}, "The water: taken as right to 2 % at most, by the marks."},
		{"mix", Fields{What: "300 lb sugar within 2 lb and 30 gal hfcs-42 at 71 Brix", "brix": "66 Brix", "brix-within": "0.4 Brix", "left": "25 gal", "left-within": "2 gal", "temp": "95 F", "volume": "90 gal", "volume-within": "1 %", "unstirred": "true", "name": "nine"}, at(12, 17, 30),
			act.Mix{Name: "nine", Parts: []act.Goods{{Kind: "sugar", Kg: tidy(300 * lb), WithinPct: tidy(200. / 300)}, {Kind: "hfcs-42", L: tidy(30 * gal), Brix: 71}}, Brix: 66, BrixWithin: 0.4,
				TempC: 35, VolumeL: tidy(90 * gal), VolumeWithinL: 3.407, Unstirred: true, Before: &act.Content{L: tidy(25 * gal), WithinL: tidy(2 * gal)}}, ""},
		{"transfer", Fields{What: "all", "from": "mixing tank", "to": "spare", "at": "9:15am"}, at(12, 9, 15),
			act.Transfer{FromTote: "mixing tank", ToTote: "spare", All: true}, `"spare" is a tote that nobody spoke of before.`},
		{"load", Fields{What: "100 gal", "from": "mixing tank", "left": "12 L", "within": "1 gal"}, at(12, 17, 30),
			act.Transfer{FromTote: "mixing tank", L: tidy(100 * gal), WithinL: gal, Before: &act.Content{L: 12}}, "Before it the tote held 3.2 gal: taken as right to 1.4 gal at most."},
		{"swap", Fields{What: "Mixing tank"}, at(12, 17, 30), act.Swap{Tote: "mixing tank"}, ""},
		{"water", Fields{What: "5 gal", "tote": "mixing tank", "left": "20 gal", "unstirred": "true"}, at(12, 17, 30),
			act.Water{Tote: "mixing tank", L: tidy(5 * gal), Unstirred: true, Before: &act.Content{L: tidy(20 * gal)}}, ""},
		{"water", Fields{What: "40 lb water", "tote": "mixing tank", "within": "0.5 lb", "left": "20 gal"}, at(12, 17, 30),
			act.Water{Tote: "mixing tank", Kg: tidy(40 * lb), WithinPct: 1.25, Before: &act.Content{L: tidy(20 * gal)}}, ""},
		{"stirred", Fields{"reading": "60 Brix", "compensated": "true"}, at(12, 17, 30), act.Stirred{Reading: 60, Compensated: true}, "0.2"},
		{"rinse", Fields{What: "4 gal"}, at(12, 17, 30), act.Rinse{L: tidy(4 * gal)}, ""},
		{"loss", Fields{What: "1 bag sugar", "why": "Spilled"}, at(12, 17, 30),
			act.Lost{Goods: &act.Goods{Kind: "sugar", Bags: 1, BagKg: 25}, Why: "spilled"}, "1 bag of 25 kg sugar"},
		{"loss", Fields{What: "10 gal", "why": "leaked", "within": "20 %"}, at(12, 17, 30), act.Lost{L: tidy(10 * gal), WithinL: 7.571, Why: "leaked"}, ""},
		{"fed", Fields{What: "20 lb sugar", "yard": "mill bottom", "colonies": "4", "note": "on paper"}, at(12, 17, 30),
			act.Fed{Goods: &act.Goods{Kind: "sugar", Kg: tidy(20 * lb)}, Yard: "mill", Colonies: 4, Note: "on paper"}, ""},
		{"fed", Fields{What: "3 gal", "tote": "mixing tank", "yard": "orchard"}, at(12, 17, 30), act.Fed{Tote: "mixing tank", L: tidy(3 * gal), Yard: "orchard"}, ""},
		{"content", Fields{What: "0 gal", "tote": "mixing tank", "within": "1 gal"}, at(12, 17, 30), act.Contents{Tote: "mixing tank", WithinL: gal}, ""},
	} {
		e, err := Compose(c.way, c.f, known())
		if err != nil {
			t.Errorf("%s %v: %v", c.way, c.f, err)
			continue
		}
		if e.From != c.from || !reflect.DeepEqual(e.Body, c.want) {
			t.Errorf("%s %v:\ngot  %s %+v\nwant %s %+v", c.way, c.f, time.Unix(0, e.From), e.Body, time.Unix(0, c.from), c.want)
		}
		if said := strings.Join(e.Notes, " "); !strings.Contains(said, c.notes) {
			t.Errorf("%s %v: notes are %q, want %q among them", c.way, c.f, said, c.notes)
		}
		// Written down, it is read as the same again.
		way, f, ok := Of(&act.Act{From: e.From, Body: e.Body}, chicago)
		if !ok {
			t.Errorf("%s %v: cannot be written down", c.way, c.f)
			continue
		}
		again, err := Compose(way, f, known())
		if err != nil || again.From != e.From || !reflect.DeepEqual(again.Body, e.Body) {
			t.Errorf("%s %v: written down as %s %v:\ngot  %+v %v\nwant %+v", c.way, c.f, way, f, again, err, e)
		}
	}
}

// What cannot be so is refused by field, rule and value.
func TestRefused(t *testing.T) {
	for _, c := range []struct {
		way  string
		f    Fields
		want string
	}{
		{"buy", nil, `way: must be one of purchase, count, mix, transfer, load, swap, water, stirred, rinse, loss, fed, content, is "buy"`},
		{"purchase", Fields{What: "12"}, `what: must name its unit, like bags, lb, kg, gal or L, is "12"`},
		{"purchase", Fields{What: "12 sugar"}, `what: must name its unit, one of bags, lb, oz, kg, g, t, gal, qt, pt, L, mL, m3, is "12 sugar"`},
		{"purchase", nil, `what: must be given, like "40 bags of 50 lb sugar" -price '$1540', is ""`},
		{"purchase", Fields{What: "sugar"}, `what: must begin with an amount and its unit, like "40 bags", "500 lb" or "30 gal", is "sugar"`},
		{"purchase", Fields{What: "500 lb"}, `what: ` + kindRule + `, is "500 lb"`},
		{"purchase", Fields{What: "500 lb honey"}, `what: ` + kindRule + `, is "500 lb honey"`},
		{"purchase", Fields{What: "500 lb water"}, `what: ` + kindRule + `, is "500 lb water"`},
		{"purchase", Fields{What: "0 lb sugar"}, `what: must be said, or bags, or l: exactly one of the three, is 0 of them`},
		{"purchase", Fields{What: "-5 lb sugar"}, `what: must not be negative, is "-5 lb sugar"`},
		{"purchase", Fields{What: "5 gal sugar"}, `what: must not be said of sugar: weigh it, or count bags, is 18.92705892`},
		{"purchase", Fields{What: "40 bags of 50"}, `what: must name its unit, one of kg, g, t, lb, oz, is "40 bags of 50"`},
		{"purchase", Fields{What: "1e3 lb sugar"}, `what: must name its unit, one of bags, lb, oz, kg, g, t, gal, qt, pt, L, mL, m3, is "1e3 lb sugar"`},
		{"purchase", Fields{What: "2 bags hfcs-55", "bag": "50 lb", "temp": "20 C"}, `temp: must stand only where it is measured by volume, is "20 C"`},
		{"purchase", Fields{What: "30 gal invert"}, `brix: must be said of invert: there is no usual, is 0`},
		{"purchase", Fields{What: "40 bags of 50 lb sugar", "bag": "25 kg"}, `bag: must not be said twice, is "25 kg"`},
		{"purchase", Fields{What: "500 lb sugar", "bag": "25 kg"}, `bag: must stand only where there are bags, is "25 kg"`},
		{"purchase", Fields{What: "5 bags sugar", "price": "ten"}, `price: must be an amount of money, like "$38.50", or of one, like "$38.50 a bag", is "ten"`},
		{"purchase", Fields{What: "5 lb sugar", "price": "$3 a bag"}, `price: must be of a bag only where there are bags, is "$3 a bag"`},
		{"purchase", Fields{What: "5 lb sugar", "price": "$3 a gal"}, `price: must be an amount of money, like "$38.50", or of one, like "$38.50 a bag", is "$3 a gal"`},
		{"purchase", Fields{What: "5 lb sugar", "within": "0.1"}, `within: must be a share like "1 %" or an amount with its unit, like "2 lb", is "0.1"`},
		{"purchase", Fields{What: "5 lb sugar", "within": "60 %"}, `within: must be above 0 and at most 50 %, is "60 %"`},
		{"purchase", Fields{What: "5 lb sugar", "within": "1 gal"}, `within: must be a share like "1 %" or an amount in the same unit, is "1 gal"`},
		{"purchase", Fields{What: "5 lb sugar", "yard": "mill"}, `yard: must not stand with purchase, is "mill"`},
		{"purchase", Fields{What: "5 lb sugar", "on": "2026-13-01"}, `on: must be a date like 2026-10-09, is "2026-13-01"`},
		{"purchase", Fields{What: "5 lb sugar", "on": "2026-10-13"}, `on: must not be in the future, is "2026-10-13"`},
		{"purchase", Fields{What: "5 lb sugar", "at": "18:00"}, `at: must not be in the future, is "18:00"`},
		{"purchase", Fields{What: "5 lb sugar", "at": "9:40"}, `at: must be a time like "17:30" or "5:30pm", or "2026-10-09 17:30", is "9:40"`},
		{"purchase", Fields{What: "5 lb sugar", "at": "2026-10-09 09:40", "on": "2026-10-09"}, `on: must not stand beside a date in -at, is "2026-10-09"`},
		{"purchase", Fields{What: "5 lb sugar", "on": "2026-03-08", "at": "02:30"}, `at: must be a time that the clock showed that day, is "02:30"`},
		{"mix", Fields{What: "12 bags"}, `brix: must be given, like "62 Brix", where the water is not: one of the two must be known, is ""`},
		{"mix", Fields{What: "40 gal water"}, `what: must have sugar or syrup besides water: water alone is the way water, is "40 gal water"`},
		{"mix", Fields{What: "12 bags + 40 gal water + 3 gal water"}, `what: must have water once, is "12 bags + 40 gal water + 3 gal water"`},
		{"mix", Fields{What: "12 bags + "}, `what: must be an amount with its unit and what it is of, like "40 bags of 50 lb sugar", "500 lb sugar" or "30 gal hfcs-55", is ""`},
		{"mix", Fields{What: "12 bags + 4 gal water", "brix": "62"}, `brix: must name its unit, one of Brix, is "62"`},
		{"mix", Fields{What: "12 bags + 4 gal water", "brix": "62 Brix", "reading": "61 Brix"}, `reading: must not stand beside brix, is "61 Brix"`},
		{"mix", Fields{What: "12 bags + 4 gal water", "reading": "61 Brix"}, `reading-temp: must be given, like "68 F", or compensated where the refractometer corrects for temperature itself, is ""`},
		{"mix", Fields{What: "12 bags + 4 gal water", "left": "5"}, `left: must name its unit, one of gal, qt, pt, L, mL, m3, is "5"`},
		{"mix", Fields{What: "12 bags + 4 gal water", "left": "5 gal", "empty": "true"}, `empty: must not stand beside left, is "5 gal"`},
		{"mix", Fields{What: "12 bags + 4 gal water"}, `left: must be given, like "25 gal", or empty: what did "tote one" hold before? (no level at rest before that, and nobody said what was seen in it), is ""`},
		{"mix", Fields{What: "12 bags + 4 gal water", "volume-within": "5 gal", "empty": "true"}, `volume-within: must stand only with volume, is "5 gal"`},
		{"transfer", Fields{What: "100 gal", "from": "tank", "to": "spare"}, `from: must be one of the totes spoken of so far: mixing tank, tote one, is "tank"`},
		{"transfer", Fields{What: "100", "from": "mixing tank"}, `what: must name its unit, one of gal, qt, pt, L, mL, m3, is "100"`},
		{"transfer", Fields{What: "100 gal", "from": "tote one", "to": "", "left": "5 gal"}, `to: must be another tote than it came from, is ""`},
		{"load", Fields{What: "100 gal", "left": "5 gal"}, `from: must name the tote that it came from, like "mixing tank", is ""`},
		{"load", Fields{What: "all", "from": "mixing tank", "within": "1 gal"}, `within: must stand only with a volume, is "1 gal"`},
		{"water", Fields{What: "5 bags", "empty": "true"}, `what: must be an amount of water, like "5 gal" or "40 lb", is "5 bags"`},
		{"loss", Fields{What: "5 gal"}, `why: must be given: spilled, dumped, spoiled or leaked, is ""`},
		{"loss", Fields{What: "5 gal", "why": "stolen"}, `why: must be spilled, dumped, spoiled or leaked, is "stolen"`},
		{"loss", Fields{What: "5 lb sugar", "why": "spilled", "tote": "mixing tank"}, `tote: must not stand beside goods, which are in the store, is "mixing tank"`},
		{"loss", Fields{What: "5 lb", "why": "spilled"}, `what: ` + kindRule + `, is "5 lb"`},
		{"fed", Fields{What: "5 gal"}, `yard: must be given: the yard that got it, is ""`},
		{"fed", Fields{What: "5 gal", "yard": "larch"}, `yard: must be one of mill (Mill Bottom), orchard (Orchard End), is "larch"`},
		{"fed", Fields{What: "5 gal", "yard": "mill", "colonies": "some"}, `colonies: must be a whole number between 1 and 100000, is "some"`},
		{"rinse", Fields{What: "0 gal"}, `what: must be above 0, is "0 gal"`},
		{"content", Fields{What: "-1 gal"}, `what: must not be negative, is "-1 gal"`},
		{"stirred", Fields{What: "60 Brix"}, `what: must not stand with stirred, is "60 Brix"`},
		{"stirred", Fields{"brix-within": "1 Brix"}, `brix-within: must stand only with brix or reading, is "1 Brix"`},
		{"purchase", Fields{What: strings.Repeat("1", 2000) + " lb sugar"}, `what: must be at most 1000 letters`},
	} {
		_, err := Compose(c.way, c.f, known())
		var fe *act.FieldError
		if !errors.As(err, &fe) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s %v:\ngot  %v\nwant %s", c.way, c.f, err, c.want)
		}
	}
}

// Where nothing is said, the rig's level at rest tells what the tote held.
func TestRestBefore(t *testing.T) {
	k := known()
	// A box of 1 m² with straight walls: 1 mm is 1 L.
	k.View.Steps = []ledger.ToteStep{{At: at(8, 20, 0), Level: 0.5, LevelU: 0.001}, {At: at(9, 22, 0), Level: 0.2, LevelU: 0.001, Metered: 300 * quantity.Litre}}
	k.View.Fills = []ledger.Fill{{Start: at(9, 21, 0), End: at(9, 21, 5), Volume: 4 * quantity.Litre}, {Start: at(9, 22, 5), End: at(9, 22, 6), Volume: 5 * quantity.Litre}}
	f := Fields{What: "10 bags + 40 gal water", "on": "2026-10-10"}
	e, err := Compose("mix", f, k)
	if err != nil {
		t.Fatal(err)
	}
	b := e.Body.(act.Mix).Before
	if b == nil || b.L != 195 || !(b.WithinL > 5 && b.WithinL < 30) {
		t.Errorf("before is %+v, want 195 L: 200 L at rest less 5 L", b)
	}
	if said := strings.Join(e.Notes, " "); !strings.Contains(said, `Before it "tote one" held 51.5 gal ± `) || !strings.Contains(said, "by its level at rest at 2026-10-09 22:00.") {
		t.Errorf("it says %q", said)
	}
	// An earlier entry takes the level of then.
	f["at"], f["on"] = "2026-10-08 20:30", ""
	if e, err = Compose("mix", f, k); err != nil || e.Body.(act.Mix).Before.L != 500 {
		t.Errorf("before is %+v %v, want 500 L", e, err)
	}
	// A point of the newest outing is nearer.
	f["at"] = "2026-10-10 12:00"
	k.View.Points = []ltote.Point{{At: at(9, 22, 30), Rest: true, Volume: 190 * quantity.Litre, U: quantity.Litre}, {At: at(9, 22, 40), Volume: 99 * quantity.Litre}}
	if e, err = Compose("mix", f, k); err != nil || e.Body.(act.Mix).Before.L != 190 {
		t.Errorf("before is %+v %v, want 190 L", e, err)
	}
	if r, err := OnRig(k, ""); err != nil || r.L != 190 || r.By() != "its level at rest" || r.At != at(9, 22, 30) {
		t.Errorf("the tote holds %+v %v now, want 190 L", r, err)
	}
	// Who books a mix when it is in the tote means what was there before it.
	k.View.Steps = append(k.View.Steps, ledger.ToteStep{At: at(10, 11, 40), Level: 0.33, LevelU: 0.001})
	k.View.Changes = []ltote.Change{{Kind: ltote.Refill, Sure: true, From: at(10, 11, 0), To: at(10, 11, 40), Before: 191 * quantity.Litre, After: 330 * quantity.Litre}}
	if e, err = Compose("mix", f, k); err != nil || e.Body.(act.Mix).Before.L != 191 || !strings.Contains(e.Notes[len(e.Notes)-1], "by its level before it was filled up at 2026-10-10 11:00.") {
		t.Errorf("before is %+v %v, want 191 L", e, err)
	}
	if r, err := OnRig(k, ""); err != nil || r.L != 330 {
		t.Errorf("the tote holds %+v %v now, want 330 L", r, err)
	}
	// Booked, it is what the next one came to.
	k.Standing = append(k.Standing, act.Act{ID: "d", Rig: "heron", From: at(10, 11, 50), Body: act.Mix{Parts: []act.Goods{{Kind: "sugar", Bags: 4, BagKg: 25}}, WaterL: 50}})
	k.View.Steps = append(k.View.Steps, ledger.ToteStep{At: at(10, 12, 40), Level: 0.46, LevelU: 0.001})
	k.View.Changes = append(k.View.Changes, ltote.Change{Kind: ltote.Refill, Sure: true, From: at(10, 12, 10), To: at(10, 12, 40), Before: 329 * quantity.Litre, After: 460 * quantity.Litre})
	f["at"] = "2026-10-10 12:45"
	if e, err = Compose("mix", f, k); err != nil || e.Body.(act.Mix).Before.L != 329 {
		t.Errorf("before is %+v %v, want 329 L", e, err)
	}
	f["at"] = "2026-10-10 12:00"
	k.View.Steps, k.View.Changes, k.Standing = k.View.Steps[:2], nil, k.Standing[:3]
	// What came since makes the level useless.
	k.Standing = append(k.Standing, act.Act{ID: "d", Rig: "heron", From: at(10, 8, 0), Body: act.Water{L: 10}})
	if _, err = Compose("mix", f, k); err == nil || !strings.Contains(err.Error(), "what is known of it is of 2026-10-09 22:30, and since then there was a water") {
		t.Errorf("got %v", err)
	}
	// What went out since is taken off; what was seen since is newer.
	k.Standing[3].Body = act.Lost{L: 10, Why: act.Spilled}
	if e, err = Compose("mix", f, k); err != nil || e.Body.(act.Mix).Before.L != 180 {
		t.Errorf("before is %+v %v, want 180 L", e, err)
	}
	k.Standing[3].Body = act.Contents{L: 77, WithinL: 3}
	if e, err = Compose("mix", f, k); err != nil || e.Body.(act.Mix).Before.L != 77 || !strings.Contains(e.Notes[len(e.Notes)-1], "by what was seen in it at 2026-10-10 08:00.") {
		t.Errorf("before is %+v %v, want 77 L", e, err)
	}
	k.Standing = k.Standing[:3]
	// A tote that is not on the rig holds what the books say: 50 kg of sugar in
	// 25 L of water, some 56 L.
	if e, err = Compose("mix", Fields{What: "1 bag + 4 gal water", "tote": "mixing tank"}, k); err != nil {
		t.Error(err)
	} else if l := e.Body.(act.Mix).Before.L; l < 55 || l > 57 {
		t.Errorf("before is %g L, want some 56 L", l)
	}
	// So does a level that already has in it what came.
	f["at"] = "2026-10-08 20:30"
	k.View.Steps[0].Level = 0.9
	if _, err = Compose("mix", f, k); err == nil || !strings.Contains(err.Error(), "may have been filled by then") {
		t.Errorf("got %v", err)
	}
}

// A correction says anew what it names, and leaves the rest.
func TestChange(t *testing.T) {
	k := known()
	e, err := Compose("mix", Fields{What: "12 bags within 1 % + 40 gal water", "reading": "61.5 Brix", "reading-temp": "68 F", "left": "25 gal", "left-within": "1 gal", "on": "2026-10-09", "at": "17:30"}, k)
	if err != nil {
		t.Fatal(err)
	}
	old := e.Body.(act.Mix)
	for _, c := range []struct {
		anew Fields
		from int64
		want func(m *act.Mix)
	}{
		{Fields{}, e.From, func(*act.Mix) {}},
		{Fields{"brix": "62 Brix"}, e.From, func(m *act.Mix) { m.Brix, m.Reading, m.ReadC = 62, 0, 0 }},
		{Fields{What: "13 bags + 40 gal water"}, e.From, func(m *act.Mix) { m.Parts = []act.Goods{{Kind: "sugar", Bags: 13, BagKg: 25}} }},
		{Fields{"bag": "50 lb"}, e.From, func(m *act.Mix) {
			m.Parts = []act.Goods{{Kind: "sugar", Bags: 12, BagKg: tidy(50 * lb), WithinPct: 1}}
		}},
		{Fields{"within": "2 %"}, e.From, func(m *act.Mix) { m.Parts = []act.Goods{{Kind: "sugar", Bags: 12, BagKg: 25, WithinPct: 2}} }},
		{Fields{"empty": "true"}, e.From, func(m *act.Mix) { m.Before = &act.Content{} }},
		{Fields{"left": "10 gal"}, e.From, func(m *act.Mix) { m.Before = &act.Content{L: tidy(10 * gal)} }},
		{Fields{"on": "2026-10-08"}, at(8, 17, 30), func(*act.Mix) {}},
		{Fields{"at": "16:00"}, at(9, 16, 0), func(*act.Mix) {}},
		{Fields{"at": "2026-10-07 16:00"}, at(7, 16, 0), func(*act.Mix) {}},
		{Fields{"name": "nine", "unstirred": "true"}, e.From, func(m *act.Mix) { m.Name, m.Unstirred = "nine", true }},
	} {
		way, f, _ := Of(&act.Act{From: e.From, Body: old}, chicago)
		got, err := Compose(way, Change(f, c.anew), k)
		if err != nil {
			t.Errorf("%v: %v", c.anew, err)
			continue
		}
		want := old
		want.Parts = append([]act.Goods(nil), old.Parts...)
		c.want(&want)
		if got.From != c.from || !reflect.DeepEqual(got.Body, act.Body(want)) {
			t.Errorf("%v:\ngot  %s %+v\nwant %s %+v", c.anew, time.Unix(0, got.From), got.Body, time.Unix(0, c.from), want)
		}
	}
}

// Any goods that can be kept are written down so that they are read the same.
func TestGoodsText(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 5))
	round := func(x, step float64) float64 { return tidy(float64(int(x/step)) * step) }
	for range 2000 {
		g := act.Goods{Kind: act.GoodsKinds[r.IntN(4)]}
		switch n := r.IntN(3); {
		case n == 0:
			g.Bags, g.BagKg = round(1+200*r.Float64(), 0.5), round(1+50*r.Float64(), 0.01)
		case n == 1 || g.Kind == "sugar":
			g.Kg = round(1+2000*r.Float64(), 0.001)
		default:
			g.L = round(1+2000*r.Float64(), 0.001)
			if r.IntN(2) == 0 {
				g.TempC = round(1+30*r.Float64(), 0.1)
			}
		}
		if g.Kind != "sugar" && g.Bags == 0 && r.IntN(2) == 0 {
			g.Brix = round(50+27*r.Float64(), 0.1)
		}
		if r.IntN(2) == 0 {
			g.WithinPct = round(0.1+10*r.Float64(), 0.1)
		}
		text := goodsText(g)
		p, err := parsePart(What, text)
		if err != nil || !reflect.DeepEqual(p.goods, g) {
			t.Fatalf("%q is read as %+v %v, want %+v", text, p.goods, err, g)
		}
	}
}

// Whatever is written, it is read or refused, and what is kept can be kept.
func FuzzCompose(f *testing.F) {
	for _, s := range []string{"12", "40 bags of 50 lb sugar", "3 x 55 gal hfcs-55 at 90 F within 1 %", "12 bags + 40 gal water", "all", "0 kg sugar", "× bags", "at", "within within"} {
		f.Add("mix", s, "62 Brix", "17:30", "$3 a bag")
		f.Add("purchase", s, "", "", "$3 a bag")
	}
	f.Fuzz(func(t *testing.T, way, what, brix, clock, price string) {
		w, ok := WayOf(way)
		if !ok {
			w = Ways()[len(what)%len(Ways())]
		}
		in := Fields{What: what, "at": clock, "empty": "true", "yard": "mill", "why": "spilled", "from": "mixing tank", "brix": brix, "price": price}
		for k := range in {
			if k != What && !strings.Contains(" "+strings.Join(w.Fields, " ")+" ", " "+k+" ") {
				delete(in, k)
			}
		}
		e, err := Compose(w.Name, in, known())
		var fe *act.FieldError
		if err != nil {
			if !errors.As(err, &fe) {
				t.Fatalf("%v is no FieldError", err)
			}
			return
		}
		if err := e.Body.Check(); err != nil {
			t.Fatal(err)
		}
	})
}
