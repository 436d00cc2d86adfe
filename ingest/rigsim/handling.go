package rigsim

import (
	"math"
	"slices"
	"time"

	"yardtally/calibrate/quantity"
)

// A job is a handling of the tote that is still to come, or at hand.
type job struct {
	kind     string
	after    int64 // ms since the start
	takes    int64 // ms
	amount   quantity.Volume
	in       bool
	whenDry  bool
	brix     float64 // of what it brings
	from, to int64   // once begun
	moved    quantity.Volume
	told     int // index in the truth's handlings
}

// The kinds of handlings.
const (
	jobRefill   = "refill"
	jobSwap     = "swap"
	jobTransfer = "transfer"
	jobLeak     = "leak"
	jobOff      = "off"
)

// jobs returns what the scenario does to the tote, in the order of time.
func jobs(s *Scenario) (queue, leaks []job) {
	batch := func(after time.Duration) float64 {
		brix := s.Brix
		for _, b := range s.Batches {
			if b.After <= after {
				brix = b.Brix
			}
		}
		return brix
	}
	takes := func(v quantity.Volume, rate quantity.Flow) int64 {
		return max(1, int64(math.Ceil(1000*v.CubicMetres()/float64(rate))))
	}
	add := func(after time.Duration, j job) {
		j.after, j.brix = after.Milliseconds(), batch(after)
		queue = append(queue, j)
	}
	for _, x := range s.Refills {
		add(x.After, job{kind: jobRefill, takes: takes(x.Volume, x.Rate), amount: x.Volume, in: true, whenDry: x.WhenDry})
	}
	for _, x := range s.Swaps {
		add(x.After, job{kind: jobSwap, takes: x.Takes.Milliseconds(), amount: x.To, in: true})
	}
	for _, x := range s.Transfers {
		rate := x.Rate
		if rate == 0 {
			rate = transferRate
		}
		add(x.After, job{kind: jobTransfer, takes: takes(x.Volume, rate), amount: x.Volume, in: x.In})
	}
	for _, x := range s.Offs {
		j := job{kind: jobOff, takes: x.For.Milliseconds(), amount: x.Change, in: true}
		if x.Change < 0 {
			j.amount, j.in = -x.Change, false
		}
		add(x.After, j)
	}
	slices.SortStableFunc(queue, func(a, b job) int { return int(a.after - b.after) })
	for _, x := range s.Leaks {
		from := x.After.Milliseconds()
		leaks = append(leaks, job{
			kind: jobLeak, after: from, from: from, to: from + max(1, x.For.Milliseconds()), told: -1,
			amount: quantity.VolumeOf(float64(x.Rate) * x.For.Seconds()),
		})
	}
	return queue, leaks
}

// off reports whether the rig is without power.
func (r *Rig) off() bool { return r.job != nil && r.job.kind == jobOff }

// handle ends what is done with the tote, and begins what can be begun.
func (r *Rig) handle() {
	if r.job != nil && r.now >= r.job.to {
		r.told(r.job, r.job.to)
		r.job = nil
	}
	if r.job != nil || r.flowing() {
		return
	}
	for i := range r.queue {
		j := r.queue[i]
		if j.after > r.now {
			return
		}
		if r.path != nil && j.kind != jobOff || j.whenDry && !r.dry() {
			continue
		}
		r.queue = slices.Delete(r.queue, i, i+1)
		j.from, j.to = r.now, r.now+j.takes
		r.job = &j
		r.tell(r.job)
		switch j.kind {
		case jobSwap:
			r.truth.Handlings[j.told].Out = r.volume
			r.volume = 0
		case jobOff:
			r.down(j.to + bootTime.Milliseconds())
		}
		return
	}
}

// tell writes down that a job has begun.
func (r *Rig) tell(j *job) {
	j.told = len(r.truth.Handlings)
	r.truth.Handlings = append(r.truth.Handlings, Handling{Kind: j.kind, From: r.instant(j.from)})
}

// told writes down that it has ended.
func (r *Rig) told(j *job, at int64) {
	h := &r.truth.Handlings[j.told]
	h.To, h.Brix = r.instant(at), r.brix
}

// dry reports whether the tote is down to its outlet.
func (r *Rig) dry() bool { return r.volume <= r.s.Tote.Unusable }

// down takes the power from everything until the board counts again.
func (r *Rig) down(upAt int64) {
	const look = 3000 // ms that the keeper looks on before going on
	r.reset(upAt)
	r.trust = upAt + look
	r.marks, r.skips = 0, 0
	r.schedule(upAt)
}

// until returns the next moment, next at the latest, at which a handling begins
// or ends.
func (r *Rig) until(next int64) int64 {
	if r.job != nil {
		next = min(next, r.job.to)
	}
	for i := range r.queue {
		if after := r.queue[i].after; after > r.now {
			return min(next, after)
		}
	}
	return next
}

// move moves what is handled, up to next.
func (r *Rig) move(next int64) {
	if j := r.job; j != nil {
		switch n := j.due(next); {
		case j.kind == jobSwap || j.kind == jobOff: // all of it at the end
			if next >= j.to {
				r.shift(j, j.amount)
			}
		case n > 0:
			if r.shift(j, n) < n { // full, or down to the outlet
				j.to = next
			}
		}
	}
	for i := range r.leaks {
		j := &r.leaks[i]
		if next <= j.from || j.moved == j.amount {
			continue
		}
		if j.told < 0 {
			r.tell(j)
		}
		h := &r.truth.Handlings[j.told]
		n := min(j.due(next), r.volume)
		r.volume -= n
		h.Out += n
		if next >= j.to {
			r.told(j, j.to)
		}
	}
}

// due returns what is to be moved by next and was not yet.
func (j *job) due(next int64) quantity.Volume {
	to := j.amount
	if next < j.to {
		to = quantity.Volume(float64(j.amount) * float64(next-j.from) / float64(j.to-j.from))
	}
	n := to - j.moved
	j.moved = to
	return n
}

// shift moves n into the tote, as much as it takes, or out, as much as there is,
// and returns how much that was.
func (r *Rig) shift(j *job, n quantity.Volume) quantity.Volume {
	h := &r.truth.Handlings[j.told]
	if !j.in {
		least := r.s.Tote.Unusable
		if j.kind == jobOff {
			least = 0
		}
		n = max(0, min(n, r.volume-least))
		r.volume -= n
		h.Out += n
		return n
	}
	n = max(0, min(n, r.s.Tote.Capacity()-r.volume))
	if n > 0 && j.brix != r.brix {
		// The solids of both, and the mass of both, go together.
		has, comes := r.volume.CubicMetres()*density(r.brix, r.tote), n.CubicMetres()*density(j.brix, r.tote)
		r.brix += (j.brix - r.brix) * comes / (has + comes)
	}
	r.volume += n
	h.In += n
	if n > 0 { // through the lid
		r.ailing.shutAt = r.volume
	}
	return n
}
