package dashboard

import (
	"context"
	"math/rand/v2"
	"sync"
	"time"
	_ "time/tzdata"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	ltote "yardtally/meter/tote"
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
	n.v.Fills = append(n.v.Fills, ledger.Fill{Session: 1, Short: share < 0.8, Visit: n.visit(yard, reason, n.t+dur), First: first, Last: n.count, Start: n.t, End: n.t + dur, Volume: vol,
		Flow: quantity.Flow(vol.CubicMetres() / (float64(dur) / 1e9)), Syrup: 8.3, HasSyrup: true, Yard: yard, Reason: reason})
	n.v.Total += vol
	n.t += dur + 9e9 + int64(n.rnd.IntN(14e9))
}

func (n *night) dribble(yard, why string, gallons float64) {
	v := quantity.Volume(gallons * float64(quantity.USGallon))
	n.v.Loose = append(n.v.Loose, ledger.Loose{Session: 1, Visit: n.visit(yard, ledger.ByPosition, n.t+4e9), Start: n.t, End: n.t + 4e9, Volume: v, Why: why, Yard: yard, Reason: ledger.ByPosition})
	n.v.Total += v
	n.t += 12e9
}

// visit returns the visit that flow belongs to: the newest, or one that begins.
func (n *night) visit(yard string, reason ledger.Reason, end int64) int {
	if k := len(n.v.Visits) - 1; k < 0 || n.v.Visits[k].Yard != yard || n.t-n.v.Visits[k].To > outing.Pause {
		n.v.Visits = append(n.v.Visits, ledger.Visit{Yard: yard, Reason: reason, From: n.t})
	}
	k := len(n.v.Visits) - 1
	n.v.Visits[k].To = end
	return k
}

// topUp pours once more for the colony before.
func (n *night) topUp(share float64) {
	f := n.v.Fills[len(n.v.Fills)-1]
	n.pour(f.Yard, f.Reason, share)
	n.v.Fills[len(n.v.Fills)-2].Short = false // what the colony got counts
	last := &n.v.Fills[len(n.v.Fills)-1]
	last.TopUp, last.Short = true, false
}

// account adds the visits up, as the ledger does.
func (n *night) account() {
	v := n.v
	for k := range v.Visits {
		x := &v.Visits[k]
		x.Over = k < len(v.Visits)-1
		for _, y := range v.Yards {
			if y.ID == x.Yard {
				x.Colonies, x.Meant = y.Colonies, y.Fill
			}
		}
		x.Pulls, x.Fills, x.TopUps, x.Short, x.Half, x.Volume, x.Loose = 0, 0, 0, 0, 0, 0, 0
	}
	for i := range v.Fills {
		f := &v.Fills[i]
		x := &v.Visits[f.Visit]
		x.Pulls++
		x.Volume += f.Volume
		if f.TopUp {
			x.TopUps++
		} else {
			x.Fills++
		}
		if f.Short = f.Short && !f.Open; f.Short {
			x.Short++
			if f.Volume < x.Meant/2 {
				x.Half++
			}
		}
	}
	for i := range v.Loose {
		v.Visits[v.Loose[i].Visit].Loose += v.Loose[i].Volume
	}
	for k := range v.Visits {
		if x := &v.Visits[k]; x.Colonies > 0 {
			x.Missing = x.Colonies - (x.Fills + x.Skipped + x.Dead - x.Twice + x.Sharing)
		}
	}
	v.Outings = nil
	for _, x := range v.Visits {
		last := len(v.Outings) - 1
		if last < 0 || x.From-v.Outings[last].To > outing.Pause {
			v.Outings = append(v.Outings, ledger.Outing{From: x.From})
			last++
		}
		v.Outings[last].To = x.To
		v.Outings[last].Visits++
	}
}

func (n *night) usual() float64 { return 0.97 + n.rnd.Float64()*0.07 }

