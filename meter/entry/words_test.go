package entry

import (
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

func TestWords(t *testing.T) {
	bags := act.Goods{Kind: "sugar", Bags: 8, BagKg: 25}
	for _, c := range []struct {
		b    act.Body
		want string
	}{
		{act.Purchase{Goods: bags, Price: 120.5, Lot: "L7"}, "purchase: 8 bags of 25 kg of sugar, price 120.50, lot L7"},
		{act.Purchase{Goods: act.Goods{Kind: "hfcs-55", L: 200, Brix: 76.8}}, "purchase: 200.0 L of hfcs-55 at 76.8 Brix"},
		{act.Count{Goods: act.Goods{Kind: "sugar", Bags: 1, BagKg: 25}, Price: 15}, "count: 1 bag of 25 kg of sugar in the store, which cost 15.00"},
		{act.Count{Goods: act.Goods{Kind: "hfcs-42"}, Empty: true}, "count: no hfcs-42 in the store"},
		{act.Mix{Name: "first", Parts: []act.Goods{bags, {Kind: "hfcs-55", Kg: 100}}, WaterL: 120, Brix: 64, VolumeL: 300, Unstirred: true, Before: &act.Content{L: 40}},
			"mix: first, 8 bags of 25 kg of sugar and 100 kg of hfcs-55 and 120.0 L of water into the tote on the rig, which held 40.0 L, 64 Brix, 300.0 L of it, not stirred"},
		{act.Mix{Tote: "two", Parts: []act.Goods{bags}, Reading: 61}, "mix: 8 bags of 25 kg of sugar and water into tote two, which a refractometer read as 61 Brix"},
		{act.Mix{Parts: []act.Goods{{Kind: "hfcs-55", Kg: 100}}}, "mix: 100 kg of hfcs-55 into the tote on the rig"},
		{act.Transfer{FromTote: "two", L: 300}, "transfer: 300.0 L of tote two into the tote on the rig"},
		{act.Transfer{ToTote: "two", All: true, Before: &act.Content{}}, "transfer: all of the tote on the rig into tote two, which held 0.0 L"},
		{act.Transfer{FromTote: "two", L: 300, All: true}, "transfer: all, 300.0 L, of tote two into the tote on the rig"},
		{act.Swap{Tote: "two"}, "swap: tote two stands on the rig"},
		{act.Water{Kg: 20, Unstirred: true}, "water: 20.0 kg into the tote on the rig, not stirred"},
		{act.Water{Tote: "two", L: 20}, "water: 20.0 L into tote two"},
		{act.Stirred{Brix: 62}, "stirred: the tote on the rig, 62 Brix"},
		{act.Rinse{L: 40}, "rinse: 40.0 L of water through meter and hose"},
		{act.Lost{L: 20, Why: act.Spilled}, "loss: 20.0 L from the tote on the rig spilled"},
		{act.Lost{Goods: &act.Goods{Kind: "sugar", Kg: 3}, Why: act.Spoiled}, "loss: 3.0 kg of sugar from the store spoiled"},
		{act.Fed{Goods: &act.Goods{Kind: "sugar", Kg: 12}, Yard: "larch", Colonies: 12, Note: "on paper"}, "fed: 12.0 kg of sugar from the store past the meter in yard larch, to 12 colonies, on paper"},
		{act.Fed{Tote: "two", L: 15, Yard: "mill"}, "fed: 15.0 L from tote two past the meter in yard mill"},
		{act.Contents{L: 300}, "content: the tote on the rig held 300.0 L"},
		{act.Statement{Number: 3, Title: "autumn"}, "statement: number 3, autumn"},
		{act.Statement{Number: 4}, "statement: number 4"},
	} {
		if got := Words(c.b, quantity.SI, ""); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
