package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// What a settings file says becomes acts; the journal keeps each change, and
// what was said last holds.
func TestSettingsBecomeActs(t *testing.T) {
	const (
		head = "rig = \"heron\"\nzone = \"America/Chicago\"\n"
		yard = "[[yards]]\nid = \"larch\"\nposition = [43.195, -91.88]\n"
		old  = "[[provings]]\nk_factor = \"100 pulses/L\"\n"
		late = "[[provings]]\nk_factor = \"125 pulses/L\"\nfrom = \"2026-10-09 18:00\"\n"
	)
	a := head + yard + "name = \"Larch Bank\"\n" + old
	b := head + yard + "name = \"Larch Foot\"\n" + old

	data := t.TempDir()
	back, err := openLocal(data, "heron", true)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { back.Close() }()
	now := time.Date(2026, 10, 9, 23, 0, 0, 0, time.UTC).UnixNano()
	say := func(step, text string, added int) *ledger.View {
		t.Helper()
		before, err := back.Acts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		set, err := settings.Parse("heron.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		// The clock stands still, and may: what is said later counts as later.
		if err := sayAll(t.Context(), back, set, now); err != nil {
			t.Fatal(err)
		}
		after, err := back.Acts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if got := len(after) - len(before); got != added {
			t.Errorf("%s: %d acts added, want %d", step, got, added)
		}
		v, err := back.View(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	named := func(step string, v *ledger.View, want string) {
		t.Helper()
		if len(v.Yards) != 1 || v.Yards[0].Name != want {
			t.Errorf("%s: yards %+v, want %s", step, v.Yards, want)
		}
	}
	named("A", say("A", a, 3), "Larch Bank")
	named("A again", say("A again", a, 0), "Larch Bank")
	named("B", say("B", b, 1), "Larch Foot")
	named("B again", say("B again", b, 0), "Larch Foot")
	named("A once more", say("A once more", a, 1), "Larch Bank")

	// The journal remembers over a restart.
	if err := back.Close(); err != nil {
		t.Fatal(err)
	}
	if back, err = openLocal(data, "heron", true); err != nil {
		t.Fatal(err)
	}
	named("A after a restart", say("A after a restart", a, 0), "Larch Bank")

	// Another proving from an evening on: one act, and both hold in their time.
	say("a dated proving", a+late, 1)
	say("a dated proving again", a+late, 0)
	// 100 pulses at each of two instants, 17:59 and 18:01 in Chicago (UTC-5).
	var rec strings.Builder
	count := 1000
	for _, start := range []int{1791586740, 1791586860} {
		for i := range 12 {
			fmt.Fprintf(&rec, `[{"bn":"heron/","bt":%d,"n":"pulses","u":"count","v":%d},{"n":"uptime","u":"s","v":%d}]`+"\n", start+i, count, start+i-1791586000)
			if i < 4 {
				count += 25
			}
		}
	}
	if _, err := back.Import(t.Context(), strings.NewReader(rec.String()), func(imported) {}); err != nil {
		t.Fatal(err)
	}
	v, err := back.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var litres []float64
	for _, f := range v.Fills {
		litres = append(litres, f.Volume.Litres())
	}
	// At 100 pulses/L, then at 125.
	if !slices.Equal(litres, []float64{1, 0.8}) {
		t.Errorf("fills of %v L, want 1 and 0.8", litres)
	}

	// What a person said since stands, until the file says something new.
	now = time.Date(2026, 10, 10, 1, 0, 0, 0, time.UTC).UnixNano()
	hand := act.Act{ID: "by-hand", Rig: "heron", Who: "wren", When: now + 1,
		Body: act.Yard{ID: "larch", Name: "The Bank", Lat: 43.195, Lon: -91.88, EnterM: 60, LeaveM: 96}}
	if _, err := back.AddActs(t.Context(), hand); err != nil {
		t.Fatal(err)
	}
	named("by hand", say("by hand", a+late, 0), "The Bank")
	named("B after by hand", say("B after by hand", b+late, 1), "Larch Foot")
}

// A file for another rig adds nothing.
func TestSettingsOfAnotherRig(t *testing.T) {
	back, err := openLocal(t.TempDir(), "heron", true)
	if err != nil {
		t.Fatal(err)
	}
	defer back.Close()
	set, err := settings.Parse("robin.toml", []byte("rig = \"robin\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if err := sayAll(context.Background(), back, set, 1); err == nil || !strings.Contains(err.Error(), `rig: must be "heron", is "robin"`) {
		t.Errorf("error %v", err)
	}
	if acts, err := back.Acts(t.Context()); err != nil || len(acts) != 0 {
		t.Errorf("acts %v, %v", acts, err)
	}
}
