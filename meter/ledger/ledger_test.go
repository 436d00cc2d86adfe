package ledger

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
)

func TestCleanNight(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	a, b := live(t, settings(), recs).View(), replayed(t, settings(), recs).View()
	checkTruth(t, "live", s, a)
	same(t, "live and replayed", results(a), results(b))
	if a.Here.Yard != "mill" || !a.Tote.Known || a.Tote.Volume != 699*quantity.Litre {
		t.Errorf("here %+v, tote %+v", a.Here, a.Tote)
	}
	if a.Placed.By != "own clock" || a.Placed.Epochs != 1 {
		t.Errorf("placed %+v", a.Placed)
	}
}

// The same night over any wire, in any order of arrival, gives the same.
func TestAnyWireAnyOrder(t *testing.T) {
	s := evening()
	told := s.tell()
	first := results(replayed(t, settings(), mqtt(onTime(told), 1)).View())
	for seed := range uint64(2) {
		r := rand.New(rand.NewPCG(seed, 2))
		in := onTime(told)
		for i := range in {
			in[i].at += 6 * r.Float64()
		}
		recs := mqtt(in, 1)
		v := live(t, settings(), recs).View()
		checkTruth(t, "shuffled, live", s, v)
		same(t, "in order and shuffled", first, results(v))
		same(t, "shuffled, replayed", first, results(replayed(t, settings(), recs).View()))
	}
	// And imported, thrown about without any order at all: each message up to
	// the whole night late.
	in := onTime(told)
	imported := results(replayed(t, settings(), asImport(mqtt(in, 1))).View())
	rand.New(rand.NewPCG(9, 9)).Shuffle(len(in), func(i, j int) { in[i].at, in[j].at = in[j].at, in[i].at })
	same(t, "in order and thrown about", imported, results(replayed(t, settings(), asImport(mqtt(in, 1))).View()))
	v := replayed(t, settings(), serial(told)).View()
	checkTruth(t, "serial", s, v)
	for i := range v.Fills {
		a, b := v.Fills[i], first.Fills[i]
		if a.Volume != b.Volume || a.First != b.First || a.Last != b.Last || a.Start-b.Start > 50_000_000 || b.Start-a.Start > 50_000_000 {
			t.Errorf("serial and mqtt: fill %d: %+v, %+v", i, a, b)
		}
	}
}

// Lost, doubled and late messages change no volume.
func TestRoughNight(t *testing.T) {
	s := evening()
	told := s.tell()
	for seed := range uint64(6) {
		recs := mqtt(rough(told, seed), 1)
		l := live(t, settings(), recs)
		v := l.View()
		checkTruth(t, "rough", s, v)
		same(t, "rough, live and replayed", results(v), results(replayed(t, settings(), recs).View()))
	}
}

func TestWrap16(t *testing.T) {
	s := evening()
	s.wrap, s.base = 1<<16, 1<<16-900
	acts := settings()
	r := acts[0].Body.(act.Rig)
	r.WrapBits = 16
	acts[0].Body = r
	checkTruth(t, "wrap", s, replayed(t, acts, serial(s.tell())).View())
}

// A board that restarts in the middle of a fill: what it counted since is flow
// of the same night, and the moment it was off is named.
func TestRestartMidFill(t *testing.T) {
	s := evening()
	p := s.pulls[3]
	s.restart = math.Round((p.start+p.end)/2*5) / 5
	v := replayed(t, settings(), serial(s.tell())).View()
	// What passed between the last message and the restart no one can know; the
	// gap must allow for it.
	hidden := quantity.Volume(s.count(s.restart)-s.count(s.restart-0.2)) * 10 * quantity.Millilitre
	want := quantity.Volume(s.count(s.length)-s.base)*10*quantity.Millilitre - hidden
	if v.Total != want || hidden == 0 {
		t.Errorf("total %v, want %v", v.Total, want)
	}
	if len(v.Gaps) == 1 && v.Gaps[0].Hidden < hidden {
		t.Errorf("gap hides %v, %v are missing", v.Gaps[0].Hidden, hidden)
	}
	if len(v.Gaps) != 1 || v.Gaps[0].Why != "board restarted" || v.Gaps[0].Hidden > quantity.Litre {
		t.Errorf("gaps %+v", v.Gaps)
	}
	if len(v.Fills) != len(s.pulls)+1 {
		t.Errorf("%d fills: a restart must end one and begin another", len(v.Fills))
	}
}

