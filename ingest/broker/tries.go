package broker

import (
	"net/netip"
	"sync"
	"time"
)

// How often a wrong password may be given. Judgement, no source. Boards give
// theirs without slips, and come back by themselves: an address that was right
// before is held up by its own wrong tries only, never by those of others.
const (
	freeTries   = 5
	firstDelay  = time.Second
	mostDelay   = time.Minute     // never longer: nobody is locked out for good
	mostLocal   = 2 * time.Second // from this machine
	forgetAfter = 15 * time.Minute
	mostTriers  = 512 // addresses remembered
	mostKnown   = 256 // addresses that were right
	allBurst    = 30  // wrong tries from everywhere
	allEvery    = time.Second
)

// tries counts wrong passwords. Its methods may be called from any goroutine.
type tries struct {
	mu    sync.Mutex
	by    map[netip.Addr]*trier
	known map[netip.Addr]time.Time
	spent float64 // of allBurst
	since time.Time
}

type trier struct {
	wrong       int
	until, last time.Time
}

func newTries() *tries {
	return &tries{by: map[netip.Addr]*trier{}, known: map[netip.Addr]time.Time{}}
}

// try asks whether the password is right, unless it is too soon to ask.
func (t *tries) try(from netip.Addr, now time.Time, right func() bool) (ok, tooSoon bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	x := t.by[from]
	if x != nil && now.Before(x.until) {
		return false, true
	}
	t.spent = max(0, t.spent-max(0, float64(now.Sub(t.since)))/float64(allEvery))
	t.since = now
	if _, known := t.known[from]; !known && !from.IsLoopback() && t.spent > allBurst-1 {
		return false, true
	}
	if right() {
		delete(t.by, from)
		if len(t.known) >= mostKnown {
			forgetOldest(t.known, func(at time.Time) time.Time { return at })
		}
		t.known[from] = now
		return true, false
	}
	if x == nil || now.Sub(x.last) > forgetAfter {
		if len(t.by) >= mostTriers {
			forgetOldest(t.by, func(x *trier) time.Time { return x.last })
		}
		x = &trier{}
		t.by[from] = x
	}
	t.spent = min(allBurst, t.spent+1)
	x.wrong++
	x.last = now
	if n := x.wrong - freeTries; n > 0 {
		most := mostDelay
		if from.IsLoopback() {
			most = mostLocal
		}
		x.until = now.Add(min(firstDelay<<min(n-1, 10), most))
	}
	return false, false
}

func forgetOldest[V any](m map[netip.Addr]V, at func(V) time.Time) {
	var oldest netip.Addr
	for a, v := range m {
		if o, ok := m[oldest]; !ok || at(v).Before(at(o)) {
			oldest = a
		}
	}
	delete(m, oldest)
}

// address returns where a connection comes from, for counting: the IPv4
// address, or the IPv6 network of 64 bits. What is none is the zero Addr.
func address(remote string) netip.Addr {
	ap, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Addr{}
	}
	a := ap.Addr().Unmap().WithZone("")
	if a.Is6() && !a.IsLoopback() {
		p, _ := a.Prefix(64) // 64 bits are there
		return p.Addr()
	}
	return a
}
