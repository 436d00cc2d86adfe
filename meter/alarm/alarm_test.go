package alarm

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/watch"
)

const start = int64(1_791_588_000_000_000_000)

func at(min float64) int64 { return start + int64(min*float64(minute)) }

func verdict(told, until float64, kinds ...watch.Kind) watch.Verdict {
	v := watch.Verdict{Kinds: kinds, From: at(told - 1), Told: at(told), Chance: 0.99}
	if until > 0 {
		v.Until = at(until)
	}
	return v
}

func say(when float64, b act.Body) act.Act {
	return act.Act{ID: fmt.Sprint(when, b), Rig: "heron", Who: "wren", When: at(when), Body: b}
}

// path prints an alarm's life: "unacknowledged 0, acknowledged 3".
func path(a *Alarm) string {
	s := ""
	for _, x := range a.Steps {
		s += fmt.Sprintf("%s %g, ", x.To, float64(x.At-start)/float64(minute))
	}
	return s[:max(0, len(s)-2)]
}

func TestLife(t *testing.T) {
	kink := verdict(10, 0, watch.Kink)
	over := verdict(10, 20, watch.Kink)
	pair := verdict(10, 0, watch.Kink, watch.ThrottleDown)
	ack := func(when float64, v watch.Verdict) act.Act { return say(when, act.Ack{Key: v.Key()}) }
	shelve := func(when, until float64, kind watch.Kind) act.Act {
		return say(when, act.Shelve{What: kind.String(), Until: act.Moment{NS: at(until)}})
	}
	off := func(when float64, kind watch.Kind) act.Act { return say(when, act.Shelve{What: kind.String()}) }
	for _, c := range []struct {
		name string
		v    watch.Verdict
		acts []act.Act
		now  float64
		want string
	}{
		{"not told yet", kink, nil, 9, ""},
		{"told", kink, nil, 10, "unacknowledged 10"},
		{"acknowledged", kink, []act.Act{ack(12, kink)}, 15, "unacknowledged 10, acknowledged 12"},
		{"acknowledged twice", kink, []act.Act{ack(14, kink), ack(12, kink)}, 15, "unacknowledged 10, acknowledged 12"},
		{"acknowledged later than now", kink, []act.Act{ack(16, kink)}, 15, "unacknowledged 10"},
		{"acknowledged before a restatement told it later", kink, []act.Act{ack(5, kink)}, 15, "unacknowledged 10, acknowledged 10"},
		{"another's acknowledgement", kink, []act.Act{ack(12, verdict(10, 0, watch.Leak))}, 15, "unacknowledged 10"},
		{"the off-delay runs", over, nil, 21.9, "unacknowledged 10"},
		{"returned", over, nil, 22, "unacknowledged 10, returned 22"},
		{"returned, then acknowledged", over, []act.Act{ack(30, over)}, 60, "unacknowledged 10, returned 22, gone 30"},
		{"acknowledged, then returned", over, []act.Act{ack(12, over)}, 60, "unacknowledged 10, acknowledged 12, gone 22"},
		{"over before it was told", verdict(30, 20, watch.Transfer), nil, 60, "unacknowledged 30, returned 32"},
		{"taken back", kink, []act.Act{ack(12, kink), say(13, act.Undo{Act: ack(12, kink).ID})}, 15, "unacknowledged 10"},
		{"shelved", kink, []act.Act{shelve(12, 72, watch.Kink)}, 15, "unacknowledged 10, shelved 12"},
		{"the shelf ends by itself", kink, []act.Act{shelve(12, 72, watch.Kink)}, 72, "unacknowledged 10, shelved 12, unacknowledged 72"},
		{"taken off the shelf", kink, []act.Act{shelve(12, 72, watch.Kink), off(20, watch.Kink)}, 30, "unacknowledged 10, shelved 12, unacknowledged 20"},
		{"shelved for longer", kink, []act.Act{shelve(12, 72, watch.Kink), shelve(20, 100, watch.Kink)}, 99, "unacknowledged 10, shelved 12"},
		{"raised on the shelf", kink, []act.Act{shelve(5, 72, watch.Kink)}, 80, "shelved 10, unacknowledged 72"},
		{"for a night at most", kink, []act.Act{shelve(12, 1e5, watch.Kink)}, 1000, "unacknowledged 10, shelved 12, unacknowledged 732"},
		{"acknowledged on the shelf", kink, []act.Act{shelve(12, 72, watch.Kink), ack(20, kink)}, 80, "unacknowledged 10, shelved 12, acknowledged 72"},
		{"returned on the shelf", over, []act.Act{shelve(12, 72, watch.Kink)}, 80, "unacknowledged 10, shelved 12, returned 72"},
		{"acknowledged and returned on the shelf", over, []act.Act{shelve(12, 72, watch.Kink), ack(13, over)}, 80, "unacknowledged 10, shelved 12, gone 22"},
		{"another kind on the shelf", kink, []act.Act{shelve(12, 72, watch.Leak)}, 15, "unacknowledged 10"},
		{"half of a pair on the shelf", pair, []act.Act{shelve(12, 72, watch.Kink)}, 15, "unacknowledged 10"},
		{"a pair on the shelf", pair, []act.Act{shelve(12, 72, watch.Kink), shelve(14, 60, watch.ThrottleDown)}, 70, "unacknowledged 10, shelved 14, unacknowledged 60"},
		{"a note", verdict(10, 20, watch.Old), nil, 15, "acknowledged 10"},
		{"a note that is over", verdict(10, 20, watch.Old), nil, 22, "acknowledged 10, gone 22"},
	} {
		all := Life([]watch.Verdict{c.v}, c.acts, at(c.now))
		if c.want == "" {
			if len(all) != 0 {
				t.Errorf("%s: %d alarms, want none", c.name, len(all))
			}
			continue
		}
		if len(all) != 1 {
			t.Errorf("%s: %d alarms, want 1", c.name, len(all))
			continue
		}
		a := &all[0]
		if got := path(a); got != c.want || a.State != a.Steps[len(a.Steps)-1].To || a.Key != c.v.Key() {
			t.Errorf("%s: %q with key %s, want %s", c.name, got, a.Key, c.want)
		}
		if a.Stands() == (c.v.Until != 0 && at(c.now) >= max(c.v.Until, c.v.Told)+offDelay) {
			t.Errorf("%s: stands %v", c.name, a.Stands())
		}
	}

	a := Life([]watch.Verdict{pair}, []act.Act{shelve(12, 72, watch.Kink), shelve(14, 60, watch.ThrottleDown), ack(11, pair)}, at(20))[0]
	if a.ShelvedUntil != at(60) || a.Acked != at(11) || a.AckedBy != "wren" || a.Raised != at(10) || a.Back != 0 || a.Priority != Soon {
		t.Errorf("%+v", a)
	}
	got := Shelf([]act.Act{shelve(12, 72, watch.Leak), shelve(14, 60, watch.Kink), off(15, watch.Vent), shelve(1, 3, watch.Hot)}, at(20))
	want := []Shelving{{Kind: watch.Kink.String(), From: at(14), To: at(60), By: "wren"}, {Kind: watch.Leak.String(), From: at(12), To: at(72), By: "wren"}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("on the shelf: %+v, want %+v", got, want)
	}
}

