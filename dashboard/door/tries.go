package door

import (
	"net/netip"
	"time"
)

// How often one may try. Judgement, no source: three slips of cold fingers
// cost nothing, and who guesses gets about one try in five seconds from all
// addresses together. That also bounds how busy wrong tries can keep a board
// with one core, which has readings to keep.
const (
	freeTries   = 3
	firstDelay  = 2 * time.Second
	mostDelay   = time.Minute     // never longer: an owner is held up, not locked out
	mostLocal   = 5 * time.Second // from the board itself
	forgetAfter = 15 * time.Minute
	mostTriers  = 512 // addresses remembered
	mostKnown   = 64  // addresses that were right once

	allBurst = 10              // wrong tries from everywhere
	allEvery = 5 * time.Second // one more after this
)

// tries says who may try when. It is charged before a try and paid back after
// a right one, so that trying at the same time gains nothing. It is its
// owner's to lock.
type tries struct {
	by    map[netip.Addr]*trier
	known map[netip.Addr]time.Time // were right, and when
	spent float64                  // of allBurst
	since time.Time                // of spent
}

type trier struct {
	wrong int
	until time.Time // no try before
	last  time.Time
}

func newTries() *tries {
	return &tries{by: map[netip.Addr]*trier{}, known: map[netip.Addr]time.Time{}}
}

// ask charges a try and returns 0, or says how long to wait. Others says that
// it is the tries of others that hold this one up; that never happens to the
// board itself, nor to an address that was right before.
func (t *tries) ask(from netip.Addr, now time.Time) (wait time.Duration, others bool) {
	x := t.by[from]
	if x != nil && now.Sub(x.last) > forgetAfter {
		delete(t.by, from)
		x = nil
	}
	if x != nil && now.Before(x.until) {
		return x.until.Sub(now), false
	}
	t.drain(now)
	if _, known := t.known[from]; !known && !from.IsLoopback() {
		if t.spent > allBurst-1 {
			return max(time.Second, time.Duration((t.spent-allBurst+1)*float64(allEvery))), true // never 0, which is yes
		}
		t.spent++
	}
	if x == nil {
		t.makeRoom()
		x = &trier{}
		t.by[from] = x
	}
	x.wrong++
	x.last = now
	x.until = now.Add(delay(x.wrong, from.IsLoopback()))
	return 0, false
}

func delay(wrong int, local bool) time.Duration {
	if wrong <= freeTries {
		return 0
	}
	most := mostDelay
	if local {
		most = mostLocal
	}
	return min(firstDelay<<min(wrong-freeTries-1, 10), most)
}

func (t *tries) drain(now time.Time) {
	if past := now.Sub(t.since); past > 0 {
		t.spent = max(0, t.spent-float64(past)/float64(allEvery))
	}
	t.since = now
}

// makeRoom forgets who tried longest ago. A flood of addresses may so undo
// the delay of each; what holds it then is the bound on all.
func (t *tries) makeRoom() {
	if len(t.by) < mostTriers {
		return
	}
	var oldest netip.Addr
	for a, x := range t.by {
		if o := t.by[oldest]; o == nil || x.last.Before(o.last) {
			oldest = a
		}
	}
	delete(t.by, oldest)
}

// right clears an address, and remembers it.
func (t *tries) right(from netip.Addr, now time.Time) {
	t.unasked(from)
	delete(t.by, from)
	if _, ok := t.known[from]; !ok && len(t.known) >= mostKnown {
		var oldest netip.Addr
		for a, at := range t.known {
			if !oldest.IsValid() || at.Before(t.known[oldest]) {
				oldest = a
			}
		}
		delete(t.known, oldest)
	}
	t.known[from] = now
}

// unasked takes a charge back.
func (t *tries) unasked(from netip.Addr) {
	if _, known := t.known[from]; !known && !from.IsLoopback() {
		t.spent = max(0, t.spent-1)
	}
	if x := t.by[from]; x != nil {
		x.wrong--
		x.until = time.Time{}
	}
}

// Address returns where a request or connection comes from, for counting: the
// IPv4 address, or the IPv6 network of 64 bits that one household has. Its
// argument is host:port. What is none is the zero Addr.
func Address(remote string) netip.Addr {
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
