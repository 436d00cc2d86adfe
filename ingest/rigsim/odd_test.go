package rigsim

import (
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/wire"
	"yardtally/meter"
)

// oddSeeds is how many odd nights are looked at.
func oddSeeds() uint64 {
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long":
		return 200
	case os.Getenv("YARDTALLY_FULL") != "":
		return 80
	}
	return 30
}

// TestOddNightsConserve: on any odd night all that was in the tote, or came,
// is accounted for to the nanolitre, and every count has its cause.
func TestOddNightsConserve(t *testing.T) {
	seen := map[string]int{}
	for seed := range oddSeeds() {
		s := OddNight(seed)
		s.Meter.SlipViscous = 0
		r := build(t, s)
		n := 0
		for range r.All() {
			if n++; n%5000 == 0 {
				conserved(t, seed, s, r.Truth())
			}
		}
		truth := r.Truth()
		conserved(t, seed, s, truth)
		oddCounts(t, seed, s, truth)
		if !truth.Done {
			t.Errorf("seed %d: want the keeper done", seed)
		}
		for _, f := range truth.Fills {
			seen[string(f.Kind)]++
			if f.Open {
				t.Errorf("seed %d: want every pull ended, got %+v", seed, f)
			}
			if f.Reached != f.Volume {
				seen["hose filled"]++
			}
			if f.Second {
				seen["second feeder"]++
			}
		}
		for _, h := range truth.Handlings {
			seen[h.Kind]++
		}
		for _, c := range truth.Colonies {
			seen[string(c.Fate)]++
		}
		seen["phantoms"] += len(truth.Phantoms)
		seen["air"] += len(truth.Airs)
		seen["gone"] += len(s.PositionGone)
		seen["bad"] += len(s.PositionBad)
		seen["batches"] += len(s.Batches)
	}
	for _, what := range []string{"fill", "priming", "flush", "proving", "hose filled", "second feeder", "refill", "swap", "transfer", "leak", "off",
		"fed", "fed twice", "shares", "skipped", "dead", "phantoms", "air", "gone", "bad", "batches"} {
		if seen[what] == 0 {
			t.Errorf("%s: want some on %d odd nights, got none", what, oddSeeds())
		}
	}
	t.Log(seen)
}

// conserved checks every sum that Truth says it keeps.
func conserved(t *testing.T, seed uint64, s Scenario, truth Truth) {
	t.Helper()
	left := s.Load - truth.Total
	for _, h := range truth.Handlings {
		left += h.In - h.Out
		if h.In < 0 || h.Out < 0 || !h.To.IsZero() && h.To.Before(h.From) {
			t.Errorf("seed %d: want a handling forward, got %+v", seed, h)
		}
	}
	if left != truth.Tote || left < 0 || left > s.Tote.Capacity() {
		t.Errorf("seed %d: tote: want %d nL left, got %d", seed, left, truth.Tote)
	}
	var through, reached, dribble, filled, dripped, ground, proved, fed quantity.Volume
	for _, f := range truth.Fills {
		through += f.Volume + f.Dribble
		reached += f.Reached
		dribble += f.Dribble
		switch f.Kind {
		case Feeding:
			filled, dripped, fed = filled+f.Volume, dripped+f.Dribble, fed+f.Reached
		case Proving:
			proved += f.Volume + f.Dribble
		default:
			ground += f.Volume + f.Dribble
		}
	}
	if through != truth.Total || filled != truth.Filled || dripped != truth.Dribble || proved != truth.Proved || ground != truth.Ground {
		t.Errorf("seed %d: pulls: want the sums %v, %v, %v, %v, %v; got %v, %v, %v, %v, %v", seed, through, filled, dripped, proved, ground,
			truth.Total, truth.Filled, truth.Dribble, truth.Proved, truth.Ground)
	}
	if truth.Filled+truth.Dribble+truth.Ground+truth.Proved != truth.Total {
		t.Errorf("seed %d: want the total to be its parts, got %+v", seed, truth)
	}
	if hose := s.Plumbing.HoseVolume(); hose+truth.Total != reached+dribble+truth.Drained+truth.Hose || truth.Hose > hose {
		t.Errorf("seed %d: hose: want %d nL, got %d", seed, hose+truth.Total, reached+dribble+truth.Drained+truth.Hose)
	}
	for _, y := range truth.Yards {
		filled, dripped = filled-y.Filled, dripped-y.Dribble
	}
	for _, c := range truth.Colonies {
		fed -= c.Got
	}
	if filled != 0 || dripped != 0 || fed != 0 {
		t.Errorf("seed %d: yards and colonies against fills: want no difference, got %v, %v, %v", seed, filled, dripped, fed)
	}
}

