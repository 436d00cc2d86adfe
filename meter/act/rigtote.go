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
	var first *Act
	for i := range standing {
		a := &standing[i]
		switch b := a.Body.(type) {
		case Swap:
			if gone == nil {
				gone, r.comes = Corrected(standing), make(map[string]int64)
			}
			if at, ok := r.comes[b.Tote]; b.Check() == nil && !gone[a.ID] && (!ok || at < a.Since()) {
				r.comes[b.Tote] = a.Since()
			}
		case Tote:
			if first == nil || a.Since() < first.Since() || a.Since() == first.Since() && later(first, a) {
				first = a
			}
		}
	}
	if first != nil {
		if name := first.Body.(Tote).Name; r.comes == nil || !hasKey(r.comes, name) {
			r.Name = name
		}
	}
	return r
}

func hasKey(m map[string]int64, key string) bool { _, ok := m[key]; return ok }

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
