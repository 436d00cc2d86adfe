package publish

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	lp "github.com/influxdata/influxdb-client-go/v2/api/write"

	"yardtally/meter/ledger"
)

// lines writes rows as line protocol.
func lines(t testing.TB, rows []row) []string {
	t.Helper()
	var out []string
	for i := range rows {
		p, err := rows[i].influx()
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, strings.TrimSpace(lp.PointToLineProtocol(p, time.Nanosecond)))
	}
	return out
}

func waiting(t testing.TB, o *Outbox) []string {
	t.Helper()
	rows, err := o.waiting(1 << 20)
	if err != nil {
		t.Fatal(err)
	}
	return lines(t, rows)
}

func same(t testing.TB, what string, got, want []string) {
	t.Helper()
	if slices.Equal(got, want) {
		return
	}
	var b bytes.Buffer
	n := 0
	for _, g := range got {
		if !slices.Contains(want, g) && n < 10 {
			fmt.Fprintln(&b, "\n not wanted:", g)
			n++
		}
	}
	for _, w := range want {
		if !slices.Contains(got, w) && n < 20 {
			fmt.Fprintln(&b, "\n missing:   ", w)
			n++
		}
	}
	t.Fatalf("%s: %d points, want %d%s", what, len(got), len(want), b.String())
}

func TestPointsBearTheirOwnInstantAndUnits(t *testing.T) {
	o := openOutbox(t)
	// One US gallon is 3.785411784 L (NIST SP 811 appendix B.8), in 8 s
	// 28.39058838 L/min.
	doubtful := fill(dusk+10*second, 2000, 1, "orchard")
	doubtful.Fill.Or = "priming"
	mustPut(t, o,
		fill(dusk, 1000, 3.785411784, "orchard"), doubtful,
		loose(dusk+20*second, 2000, 0.0125),
		gap(dusk+30*second, dusk+45*second+500_000_000, "no readings"),
		ledger.Event{Kind: ledger.Sampled, At: dusk + 50*second, Sample: &ledger.Sample{At: dusk + 50*second, Total: 4e9}},
		told(dusk+60*second))
	same(t, "points", waiting(t, o), []string{
		`fill,rig=heron volume_l=3.785411784,duration_s=8,flow_l_per_min=28.39058838,session=1i,first=1000i,last=2000i,yard="orchard",reason="position",syrup_c=11.5,within_l=0.01,top_up=0i,short=0i,colony=0i,or="",void=false 1790000000123456789`,
		`fill,rig=heron volume_l=1,duration_s=8,flow_l_per_min=7.5,session=1i,first=2000i,last=3000i,yard="orchard",reason="position",syrup_c=11.5,within_l=0.01,top_up=0i,short=0i,colony=0i,or="priming",void=false 1790000010123456789`,
		`loose,rig=heron volume_l=0.0125,duration_s=1,session=1i,first=2000i,last=2003i,why="dribble",yard="",reason="outside",within_l=0.002,note="",or="",void=false 1790000020123456789`,
		`gap,rig=heron duration_s=15.5,known_l=1,hidden_l=0.25,why="no readings",void=false 1790000030123456789`,
		`sample,rig=heron total_l=4,flow_l_per_min=0,void=false 1790000050123456789`,
	})
}

func TestTellingTwiceSendsNothing(t *testing.T) {
	o, s := openOutbox(t), newStore()
	night := tell(0, 60, 0)
	mustPut(t, o, night...)
	drain(t, o, s, 50)
	before := s.flat()
	mustPut(t, o, night...)
	mustPut(t, o, night[:30]...)
	if n, _ := o.Backlog(); n != 0 {
		t.Errorf("the same results told again: %d points wait, want 0", n)
	}
	mustPut(t, o, append([]ledger.Event{rewound(stretch(10))}, night...)...)
	if n, _ := o.Backlog(); n != 0 {
		t.Errorf("the same results told after a rewind: %d points wait, want 0", n)
	}
	same(t, "store", s.flat(), before)
}