// oddCounts checks that all counts are syrup's, air's or phantoms', with a
// meter of constant slip, over the night and pull by pull.
func oddCounts(t *testing.T, seed uint64, s Scenario, truth Truth) {
	t.Helper()
	worth := s.Meter.PulsesPerL * (1 - s.Meter.Slip)
	counted, first := 0.0, s.Meter.Count
	for _, x := range truth.Restarts {
		counted += float64(x.Count - first)
		first = 0
	}
	counted += float64(truth.Count - first)
	var other uint64
	for _, p := range truth.Phantoms {
		other += p.Counts
	}
	for _, a := range truth.Airs {
		other += a.Counts
	}
	if want := (truth.Total-truth.Missed).Litres()*worth + float64(other); math.Abs(counted-want) > 1.001 {
		t.Errorf("seed %d: counts: want %.2f, got %.0f", seed, want, counted)
	}
	for i, f := range truth.Fills {
		if slices.ContainsFunc(truth.Restarts, func(x Restart) bool {
			return x.At.Add(bootTime).After(f.Start) && x.At.Before(f.End.Add(dripMS*time.Millisecond))
		}) {
			continue
		}
		if want := (f.Volume+f.Dribble).Litres()*worth + float64(f.Phantom+f.Air); math.Abs(float64(f.Settled-f.First)-want) > 1.001 {
			t.Errorf("seed %d: pull %d: want %.2f counts, got %d: %+v", seed, i, want, f.Settled-f.First, f)
		}
	}
}

// TestOddWire: whatever an odd night says, both wires carry it.
func TestOddWire(t *testing.T) {
	alone := 0
	for seed := range uint64(6) {
		s := OddNight(seed)
		s.PositionGone = []Span{{0, 5 * time.Minute}}
		n := 0
		for m := range build(t, s).All() {
			_, lat := value(m, meter.Lat)
			_, utc := value(m, meter.UTC)
			if n++; n%9 != 0 && (lat || !utc) {
				continue
			}
			if utc && !lat {
				alone++
			}
			lines, err := SerialLines(nil, m)
			if err != nil {
				t.Fatal(err)
			}
			got := 0
			for line := range strings.Lines(string(lines)) {
				back, drops := wire.ParseNMEA([]byte(line))
				if len(drops) > 0 {
					t.Fatalf("seed %d: %q: %v", seed, line, drops)
				}
				got += len(back.Readings)
			}
			pack, err := Pack(nil, s.Rig, m, true)
			if err != nil {
				t.Fatal(err)
			}
			if back, drops := wire.ParsePack(pack, s.Rig); len(drops) > 0 || !reflect.DeepEqual(back[0].Readings, m.Readings) || got < len(m.Readings) {
				t.Fatalf("seed %d: want %v over both wires, got %d readings in %q, and %v, %v", seed, m.Readings, got, lines, back, drops)
			}
		}
	}
	if alone < 6*200 {
		t.Errorf("want times without positions, got %d", alone)
	}
}

// TestCleanTwin: the twin differs in its wire alone.
func TestCleanTwin(t *testing.T) {
	odd, clean := OddNight(3), CleanTwin(3)
	if odd.Wire.Lose != 0.1 || odd.Wire.Double != 0.05 || odd.Wire.Late != 0.05 || len(odd.Wire.Outages) != 1 || clean.Wire.Lose != 0 {
		t.Errorf("want a rough wire and a good one, got %+v and %+v", odd.Wire, clean.Wire)
	}
	sent := build(t, odd)
	n := 0
	for range odd.Wire.Carry(sent.All()) {
		n++
	}
	if fingerprint(build(t, odd)) != fingerprint(build(t, clean)) || n == 0 {
		t.Errorf("want the same said, and some of it to arrive, got %d", n)
	}
}

// TestNearNight: the places are as near as it says, on the wire.
func TestNearNight(t *testing.T) {
	s := NearNight(1)
	r := build(t, s)
	origin := s.Yards[0].Place
	yards := make([]point, len(s.Yards))
	for i, y := range s.Yards {
		yards[i] = y.on(origin)
	}
	if d := yards[0].to(yards[1]); math.Abs(d-120) > 0.1 {
		t.Errorf("orchard to mill: want 120 m, got %.1f", d)
	}
	ferry, stood := math.Inf(1), 0
	for m := range r.All() {
		lat, ok := value(m, meter.Lat)
		if !ok {
			continue
		}
		lon, _ := value(m, meter.Lon)
		p := Place{lat, lon}.on(origin)
		if h, _ := value(m, meter.HDOP); h > 4 {
			continue
		}
		ferry = min(ferry, p.to(yards[2]))
		if d := p.to(yards[3]); d > 85 && d < 115 {
			stood++
		}
	}
	if ferry < 25 || ferry > 50 {
		t.Errorf("ferry: want it passed at 40 m, got %.0f", ferry)
	}
	if stood < 85 || stood > 110 {
		t.Errorf("crossroads: want 90 s and a drive by, got %d s", stood)
	}
	conserved(t, 1, s, r.Truth())
}
