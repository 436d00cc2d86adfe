package ledger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
)

// night is a random night in a journal: what two sources said, with all that
// can go wrong between a board and a journal, and what people said meanwhile.
type night struct {
	recs  []meter.Record
	acts  map[int]act.Act // said just before the record of that index came
	clean bool            // nothing happened that hides or invents a count
	first uint64          // count at the start and at the end, where clean
	last  uint64
}

func randomNight(seed uint64) night {
	r := rand.New(rand.NewPCG(seed, 77))
	n := night{acts: map[int]act.Act{}, clean: true}
	s := script{length: 500 + 500*r.Float64(), base: uint64(r.IntN(5000)), up: 20 + 5000*r.Float64(), wrap: 1 << 32}
	s.places = []place{{0, 43.200, -91.900}, {s.length / 2, 43.215, -91.900}, {s.length/2 + 40, 43.230, -91.900}}
	for t := 10 + 10*r.Float64(); t < s.length-40; {
		d := 2 + 25*r.Float64()
		s.pulls = append(s.pulls, pull{start: t, end: t + d, pulses: uint64(12 * d * r.Float64())})
		t += d + 1 + 30*r.Float64()
	}
	chance := func(p float64) bool { return r.Float64() < p }
	sometime := func() float64 { return s.length * (0.1 + 0.8*r.Float64()) }
	var restarts []float64
	for range 2 {
		if chance(0.3) {
			restarts = append(restarts, sometime())
			n.clean = false
		}
	}
	slices.Sort(restarts)
	type stretch struct{ from, to float64 }
	var deaf []stretch // the daemon is off
	for range 2 {
		if chance(0.3) {
			t := sometime()
			deaf = append(deaf, stretch{t, t + 60*r.Float64()})
		}
	}
	wallStep, sendStep := math.Inf(1), math.Inf(1)
	var wallBy, sendBy int64
	if chance(0.3) {
		wallStep, wallBy = sometime(), int64((r.Float64()-0.5)*2*37*86400)*sec
	}
	if chance(0.3) {
		sendStep, sendBy = sometime(), int64((r.Float64()-0.5)*2*37*86400)*sec
	}
	reboots := chance(0.4)
	lose, late := 0.1*r.Float64(), 0.05*r.Float64()
	dirt := 0.0
	if chance(0.4) {
		dirt, n.clean = 0.002, false
	}
	feel := rand.New(rand.NewPCG(seed, 78)) // of the other sensors
	syrup, stuckAt := 19.0, -1.0
	if feel.IntN(3) == 0 {
		stuckAt = s.length * feel.Float64()
	}
	type heard struct {
		at  float64
		rec meter.Record
	}
	var in []heard
	hear := func(t, delay float64, rec meter.Record) {
		for _, d := range deaf {
			if at := t + delay; at > d.from && at < d.to {
				return
			}
		}
		in = append(in, heard{t + delay, rec})
		if chance(0.03) {
			in = append(in, heard{t + delay + 2*r.Float64(), rec})
		}
	}
	began, gone := -s.up, uint64(0)
	for k := range int(s.length * 4) {
		t := float64(k) / 4
		for len(restarts) > 0 && t >= restarts[0] {
			began, gone = restarts[0], s.count(restarts[0])
			restarts = restarts[1:]
		}
		c := s.count(t) - gone
		ends := k == 0 || k == int(s.length*4)-1
		if !ends && chance(lose) {
			continue
		}
		v := float64(c)
		if !ends && chance(dirt) {
			v = float64(r.IntN(1 << 20))
		}
		if k == 0 {
			n.first = c
		}
		n.last = c
		delay := 0.01
		if !ends && chance(late) {
			delay += 5 * r.Float64()
		}
		hear(t, delay, meter.Record{Source: "serial", Readings: []meter.Reading{
			{Channel: meter.Pulses, Value: v}, {Channel: meter.Uptime, Value: math.Round((t-began)*1000) / 1000}}})
		if rec, ok := n.feel(&s, t, &syrup, stuckAt, feel); ok {
			hear(t+0.06, 0.02, rec)
		}
		if k%4 != 0 {
			continue
		}
		p := s.places[0]
		for _, q := range s.places {
			if t >= q.from {
				p = q
			}
		}
		sent := t0 + int64(t*1e9)
		if t < sendStep {
			sent += sendBy
		}
		if chance(dirt) {
			sent += int64(r.Float64()*1e7) * sec
		}
		delay = 0.05
		if chance(late) {
			delay += 7 * r.Float64()
		}
		hear(t+0.03, delay, meter.Record{Source: "mqtt", Sent: sent, Readings: []meter.Reading{
			{Channel: meter.Lat, Value: p.lat}, {Channel: meter.Lon, Value: p.lon}, {Channel: meter.Headspace, Value: 0.4 + 0.001*float64(k%3)}}})
	}
	slices.SortStableFunc(in, func(a, b heard) int {
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
	for i := range in {
		at := int64(in[i].at * 1e9)
		rec := in[i].rec
		rec.Seq, rec.Boot, rec.Mono, rec.Wall = uint64(i+1), 1, 50*sec+at, t0+at
		if reboots {
			for _, d := range deaf {
				if in[i].at >= d.to {
					rec.Boot++
					rec.Mono = at - int64(d.to*1e9) + 30*sec
				}
			}
		}
		if in[i].at < wallStep {
			rec.Wall += wallBy
		}
		n.recs = append(n.recs, rec)
	}
	// An outage at the very end or start may have swallowed the counts there.
	for _, d := range deaf {
		if d.to >= s.length-1 {
			n.clean = false
		}
	}
	n.say(r)
	return n
}

// feel is what the sensors of line and heat say at a time: while they are well,
// or from a time on the same, or nonsense.
func (*night) feel(s *script, t float64, syrup *float64, stuckAt float64, r *rand.Rand) (meter.Record, bool) {
	rec := meter.Record{Source: "mqtt"}
	flows := s.count(t+0.25) > s.count(t)
	if r.IntN(8) > 0 && !(t > s.length/3 && t < s.length/3+45) {
		line, pump := 2e5+4e3*r.Float64(), 40+r.Float64()
		if flows {
			line -= 1e5
		}
		if t > 0.6*s.length && t < 0.8*s.length {
			line, pump = 1e4, 0
		}
		if stuckAt >= 0 && t > stuckAt {
			pump = 40
		}
		if stuckAt >= 0 && t < stuckAt/2 {
			line = 4e6
		}
		rec.Readings = append(rec.Readings, meter.Reading{Channel: meter.Line, Value: line}, meter.Reading{Channel: meter.Pump, Value: pump})
	}
	if flows {
		*syrup += (21 - *syrup) / 60
	} else {
		*syrup += (9 - *syrup) / 4000
	}
	if r.IntN(10) == 0 {
		rec.Readings = append(rec.Readings, meter.Reading{Channel: meter.Syrup, Value: math.Round(10**syrup+r.Float64()) / 10},
			meter.Reading{Channel: meter.Air, Value: math.Round(90+r.Float64()) / 10})
	}
	return rec, len(rec.Readings) > 0
}

// say lets people say things at random moments, about random stretches.
func (n *night) say(r *rand.Rand) {
	bodies := []func() act.Body{
		func() act.Body {
			return act.Rig{WrapBits: 32, QuietS: 1 + 8*r.Float64(), LeastL: 0.5 * r.Float64(), MostLPM: 120, Zone: "UTC"}
		},
		func() act.Body {
			return act.Yard{ID: "larch", Name: "Larch Bank", Lat: 43.2 + 0.03*r.Float64(), Lon: -91.9, EnterM: 300, LeaveM: 500}
		},
		func() act.Body {
			a := uint64(r.IntN(4000))
			return act.Assign{Session: 1, First: a, Last: a + 1 + uint64(r.IntN(900)), Yard: []string{"mill", "orchard", ""}[r.IntN(3)]}
		},
		func() act.Body { return act.Batch{Syrup: "sucrose", Brix: 50 + 17*r.Float64()} },
		func() act.Body {
			return act.Fix{Boot: fmt.Sprint(1 + r.IntN(2)), MonoNS: 60 * sec, UTC: t0 + int64(r.IntN(1000))*sec, By: "phone"}
		},
	}
	var ids []string
	for range r.IntN(5) {
		i := r.IntN(len(n.recs))
		a := act.Act{ID: fmt.Sprint("n", i), Rig: "heron", Who: "wren", When: t0 + int64(i)*sec}
		if len(ids) > 0 && r.IntN(4) == 0 {
			a.Body = act.Undo{Act: ids[r.IntN(len(ids))]}
		} else {
			a.Body = bodies[r.IntN(len(bodies))]()
			if r.IntN(2) == 0 {
				a.From = n.recs[r.IntN(len(n.recs))].Wall
			}
		}
		ids = append(ids, a.ID)
		n.acts[i] = a
		if _, ok := a.Body.(act.Fix); ok && n.recs[len(n.recs)-1].Boot > 1 {
			n.clean = false // one boot may be placed before the one it followed
		}
	}
}

// told is what a listener knows who follows the events as results.go says.
type told struct {
	is    map[string]Event
	doubt map[string]bool
}

func keyOf(e Event) string {
	switch e.Kind {
	case FillDone:
		return fmt.Sprint("fill ", e.At, e.Fill.First)
	case LooseDone:
		return fmt.Sprint("loose ", e.At, e.Loose.First)
	case GapSeen:
		return fmt.Sprint("gap ", e.At, e.Gap.End)
	}
	return fmt.Sprint("sample ", e.At)
}

func (m *told) take(events []Event) {
	if m.is == nil {
		m.is, m.doubt = map[string]Event{}, map[string]bool{}
	}
	for _, e := range events {
		switch e.Kind {
		case Rewound:
			for k := range m.is {
				if m.is[k].At >= e.At {
					m.doubt[k] = true
				}
			}
		case Restated:
			for k, x := range m.is {
				if x.At >= e.At && (x.Fill != nil || x.Loose != nil) {
					m.doubt[k] = true
				}
			}
		case Told:
			for k := range m.doubt {
				delete(m.is, k)
			}
			clear(m.doubt)
		default:
			k := keyOf(e)
			m.is[k] = e
			delete(m.doubt, k)
		}
	}
}

func seeds() uint64 {
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long":
		return 400
	case os.Getenv("YARDTALLY_FULL") != "":
		return 120
	}
	return 12
}

// settledView is the view once everything was settled, with nothing left out.
func settledView(l *Ledger) View {
	l.Settle(math.MaxInt64 / 2)
	v := *l.View()
	if len(v.Fills) == 0 {
		v.Fills = nil
	}
	if len(v.Loose) == 0 {
		v.Loose = nil
	}
	if len(v.Gaps) == 0 {
		v.Gaps = nil
	}
	if len(v.Review) == 0 {
		v.Review = nil
	}
	return v
}

func TestRandomNights(t *testing.T) {
	for seed := range seeds() {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { randomly(t, randomNight(seed), seed) })
	}
}

