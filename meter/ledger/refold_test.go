package ledger

import (
	"math/rand/v2"
	"slices"
	"testing"

	"yardtally/meter"
)

// Messages that come up to 100 s late are sorted in all the same: by a second
// reading of the journal at first, and from then on by one.
func TestSortedAhead(t *testing.T) {
	s := evening()
	told := s.tell()
	want := results(replayed(t, settings(), mqtt(onTime(told), 1)).View())
	in := onTime(told)
	r := rand.New(rand.NewPCG(5, 5))
	for i := range in {
		in[i].at += 100 * r.Float64()
	}
	recs := mqtt(in, 1)
	read := 0
	replay := func(after uint64, fn func(*meter.Record) error) error {
		read++
		return replayOf(recs)(after, fn)
	}
	l := New("heron")
	l.SetActs(settings())
	for _, first := range []bool{true, false} {
		read = 0
		if err := l.Rebuild(replay); err != nil {
			t.Fatal(err)
		}
		same(t, "in order and late", want, results(l.View()))
		if first != (read > 1) || read > 4 {
			t.Errorf("for the first time: %v; the journal was read %d times", first, read)
		}
	}
	if l.ahead != mostAhead {
		t.Error("nothing was late")
	}
}

// A recording that was taken in piece by piece, in any order, is read right at
// the first reading: what comes later and lies earlier than the first that was
// late is not lost.
func TestTakenInInPieces(t *testing.T) {
	s := evening()
	recs := mqtt(rough(s.tell(), 3), 1)
	want := results(replayed(t, settings(), recs).View())
	for seed := range uint64(12) {
		var pieces [][]meter.Record
		for p := range slices.Chunk(slices.Clone(recs), 700) {
			pieces = append(pieces, p)
		}
		r := rand.New(rand.NewPCG(seed, 9))
		r.Shuffle(len(pieces), func(i, j int) { pieces[i], pieces[j] = pieces[j], pieces[i] })
		mixed := slices.Concat(pieces...)
		for i := range mixed {
			mixed[i].Seq = uint64(i + 1)
		}
		same(t, "in pieces", want, results(replayed(t, settings(), mixed).View()))
		l := New("heron")
		l.SetActs(settings())
		for i := range mixed {
			l.Add(&mixed[i])
		}
		l.ahead = leastAhead
		if err := l.Rebuild(replayOf(mixed)); err != nil {
			t.Fatal(err)
		}
		same(t, "added in pieces", want, results(l.View()))
	}
}
