package journal

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"yardtally/meter"
	"yardtally/meter/act"
)

func TestRecordsComeBackAsTheyWere(t *testing.T) {
	for _, sealAfter := range []int{2, 7, 100, 4096} {
		t.Run(fmt.Sprint("sealAfter", sealAfter), func(t *testing.T) {
			rng := rand.New(rand.NewPCG(uint64(sealAfter), 3))
			path := newPath(t)
			j := open(t, path, Options{SealAfter: sealAfter})
			want := map[string][]meter.Record{}
			demos := map[string]*demo{"heron": newDemo(1), "teal": newDemo(2)}
			for round := range 20 {
				b := boot(t, j, fmt.Sprint("boot", round/8))
				for range rng.IntN(40) + rng.IntN(2)*rng.IntN(500) {
					rig := []string{"heron", "teal"}[rng.IntN(2)]
					r := demos[rig].next(b)
					if rng.IntN(4) == 0 {
						r = wild(rng, b)
					}
					if err := j.Append(rig, &r); err != nil {
						t.Fatal(err)
					}
					want[rig] = append(want[rig], clone(&r))
					if int(r.Seq) != len(want[rig]) {
						t.Fatalf("seq %d, want %d", r.Seq, len(want[rig]))
					}
				}
				if err := j.Commit(); err != nil {
					t.Fatal(err)
				}
				if round%7 == 0 {
					if err := j.Close(); err != nil {
						t.Fatal(err)
					}
					j = open(t, path, Options{SealAfter: sealAfter})
				}
				if round%10 == 9 {
					for rig, w := range want {
						mustSame(t, replay(t, j, rig, 0), w)
						after := rng.IntN(len(w))
						mustSame(t, replay(t, j, rig, uint64(after)), w[after:])
					}
				}
			}
			if d := j.Damage(); len(d) != 0 {
				t.Errorf("damage: %v", d)
			}
			s := j.Stats()
			if n := len(want["heron"]) + len(want["teal"]); s.Records != int64(n) {
				t.Errorf("stats say %d records, want %d", s.Records, n)
			}
			if sealAfter <= 100 && s.Blocks == 0 {
				t.Error("nothing was sealed")
			}
			rigs, err := j.Rigs()
			if err != nil || !slices.Equal(rigs, []string{"heron", "teal"}) {
				t.Errorf("rigs: %v, %v", rigs, err)
			}
		})
	}
}

func TestUncommittedIsNotReplayed(t *testing.T) {
	j := open(t, newPath(t), Options{})
	d := newDemo(1)
	r := d.next(boot(t, j, "a"))
	if err := j.Append("heron", &r); err != nil {
		t.Fatal(err)
	}
	if got := replay(t, j, "heron", 0); len(got) != 0 || j.Pending() != 1 {
		t.Fatalf("%d records before the commit, %d pending", len(got), j.Pending())
	}
	if err := j.Commit(); err != nil {
		t.Fatal(err)
	}
	if got := replay(t, j, "heron", 0); len(got) != 1 || j.Pending() != 0 {
		t.Fatalf("%d records after the commit, %d pending", len(got), j.Pending())
	}
}

