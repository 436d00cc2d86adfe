package journal

import (
	"fmt"
	"slices"

	"yardtally/meter"
)

// sealing makes blocks of recent rows, one at a time, beside the commits: a
// goroutine reads and encodes, the next Commit that has records of its own
// swaps block for rows in its transaction. So an idle journal writes nothing,
// and a commit is never kept waiting by the encoding.
type sealing struct {
	job  chan *sealed // of the goroutine under way; it sends one, maybe nil
	done *sealed      // ready to be stored
	turn string       // the rig sealed last: the others come first
}

// sealed is a block and the rows it is made of.
type sealed struct {
	part part
	rows []int64
}

// take returns the block that is ready, if one is.
func (s *sealing) take() *sealed {
	if s.job != nil {
		select {
		case s.done = <-s.job:
			s.job = nil
		default:
		}
	}
	ready := s.done
	s.done = nil
	return ready
}

func (s *sealing) giveBack(r *sealed) { s.done = r }

// stop waits for the goroutine.
func (s *sealing) stop() {
	if s.job != nil {
		s.done, s.job = <-s.job, nil
	}
}

// start begins a block if one is due. Under write and mu.
func (s *sealing) start(j *Journal) {
	if s.job != nil || s.done != nil {
		return
	}
	names := make([]string, 0, len(j.rigs))
	for name := range j.rigs {
		names = append(names, name)
	}
	slices.Sort(names)
	at, _ := slices.BinarySearch(names, s.turn+"\x00")
	for i := range names {
		g := j.rigs[names[(at+i)%len(names)]]
		spans := j.due(g)
		if spans == nil {
			continue
		}
		s.turn = g.name
		job := make(chan *sealed, 1)
		s.job = job
		go func() {
			out, err := j.build(g.name, spans)
			if err != nil {
				j.log.Warn("journal: sealing put off", "rig", g.name, "err", err)
			}
			job <- out
		}()
		return
	}
}

// due returns the first rows of the rig that can become a block: as many as
// make one, or fewer where a row of another boot, a block or a bad row ends
// them for good. Under mu.
func (j *Journal) due(g *rig) []span {
	for g.sealedTo < len(g.spans) {
		first := g.sealedTo
		end, records := first, 0
		for end < len(g.spans) && records < j.o.SealAfter {
			s := &g.spans[end]
			if s.sealed || s.bad || s.boot != g.spans[first].boot {
				break
			}
			records += s.records
			end++
		}
		if end == first { // it is sealed, or stays a bad row
			g.sealedTo++
			continue
		}
		if end == len(g.spans) && records < j.o.SealAfter {
			return nil
		}
		return slices.Clone(g.spans[first:end])
	}
	return nil
}

// build reads the rows and makes the block; nil where a row is bad. That row
// is marked then, and the next try goes around it.
func (j *Journal) build(name string, spans []span) (*sealed, error) {
	var recs []meter.Record
	var d decoder
	out := &sealed{part: part{rig: name}}
	for i := range spans {
		if err := j.load(&d, name, &spans[i]); err != nil {
			return nil, fmt.Errorf("row %d: %w", spans[i].n, err)
		}
		var r meter.Record
		for d.next(&r) {
			recs = append(recs, r)
			recs[len(recs)-1].Readings = slices.Clone(r.Readings)
		}
		out.rows = append(out.rows, spans[i].n)
	}
	var e encoder
	out.part.span = spanOf(recs, true)
	out.part.data = e.encode(recs)
	out.part.span.size = len(out.part.data)
	return out, nil
}

// replaceSpans puts the block where its rows were. Under mu.
func (j *Journal) replaceSpans(r *sealed) {
	g := j.rigs[r.part.rig]
	at := slices.IndexFunc(g.spans, func(s span) bool { return !s.sealed && s.n == r.rows[0] })
	end := at + len(r.rows)
	for i := at; i < end; i++ {
		j.stats.add(&g.spans[i], -1)
	}
	j.stats.add(&r.part.span, 1)
	g.spans = slices.Replace(g.spans, at, end, r.part.span)
	if g.sealedTo == at {
		g.sealedTo = at + 1
	}
}