// The daemon is off, the board counts on: nothing is lost, the detail is, and
// that is said. The yard is kept where the rig stood in it before and after.
func TestOutage(t *testing.T) {
	s := evening()
	var in []message
	for _, m := range s.tell() {
		if m.t < s.pulls[1].start-3 || m.t > s.pulls[3].end+10 {
			in = append(in, m)
		}
	}
	v := replayed(t, settings(), serial(in)).View()
	want := quantity.Volume(s.count(s.length)-s.base) * 10 * quantity.Millilitre
	missed := quantity.Volume(s.pulls[1].pulses+s.pulls[2].pulses+s.pulls[3].pulses) * 10 * quantity.Millilitre
	if v.Total != want || len(v.Fills) != len(s.pulls)-3 {
		t.Errorf("total %v in %d fills, want %v in %d", v.Total, len(v.Fills), want, len(s.pulls)-3)
	}
	if len(v.Loose) != 1 || v.Loose[0].Volume != missed || v.Loose[0].Yard != "orchard" || v.Loose[0].Why != "unseen" {
		t.Errorf("loose %+v, want %v unseen in orchard", v.Loose, missed)
	}
	if len(v.Gaps) != 1 || v.Gaps[0].Known != missed {
		t.Errorf("gaps %+v", v.Gaps)
	}
}

func TestNoPositionNothingInvented(t *testing.T) {
	s := evening()
	var in []message
	for _, m := range s.tell() {
		if m.readings[0].Channel != meter.Lat {
			in = append(in, m)
		}
	}
	v := replayed(t, settings(), serial(in)).View()
	for _, f := range v.Fills {
		if f.Yard != "" || f.Reason != NoPosition {
			t.Errorf("fill without position went to %q by %q", f.Yard, f.Reason)
		}
	}
	n := Tally(v, t0-sec, t0+1e6*sec)
	if len(n.Yards) != 1 || n.Yards[0].Yard != "" || n.Total != v.Total {
		t.Errorf("tally %+v", n)
	}
}

func TestNoProvingNoVolume(t *testing.T) {
	s := evening()
	acts := append(settings()[:1:1], settings()[2:]...)
	v := replayed(t, acts, serial(s.tell())).View()
	if v.Total != 0 || v.PulseVolume != 0 {
		t.Errorf("without a proving the total is %v", v.Total)
	}
}

