package act

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
