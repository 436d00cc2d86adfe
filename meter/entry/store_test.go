package entry

import (
	"math"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/sugar"
)

// What is in store and totes is what was bought less what was mixed, and what
// was mixed.
func TestInStoreAndInTotes(t *testing.T) {
	k := known()
	k.Standing[1].Body = act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: 25}, Price: 1100}
	k.Standing = append(k.Standing, act.Act{ID: "d", Rig: "heron", From: at(3, 12, 0), Body: act.Swap{Tote: "tote one"}})
	book := sugar.Read(k.Standing)
	got := InStore(book, k.Standing)
	if len(got) != 1 || got[0].Kind != "sugar" || got[0].Bags() != 38 || math.Abs(float64(got[0].Mass)-950) > 1e-6 || !got[0].HasPrice || math.Abs(got[0].Price-1.1) > 1e-9 {
		t.Errorf("in store %+v", got)
	}
	totes := InTotes(book)
	if len(totes) != 2 || totes[0].Held.Tote != "mixing tank" || totes[0].OnRig || totes[1].Held.Tote != "tote one" || !totes[1].OnRig || totes[1].Volume != 0 {
		t.Fatalf("in totes %+v", totes)
	}
	// 50 kg of sugar and 25 L of water are 74.96 kg of 66.7 %; at 20 °C 66 % has
	// 1.3224 kg/L (older CRC Handbook, calibrate/syrup/testdata/golden_syrup.csv),
	// and each percent more some 0.0056 (slope of the same table).
	if l := totes[0].Volume.Litres(); math.Abs(l-74.96/1.3263) > 0.1 {
		t.Errorf("%.2f L in the tank", l)
	}
}

// What is offered is what is taken where nothing is said.
func TestOffer(t *testing.T) {
	k := known()
	if got := Offer(k, ""); got != "" {
		t.Errorf("offered %q, where nothing tells", got)
	}
	k.View.Steps = []ledger.ToteStep{{At: at(12, 16, 0), Level: 0.1, LevelU: 0.001}}
	got := Offer(k, "")
	if want := `Before it "tote one" held 26.4 gal ± `; len(got) < len(want) || got[:len(want)] != want {
		t.Errorf("offered %q, want %q", got, want)
	}
	x, err := Compose("water", Fields{What: "5 gal"}, k)
	if err != nil || x.Notes[len(x.Notes)-1] != got {
		t.Errorf("taken: %v, %v", x, err)
	}
	if got := Offer(k, "mixing tank"); got == "" {
		t.Error("nothing is offered of the tank, of which the books know")
	}
	if got := Offer(k, "never heard of"); got != "" {
		t.Errorf("of an unknown tote %q", got)
	}
}
