package entry

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	ltote "yardtally/meter/tote"
)

// Rest is what the rig's tote held right before an instant.
type Rest struct {
	At        int64   // Unix ns: when its level was at rest, or it was seen
	Act       string  // the entry that says so; "": the level
	L, Within float64 // then, less what was metered and booked since; half of its 95 % interval
	Capacity  float64 // of the tote, L; 0: not said
	Refill    int64   // it is from before the tote was filled up then, which nobody booked; 0: no such
}

// What a level at rest is good for. Common practice, no source.
const (
	readMM      = 3.0                  // standard uncertainty of a level, mm, where readings do not say worse
	usualMeter  = 0.01                 // relative standard uncertainty of what was metered since
	stepHides   = 10.0                 // mm: a step of the journal is kept where the level changed by that
	leastWithin = 1.0                  // L
	bookedAfter = int64(3 * time.Hour) // a refill is booked so long after it at most
	hardlyAny   = quantity.Litre       // metered meanwhile: nothing was fed
)

// By says how it is known.
func (r *Rest) By() string {
	switch {
	case r.Act != "":
		return "what was seen in it"
	case r.Refill != 0:
		return "its level before it was filled up"
	}
	return "its level at rest"
}

// OnRig returns what the tote on a rig holds now, as far as is known; of one rig
// alone it need not be named. The errors say why nothing is, in words.
func OnRig(k *Known, rig string) (Rest, error) {
	at := max(k.Now, k.View.At) + 1
	name := named(k.Standing, at, "")
	if k.house() {
		name = totesAt(k.Standing, at).On(rig)
	}
	return restBefore(k.on(rig), rig, name, at, false)
}

// restBefore returns what the tote on the rig held before an instant, by its
// level at rest or by what was seen in it, whichever is newer, less what the
// meter and entries took out of it since. What came in since makes that useless.
// With filled the entry in hand is of something that came into it.
// The errors say why nothing is known, in words.
func restBefore(k *Known, rig, name string, at int64, filled bool) (Rest, error) {
	v := k.View
	about, leaves := touching(k, name)
	i := len(v.Steps) - 1
	for i >= 0 && v.Steps[i].At >= at {
		i--
	}
	var body *act.Tote
	for j := range k.Standing {
		a := &k.Standing[j]
		if t, ok := a.Body.(act.Tote); ok && a.Since() <= at && (t.Name == name || body == nil && (!k.house() || a.Rig == rig)) {
			body = &t
		}
	}
	r := Rest{}
	if body != nil {
		r.Capacity = body.CapacityL
	}
	u2 := 0.0
	metered := quantity.Volume(0)
	if i >= 0 && body != nil {
		s := &v.Steps[i]
		table, err := body.Table()
		if err != nil {
			return r, errors.New("the tote's strapping cannot be used")
		}
		p := table.At(s.Level)
		r.At, r.L = s.At, p.Volume.Litres()
		lu := math.Hypot(max(float64(s.LevelU), readMM/1000), stepHides/1000/math.Sqrt(12))
		u2 = square(1000*p.U) + square(1000*p.Area*lu)
	}
	// Of the newest outing there are points, more than steps.
	for j := range v.Points {
		if p := &v.Points[j]; p.Rest && p.At < at && p.At >= r.At {
			r.At, r.L, metered = p.At, p.Volume.Litres(), p.Lag
			u2 = square(p.U.Litres()) + square(v.Terms.ShareU*r.L) + square(p.Lag.Litres()/4)
		}
	}
	lost := 0.0 // past the meter, and booked
	for j := range k.Standing {
		a := &k.Standing[j]
		if a.From <= r.At || a.From >= at || !about[a.ID] {
			continue
		}
		out, off := 0.0, 0.0
		switch b := a.Body.(type) {
		case act.Contents:
			r.At, r.L, r.Act, lost, metered = a.From, b.L, a.ID, 0, 0
			u2 = square(b.Within() / math.Sqrt(3))
			continue
		case act.Stirred:
			continue
		case act.Fed:
			out, off = b.L, b.Within()
		case act.Lost:
			out, off = b.L, b.Within()
		case act.Transfer:
			if leaves[a.ID] && !b.All {
				out, off = b.L, b.Within()
			}
		}
		switch {
		case r.At == 0:
			continue
		case out == 0:
			return r, fmt.Errorf("what is known of it is of %s, and since then there was a %s", when(k, r.At), a.Body.Kind())
		}
		lost += out
		u2 += square(off / math.Sqrt(3))
	}
	// Who books a mix when it is in the tote means what was there before it.
	if c := unbooked(k, about, at); filled && c != nil && r.Act == "" && r.At > c.From && lost == 0 {
		r.At, r.L, r.Refill, metered = c.From, c.Before.Litres(), c.From, 0
	}
	if r.At == 0 {
		return r, errors.New("no level at rest before that, and nobody said what was seen in it")
	}
	flowed := func(start, end int64, vol quantity.Volume) {
		if start >= r.At && start < at {
			if end > at && end > start {
				vol = quantity.VolumeOf(vol.CubicMetres() * float64(at-start) / float64(end-start))
			}
			metered += vol
		}
	}
	for j := range v.Fills {
		flowed(v.Fills[j].Start, v.Fills[j].End, v.Fills[j].Volume)
	}
	for j := range v.Loose {
		flowed(v.Loose[j].Start, v.Loose[j].End, v.Loose[j].Volume)
	}
	if slices.ContainsFunc(v.Changes, func(c ltote.Change) bool { return c.From >= r.At && c.To < at && c.From != r.Refill }) {
		return r, fmt.Errorf("what is known of it is of %s, and its level changed since", when(k, r.At))
	}
	r.L = max(0, r.L-metered.Litres()-lost)
	r.Within = max(leastWithin, 2*math.Sqrt(u2+square(usualMeter*metered.Litres())))
	r.L, r.Within = math.Round(r.L*10)/10, math.Ceil(r.Within*10)/10
	return r, nil
}

// unbooked returns the refill that ended not long before an instant, or goes on
// then, of which no entry tells and after which nothing was fed; nil for none.
func unbooked(k *Known, about map[string]bool, at int64) *ltote.Change {
	for i := len(k.View.Changes) - 1; i >= 0; i-- {
		c := &k.View.Changes[i]
		if c.Kind != ltote.Refill || c.From >= at || at > c.To+bookedAfter {
			continue
		}
		fed := quantity.Volume(0)
		for j := range k.View.Fills {
			if f := &k.View.Fills[j]; f.Start >= c.From && f.Start < at {
				fed += f.Volume
			}
		}
		told := slices.ContainsFunc(k.Standing, func(a act.Act) bool {
			if a.From <= c.From-bookedAfter || a.From >= at || !about[a.ID] {
				return false
			}
			// One from before it began may be of the refill before.
			return a.From > c.From || !slices.ContainsFunc(k.View.Changes[:i], func(e ltote.Change) bool {
				return e.Kind == ltote.Refill && e.From < a.From && a.From <= e.To+bookedAfter
			})
		})
		if fed > hardlyAny || told {
			return nil
		}
		return c
	}
	return nil
}

func square(x float64) float64 { return x * x }

func when(k *Known, ns int64) string { return time.Unix(0, ns).In(k.Zone).Format("2006-01-02 15:04") }

func (r *reader) when(ns int64) string { return when(r.k, ns) }
