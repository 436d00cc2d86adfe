package sugar_test

import (
	"fmt"

	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// Forty bags were bought, and eight went into a mix: what is left follows.
func ExampleRead() {
	b := sugar.Read([]act.Act{
		{ID: "a", Rig: "heron", When: 1, From: 1, Body: act.Purchase{Goods: act.Goods{Kind: act.SugarGoods, Bags: 40, BagKg: 25}}},
		{ID: "b", Rig: "heron", When: 2, From: 2, Body: act.Mix{Name: "first", Tote: "mixing tank", Parts: []act.Goods{{Kind: act.SugarGoods, Bags: 8, BagKg: 25}}, WaterL: 110}},
	})
	solids, _ := b.Stock(act.SugarGoods).Left()
	fmt.Println(float64(solids)/1e9, "kg in store;", len(b.Review), "to review")
	// Output:
	// 800 kg in store; 0 to review
}
