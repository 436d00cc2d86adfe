package journal

// Stretch is records that stand together in the file: what Replay reads at once.
type Stretch struct {
	First, Last         uint64 // sequences
	Boot                uint32
	MonoFirst, MonoLast int64 // of their arrival, the lowest and the highest; both 0 of an import that does not say it
}

// Stretches returns a rig's committed records in order of sequence, without
// those that are known to be bad.
func (j *Journal) Stretches(name string) []Stretch {
	j.mu.Lock()
	defer j.mu.Unlock()
	g := j.rigs[name]
	if g == nil {
		return nil
	}
	out := make([]Stretch, 0, len(g.spans))
	for i := range g.spans {
		if s := &g.spans[i]; !s.bad {
			out = append(out, Stretch{s.first, s.last, s.boot, s.monoFirst, s.monoLast})
		}
	}
	return out
}
