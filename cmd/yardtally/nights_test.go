package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"runtime/debug"
	"slices"
	"sync"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// account is the ledger of a night, made from its journal.
func account(t *testing.T, n *night, acts []act.Act, recs []meter.Record) *ledger.Ledger {
	t.Helper()
	l := ledger.New(n.Rig)
	l.NameBoot(1, "boot-1")
	l.SetActs(acts)
	if err := l.Rebuild(handsOut(recs)); err != nil {
		t.Fatal(err)
	}
	return l
}

// lived is the same as it comes: settled every second, acts when they are said.
func lived(t *testing.T, n *night, acts []act.Act, recs []meter.Record) *ledger.Ledger {
	t.Helper()
	l := ledger.New(n.Rig)
	l.NameBoot(1, "boot-1")
	slices.SortStableFunc(acts, func(a, b act.Act) int { return int(a.When - b.When) })
	said := -1
	for i := range recs {
		for said+1 < len(acts) && (acts[said+1].When <= recs[i].Wall || i == len(recs)-1) {
			said++
			if said+1 == len(acts) || acts[said+1].When > recs[i].Wall {
				l.SetActs(acts[:said+1])
			}
		}
		l.Add(&recs[i])
		if i%10 == 0 || i == len(recs)-1 {
			if l.Stale() {
				if err := l.Refold(handsOut(recs[:i+1])); err != nil {
					t.Fatal(err)
				}
			}
			l.Settle(0)
			l.Take()
		}
	}
	l.SetActs(acts)
	if err := l.Refold(handsOut(recs)); err != nil {
		t.Fatal(err)
	}
	return l
}

// agree demands that two views are the same but for how far they have settled.
func agree(t *testing.T, n *night, a, b *ledger.View) {
	t.Helper()
	x, y := *a, *b
	x.Settled, y.Settled = 0, 0
	va, vb := reflect.ValueOf(x), reflect.ValueOf(y)
	for i := range va.NumField() {
		if p, q := va.Field(i).Interface(), vb.Field(i).Interface(); !reflect.DeepEqual(p, q) {
			t.Errorf("seed %d: live and replayed differ in %s:\n %+v\n %+v", n.Seed, va.Type().Field(i).Name, p, q)
		}
	}
}

// nightsOf returns how many nights of each case to play, all of them with
// YARDTALLY_FULL=long.
func nightsOf(quick, full, long uint64) uint64 {
	switch {
	case raced:
		return min(quick, 2)
	case os.Getenv("YARDTALLY_FULL") == "long":
		return long
	case os.Getenv("YARDTALLY_FULL") != "":
		return full
	}
	return quick
}

// roomy has garbage lie until it is four times what lives, for as long as the
// test: the nights allocate much and keep little, and take a fifth less of the
// processor so. Programs that tests start keep to their own.
func roomy(t *testing.T) {
	t.Helper()
	old := debug.SetGCPercent(400)
	t.Cleanup(func() { debug.SetGCPercent(old) })
}

// over plays a case for many seeds, several at a time, and adds up in order of seed.
func over(t *testing.T, count uint64, play func(t *testing.T, seed uint64) *score) *score {
	t.Helper()
	roomy(t)
	each := make([]*score, count)
	t.Run("nights", func(t *testing.T) {
		for i := range each {
			t.Run(fmt.Sprint("seed ", i+1), func(t *testing.T) {
				t.Parallel()
				each[i] = play(t, uint64(i+1))
			})
		}
	})
	all := &score{}
	for _, y := range each {
		if y == nil {
			t.Fatal("a night could not be played")
		}
		all.add(y)
	}
	return all
}

// oddNight plays a night on which anything happens, over a wire as bad as they
// come; once with a keeper who says nothing, and once with one who says all that
// he can.
func oddNight(t *testing.T, seed uint64) (silent, all *score) {
	n := playNight(t, rigsim.OddNight(seed))
	recs := carried(t, n, seed%2 == 1)
	mark := slices.Contains(n.Fitted, meter.Mark)
	s := n.settled(mark)
	v := account(t, n, s.acts, recs).View()
	silent = n.held(t, v, false, true, mark)
	s.told(v)
	v = account(t, n, s.acts, recs).View()
	if seed%12 == 1 {
		agree(t, n, lived(t, n, s.acts, recs).View(), v)
		other := slices.Clone(s.acts)
		rand.New(rand.NewPCG(seed, 3)).Shuffle(len(other), func(i, j int) { other[i], other[j] = other[j], other[i] })
		agree(t, n, account(t, n, other, recs).View(), v)
	}
	return silent, n.held(t, v, true, true, mark)
}

