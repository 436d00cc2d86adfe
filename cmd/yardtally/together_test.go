package main

import (
	"bytes"
	"context"
	"reflect"
	"strings"
	"testing"
	"time"

	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// Two copies of a journal, the rig's and one at home, are added to apart and
// come together by a file each way: both end with the same, however often it is
// carried, and where they disagree both say so.
func TestCopiesComeTogether(t *testing.T) {
	ctx := t.Context()
	open := func() *local {
		b, err := openLocal(t.TempDir(), "heron", true)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { b.Close() })
		return b
	}
	export := func(b backend) []byte {
		t.Helper()
		var buf bytes.Buffer
		if err := b.Export(ctx, &buf); err != nil {
			t.Fatal(err)
		}
		return buf.Bytes()
	}
	bring := func(to backend, data []byte) imported {
		t.Helper()
		done, err := to.Import(ctx, bytes.NewReader(data), func(imported) {})
		if err != nil {
			t.Fatal(err)
		}
		return done
	}
	view := func(b backend) *ledger.View {
		t.Helper()
		v, err := b.View(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	say := func(b backend, acts ...act.Act) {
		t.Helper()
		if _, err := b.AddActs(ctx, acts...); err != nil {
			t.Fatal(err)
		}
	}
	night := func(seed uint64, days int) []byte {
		t.Helper()
		n := rigsim.SmallNight(seed)
		n.Start = n.Start.AddDate(0, 0, days)
		// The counter board is switched on for each night.
		n.Meter.Count, n.Meter.Uptime, n.Meter.Boots = 0, 20*time.Second, uint64(10+days)
		rig, err := rigsim.New(n)
		if err != nil {
			t.Fatal(err)
		}
		var buf []byte
		for s := range rig.All() {
			if buf, err = rigsim.Pack(buf, "heron", s, true); err != nil {
				t.Fatal(err)
			}
			buf = append(buf, '\n')
		}
		return buf
	}

	rig, home := open(), open()
	yard := func(id string, enter float64, over ...string) act.Act {
		return act.Act{ID: id, Rig: "heron", Who: "wren", When: time.Date(2026, 10, 8, 9, len(over), 0, 0, time.UTC).UnixNano(), Replaces: over,
			Body: act.Yard{ID: "orchard", Name: "Orchard End", Lat: 43.22, Lon: -91.88, EnterM: enter, LeaveM: 200}}
	}
	say(rig, act.Act{ID: "k", Rig: "heron", Who: "wren", When: 1, Body: act.Proving{PulsesPerL: 132}}, yard("y", 90))
	bring(rig, night(1, 0))
	bring(home, export(rig))
	if a, b := view(rig), view(home); !reflect.DeepEqual(a.Fills, b.Fills) || len(a.Fills) == 0 {
		t.Fatalf("after the first carrying: %d fills on the rig, %d at home, or not the same", len(a.Fills), len(b.Fills))
	}

	// Apart: another night on the rig, a night found on an old card at home, a
	// fill moved by hand at home, and the yard corrected on both.
	bring(rig, night(2, 1))
	bring(home, night(3, -2))
	f := view(home).Fills[0]
	for _, g := range view(home).Fills {
		if g.Start > f.Start { // one of the night both have
			f = g
		}
	}
	say(home, act.Act{ID: "m", Rig: "heron", Who: "wren", When: 1_760_000_000_000_000_000, Body: act.Assign{Session: f.Session, First: f.First, Last: f.Last, Yard: "orchard"}})
	say(rig, yard("yr", 80, "y"))
	say(home, yard("yh", 70, "y"))

	toHome, toRig := export(rig), export(home)
	bring(home, toHome)
	bring(rig, toRig)
	for i := range 2 {
		if d := bring(home, toHome); d.Records != 0 || d.Acts != 0 || len(d.Conflicts) != 0 {
			t.Errorf("carried home again, time %d: %+v", i+2, d)
		}
		if d := bring(rig, toRig); d.Records != 0 || d.Acts != 0 || len(d.Conflicts) != 0 {
			t.Errorf("carried to the rig again, time %d: %+v", i+2, d)
		}
	}
	a, b := view(rig), view(home)
	a.Placed, b.Placed = ledger.Placing{}, ledger.Placing{} // which boot is the newest differs
	if !reflect.DeepEqual(a, b) {
		t.Errorf("the copies differ:\n%+v\n%+v", a, b)
	}
	if n := ledger.Tally(a, 0, 1<<62); n.Total != a.Total {
		t.Errorf("the sum of all nights is %v, the total %v", n.Total, a.Total)
	}
	moved := false
	for _, g := range a.Fills {
		moved = moved || g.Start == f.Start && g.Yard == "orchard" && g.Reason == ledger.ByHand
	}
	if !moved {
		t.Error("the fill moved at home is not moved on the rig")
	}
	// Neither correction of the yard knew of the other: that is said, not guessed.
	if len(a.Review) != 1 || !strings.Contains(a.Review[0].Why, "without knowing") {
		t.Errorf("to settle: %+v", a.Review)
	}
	say(rig, yard("ys", 75, "yr", "yh"))
	bring(home, export(rig))
	if v := view(home); len(v.Review) != 0 || v.Yards[0].EnterM != 75 {
		t.Errorf("settled on the rig, at home: %+v, %+v", v.Review, v.Yards)
	}

	// An act under a known id that says something else is refused and named, and
	// what comes with it is taken all the same.
	forged := strings.ReplaceAll(string(export(rig)), `"enter_m":80`, `"enter_m":81`)
	third := open()
	bring(third, export(home)[:len(export(home))/2])
	done, err := third.Import(context.Background(), strings.NewReader(forged), func(imported) {})
	if err != nil || len(done.Conflicts) != 1 || !strings.Contains(done.Conflicts[0], "yr") || done.Records == 0 {
		t.Errorf("a conflict of ids: %v, %+v", err, done)
	}
}
