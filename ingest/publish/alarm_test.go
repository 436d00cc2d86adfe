package publish

import (
	"testing"

	"yardtally/meter/ledger"
)

// Changes of alarms wait beside what the ledger tells, and no rewind makes them
// doubtful or void: they were given out, whatever the fills turn out to be.
func TestAlarms(t *testing.T) {
	o, s := openOutbox(t), newStore()
	raised := Alarm{At: dusk + 5*second, Key: "kink+throttle down @7/1200", Change: "raised", What: "kink or throttle down", Priority: "soon", Yard: "mill"}
	leak := Alarm{At: dusk + 5*second, Key: "leak 5", Change: "raised", What: "leak", Priority: "now"}
	back := raised
	back.At, back.Change = dusk+65*second, "returned"
	mustPut(t, o, fill(dusk, 1000, 3, "orchard"), told(dusk+70*second))
	through, _, err := o.Through("heron")
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := o.PutAlarms("heron", []Alarm{raised, leak, back}); err != nil {
			t.Fatal(err)
		}
	}
	if now, _, _ := o.Through("heron"); now != through {
		t.Errorf("alarms moved through from %d to %d", through, now)
	}
	want := []string{
		`fill,rig=heron volume_l=3,duration_s=8,flow_l_per_min=22.5,session=1i,first=1000i,last=2000i,yard="orchard",reason="position",syrup_c=11.5,within_l=0.01,top_up=0i,short=0i,colony=0i,or="",void=false 1790000000123456789`,
		`alarm,rig=heron key="kink+throttle down @7/1200",change="raised",what="kink or throttle down",priority="soon",yard="mill",void=false 1790000005123456789`,
		// Its own place: another series' point of that instant stays.
		`alarm,rig=heron key="leak 5",change="raised",what="leak",priority="now",yard="",void=false 1790000005123456790`,
		`alarm,rig=heron key="kink+throttle down @7/1200",change="returned",what="kink or throttle down",priority="soon",yard="mill",void=false 1790000065123456789`,
	}
	same(t, "points", waiting(t, o), want)
	drain(t, o, s, 10)
	mustPut(t, o, rewound(dusk-second), told(dusk+70*second)) // the fill is no more
	if n, _ := o.Backlog(); n != 1 {
		t.Errorf("%d points wait, want 1: the fill, void", n)
	}
	mustPut(t, o, ledger.Event{Kind: ledger.Restated, At: dusk - second}, told(dusk+70*second))
	if n, _ := o.Backlog(); n != 1 {
		t.Errorf("%d points wait, want 1 still", n)
	}
	if err := o.PutAlarms("", []Alarm{raised}); err == nil {
		t.Error("taken without a rig")
	}
	if err := o.PutAlarms("heron", nil); err != nil {
		t.Error(err)
	}
}