// An account told again makes fills and loose flow doubtful, and nothing else.
func TestAccountRestated(t *testing.T) {
	o, s := openOutbox(t), newStore()
	early, late := fill(dusk, 1000, 3, "orchard"), fill(dusk+40*second, 2000, 1, "orchard")
	drop := loose(dusk+50*second, 3000, 0.01)
	smp := sample(dusk+60*second, 4)
	mustPut(t, o, early, late, drop, smp, told(dusk+70*second))
	drain(t, o, s, 10)
	// The second fill turns out to have been priming.
	ground := loose(dusk+40*second, 2000, 1)
	ground.Loose.Why = "priming"
	mustPut(t, o, ledger.Event{Kind: ledger.Restated, At: dusk + 40*second}, ground, drop, told(dusk+70*second))
	if n, _ := o.Backlog(); n != 2 {
		t.Errorf("%d points wait, want 2: one void, one new", n)
	}
	drain(t, o, s, 10)
	void, kept := 0, 0
	for _, line := range s.flat() {
		if strings.Contains(line, "void=true") {
			void++
			if !strings.HasPrefix(line, "fill,") {
				t.Errorf("void: %s", line)
			}
		} else {
			kept++
		}
	}
	if void != 1 || kept != 4 {
		t.Errorf("%d void and %d kept, want 1 and 4: %q", void, kept, s.flat())
	}
}

func TestRestatement(t *testing.T) {
	o, s := openOutbox(t), newStore()
	a, b, c := fill(dusk, 1000, 3, "orchard"), fill(dusk+40*second, 2000, 4, "orchard"), fill(dusk+80*second, 3000, 5, "mill")
	mustPut(t, o, a, b, c, told(dusk+100*second))
	drain(t, o, s, 10)
	// a keeps, b moves by 2 s and to another yard, c goes.
	b2 := fill(dusk+42*second, 2000, 4, "larch")
	mustPut(t, o, rewound(dusk+30*second))
	if at, ok, err := o.Through("heron"); err != nil || !ok || at != dusk+30*second-1 {
		t.Errorf("Through after a rewind = %d, %v, %v; want just before it, %d", at, ok, err, dusk+30*second-1)
	}
	if n, _ := o.Backlog(); n != 0 {
		t.Errorf("a rewind alone sends %d points, want 0", n)
	}
	mustPut(t, o, b2, told(dusk+100*second))
	if at, _, _ := o.Through("heron"); at != dusk+100*second {
		t.Errorf("Through = %d, want the instant told, %d", at, dusk+100*second)
	}
	if n, oldest := o.Backlog(); n != 3 || oldest != b2.Fill.Start {
		t.Errorf("backlog %d, next is at %d; want 3 (one told, two void), %d", n, oldest, b2.Fill.Start)
	}
	drain(t, o, s, 10)
	same(t, "store", s.flat(), []string{
		`fill,rig=heron 1790000000123456789 colony=0i,duration_s=8,first=1000i,flow_l_per_min=22.5,last=2000i,or="",reason="position",session=1i,short=0i,syrup_c=11.5,top_up=0i,void=false,volume_l=3,within_l=0.01,yard="orchard"`,
		`fill,rig=heron 1790000040123456789 colony=0i,duration_s=0,first=2000i,flow_l_per_min=30,last=3000i,or="",reason="position",session=1i,short=0i,syrup_c=11.5,top_up=0i,void=true,volume_l=0,within_l=0.01,yard="orchard"`,
		`fill,rig=heron 1790000042123456789 colony=0i,duration_s=8,first=2000i,flow_l_per_min=30,last=3000i,or="",reason="position",session=1i,short=0i,syrup_c=11.5,top_up=0i,void=false,volume_l=4,within_l=0.01,yard="larch"`,
		`fill,rig=heron 1790000080123456789 colony=0i,duration_s=0,first=3000i,flow_l_per_min=37.5,last=4000i,or="",reason="position",session=1i,short=0i,syrup_c=11.5,top_up=0i,void=true,volume_l=0,within_l=0.01,yard="mill"`,
	})
	// And back again.
	mustPut(t, o, rewound(dusk+30*second), b, c, told(dusk+100*second))
	drain(t, o, s, 10)
	fresh := openOutbox(t)
	want := newStore()
	mustPut(t, fresh, a, b, c, told(dusk+100*second))
	drain(t, fresh, want, 10)
	same(t, "store after the way back", s.live(), want.live())
}

