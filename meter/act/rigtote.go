package act

import "slices"

// RigTote follows which tote stands on the rig: the one that a Swap names, and
// before the first the one that was described last. A tote that a later Swap
// brings is only described until then, where another stands on the rig.
type RigTote struct {
	Name    string // of the tote on the rig; before any was described, of the first that is
	known   bool   // Name was said
	swapped bool
	comes   map[string]int64 // the last Swap to a tote
}

// NewRigTote looks at all standing acts, in any order; Take then follows them.
func NewRigTote(standing []Act) RigTote {
	r := RigTote{}
	var gone map[string]bool
	var first, swap *Act
	before := func(a, b *Act) bool {
		return b == nil || a.Since() < b.Since() || a.Since() == b.Since() && later(b, a)
	}
	for i := range standing {
		a := &standing[i]
		switch b := a.Body.(type) {
		case Swap:
			if gone == nil {
				gone, r.comes = Corrected(standing), make(map[string]int64)
			}
			if gone[a.ID] || b.Check() != nil {
				continue
			}
			if at, ok := r.comes[b.Tote]; !ok || at < a.Since() {
				r.comes[b.Tote] = a.Since()
			}
			if before(a, swap) {
				swap = a
			}
		case Tote:
			if before(a, first) {
				first = a
			}
		}
	}
	// The first to be described is the one that was there, unless it is the first
	// to be brought.
	if first != nil && (swap == nil || swap.Body.(Swap).Tote != first.Body.(Tote).Name) {
		r.Name = first.Body.(Tote).Name
	}
	return r
}

// Take takes in the next act, in order, and reports whether it put a tote on
// the rig, or described the one there.
func (r *RigTote) Take(a *Act) bool {
	switch b := a.Body.(type) {
	case Swap:
		r.Name, r.known, r.swapped = b.Tote, true, true
		return true
	case Tote:
		at, comes := r.comes[b.Name]
		if r.known && b.Name != r.Name && (r.swapped || comes && at >= a.Since()) {
			return false
		}
		r.Name, r.known = b.Name, true
		return true
	}
	return false
}

// RigTotes follows which tote stands on which rig, of one rig or of a house.
type RigTotes struct {
	by    map[string]*RigTote
	rigs  []string // in order of name
	house bool
}

// NewRigTotes looks at all standing acts, in any order; those of a house are
// Housed. Take then follows them.
func NewRigTotes(standing []Act) *RigTotes {
	r := &RigTotes{by: make(map[string]*RigTote), house: InHouse(standing)}
	of := make(map[string][]Act)
	for i := range standing {
		a := &standing[i]
		rig := rigOf(a)
		if a.Rig != House && r.by[a.Rig] == nil {
			r.by[a.Rig] = &RigTote{}
		}
		if rig == "" {
			continue
		}
		of[rig] = append(of[rig], *a)
	}
	for rig, acts := range of {
		one := NewRigTote(acts)
		r.by[rig] = &one
	}
	for rig := range r.by {
		r.rigs = append(r.rigs, rig)
	}
	slices.Sort(r.rigs)
	return r
}

// rigOf returns the rig whose tote an act puts there or describes; "": none.
func rigOf(a *Act) string {
	switch b := a.Body.(type) {
	case Tote:
		if a.Rig != House {
			return a.Rig
		}
	case Swap:
		if b.Rig != "" {
			return b.Rig
		}
		return a.Rig
	}
	return ""
}

// Rigs are the rigs that acts speak of, in order of name.
func (r *RigTotes) Rigs() []string { return r.rigs }

// Take takes in the next act, in order. It returns the rig on which it put a
// tote, or described the one there, and the rig that the tote was taken from; ""
// for none.
func (r *RigTotes) Take(a *Act) (rig, from string) {
	rig = rigOf(a)
	if t, ok := a.Body.(Tote); ok && rig != "" { // described while it stands elsewhere
		if on, ok := r.Rig(t.Name); ok && on != rig && t.Name != "" {
			return "", ""
		}
	}
	if rig == "" || !r.by[rig].Take(a) {
		return "", ""
	}
	if _, swap := a.Body.(Swap); swap {
		for _, other := range r.rigs {
			if o := r.by[other]; other != rig && o.Name != "" && o.Name == r.by[rig].Name {
				o.Name, from = "", other
			}
		}
	}
	return rig, from
}

// On names the tote on a rig. One that nobody named is OnRig in a house, else "".
func (r *RigTotes) On(rig string) string {
	if t := r.by[rig]; t != nil && t.Name != "" {
		return t.Name
	}
	if r.house {
		return OnRig(rig)
	}
	return ""
}

// Named returns the name of a tote of which an act speaks: of "", or of one as
// OnRig has it, that which stands there.
func (r *RigTotes) Named(a *Act, tote string) string {
	if tote == "" {
		return r.On(a.Rig)
	}
	if rig, ok := StandsOn(tote); ok && r.by[rig] != nil {
		return r.On(rig)
	}
	return tote
}

// Rig returns the rig that a tote stands on.
func (r *RigTotes) Rig(tote string) (string, bool) {
	for _, rig := range r.rigs {
		if r.On(rig) == tote {
			return rig, true
		}
	}
	return "", false
}