// oddNights plays count nights from a seed on, and adds up.
func oddNights(t *testing.T, from, count uint64) (nothing, all *score) {
	silent := make([]*score, count)
	all = over(t, count, func(t *testing.T, seed uint64) *score {
		s, told := oddNight(t, from+seed-1)
		silent[seed-1] = s
		return told
	})
	nothing = &score{}
	for _, y := range silent {
		nothing.add(y)
	}
	t.Logf("the keeper says nothing: %v", nothing)
	t.Logf("the keeper says everything: %v", all)
	for _, s := range all.notes {
		t.Log(s)
	}
	return nothing, all
}

// trusted demands what a keeper relies on, of nights that nothing was fitted to too.
func trusted(t *testing.T, nothing, all *score) {
	t.Helper()
	for what, y := range map[string]*score{"nothing": nothing, "everything": all} {
		if y.wrong != 0 || y.unexcused != 0 {
			t.Errorf("%s: %.3f L are in a wrong yard, %.3f L in none where a position or the button says which", what, y.wrong, y.unexcused)
		}
		if y.claimed != 0 {
			t.Errorf("%s: of %d pulls for no colony it is said that a colony got them", what, y.claimed)
		}
		// Among a pull's own, or a few beside it: too few to tell.
		atMost(t, what, "L of phantom pulses in fills without a doubt, of all", y.taken, y.phantoms, few(0.004, y.nights))
		// Up to where a surge shows.
		atMost(t, what, "L of air in fills without a doubt, of all", y.aired, y.airs, few(0.004, y.nights))
		atMost(t, what, "pulls outside gaps that are not exact, of all", float64(y.sure-y.exact), float64(y.sure), few(0.006, y.nights))
	}
	atMost(t, "nothing", "colonies' fills that bear a doubt, of all", float64(nothing.doubted), float64(nothing.real), few(0.08, nothing.nights))
	atMost(t, "everything", "colonies' fills that bear a doubt, of all", float64(all.doubted), float64(all.real), few(0.03, all.nights))
	if nothing.numbered != 0 {
		t.Errorf("with nothing said %d fills have a colony's number", nothing.numbered)
	}
	if all.misled != 0 || all.numbered < 5*all.nights {
		t.Errorf("with everything said %d fills have a colony's number, %d of them another's", all.numbered, all.misled)
	}
	if all.told != all.toldRight || all.around != all.visitsSure {
		t.Errorf("with everything said and sure %d of %d visits have a right number of fills; within what it allows %d of %d", all.toldRight, all.told, all.around, all.visitsSure)
	}
	if all.fed != 0 {
		t.Errorf("with everything said %d pulls onto the ground are taken for a colony's", all.fed)
	}
}

// TestHeldOutNights plays odd nights to which no figure was fitted: while the
// detectors were made, nights up to 1200 were looked at.
func TestHeldOutNights(t *testing.T) {
	t.Parallel()
	nothing, all := oddNights(t, 2001, nightsOf(12, 60, 160))
	trusted(t, nothing, all)
}