func TestRewindTakesItsOwnInstant(t *testing.T) {
	o, s := openOutbox(t), newStore()
	mustPut(t, o, sample(dusk, 1), sample(dusk+ledger.SampleEvery, 2), told(dusk+ledger.SampleEvery))
	mustPut(t, o, rewound(dusk+ledger.SampleEvery), told(dusk+ledger.SampleEvery))
	drain(t, o, s, 10)
	if l := s.live(); len(l) != 1 || !strings.Contains(l[0], "total_l=1,") {
		t.Errorf("live after a rewind to the second sample: %v, want the first only", l)
	}
}

func TestTwoResultsOfOneInstant(t *testing.T) {
	o, s := openOutbox(t), newStore()
	a, b := fill(dusk, 1000, 3, "orchard"), fill(dusk, 5000, 4, "orchard")
	for range 2 { // told again they stay where they are
		mustPut(t, o, a, b, gap(dusk, dusk+second, "board restarted"), gap(dusk, dusk+2*second, "no readings"), told(dusk+100*second))
		drain(t, o, s, 10)
	}
	got := s.flat()
	if len(got) != 4 || len(s.live()) != 4 {
		t.Fatalf("store holds %d points, %d of them live; want 4 and 4:\n%s", len(got), len(s.live()), strings.Join(got, "\n"))
	}
	if !strings.Contains(got[1], "1790000000123456790 ") || !strings.Contains(got[1], "first=5000i") {
		t.Errorf("the second fill stands at %s, want one nanosecond after the first", got[1])
	}
	mustPut(t, o, rewound(dusk), b, told(dusk+100*second))
	drain(t, o, s, 10)
	if l := s.live(); len(l) != 1 || !strings.Contains(l[0], "first=5000i") {
		t.Errorf("live after one fill was taken back: %v, want the other", l)
	}
}

func TestFieldThatIsNoLongerKnown(t *testing.T) {
	for _, again := range []bool{true, false} {
		o, s := openOutbox(t), newStore()
		a := fill(dusk, 1000, 3, "orchard")
		mustPut(t, o, a, told(dusk+100*second))
		drain(t, o, s, 10)
		b := fill(dusk, 1000, 3, "orchard")
		b.Fill.HasSyrup = false
		ev := []ledger.Event{b, told(dusk + 100*second)}
		if again {
			ev = append([]ledger.Event{rewound(dusk)}, ev...)
		}
		mustPut(t, o, ev...)
		drain(t, o, s, 10)
		if l := s.live(); len(l) != 1 || strings.Contains(l[0], "syrup_c") {
			t.Errorf("rewound %v: live: %v, want one fill without syrup_c", again, l)
		}
	}
}