// What is to be done decides what comes first, not what it is called.
func TestPriority(t *testing.T) {
	for _, c := range []struct {
		kinds []watch.Kind
		want  Priority
	}{
		{[]watch.Kind{watch.Leak}, Now}, {[]watch.Kind{watch.Air, watch.Empty}, Now}, {[]watch.Kind{watch.Transfer}, Now},
		{[]watch.Kind{watch.Deadhead}, Now}, {[]watch.Kind{watch.Hot}, Now},
		{[]watch.Kind{watch.Kink, watch.ThrottleDown}, Soon}, {[]watch.Kind{watch.Thinner, watch.ThrottleUp}, Soon},
		{[]watch.Kind{watch.Clog}, Soon}, {[]watch.Kind{watch.Vent}, Soon}, {[]watch.Kind{watch.Drift}, Soon}, {[]watch.Kind{watch.Sensor}, Soon},
		{[]watch.Kind{watch.Vent, watch.Air}, Now}, {[]watch.Kind{watch.Old}, Note}, {nil, Note},
	} {
		if got := PriorityOf(&watch.Verdict{Kinds: c.kinds}); got != c.want {
			t.Errorf("%v: %v, want %v", c.kinds, got, c.want)
		}
	}
	pair, turned := verdict(1, 0, watch.Kink, watch.ThrottleDown), verdict(1, 0, watch.ThrottleDown, watch.Kink)
	if KeyOf(&pair) != KeyOf(&turned) || KeyOf(&pair) == KeyOf(&watch.Verdict{Kinds: pair.Kinds[:1], From: pair.From}) {
		t.Errorf("keys %q and %q", KeyOf(&pair), KeyOf(&turned))
	}
	one, two := verdict(1, 0, watch.Sensor), verdict(1, 0, watch.Sensor)
	one.Channel, two.Channel = "air", "line"
	if n := len(Life([]watch.Verdict{one, two}, nil, at(2))); n != 2 {
		t.Errorf("two sensors make %d alarms", n)
	}

	list := Life([]watch.Verdict{verdict(1, 0, watch.Old), verdict(2, 0, watch.Clog), verdict(3, 0, watch.Leak), verdict(1, 2, watch.Vent), verdict(1, 0, watch.Drift)},
		[]act.Act{say(1, act.Shelve{What: watch.Drift.String(), Until: act.Moment{NS: at(100)}})}, at(50))
	var names []string
	for i := range list {
		names = append(names, Matter(&list[i].Verdict))
	}
	var want []string
	for _, k := range []watch.Kind{watch.Leak, watch.Vent, watch.Clog, watch.Old, watch.Drift} {
		want = append(want, k.String())
	}
	if !slices.Equal(names, want) {
		t.Errorf("in order %q, want %q", names, want)
	}
}