func TestSecondOwnerIsRefused(t *testing.T) {
	path := newPath(t)
	j := open(t, path, Options{})
	_, err := Open(path, Options{})
	var owned *OwnedError
	if !errors.As(err, &owned) || !strings.Contains(err.Error(), fmt.Sprintf("process %d since 2", os.Getpid())) {
		t.Fatalf("second owner: %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, path, Options{})
}

func TestFilesAreForOwnerAndGroup(t *testing.T) {
	path := newPath(t)
	j := open(t, path, Options{})
	boot(t, j, "a")
	for _, name := range []string{path, path + "-wal", path + ".lock"} {
		fi, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if m := fi.Mode().Perm(); m&0o007 != 0 {
			t.Errorf("%s: mode %o, want nothing for others", filepath.Base(name), m)
		}
	}
}

func yard(id string, colonies int) act.Act {
	return act.Act{ID: id, Rig: "heron", Who: "wren", When: 1790000000e9,
		Body: act.Yard{ID: "orchard", Name: "Orchard End", Lat: 47, Lon: 8, EnterM: 60, LeaveM: 90, Colonies: colonies}}
}

func TestActs(t *testing.T) {
	path := newPath(t)
	j := open(t, path, Options{})
	if added, err := j.AddAct(yard("a1", 20)); !added || err != nil {
		t.Fatal(added, err)
	}
	if added, err := j.AddAct(yard("a1", 20)); added || err != nil {
		t.Fatalf("the same again: added %v, %v", added, err)
	}
	if added, err := j.AddAct(yard("a1", 21)); added || !errors.Is(err, ErrConflict) {
		t.Fatalf("other content: added %v, %v", added, err)
	}
	if added, err := j.AddAct(yard("a2", -1)); added || err == nil || !strings.Contains(err.Error(), "colonies") {
		t.Fatalf("bad act: added %v, %v", added, err)
	}
	later := act.Act{ID: "a3", Rig: "heron", Who: "wren", When: 1, Body: act.Unknown{Name: "pollen", Raw: []byte(`{"g": 3}`)}}
	for i := range 2 {
		if added, err := j.AddAct(later); added != (i == 0) || err != nil {
			t.Fatalf("act of a later version, time %d: added %v, %v", i, added, err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{})
	got, err := j.Acts("heron")
	if err != nil || len(got) != 2 || got[0].ID != "a1" || got[1].ID != "a3" || !reflect.DeepEqual(got[0].Body, yard("a1", 20).Body) {
		t.Fatalf("acts: %+v, %v", got, err)
	}
	if got, err := j.Acts("teal"); err != nil || len(got) != 0 {
		t.Fatalf("another rig's acts: %v, %v", got, err)
	}
}

func TestBoots(t *testing.T) {
	path := newPath(t)
	j := open(t, path, Options{})
	if a, b, again := boot(t, j, "x"), boot(t, j, "y"), boot(t, j, "x"); a != 1 || b != 2 || again != 1 {
		t.Fatal(a, b, again)
	}
	j.Close()
	j = open(t, path, Options{})
	if id, ok := j.BootID(2); !ok || id != "y" {
		t.Fatal(id, ok)
	}
	if _, ok := j.BootID(3); ok {
		t.Fatal("boot 3 is known")
	}
	if n := boot(t, j, "z"); n != 3 {
		t.Fatal(n)
	}
}

func TestCheckpoints(t *testing.T) {
	j := open(t, newPath(t), Options{})
	for _, s := range []string{"one", "two", ""} {
		if err := j.PutCheckpoint("heron", "ledger", []byte(s)); err != nil {
			t.Fatal(err)
		}
		if got, ok, err := j.Checkpoint("heron", "ledger"); string(got) != s || !ok || err != nil {
			t.Fatalf("%q, %v, %v", got, ok, err)
		}
	}
	if _, err := j.db.Exec(`UPDATE checkpoint SET data = x'00'`); err != nil {
		t.Fatal(err)
	}
	if _, ok, err := j.Checkpoint("heron", "ledger"); ok || err != nil {
		t.Fatalf("a bad one: %v, %v", ok, err)
	}
	if err := j.PutCheckpoint("heron", "ledger", []byte("three")); err != nil {
		t.Fatal(err)
	}
	if err := j.DropCheckpoints(); err != nil {
		t.Fatal(err)
	}
	if _, ok, err := j.Checkpoint("heron", "ledger"); ok || err != nil {
		t.Fatalf("a dropped one: %v, %v", ok, err)
	}
}

func TestBadInputIsRefused(t *testing.T) {
	j := open(t, newPath(t), Options{})
	b := boot(t, j, "a")
	one := []meter.Reading{{Channel: meter.Pulses, Value: 1}}
	for _, c := range []struct {
		rig  string
		r    meter.Record
		want string
	}{
		{"", meter.Record{Boot: b, Readings: one}, "rig: must be"},
		{"heron", meter.Record{Boot: b}, "readings: must be"},
		{"heron", meter.Record{Boot: 9, Readings: one}, "boot 9"},
		{"heron", meter.Record{Boot: b, Readings: one, Source: strings.Repeat("x", 256)}, "source"},
		{"heron", meter.Record{Boot: b, Readings: make([]meter.Reading, 256)}, "readings: must be"},
	} {
		if err := j.Append(c.rig, &c.r); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want one with %q", err, c.want)
		}
	}
	if n := j.Pending(); n != 0 {
		t.Errorf("%d pending", n)
	}
	if _, err := j.AppendKept("heron", &meter.Record{Seq: 1 << 60, Boot: b, Readings: one}); err == nil || !strings.Contains(err.Error(), "sequence") {
		t.Errorf("error %v", err)
	}
}

func TestImportTwiceIsHarmless(t *testing.T) {
	a := open(t, newPath(t), Options{SealAfter: 500})
	d := newDemo(5)
	for i := range 2000 {
		r := d.next(boot(t, a, fmt.Sprint("boot", i/900)))
		if err := a.Append("heron", &r); err != nil {
			t.Fatal(err)
		}
		if i%17 == 0 {
			if err := a.Commit(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := a.Commit(); err != nil {
		t.Fatal(err)
	}
	export := replay(t, a, "heron", 0)

	b := open(t, newPath(t), Options{SealAfter: 300})
	boot(t, b, "another board") // so that numbers differ
	put := func(recs []meter.Record, every int) (added int) {
		for i := range recs {
			r := clone(&recs[i])
			id, _ := a.BootID(r.Boot)
			r.Boot = boot(t, b, id)
			ok, err := b.AppendKept("heron", &r)
			if err != nil {
				t.Fatal(err)
			}
			if ok {
				added++
				if r.Seq != recs[i].Seq {
					t.Fatalf("record %d was given %d", recs[i].Seq, r.Seq)
				}
			}
			if i%every == 0 {
				if err := b.Commit(); err != nil {
					t.Fatal(err)
				}
			}
		}
		return added
	}
	if n := put(export[:1200], 400); n != 1200 {
		t.Fatalf("first import added %d", n)
	}
	if n := put(export[600:1200], 50); n != 0 {
		t.Fatalf("the same again added %d", n)
	}
	if n := put(export, 333); n != 800 {
		t.Fatalf("all of it added %d", n)
	}
	if err := b.Commit(); err != nil {
		t.Fatal(err)
	}
	got := replay(t, b, "heron", 0)
	for i := range got {
		id, _ := b.BootID(got[i].Boot)
		got[i].Boot = boot(t, a, id)
	}
	mustSame(t, got, export)

	// A record that differs in one bit is another record; its place is taken.
	r := clone(&export[10])
	id, _ := a.BootID(r.Boot)
	r.Boot = boot(t, b, id)
	r.Readings[0].Value++
	ok, err := b.AppendKept("heron", &r)
	if !ok || err != nil || r.Seq != 2001 {
		t.Fatalf("added %v as %d, %v", ok, r.Seq, err)
	}
}

func TestManyGoroutines(t *testing.T) {
	j := open(t, newPath(t), Options{SealAfter: 64})
	b := boot(t, j, "a")
	var wg sync.WaitGroup
	for i := range 4 {
		rig := fmt.Sprint("rig", i)
		wg.Go(func() {
			d := newDemo(uint64(i))
			for n := range 1000 {
				r := d.next(b)
				if err := j.Append(rig, &r); err != nil {
					t.Error(err)
				}
				if n%50 == 0 {
					if err := j.Commit(); err != nil {
						t.Error(err)
					}
				}
			}
		})
		wg.Go(func() {
			for range 30 {
				next := uint64(1)
				err := j.Replay(rig, 0, func(r *meter.Record) error {
					if r.Seq != next {
						return fmt.Errorf("seq %d, want %d", r.Seq, next)
					}
					next++
					return nil
				})
				if err != nil {
					t.Error(err)
				}
				j.Stats()
			}
		})
	}
	wg.Wait()
	if err := j.Commit(); err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		if got := replay(t, j, fmt.Sprint("rig", i), 0); len(got) != 1000 {
			t.Errorf("rig%d: %d records", i, len(got))
		}
	}
	if d := j.Damage(); len(d) != 0 {
		t.Errorf("damage: %v", d)
	}
}

func TestClosed(t *testing.T) {
	j := open(t, newPath(t), Options{})
	r := newDemo(1).next(boot(t, j, "a"))
	if err := j.Append("heron", &r); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := j.Append("heron", &r); err != ErrClosed {
		t.Error(err)
	}
	if err := j.Commit(); err != ErrClosed {
		t.Error(err)
	}
	if err := j.Close(); err != ErrClosed {
		t.Error(err)
	}
	if _, err := j.AddAct(yard("a", 1)); err != ErrClosed {
		t.Error(err)
	}
}
