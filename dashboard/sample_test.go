package dashboard

import (
	"context"
	"math/rand/v2"
	"sync"
	"time"
	_ "time/tzdata"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// Everything here is invented: a night of rig heron.

var zone = func() *time.Location {
	z, err := time.LoadLocation("America/Chicago")
	if err != nil {
		panic(err)
	}
	return z
}()

func at(hour, min, sec int) int64 {
	day := 9
	if hour < 12 {
		day = 10
	}
	return time.Date(2026, 10, day, hour, min, sec, 0, zone).UnixNano()
}

type night struct {
	v     *ledger.View
	rnd   *rand.Rand
	count uint64
	t     int64
}

func newNight() *night {
	n := &night{rnd: rand.New(rand.NewPCG(2, 7)), t: at(20, 41, 12), count: 1000}
	n.v = &ledger.View{Rig: "heron", Records: 9000, Zone: "America/Chicago", PulseVolume: 2 * quantity.Millilitre,
		Yards: []ledger.YardInfo{
			{ID: "larch", Name: "Larch Bank", Colonies: 20, Fill: quantity.USGallon},
			{ID: "mill", Name: "Mill Bottom", Colonies: 18, Fill: quantity.USGallon},
			{ID: "orchard", Name: "Orchard End", Colonies: 24, Fill: quantity.USGallon},
		},
		Tote:  ledger.ToteNow{Known: true, Name: "tote 1", Capacity: 275 * quantity.USGallon, By: "headspace"},
		Syrup: ledger.Last{Value: 8.1, Has: true}, Brix: ledger.Last{Value: 61.5, Has: true}}
	return n
}

func (n *night) pour(yard string, reason ledger.Reason, share float64) {
	v := quantity.Volume(share * float64(quantity.USGallon) / 2e6)
	first := n.count
	n.count += uint64(v)
	dur := int64(share*36e9) + int64(n.rnd.IntN(3e9)) + 1e9
	vol := v * 2 * quantity.Millilitre
	n.v.Fills = append(n.v.Fills, ledger.Fill{Session: 1, First: first, Last: n.count, Start: n.t, End: n.t + dur, Volume: vol,
		Flow: quantity.Flow(vol.CubicMetres() / (float64(dur) / 1e9)), Syrup: 8.3, HasSyrup: true, Yard: yard, Reason: reason})
	n.v.Total += vol
	n.t += dur + 9e9 + int64(n.rnd.IntN(14e9))
}

func (n *night) dribble(yard, why string, gallons float64) {
	v := quantity.Volume(gallons * float64(quantity.USGallon))
	n.v.Loose = append(n.v.Loose, ledger.Loose{Session: 1, Start: n.t, End: n.t + 4e9, Volume: v, Why: why, Yard: yard, Reason: ledger.ByPosition})
	n.v.Total += v
	n.t += 12e9
}

func (n *night) usual() float64 { return 0.97 + n.rnd.Float64()*0.07 }

// sample is a night as it stands in the second of three yards, a fill open.
func sample() *Snapshot {
	n := newNight()
	n.dribble("orchard", "dribble", 0.41)
	for i := range 23 {
		switch i {
		case 8:
			n.pour("orchard", ledger.ByPosition, 0.34)
		case 15:
			n.pour("orchard", ledger.ByPosition, 0.71)
			n.dribble("orchard", "dribble", 0.05)
		default:
			n.pour("orchard", ledger.ByPosition, n.usual())
		}
	}
	n.t += 4e11
	n.pour("", ledger.NoYard, 0.98)
	n.t += 3e11
	since := n.t - 5e10
	n.dribble("mill", "dribble", 0.08)
	for i := range 12 {
		switch i {
		case 4:
			n.pour("mill", ledger.ByHand, 1.02)
		case 6:
			n.pour("mill", ledger.ByPosition, 0.22)
		case 9:
			n.dribble("mill", "unseen", 0.12)
			n.pour("mill", ledger.ByPosition, 1)
		default:
			n.pour("mill", ledger.ByPosition, n.usual())
		}
	}
	n.pour("mill", ledger.ByPosition, 0.58)
	f := &n.v.Fills[len(n.v.Fills)-1]
	f.Open = true
	now := f.End
	n.v.At, n.v.Settled, n.v.Here = now, now-3e9, ledger.Here{Yard: "mill", Reason: ledger.ByPosition, Since: since, FixAt: now}
	n.v.Syrup.At, n.v.Flow, n.v.FlowAt = now, f.Flow, now
	n.v.Tote.At, n.v.Tote.Volume, n.v.Tote.Level = now, 182*quantity.USGallon, 0.702
	n.v.Tote.Usable = n.v.Tote.Volume - 2*quantity.USGallon
	return &Snapshot{View: n.v, Units: quantity.US, Zone: zone, Now: now + 2e8,
		Live: Live{Flow: f.Flow, FlowAt: now, Level: 0.7013, Tote: 1816 * quantity.USGallon / 10, ToteAt: now + 1, Syrup: 8.1, SyrupAt: now},
		Sources: []SourceLine{
			{Name: "serial", Phase: "open", Since: time.Unix(0, at(20, 30, 0)), LastAt: time.Unix(0, now), Dropped: 3,
				Why: map[string]uint64{"wrong checksum": 2, "no checksum": 1}},
			{Name: "mqtt", Phase: "open", Since: time.Unix(0, at(20, 30, 0)), LastAt: time.Unix(0, now)},
		}}
}

// many is a night with so many fills in one yard.
func many(fills int) *Snapshot {
	s := sample()
	n := newNight()
	for range fills {
		n.pour("mill", ledger.ByPosition, n.usual())
	}
	v := *s.View
	v.Fills, v.Loose = n.v.Fills, nil
	s.View = &v
	s.Now = n.t
	return s
}

// feed is a Feed a test turns by hand.
type feed struct {
	mu    sync.Mutex
	snap  *Snapshot
	ticks map[chan struct{}]bool
}

func newFeed(s *Snapshot) *feed { return &feed{snap: s, ticks: map[chan struct{}]bool{}} }

func (f *feed) Snapshot() *Snapshot {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.snap
}

func (f *feed) Watch(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.ticks[c] = true
	context.AfterFunc(ctx, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		delete(f.ticks, c)
		close(c)
	})
	return c
}

func (f *feed) set(s *Snapshot) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap = s
	for c := range f.ticks {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// watched returns how many are watching.
func (f *feed) watched() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.ticks)
}