// flicker makes verdicts of one matter that come and go: on and off for as long
// as draw says, min, until a night of eight hours is over.
func flicker(draw func() float64) (out []watch.Verdict) {
	for m := 0.0; m < 480; {
		on := draw()
		out = append(out, verdict(m, m+on, watch.Kink))
		m += on + draw()
	}
	return out
}

// Whatever comes and goes a thousand times a night is a few alarms.
func TestChattering(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	even := flicker(func() float64 { return 480.0 / 1000 })
	if n := 2 * len(even); n < 1000 {
		t.Fatalf("%d flips", n)
	}
	if got := len(Life(even, nil, at(600))); got != 1 {
		t.Errorf("1000 even flips: %d alarms, want 1", got)
	}
	most := 0
	for range 200 {
		most = max(most, len(Life(flicker(func() float64 { return r.ExpFloat64() * 480 / 1000 }), nil, at(600))))
	}
	if most > 5 {
		t.Errorf("1000 flips at random: up to %d alarms a night, want 5 at most", most)
	}
	if most < 2 {
		t.Error("1000 flips at random never made two alarms: the off-delay was not tried")
	}
	t.Logf("1000 flips at random: up to %d alarms a night", most)

	// Against somebody who knows the delays, and comes back right after each.
	for range 2000 {
		rest := []float64{0.01, 31, 61, 119, 121}[r.IntN(5)]
		var all []watch.Verdict
		delay := 2.0
		for m := 0.0; m < 480; {
			all = append(all, verdict(m, m+0.01, watch.Kink))
			wait := rest
			if r.IntN(3) > 0 {
				wait = 0.01
			}
			m += 0.01 + delay + wait
			delay = min(2*delay, 32)
			if wait > 120 {
				delay = 2
			}
		}
		if got := len(Life(all, nil, at(480))); got > 5+2*8 {
			t.Fatalf("%d alarms in 8 h from %d verdicts, want %d at most", got, len(all), 5+2*8)
		}
	}
}

// legal are the ways from state to state; 0 is normal, before it was raised.
var legal = map[State][]State{
	0:              {Unacknowledged, Acknowledged, Shelved},
	Unacknowledged: {Acknowledged, Returned, Shelved},
	Acknowledged:   {Gone, Shelved},
	Returned:       {Gone, Shelved},
	Shelved:        {Unacknowledged, Acknowledged, Returned, Gone},
}