// TestOddNights holds odd nights against all that is known of them.
func TestOddNights(t *testing.T) {
	t.Parallel()
	nothing, all := oddNights(t, 1, nightsOf(24, 120, 400))
	trusted(t, nothing, all)
	for what, y := range map[string]*score{"nothing": nothing, "everything": all} {
		y.sound(t, what)
		// By the tote's level, which tells pulls only together, and at the edges of
		// bursts that are faster than the line.
		atMost(t, what, "L of colonies' pulls taken for stray pulses, of all", y.lost, y.total, few(0.0005, y.nights))
		// A leak through the outlet's level; see meter/outing.
		atMost(t, what, "L of air in pulls said to be perhaps none, of all", y.airMaybe, y.airs, few(0.008, y.nights))
		atMost(t, what, "L of colonies' syrup called air, of all", y.asAir, y.syrup, 0.0004)
		atMost(t, what, "L of colonies' syrup said to be perhaps air, of all", y.airOr, y.syrup, 0.0002)
		// A pull as large as the others, of which nobody spoke.
		atMost(t, what, "pulls onto the ground taken for fills without a doubt, of all", float64(y.fed), float64(y.ground), few(0.03, y.ground))
		atMost(t, what, "visits with a wrong number of fills, of all", float64(y.visitsSure-y.visits), float64(y.visitsSure), few(0.1, y.visitsSure))
		atMost(t, what, "visits with a wrong number of fills where the account is sure, of those", float64(y.told-y.toldRight), float64(y.told), few(0.01, y.told))
		atMost(t, what, "visits whose number of fills is not among those it allows, of all", float64(y.visitsSure-y.around), float64(y.visitsSure), few(0.01, y.visitsSure))
		atMost(t, what, "yard totals beyond their 95 % interval and what is in doubt, of all", float64(y.totals-y.within), float64(y.totals), few(0.02, y.totals))
		atMost(t, what, "fills whose sugar is off, of all", float64(y.solidsOff), float64(y.solids), 0.02)
		if y.invented != 0 {
			t.Errorf("%s: %d changes of the tote out of nothing", what, y.invented)
		}
		atMost(t, what, "changes of the tote not told, of all that the wire shows", float64(y.tote-y.toteFound), float64(y.tote), 0.01)
		atMost(t, what, "changes of the tote told as of another kind, of all told", float64(y.toteTold-y.toteKind), float64(y.toteTold), few(0.02, y.toteTold))
		atMost(t, what, "changes of the tote told as of no kind, of all told", float64(y.toteVague), float64(y.toteTold), few(0.12, y.toteTold))
		atMost(t, what, "changes of the tote beyond their 95 % interval, of all told", float64(y.toteOff), float64(y.toteTold), few(0.05, y.toteTold))
	}
	if raced {
		return
	}
	atMost(t, "everything", "visits with a wrong number of fills, of all", float64(all.visitsSure-all.visits), float64(all.visitsSure), few(0.02, all.visitsSure))
	atMost(t, "everything", "visits in doubt, of all", float64(all.visitsSure-all.told), float64(all.visitsSure), few(0.15, all.visitsSure))
	// A press that was not heard, or pulses taken for a fill.
	atMost(t, "everything", "visits whose colonies do not add up, of all", float64(all.missing), float64(all.visitsSure), few(0.04, all.visitsSure))
}

// few is a share and what chance does to it in so few cases: three standard
// deviations in a quick run, nothing in a full one.
func few(share float64, n int) float64 {
	if n < 200 {
		share += 3 * math.Sqrt(share*(1-share)/float64(max(1, n)))
	}
	return share
}

// atMost demands that a share is not above a bound.
func atMost(t *testing.T, which, what string, n, of, share float64) {
	t.Helper()
	if raced {
		return // too few nights to tell
	}
	if of == 0 || n > share*of {
		t.Errorf("%s: %s: %.4g of %.4g, want at most %.1f %%", which, what, n, of, 100*share)
	}
}

// sound demands what holds of every night.
func (y *score) sound(t *testing.T, which string) {
	t.Helper()
	if y.wrong != 0 {
		t.Errorf("%s: %.3f L are in a wrong yard", which, y.wrong)
	}
	if y.unexcused != 0 {
		t.Errorf("%s: %.3f L are in no yard where a position or the button says which", which, y.unexcused)
	}
	if y.bounded != y.gaps {
		t.Errorf("%s: %d of %d gaps hid more than they allow", which, y.gaps-y.bounded, y.gaps)
	}
	// A fill in which an old batch and a new one leave the nozzle may be off.
	if d := y.sugarSaid - y.sugarIs; math.Abs(d) > 0.01*y.sugarIs && !raced {
		t.Errorf("%s: fills brought %.2f kg of sugar, the account says %.2f", which, y.sugarIs, y.sugarSaid)
	}
	// But for a drip that falls to the pull after. A burst at 2 kHz across a wrap of
	// 16 bits looks like a restart, and the counts after it are another session's.
	atMost(t, which, "pulls outside gaps that are not exact, of all", float64(y.sure-y.exact-y.straddle), float64(y.sure), few(0.004, y.sure))
}

