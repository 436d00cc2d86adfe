package rigsim

import (
	"container/heap"
	"iter"
	"time"
)

// Window is a stretch of time, From included, To not.
type Window struct{ From, To time.Time }

// Rough is a wire that loses, doubles and delays messages. Shares are of
// messages, 0 to 1. The rig itself knows nothing of it: the counter goes on.
type Rough struct {
	Seed    uint64
	Lose    float64
	Double  float64 // come a second time, up to LateBy (at least 1 s) later
	Late    float64 // come LateBy later
	LateBy  time.Duration
	Outages []Window // all that is said meanwhile is lost
}

// Carry returns what comes out at the far end, in order of arrival, with the
// time of arrival. Messages must go in in order of time. It holds back only
// what is still under way.
func (w Rough) Carry(said iter.Seq[Said]) iter.Seq2[time.Time, Said] {
	return func(yield func(time.Time, Said) bool) {
		rng := stream(w.Seed, seedWire)
		var way underWay
		n := 0
		add := func(at time.Time, s Said) {
			heap.Push(&way, parcel{at, n, s})
			n++
		}
		for s := range said {
			for len(way) > 0 && way[0].at.Before(s.At) {
				p := heap.Pop(&way).(parcel)
				if !yield(p.at, p.said) {
					return
				}
			}
			// All dice fall for each message, so that one fault more does not shift the others.
			lose, double, late, after := rng.Float64() < w.Lose, rng.Float64() < w.Double, rng.Float64() < w.Late, rng.Float64()
			if lose || w.out(s.At) {
				continue
			}
			at := s.At
			if late {
				at = at.Add(w.LateBy)
			}
			add(at, s)
			if double {
				add(at.Add(time.Duration(after*float64(max(time.Second, w.LateBy)))), s)
			}
		}
		for len(way) > 0 {
			p := heap.Pop(&way).(parcel)
			if !yield(p.at, p.said) {
				return
			}
		}
	}
}

func (w Rough) out(at time.Time) bool {
	for _, o := range w.Outages {
		if !at.Before(o.From) && at.Before(o.To) {
			return true
		}
	}
	return false
}

type parcel struct {
	at   time.Time
	n    int
	said Said
}

// underWay is a heap of what has not yet arrived, soonest first.
type underWay []parcel

func (u underWay) Len() int { return len(u) }
func (u underWay) Less(i, j int) bool {
	if !u[i].at.Equal(u[j].at) {
		return u[i].at.Before(u[j].at)
	}
	return u[i].n < u[j].n
}
func (u underWay) Swap(i, j int) { u[i], u[j] = u[j], u[i] }
func (u *underWay) Push(x any)   { *u = append(*u, x.(parcel)) }
func (u *underWay) Pop() any {
	old := *u
	p := old[len(old)-1]
	old[len(old)-1] = parcel{}
	*u = old[:len(old)-1]
	return p
}
