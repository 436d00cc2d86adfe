package ledger

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"yardtally/meter"
	"yardtally/meter/act"
)

const day = 86400 * sec

// evenings tells several evenings one after the other, each some 24 h after the
// one before; where on says so, the rig stays switched on through the day after
// and says what it has to say once a minute.
func evenings(n int, on func(k int) bool) []meter.Record {
	var all []meter.Record
	base := uint64(1000)
	add := func(recs []meter.Record, shift int64) {
		for i := range recs {
			r := recs[i]
			r.Seq, r.Mono, r.Wall = uint64(len(all)+1), r.Mono+shift, r.Wall+shift
			all = append(all, r)
		}
	}
	for k := range n {
		s := evening()
		s.base, s.up = base, 5000+float64(k)*86400
		add(serial(s.tell()), int64(k)*day)
		base = s.count(s.length)
		if on(k) {
			var idle []message
			for t := s.length + 60; t < 86400-60; t += 60 {
				idle = append(idle, message{t, []meter.Reading{{Channel: meter.Pulses, Value: float64(base)}, {Channel: meter.Uptime, Value: s.up + t}}},
					message{t + 1, []meter.Reading{{Channel: meter.Lat, Value: 43.230}, {Channel: meter.Lon, Value: -91.900}, {Channel: meter.HDOP, Value: 0.9}}})
			}
			add(serial(idle), int64(k)*day)
		}
	}
	return all
}

// Outings that are over are remembered: at any moment of several days the view
// is what deriving everything anew gives, whatever was said meanwhile, and what
// was told is what the view has.
func TestOutingsRemembered(t *testing.T) {
	for seed := range uint64(3) {
		r := rand.New(rand.NewPCG(seed, 5))
		recs := evenings(4, func(k int) bool { return k == 1 })
		acts := settings()
		l := New("heron")
		l.SetActs(acts)
		var heard told
		look := map[int]bool{}
		for range 12 {
			look[r.IntN(len(recs))] = true
		}
		for i := range recs {
			l.Add(&recs[i])
			if i%50 == 0 || look[i] {
				if l.Stale() {
					if err := l.Refold(replayOf(recs[:i+1])); err != nil {
						t.Fatal(err)
					}
				}
				l.Settle(0)
				heard.take(l.Take())
			}
			if !look[i] {
				continue
			}
			acts = append(acts, randomAct(r, l.View(), len(acts)))
			l.SetActs(acts)
			if l.Stale() {
				if err := l.Refold(replayOf(recs[:i+1])); err != nil {
					t.Fatal(err)
				}
			}
			l.Settle(0)
			heard.take(l.Take())
			same(t, fmt.Sprintf("seed %d, record %d", seed, i), results(l.View()), results(replayed(t, acts, recs[:i+1]).View()))
		}
		l.Settle(math.MaxInt64 / 2)
		heard.take(l.Take())
		v := l.View()
		if len(v.Outings) != 4 || len(v.Visits) < 8 || v.Outings[0].Visits == 0 {
			t.Errorf("seed %d: outings %+v, %d visits", seed, v.Outings, len(v.Visits))
		}
		want := map[string]bool{}
		for _, f := range v.Fills {
			e := Event{Kind: FillDone, At: f.Start, Fill: &f}
			want[keyOf(e)] = true
			if got, ok := heard.is[keyOf(e)]; !ok || *got.Fill != f {
				t.Errorf("seed %d: told %+v, the view has %+v", seed, got.Fill, f)
			}
		}
		for _, x := range v.Loose {
			e := Event{Kind: LooseDone, At: x.Start, Loose: &x}
			want[keyOf(e)] = true
			if got, ok := heard.is[keyOf(e)]; !ok || *got.Loose != x {
				t.Errorf("seed %d: told %+v, the view has %+v", seed, got.Loose, x)
			}
		}
		for _, k := range slices.Sorted(maps.Keys(heard.is)) {
			if e := heard.is[k]; (e.Fill != nil || e.Loose != nil) && !want[k] {
				t.Errorf("seed %d: told and not in the view: %s", seed, k)
			}
		}
		// A saved state goes on from there.
		data, err := l.Save()
		if err != nil || data == nil {
			t.Fatalf("saved %d bytes, %v", len(data), err)
		}
		again := New("heron")
		again.SetActs(acts)
		if err := again.Load(data, replayOf(recs)); err != nil {
			t.Fatal(err)
		}
		again.Settle(math.MaxInt64 / 2)
		same(t, "loaded", results(again.View()), results(v))
	}
}

// randomAct says something of what is there.
func randomAct(r *rand.Rand, v *View, n int) act.Act {
	a := act.Act{ID: fmt.Sprint("r", n), Rig: "heron", Who: "wren", When: t0 + int64(n)*sec}
	at := act.Moment{NS: t0 + r.Int64N(3*day)}
	yard := []string{"orchard", "mill", ""}[r.IntN(3)]
	if len(v.Fills) > 0 {
		f := v.Fills[r.IntN(len(v.Fills))]
		at = act.Moment{NS: f.End + 2*sec}
		switch r.IntN(5) {
		case 0:
			a.Body = act.Assign{Session: f.Session, First: f.First, Last: f.Last, Yard: yard}
		case 1:
			a.Body = act.Deem{Session: f.Session, First: f.First, Last: f.Last, As: []string{act.AsPriming, act.AsTopUp, act.AsSpill}[r.IntN(3)]}
		case 2:
			a.Body = act.Cut{Session: f.Session, At: (f.First + f.Last) / 2}
		}
		if a.Body != nil {
			return a
		}
	}
	switch r.IntN(7) {
	case 0:
		a.Body = act.Colony{At: at, What: act.Dead, Yard: "mill"}
	case 1:
		a.Body = act.Colony{At: at, What: act.Skipped}
	case 2:
		a.Body = act.Arrive{At: at, Yard: yard}
	case 3:
		a.Body = act.Visit{At: at, Goes: r.IntN(2) == 0}
	case 4:
		a.Body, a.From = act.Proving{PulsesPerL: 90 + 20*r.Float64()}, at.NS
	case 5:
		a.Body, a.From = act.Colonies{Yard: "orchard", Count: 3 + r.IntN(6)}, at.NS
	default:
		a.Body = act.Yard{ID: "larch", Name: "Larch Bank", Lat: 43.2301, Lon: -91.9003, EnterM: 120, LeaveM: 200, Colonies: 4}
	}
	return a
}