func randomly(t *testing.T, n night, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 5))
	acts := settings()
	l := New("heron")
	l.SetActs(acts)
	var live told
	var saved []byte
	savedActs := 0
	refolds := 0
	refold := func(have int) {
		if l.Stale() {
			refolds++
			if err := l.Refold(replayOf(n.recs[:have])); err != nil {
				t.Fatal(err)
			}
		}
	}
	for i := range n.recs {
		if a, ok := n.acts[i]; ok {
			acts = append(acts, a)
			l.SetActs(acts)
		}
		l.Add(&n.recs[i])
		switch x := r.IntN(400); {
		case x < 80:
			refold(i + 1)
			l.Settle(0)
		case x < 85:
			l.View()
		case x == 85 && saved == nil:
			refold(i + 1)
			var err error
			if saved, err = l.Save(); err != nil {
				t.Fatal(err)
			}
			savedActs = len(acts)
		case x < 90:
			live.take(l.Take())
		}
	}
	refold(len(n.recs))
	a := settledView(l)
	live.take(l.Take())

	whole := New("heron")
	whole.SetActs(acts)
	if err := whole.Rebuild(replayOf(n.recs)); err != nil {
		t.Fatal(err)
	}
	b := settledView(whole)
	var anew told
	anew.take(whole.Take())
	same(t, "live and rebuilt", a, b)
	for k, e := range anew.is {
		if g, ok := live.is[k]; !ok || !reflect.DeepEqual(e, g) {
			t.Errorf("told anew: %s %+v; live has %v %+v", k, e, ok, g)
		}
	}
	for k := range live.is {
		if _, ok := anew.is[k]; !ok {
			t.Errorf("told live and not anew: %s %+v", k, live.is[k])
		}
	}
	seen := 0
	for _, f := range b.Fills {
		e := anew.is[fmt.Sprint("fill ", f.Start, f.First)]
		if !f.Open && (e.Fill == nil || *e.Fill != f) {
			t.Errorf("the view has %+v, told was %+v", f, e.Fill)
		}
		seen++
	}

	if saved != nil {
		m := New("heron")
		m.SetActs(acts[:savedActs])
		if err := m.Load(saved, replayOf(n.recs)); err != nil {
			t.Fatal(err)
		}
		m.SetActs(acts)
		if m.Stale() {
			if err := m.Refold(replayOf(n.recs)); err != nil {
				t.Fatal(err)
			}
		}
		same(t, "loaded and rebuilt", settledView(m), b)
	}

	var sum quantity.Volume
	for _, f := range b.Fills {
		sum += f.Volume
	}
	for _, x := range b.Loose {
		sum += x.Volume
	}
	if sum != b.Total {
		t.Errorf("fills and loose flow are %v, total %v", sum, b.Total)
	}
	if want := quantity.Volume(n.last-n.first) * b.PulseVolume; n.clean && b.Total != want {
		t.Errorf("total %v, counted %v", b.Total, want)
	}
	if tally := Tally(&b, math.MinInt64, math.MaxInt64); tally.Total != b.Total {
		t.Errorf("tally %v, total %v", tally.Total, b.Total)
	}
	if refolds > 15 {
		t.Errorf("%d refolds in one night of %d records and %d acts", refolds, len(n.recs), len(n.acts))
	}
	steady := 0
	for i := range b.Fills {
		if b.Fills[i].Pulled.Flow > 0 {
			steady++
		}
	}
	t.Logf("%d plateaus, %d idles, %d of health", steady, len(b.Idles), len(b.Health))
	t.Logf("%d records, %d fills, %d loose, %d gaps, %d acts, saved %d bytes, %d refolds", len(n.recs), seen, len(b.Loose), len(b.Gaps), len(n.acts), len(saved), refolds)
}
