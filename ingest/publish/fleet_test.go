package publish

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"yardtally/ingest/publish/influxtest"
	"yardtally/meter/ledger"
)

// What a fleet gave, as a real InfluxDB adds it up, is what its rigs told: void
// points are left out, and so is what is outside the stretch.
func realFleet(t *testing.T, s *influxtest.Server) {
	o := openOutbox(t)
	type sum struct {
		n           int
		litres      float64
		first, last int64
	}
	want := map[string]sum{} // by rig and yard
	void := 0
	for i := range 5 {
		rig := fmt.Sprintf("rig-%d", i)
		put := func(events ...ledger.Event) {
			t.Helper()
			if err := o.Put(rig, events); err != nil {
				t.Fatal(err)
			}
		}
		// Half of it is told again, and otherwise: what was there is void.
		first, again := tell(0, 100, i), tell(100, 100, i+10)
		put(first...)
		before := tell(100, 100, i+20)
		put(before...)
		put(append([]ledger.Event{rewound(stretch(100) + 1)}, again...)...)
		for _, e := range before {
			if e.Fill != nil {
				void++
			}
		}
		for _, e := range append(first, again...) {
			if e.Fill == nil || e.Fill.Start < stretch(10) || e.Fill.Start >= stretch(150) {
				continue
			}
			k := want[rig+" "+e.Fill.Yard]
			if k.n == 0 {
				k.first = e.Fill.Start
			}
			want[rig+" "+e.Fill.Yard] = sum{k.n + 1, k.litres + e.Fill.Volume.Litres(), k.first, e.Fill.Start}
		}
	}
	if void == 0 {
		t.Fatal("nothing was told otherwise")
	}
	f := forward(t, s, o, Options{})
	await(t, f, "idle", idle)
	opt := Options{URL: s.URL, Token: s.Token(), Bucket: s.Bucket()}
	rigs, err := Fleet(t.Context(), opt, time.Unix(0, stretch(10)), time.Unix(0, stretch(150)))
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]sum{}
	for _, r := range rigs {
		for _, y := range r.Yards {
			got[r.Rig+" "+y.Yard] = sum{y.Pulls, y.Volume.Litres(), y.First.Truncate(time.Microsecond).UnixNano(), y.Last.Truncate(time.Microsecond).UnixNano()}
			if y.Solids != 0 { // the test's fills have none
				t.Errorf("%s: %+v", r.Rig, y)
			}
		}
		if at := r.Sampled.UnixNano(); at < stretch(148) || at >= stretch(150) {
			t.Errorf("%s was sampled at %v", r.Rig, r.Sampled)
		}
	}
	if len(got) != len(want) || len(rigs) != 5 {
		t.Errorf("%d rigs, %d yards, want 5 and %d", len(rigs), len(got), len(want))
	}
	for k, w := range want {
		if g := got[k]; g.n != w.n || g.first != w.first || g.last != w.last || math.Abs(g.litres-w.litres) > 1e-6 {
			t.Errorf("%s: %+v, want %+v", k, g, w)
		}
	}

	if rigs, err := Fleet(t.Context(), opt, time.Unix(0, dusk-86400*second), time.Unix(0, dusk-80000*second)); err != nil || len(rigs) != 0 {
		t.Errorf("before all: %v, %v", rigs, err)
	}
	opt.Token = "wren:wrong"
	if _, err := Fleet(t.Context(), opt, time.Unix(0, dusk), time.Unix(0, dusk+1)); err == nil || strings.Contains(err.Error(), "wrong") {
		t.Errorf("with a wrong token: %v", err)
	}
	if _, err := Fleet(t.Context(), opt, time.Unix(0, dusk), time.Unix(0, dusk)); err == nil || !strings.Contains(err.Error(), "from must be before to") {
		t.Errorf("of no time: %v", err)
	}
}