// Acts about the past restate it, exactly as if they had always been there;
// taking them back restores what was.
func TestActsRestate(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	l := live(t, settings(), recs)
	before := results(l.View())
	again := func(what string, acts []act.Act) *View {
		t.Helper()
		l.SetActs(acts)
		if err := l.Refold(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
		v := l.View()
		same(t, what, results(v), results(replayed(t, acts, recs).View()))
		return v
	}
	acts := settings()
	f := l.View().Fills[2]
	acts = append(acts, act.Act{ID: "a1", Rig: "heron", Who: "wren", When: t0 + 5000*sec, Body: act.Assign{Session: f.Session, First: f.First, Last: f.Last, Yard: "mill"}})
	v := again("assigned", acts)
	if v.Fills[2].Yard != "mill" || v.Fills[2].Reason != ByHand || len(v.Review) != 0 {
		t.Errorf("fill 2 %+v, review %+v", v.Fills[2], v.Review)
	}
	// Half of a fill: its counts move, the sum holds, and it is up for review.
	g := l.View().Fills[8]
	acts = append(acts, act.Act{ID: "a2", Rig: "heron", Who: "wren", When: t0 + 5001*sec, Body: act.Assign{Session: g.Session, First: g.First, Last: (g.First + g.Last) / 2, Yard: "orchard"}})
	v = again("cut", acts)
	if len(v.Fills) != len(s.pulls)+1 || v.Fills[8].Yard != "orchard" || v.Fills[9].Yard != "mill" || v.Fills[8].Volume+v.Fills[9].Volume != g.Volume {
		t.Errorf("cut fill: %+v %+v", v.Fills[8], v.Fills[9])
	}
	if len(v.Review) != 1 || v.Review[0].Act != "a2" {
		t.Errorf("review %+v", v.Review)
	}
	// A proving from the middle of the night on.
	mid := t0 + int64(s.pulls[6].start-10)*sec
	proved := append(acts, act.Act{ID: "p2", Rig: "heron", Who: "wren", When: t0 + 6000*sec, From: mid, Body: act.Proving{PulsesPerL: 50}})
	v = again("proved", proved)
	if v.Fills[5].Volume != quantity.Volume(s.pulls[5].pulses)*10*quantity.Millilitre || v.Fills[7].Volume != quantity.Volume(s.pulls[7-0].pulses)*20*quantity.Millilitre {
		t.Errorf("proving from the middle: %v, %v", v.Fills[5].Volume, v.Fills[7].Volume)
	}
	undone := append(proved, act.Act{ID: "u1", Rig: "heron", When: t0 + 7000*sec, Body: act.Undo{Act: "p2"}},
		act.Act{ID: "u2", Rig: "heron", When: t0 + 7001*sec, Body: act.Undo{Act: "a2"}},
		act.Act{ID: "u3", Rig: "heron", When: t0 + 7002*sec, Body: act.Undo{Act: "a1"}})
	same(t, "undone", before, results(again("undone, replayed", undone)))
	// An assignment that names nothing is listed.
	lost := append(settings(), act.Act{ID: "a9", Rig: "heron", When: 1, Body: act.Assign{Session: 1, First: 5, Last: 6, Yard: "mill"}})
	if v := again("lost", lost); len(v.Review) != 1 || v.Review[0].Act != "a9" {
		t.Errorf("review %+v", v.Review)
	}
}

// A clock that is 37 days wrong and steps in the middle of the night: every
// fill ends at its right time, none is lost or doubled.
func TestClockSteps(t *testing.T) {
	s := evening()
	told := s.tell()
	true0 := results(replayed(t, settings(), serial(told)).View())
	const wrong = 37 * 86400 * sec
	step := func(recs []meter.Record, at float64, by int64, sender bool) []meter.Record {
		for i := range recs {
			if recs[i].Mono-recs[0].Mono < int64(at*1e9) {
				if sender {
					recs[i].Sent += by
				} else {
					recs[i].Wall += by
				}
			}
		}
		return recs
	}
	for _, by := range []int64{-wrong, wrong} {
		v := live(t, settings(), step(serial(told), 640, by, false)).View()
		same(t, "own clock steps", true0, results(v))
		if v.Placed.Steps != 1 {
			t.Errorf("placed %+v", v.Placed)
		}
		recs := step(mqtt(onTime(told), 1), 640, by, true)
		lv := live(t, settings(), recs).View()
		checkTruth(t, "sender's clock steps", s, lv)
		same(t, "sender's clock steps, replayed", results(lv), results(replayed(t, settings(), recs).View()))
	}
	// A boot that never learns the time, then satellites do, from minute 10.
	recs := serial(told)
	for i := range recs {
		recs[i].Wall = 1_000_000*sec + recs[i].Mono
		if recs[i].Readings[0].Channel == meter.Lat && i > len(recs)/2 {
			at := t0 + int64(math.Round(told[i].t*1e9))
			recs[i].Readings = append(recs[i].Readings[:3:3], meter.Reading{Channel: meter.UTC, Value: float64(at) / 1e9})
		}
	}
	v := live(t, settings(), recs).View()
	checkTruth(t, "satellites", s, v)
	if v.Placed.By != "satellites" {
		t.Errorf("placed %+v", v.Placed)
	}
	// Or a person says so afterwards.
	recs = serial(told)
	for i := range recs {
		recs[i].Wall = 1_000_000*sec + recs[i].Mono
	}
	l := live(t, settings(), recs)
	if got := l.View(); got.Placed.Unsure != 1 {
		t.Errorf("placed %+v", got.Placed)
	}
	acts := append(settings(), act.Act{ID: "f", Rig: "heron", When: 5, Body: act.Fix{Boot: "1", MonoNS: 77 * sec, UTC: t0, By: "phone"}})
	l.SetActs(acts)
	if err := l.Refold(replayOf(recs)); err != nil {
		t.Fatal(err)
	}
	fixed := l.View()
	checkTruth(t, "phone", s, fixed)
	same(t, "phone, replayed", results(fixed), results(replayed(t, acts, recs).View()))
}

// A saved state and the records after it give what a replay gives.
func TestSaveLoad(t *testing.T) {
	s := evening()
	recs := mqtt(rough(s.tell(), 3), 1)
	want := results(replayed(t, settings(), recs).View())
	for _, n := range []int{10, 500, 3000, len(recs) - 1, len(recs)} {
		l := live(t, settings(), recs[:n])
		data, err := l.Save()
		if err != nil {
			t.Fatal(err)
		}
		if data == nil {
			t.Logf("nothing settled after %d records", n)
			continue
		}
		m := New("heron")
		m.SetActs(settings())
		if err := m.Load(data, replayOf(recs)); err != nil {
			t.Fatal(err)
		}
		if m.Stale() {
			if err := m.Refold(replayOf(recs)); err != nil {
				t.Fatal(err)
			}
		}
		m.Settle(0)
		same(t, "saved and loaded", want, results(m.View()))
		other := New("heron")
		other.SetActs(settings()[:2])
		if err := other.Load(data, replayOf(recs)); err == nil {
			t.Error("a state saved under other acts was taken")
		}
	}
}

// What the events tell, with what was rewound taken back, is what the view has.
func TestEventsTell(t *testing.T) {
	s := evening()
	recs := mqtt(rough(s.tell(), 5), 1)
	l := New("heron")
	l.SetActs(settings())
	fills := map[int64]Fill{}
	doubt := map[int64]bool{}
	take := func() {
		for _, e := range l.Take() {
			switch e.Kind {
			case Rewound, Restated:
				for k := range fills {
					if k >= e.At {
						doubt[k] = true
					}
				}
			case FillDone:
				fills[e.At] = *e.Fill
				delete(doubt, e.At)
			case Told:
				for k := range doubt {
					if k <= e.At {
						delete(fills, k)
						delete(doubt, k)
					}
				}
			}
		}
	}
	acts := settings()
	for i := range recs {
		l.Add(&recs[i])
		if i == len(recs)/2 {
			acts = append(acts, act.Act{ID: "r", Rig: "heron", When: t0, Body: act.Rig{WrapBits: 32, QuietS: 30, LeastL: 0.25, MostLPM: 120, Zone: "UTC"}})
			l.SetActs(acts)
		}
		if i%10 == 0 {
			if l.Stale() {
				if err := l.Refold(replayOf(recs[:i+1])); err != nil {
					t.Fatal(err)
				}
			}
			l.Settle(0)
			take()
		}
	}
	if l.Stale() {
		if err := l.Refold(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
	}
	l.Settle(math.MaxInt64 / 2)
	take()
	v := l.View()
	n := 0
	for _, f := range v.Fills {
		if f.Open {
			continue
		}
		n++
		if got, ok := fills[f.Start]; !ok || got != f {
			t.Errorf("told %+v, view has %+v", got, f)
		}
	}
	if n != len(fills) {
		t.Errorf("%d fills told, %d in the view", len(fills), n)
	}
	if n == len(s.pulls) {
		t.Error("a longer quiet must have merged fills, or this test shows nothing")
	}
}

func TestViewIsJSON(t *testing.T) {
	s := evening()
	if _, err := json.Marshal(replayed(t, settings(), serial(s.tell())).View()); err != nil {
		t.Fatal(err)
	}
}
