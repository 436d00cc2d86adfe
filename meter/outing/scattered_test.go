package outing

import (
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/fill"
)

// What came scattered as only stray pulses are is none of a yard's, unless a
// person says that it was a fill.
func TestScatteredIsSuspect(t *testing.T) {
	n := inOrchard()
	end := n.fills(100, 4, 4, 4, 4)
	n.flow(end+40, 3)
	f := &n.Flows[4]
	f.Stray = fill.AllStray
	a := Make(&n.Seen, &n.Said)
	if len(a.Fills) != 4 || len(a.Loose) != 1 || a.Loose[0].Why != Suspect || a.Loose[0].Note != Scattered || a.Loose[0].First != f.First || a.Loose[0].Last != f.Last {
		t.Fatalf("%d fills, loose %+v; want 4, and the last pull suspect", len(a.Fills), a.Loose)
	}
	n.Deems = []Deem{{Act: "d", Session: f.Session, First: f.First, Last: f.Last, As: act.AsFill}}
	if a = Make(&n.Seen, &n.Said); len(a.Fills) != 5 || len(a.Loose) != 0 {
		t.Errorf("a person says that it was a fill: %d fills, loose %+v; want 5 and none", len(a.Fills), a.Loose)
	}
}

// A burst right before a pull, and one right after it, are cut off.
func TestBurstIsCutOff(t *testing.T) {
	n := inOrchard()
	end := n.fills(100, 4, 4, 4)
	n.flow(end+40, 6)
	f := &n.Flows[3]
	f.Head, f.Tail = f.First+100, f.First+500
	a := Make(&n.Seen, &n.Said)
	if len(a.Fills) != 4 || a.Fills[3].First != f.Head || a.Fills[3].Last != f.Tail || a.Fills[3].Volume != 4*litre {
		t.Errorf("fills %+v, want the last one from %d to %d", a.Fills, f.Head, f.Tail)
	}
	if len(a.Loose) != 2 || a.Loose[0].Note != Scattered || a.Loose[1].Note != Scattered {
		t.Errorf("loose %+v, want two bursts", a.Loose)
	}
}

// Where it is not sure that none of it is syrup, it stays a fill, and says what
// else it may be; but what never was as fast as syrup is no pull with stray pulses
// on top.
func TestPerhapsScattered(t *testing.T) {
	for _, c := range []struct {
		stray   fill.Stray
		most    float32 // Hz; the pulls have 12.5
		suspect bool
	}{{fill.MaybeStray, 13, false}, {fill.MaybeStray, 5, false}, {fill.SomeStray, 9, false}, {fill.SomeStray, 7, true}} {
		n := inOrchard()
		n.fills(100, 4, 4, 4, 4, 4, 4)
		f := &n.Flows[3]
		f.Stray, f.Most = c.stray, c.most
		a := Make(&n.Seen, &n.Said)
		if c.suspect {
			if len(a.Loose) != 1 || a.Loose[0].Note != Scattered {
				t.Errorf("%+v: loose %+v, want it suspect", c, a.Loose)
			}
			continue
		}
		if len(a.Fills) != 6 || a.Fills[3].Or != Suspect || a.Visits[0].Unsure < 1 {
			t.Errorf("%+v: fills %+v, want six, the fourth perhaps suspect", c, a.Fills)
		}
		if steady := a.Fills[3].Stray; steady != (c.stray == fill.SomeStray) {
			t.Errorf("%+v: it says of stray pulses %v", c, steady)
		}
	}
}

// Air comes scattered too, but faster than syrup, and where the tote is low: it
// stays air.
func TestScatteredAirIsAir(t *testing.T) {
	n := inOrchard()
	end := n.fills(100, 4, 4, 4)
	n.flowing(end+40, 4, 8, fill.Pull) // four times as fast
	f := &n.Flows[3]
	f.Stray = fill.AllStray
	n.level(end+60, -3)
	a := Make(&n.Seen, &n.Said)
	if len(a.Loose) != 1 || a.Loose[0].Why != Air {
		t.Errorf("loose %+v, want air", a.Loose)
	}
}
