package entry_test

import (
	"fmt"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/entry"
	"yardtally/meter/ledger"
)

// What a person writes becomes an act, with notes of what was taken as usual; what
// cannot be read names its field.
func ExampleCompose() {
	k := &entry.Known{Now: 1790000000e9, Zone: time.UTC, View: &ledger.View{Rig: "heron"}, Units: quantity.US, Currency: "$"}
	e, err := entry.Compose("purchase", entry.Fields{entry.What: "20 bags of 25 kg sugar", "price": "$26.50 a bag"}, k)
	if err != nil {
		fmt.Println(err)
		return
	}
	p := e.Body.(act.Purchase)
	fmt.Println(p.Goods.Bags, p.Goods.BagKg, p.Price)
	_, err = entry.Compose("purchase", entry.Fields{entry.What: "20 of sugar"}, k)
	fmt.Println(err)
	// Output:
	// 20 25 530
	// what: must name its unit, one of bags, lb, oz, kg, g, t, gal, qt, pt, L, mL, m3, is "20 of sugar"
}