// A place that is told, taken back and told by the same Put, and every order
// of crash and send, must leave in the store what a run without any leaves.
func TestAnyCrashAnySendSameStore(t *testing.T) {
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 7))
		var puts [][]ledger.Event
		n, edit := 0, 0
		for range 14 {
			if n > 20 && r.IntN(3) == 0 { // restate some of the past, in one Put or in pieces
				edit = r.IntN(4)
				from := r.IntN(n)
				ev := append([]ledger.Event{rewound(stretch(from) + 1)}, tell(from, n-from, edit)...)
				if r.IntN(2) == 0 {
					cut := 1 + r.IntN(len(ev)-1)
					puts = append(puts, ev[:cut])
					ev = ev[cut:]
				}
				puts = append(puts, ev)
				continue
			}
			k := 1 + r.IntN(30)
			puts = append(puts, tell(n, k, edit))
			n += k
		}
		calm, want := openOutbox(t), newStore()
		for _, p := range puts {
			mustPut(t, calm, p...)
			drain(t, calm, want, 1000)
		}

		path := filepath.Join(t.TempDir(), "outbox.db")
		o, err := OpenOutbox(path)
		if err != nil {
			t.Fatal(err)
		}
		s := newStore()
		for i, p := range puts {
			mustPut(t, o, p...)
			for range r.IntN(4) {
				rows, err := o.waiting(1 + r.IntN(40))
				if err != nil {
					t.Fatal(err)
				}
				s.take(lines(t, rows))
				if len(rows) > 0 && r.IntN(3) > 0 { // else killed between write and ack
					if err := o.ack(rows[r.IntN(len(rows))].version, nil); err != nil {
						t.Fatal(err)
					}
				}
			}
			if r.IntN(3) == 0 {
				o.Close()
				if o, err = OpenOutbox(path); err != nil {
					t.Fatal(err)
				}
				if i > 0 && r.IntN(2) == 0 {
					mustPut(t, o, p...) // the daemon tells again what it is not sure of
				}
			}
			var count int64
			if err := o.db.QueryRow("SELECT count(*) FROM points WHERE version > (SELECT acked FROM state)").Scan(&count); err != nil {
				t.Fatal(err)
			}
			if b, _ := o.Backlog(); b != count {
				t.Fatalf("seed %d: backlog says %d, the file holds %d", seed, b, count)
			}
		}
		drain(t, o, s, 33)
		same(t, fmt.Sprintf("seed %d: store", seed), s.flat(), want.flat())
		o.Close()
	}
}

func TestPutRefuses(t *testing.T) {
	o := openOutbox(t)
	for _, c := range []struct {
		rig  string
		ev   ledger.Event
		want string
	}{
		{"", told(1), "rig: must have a name"},
		{"her\non", told(1), "control characters"},
		{`heron\`, told(1), "backslash"},
		{"heron", ledger.Event{Kind: ledger.FillDone, At: 5}, "brings no result"},
		{"heron", ledger.Event{Kind: 99}, "event kind 99 is not known"},
	} {
		err := o.Put(c.rig, []ledger.Event{fill(dusk, 1, 1, "mill"), c.ev})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("Put(%q, %+v) = %v, want an error with %q", c.rig, c.ev, err, c.want)
		}
	}
	if n, _ := o.Backlog(); n != 0 || len(waiting(t, o)) != 0 {
		t.Errorf("%d points wait after refused Puts, want 0", n)
	}
}

func TestNewerFileIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "outbox.db")
	o, err := OpenOutbox(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := o.db.Exec("PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	o.Close()
	if _, err := OpenOutbox(path); err == nil || !strings.Contains(err.Error(), "schema 99") {
		t.Errorf("OpenOutbox of a newer file = %v, want an error that names schema 99", err)
	}
}

func TestChangedWakes(t *testing.T) {
	o := openOutbox(t)
	c := o.Changed()
	mustPut(t, o, told(dusk))
	select {
	case <-c:
		t.Error("woken though nothing is to be sent")
	default:
	}
	mustPut(t, o, sample(dusk, 1))
	<-c
}

func BenchmarkPut(b *testing.B) {
	for _, n := range []int{1, 100, 5000} {
		b.Run(fmt.Sprintf("events=%d", n), func(b *testing.B) {
			o := openOutbox(b)
			k := 0
			for b.Loop() {
				ev := make([]ledger.Event, n)
				for i := range ev {
					ev[i] = sample(stretch(k), float64(k))
					k++
				}
				mustPut(b, o, ev...)
			}
			b.ReportMetric(float64(k)/b.Elapsed().Seconds(), "points/s")
			var pages, size int64
			if err := o.db.QueryRow("SELECT page_count, page_size FROM pragma_page_count, pragma_page_size").Scan(&pages, &size); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(pages*size)/float64(k), "disk-B/point")
		})
	}
}

func BenchmarkRestateSeason(b *testing.B) {
	o := openOutbox(b)
	season := tell(0, 60*1000, 0)
	mustPut(b, o, season...)
	again := append([]ledger.Event{rewound(0)}, season...)
	for b.Loop() {
		mustPut(b, o, again...)
	}
	b.ReportMetric(float64(len(season)), "points")
}