// without returns the channels without some.
func without(all []meter.Channel, some ...meter.Channel) []meter.Channel {
	return slices.DeleteFunc(slices.Clone(all), func(c meter.Channel) bool { return slices.Contains(some, c) })
}

// TestNightsByCase plays nights that each have one thing odd about them.
func TestNightsByCase(t *testing.T) {
	t.Parallel()
	buttons := []meter.Channel{meter.Mark, meter.Skip}
	plain := func(seed uint64) rigsim.Scenario {
		s := rigsim.SmallNight(seed)
		s.Hand.Short = 0
		return s
	}
	blind := func(s *rigsim.Scenario) { s.Fitted = without(s.Fitted, meter.Lat, meter.Lon, meter.HDOP) }
	for _, c := range []struct {
		name  string
		count uint64
		night func(seed uint64) rigsim.Scenario
		gps   bool
		mark  bool
		check func(t *testing.T, y *score)
	}{
		{"a plain night", 3, plain, true, false, nil},
		{"yards 120 m apart, one driven past, a halt beside one", 6, rigsim.NearNight, true, false, nil},
		{"no positions, a button and a route", 4, func(seed uint64) rigsim.Scenario {
			s := plain(seed)
			blind(&s)
			s.Fitted = append(s.Fitted, buttons...)
			s.MarkTwice = []int{1}
			return s
		}, false, true, func(t *testing.T, y *score) {
			if y.nowhere != 0 {
				t.Errorf("%.3f L are in no yard", y.nowhere)
			}
		}},
		{"no positions and no button", 3, func(seed uint64) rigsim.Scenario {
			s := plain(seed)
			blind(&s)
			return s
		}, false, false, func(t *testing.T, y *score) {
			if y.right != 0 || y.nowhere == 0 {
				t.Errorf("%.3f L are in a yard, %.3f in none", y.right, y.nowhere)
			}
		}},
		{"positions gone for four minutes", 5, func(seed uint64) rigsim.Scenario {
			s := plain(seed)
			s.PositionGone = []rigsim.Span{{After: time.Duration(seed) * 150 * time.Second, For: 4 * time.Minute}}
			return s
		}, true, false, nil},
		{"bad positions for four minutes", 5, func(seed uint64) rigsim.Scenario {
			s := plain(seed)
			s.PositionBad = []rigsim.Span{{After: time.Duration(seed) * 150 * time.Second, For: 4 * time.Minute}}
			return s
		}, true, false, nil},
		{"another batch between two yards", 4, func(seed uint64) rigsim.Scenario {
			s := plain(seed)
			s.Swaps = []rigsim.Swap{{After: 8 * time.Minute, Takes: 2 * time.Minute, To: 700 * quantity.Litre}}
			s.Batches = []rigsim.NewBatch{{After: 8 * time.Minute, Brix: 55}}
			return s
		}, true, false, nil},
		{"a wrap at 16 bits", 3, func(seed uint64) rigsim.Scenario {
			s := plain(seed)
			s.Meter.WrapBits, s.Meter.Count = 16, 3<<16-500*seed
			return s
		}, true, false, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := over(t, nightsOf(c.count, 5*c.count, 10*c.count), func(t *testing.T, seed uint64) *score {
				n := playNight(t, c.night(seed))
				recs := carried(t, n, seed%2 == 1)
				s := n.settled(c.mark)
				return n.held(t, account(t, n, s.acts, recs).View(), true, c.gps, c.mark)
			})
			t.Log(y)
			y.sound(t, c.name)
			if y.exact != y.sure || y.misled != 0 || y.invented != 0 {
				t.Errorf("pulls exact %d of %d, %d fills misnumbered, %d changes of the tote invented: %q", y.exact, y.sure, y.misled, y.invented, y.notes)
			}
			if c.check != nil {
				c.check(t, y)
			}
		})
	}
}