// random makes verdicts and acts of a night.
func random(r *rand.Rand) (vs []watch.Verdict, acts []act.Act) {
	kinds := [][]watch.Kind{{watch.Kink}, {watch.Kink, watch.ThrottleDown}, {watch.Leak}, {watch.Old}}
	for range 1 + r.IntN(20) {
		told := r.Float64() * 300
		v := verdict(told, 0, kinds[r.IntN(len(kinds))]...)
		if r.IntN(3) > 0 {
			v.Until = at(told + (r.Float64()-0.2)*r.Float64()*60)
		}
		if r.IntN(2) == 0 {
			v.Session, v.First, v.Last = 7, uint64(len(vs)), uint64(len(vs)+1)
		}
		vs = append(vs, v)
	}
	for i := range r.IntN(20) {
		a := act.Act{ID: fmt.Sprint("a", i), Rig: "heron", Who: "wren", When: at(r.Float64() * 400)}
		switch r.IntN(6) {
		case 0, 1:
			a.Body = act.Ack{Key: vs[r.IntN(len(vs))].Key()}
		case 2, 3:
			a.Body = act.Shelve{What: kinds[r.IntN(2)][0].String(), Until: act.Moment{NS: a.When + int64(r.Float64()*60*float64(minute))}}
		case 4:
			a.Body = act.Shelve{What: []watch.Kind{watch.Kink, watch.ThrottleDown, watch.Leak}[r.IntN(3)].String()}
		case 5:
			if i == 0 {
				continue
			}
			a.Body = act.Undo{Act: fmt.Sprint("a", r.IntN(i))}
		}
		if r.IntN(10) == 0 {
			a.From = at(r.Float64() * 400) // is of no account
		}
		if a.Body != nil {
			acts = append(acts, a)
		}
	}
	return vs, acts
}

// Over random nights every alarm takes a legal path; what is known at an
// instant was so for one who looked then; the order of what comes in does not
// matter, and looking again shows the same.
func TestLivesAreLegal(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	reached := make(map[[2]State]int)
	for n := range 3000 {
		vs, acts := random(r)
		end := Life(vs, acts, at(500))
		for i := range end {
			a := &end[i]
			from, when := State(0), int64(0)
			for _, s := range a.Steps {
				if !slices.Contains(legal[from], s.To) || s.At < when || s.At < a.Raised {
					t.Fatalf("night %d: %s goes from %s to %s: %s", n, a.Key, from, s.To, path(a))
				}
				reached[[2]State{from, s.To}]++
				from, when = s.To, s.At
			}
			if from != a.State || len(a.Steps) == 0 {
				t.Fatalf("night %d: %s is %s after %s", n, a.Key, a.State, path(a))
			}
		}
		shuffled, said := slices.Clone(vs), slices.Clone(acts)
		r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		r.Shuffle(len(said), func(i, j int) { said[i], said[j] = said[j], said[i] })
		if again := Life(shuffled, said, at(500)); !reflect.DeepEqual(again, end) {
			t.Fatalf("night %d: in another order:\n%+v\n%+v", n, end, again)
		}
		checkThen(t, r, vs, acts, end)
	}
	for from, tos := range legal {
		for _, to := range tos {
			if reached[[2]State{from, to}] == 0 {
				t.Errorf("no alarm went from %s to %s", from, to)
			}
		}
	}
}

// checkThen compares what one who looked in the night saw, with all that came
// later unknown, with what the night's end knows of that instant.
func checkThen(t *testing.T, r *rand.Rand, vs []watch.Verdict, acts []act.Act, end []Alarm) {
	t.Helper()
	then := at(r.Float64() * 450)
	if slices.ContainsFunc(acts, func(a act.Act) bool { _, undo := a.Body.(act.Undo); return undo && a.When > then }) {
		return // what was taken back since was so then
	}
	known := slices.DeleteFunc(slices.Clone(vs), func(v watch.Verdict) bool { return v.Told > then })
	for i := range known {
		if known[i].Until > then {
			known[i].Until = 0
		}
	}
	said := slices.DeleteFunc(slices.Clone(acts), func(a act.Act) bool { return a.When > then })
	saw := map[string]*Alarm{}
	live := Life(known, said, then)
	for i := range live {
		saw[live[i].Key] = &live[i]
	}
	n := 0
	for i := range end {
		a := &end[i]
		if a.Raised > then {
			continue
		}
		n++
		steps := slices.DeleteFunc(slices.Clone(a.Steps), func(s Step) bool { return s.At > then })
		b := saw[a.Key]
		if b == nil || !slices.Equal(b.Steps, steps) || b.Raised != a.Raised {
			t.Fatalf("at %g %s was seen as %+v, and is known as %+v", float64(then-start)/float64(minute), a.Key, b, steps)
		}
	}
	if n != len(live) {
		t.Fatalf("%d alarms were seen, %d are known", len(live), n)
	}
}