// sample is a night as it stands in the second of three yards, a fill open.
func sample() *Snapshot {
	n := newNight()
	n.dribble("orchard", "priming", 0.41)
	n.v.Loose[0].Note = "a small first pull"
	for i := range 23 {
		switch i {
		case 8:
			n.pour("orchard", ledger.ByPosition, 0.34)
		case 15:
			n.pour("orchard", ledger.ByPosition, 0.71)
			n.topUp(0.24)
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
		case 8:
			n.pour("mill", ledger.ByPosition, 0.62)
			n.topUp(0.3)
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
	n.account()
	n.v.At, n.v.Settled, n.v.Here = now, now-3e9, ledger.Here{Yard: "mill", Reason: ledger.ByPosition, Since: since, FixAt: now}
	n.v.Syrup.At, n.v.Flow, n.v.FlowAt = now, f.Flow, now
	n.v.Tote.At, n.v.Tote.Volume, n.v.Tote.Level = now, 182*quantity.USGallon, 0.702
	n.v.Tote.Usable = n.v.Tote.Volume - 2*quantity.USGallon
	n.v.Left = leftOf(n.v.Tote.Usable, 5, 20)
	return &Snapshot{View: n.v, Units: quantity.US, Zone: zone, Now: now + 2e8,
		Live: Live{Flow: f.Flow, FlowAt: now, Level: 0.7013, Tote: 1816 * quantity.USGallon / 10, ToteAt: now + 1, Syrup: 8.1, SyrupAt: now},
		Sources: []SourceLine{
			{Name: "serial", Phase: "open", Since: time.Unix(0, at(20, 30, 0)), LastAt: time.Unix(0, now), Dropped: 3,
				Why: map[string]uint64{"wrong checksum": 2, "no checksum": 1}},
			{Name: "mqtt", Phase: "open", Since: time.Unix(0, at(20, 30, 0)), LastAt: time.Unix(0, now)},
		}}
}

// twice is the sample as the second outing of its night: Larch Bank and some of
// Orchard End were fed in the afternoon, and the counter board was off between.
func twice() *Snapshot {
	s := sample()
	n := newNight()
	n.t = at(14, 3, 0)
	n.dribble("larch", outing.Priming, 0.4)
	for i := range 19 {
		if i == 7 {
			n.pour("larch", ledger.ByPosition, 0.41)
		} else {
			n.pour("larch", ledger.ByPosition, n.usual())
		}
	}
	n.t += 3e11
	n.pour("", ledger.NoYard, 0.5)
	n.t += 2e11
	for range 4 {
		n.pour("orchard", ledger.ByTap, n.usual())
	}
	before, v := n.v, *s.View
	shift := len(before.Visits)
	for i := range v.Fills {
		v.Fills[i].Session, v.Fills[i].Visit = 2, v.Fills[i].Visit+shift
	}
	for i := range v.Loose {
		v.Loose[i].Session, v.Loose[i].Visit = 2, v.Loose[i].Visit+shift
	}
	v.Fills, v.Loose, v.Visits, v.Total = append(before.Fills, v.Fills...), append(before.Loose, v.Loose...), append(before.Visits, v.Visits...), before.Total+v.Total
	n.v = &v
	n.account()
	v.Left = leftOf(v.Tote.Usable, 5, 0)
	s.View = &v
	return s
}

// leftOf is what is left where so many colonies of Mill Bottom, and then of
// Larch Bank, still want a gallon each; without Larch Bank for next of 0.
func leftOf(usable quantity.Volume, here, next int) ledger.Left {
	const gal = quantity.USGallon
	h := ltote.Holding{Usable: usable, U: 3 * gal / 2}
	need := func(n int) ltote.Need { return ltote.Need{Colonies: n, Each: gal, Scatter: 0.05} }
	after := h
	after.Usable -= quantity.Volume(here) * gal
	left := ledger.Left{Known: true, Yard: "mill", There: ltote.Left(h, need(here)), Tonight: ltote.Left(h, need(here+next))}
	if next > 0 {
		left.Yards = []ledger.YardLeft{{Yard: "larch", Colonies: next, Each: gal, Outlook: ltote.Left(after, need(next))}}
	}
	return left
}

// many is a night with so many fills in one yard.
func many(fills int) *Snapshot {
	s := sample()
	n := newNight()
	for range fills {
		n.pour("mill", ledger.ByPosition, n.usual())
	}
	n.account()
	v := *s.View
	v.Fills, v.Loose, v.Visits, v.Outings = n.v.Fills, nil, n.v.Visits, n.v.Outings
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