// TestTwinNights: the same night over a clean wire and over a bad one agrees,
// but for the gaps that are named.
func TestTwinNights(t *testing.T) {
	t.Parallel()
	type sum struct{ same, apart int }
	sums := make([]sum, nightsOf(4, 30, 60))
	over(t, uint64(len(sums)), func(t *testing.T, seed uint64) *score {
		dirty := playNight(t, rigsim.OddNight(seed))
		clean := *dirty
		clean.Scenario = rigsim.CleanTwin(seed)
		s := dirty.settled(slices.Contains(dirty.Fitted, meter.Mark))
		a := account(t, &clean, s.acts, carried(t, &clean, false)).View()
		b := account(t, dirty, s.acts, carried(t, dirty, false)).View()
		// The total may differ by what a restart hid, and by the worth of a pulse
		// where the rate was not seen.
		off := a.Total - b.Total
		for _, g := range b.Gaps {
			off = max(0, max(off, -off)-g.Hidden)
		}
		if off > a.Total/500 {
			t.Errorf("seed %d: the totals are %v and %v, without a gap that allows it", seed, a.Total, b.Total)
		}
		for i := range a.Fills {
			x := &a.Fills[i]
			session, first, last := clean.counts(x.End, x.First, x.Last)
			if slices.ContainsFunc(b.Gaps, func(g ledger.Gap) bool { return g.Start < x.End+5e9 && g.End > x.Start-5e9 }) ||
				dirty.pulled(session, first, last) < 0 || dirty.hazy(b, dirty.pulled(session, first, last)) {
				continue
			}
			if slices.ContainsFunc(b.Fills, func(y ledger.Fill) bool {
				s, f, l := dirty.counts(y.End, y.First, y.Last)
				return s == session && f <= first+1 && first <= f+1 && l <= last+2 && last <= l+2 && (y.Yard == x.Yard || y.Yard == "" || x.Yard == "")
			}) {
				sums[seed-1].same++
			} else {
				sums[seed-1].apart++
				t.Logf("seed %d: the clean night has %v at %q from %d to %d, the other has not", seed, x.Volume, x.Yard, first, last)
			}
		}
		return &score{}
	})
	all := sum{}
	for _, s := range sums {
		all.same, all.apart = all.same+s.same, all.apart+s.apart
	}
	t.Logf("%d fills outside named gaps are alike, %d are not", all.same, all.apart)
	atMost(t, "twins", "fills outside named gaps that differ, of all", float64(all.apart), float64(all.same+all.apart), 0.02)
}

// pulled returns the pull of the truth that counts are of; -1: none.
func (n *night) pulled(session int, first, last uint64) int {
	return slices.IndexFunc(n.truth.Fills, func(f rigsim.Fill) bool {
		return f.Session == session && f.EndSession == session && first < f.Last && last > f.First
	})
}

// TestUnheardButton: without positions and over a wire that loses a tenth, a
// yard is as sure as the presses that were heard. A press whose message is lost
// shows with the next one: from then on, and back to the first long pause, the
// yard is not known. That of a last press never shows, and without what the board
// says when it starts the first press is not known for one.
func TestUnheardButton(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	heardAll, lostSome, wrong := 0, 0, 0.0
	over(t, nightsOf(8, 40, 80), func(t *testing.T, seed uint64) *score {
		s := rigsim.SmallNight(seed)
		s.Fitted = append(without(s.Fitted, meter.Lat, meter.Lon, meter.HDOP), meter.Mark, meter.Skip)
		s.Wire = rigsim.Rough{Seed: seed, Lose: 0.1, Double: 0.05, Late: 0.05, LateBy: 5 * time.Second}
		n := playNight(t, s)
		recs := carried(t, n, seed%2 == 1)
		y := n.held(t, account(t, n, n.settled(true).acts, recs).View(), false, false, true)
		heard := func(number uint64) bool {
			return slices.ContainsFunc(recs, func(r meter.Record) bool {
				v, ok := r.Value(meter.Mark)
				return ok && uint64(v) == number
			})
		}
		all := heard(0) // what the board says when it starts
		for _, p := range n.truth.Marks {
			all = all && heard(p.Number)
		}
		mu.Lock()
		defer mu.Unlock()
		switch {
		case !all:
			lostSome++
			wrong += y.wrong
		case y.wrong != 0 || y.nowhere != 0:
			t.Errorf("every press was heard, yet %.2f L are in a wrong yard and %.2f in none: %q", y.wrong, y.nowhere, y.notes)
		default:
			heardAll++
		}
		return y
	})
	t.Logf("%d nights with every press heard; %d without, with %.1f L in a wrong yard", heardAll, lostSome, wrong)
	if heardAll == 0 && !raced {
		t.Error("on no night was every press heard")
	}
}
