package dashboard

import (
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// come is the sample as the rig has come to Larch Bank, with what flowed there.
func come(pulls func(*night)) *Snapshot {
	n := newNight()
	for range 18 {
		n.pour("mill", ledger.ByPosition, 1)
	}
	n.t += 3e11
	since := n.t
	if pulls != nil {
		pulls(n)
	}
	n.account()
	n.v.At = n.t + 20e9
	n.v.Here = ledger.Here{Yard: "larch", Reason: ledger.ByPosition, Since: since, FixAt: n.v.At}
	return &Snapshot{View: n.v, Units: quantity.US, Zone: zone, Now: n.v.At}
}

// Which control is large follows from what is known of the rig, and nothing else.
func TestWhatTheHandSaysNow(t *testing.T) {
	away := func(s *Snapshot) *Snapshot {
		s.View.Here = ledger.Here{Reason: ledger.NoYard, Since: s.Now - 60e9, FixAt: s.Now}
		return s
	}
	small := func(or string, share float64) func(*night) {
		return func(n *night) {
			n.pour("larch", ledger.ByPosition, share)
			n.v.Fills[len(n.v.Fills)-1].Or = or
		}
	}
	told := func(n int) func(*night) {
		return func(x *night) {
			for range n {
				x.pour("larch", ledger.ByPosition, 1)
			}
		}
	}
	resting := func(s *Snapshot) *Snapshot {
		s.View.Breaks = []ledger.Break{{From: s.Now - 300e9}}
		return s
	}
	byHand := come(small(outing.Priming, 0.4))
	byHand.View.Fills[len(byHand.View.Fills)-1].By = "act-1"
	flows := come(small("", 0.4))
	flows.View.Fills[len(flows.View.Fills)-1].Open = true
	primed := come(func(n *night) { n.dribble("larch", outing.Priming, 0.41) })
	primed.View.Loose[len(primed.View.Loose)-1].Or = outing.AFill
	surely := come(func(n *night) { n.dribble("larch", outing.Priming, 0.41) })
	all := come(told(20))
	all.View.Visits[1].Told = true
	route := away(come(told(20)))
	route.View.Route = []string{"orchard", "larch", "mill"}
	home := away(come(told(20)))
	home.Now += outing.Pause + 1e9
	for _, c := range []struct {
		name, want, beside string // the large one, and those beside it
		s                  *Snapshot
	}{
		{"in a yard, nothing fed yet", "Skipped one", "One is dead, Left Larch Bank, A break", come(nil)},
		{"in a yard, some fed", "Skipped one", "One is dead, Left Larch Bank, A break", come(told(7))},
		{"after a first pull that may be priming", "That was priming", "It was a colony’s fill, Skipped one, A break", come(small(outing.Priming, 0.4))},
		{"after a first pull that is small", "That was priming", "It was a colony’s fill, Skipped one, A break", come(small("", 0.4))},
		{"after one that is taken for priming, and may be a fill", "That was priming", "It was a colony’s fill, Skipped one, A break", primed},
		{"after one that surely was", "Skipped one", "One is dead, Left Larch Bank, A break", surely},
		{"while it flows", "Skipped one", "One is dead, Left Larch Bank, A break", flows},
		{"when somebody has said what it was", "Skipped one", "One is dead, Left Larch Bank, A break", byHand},
		{"after a first pull that is whole", "Skipped one", "One is dead, Left Larch Bank, A break", come(small("", 1))},
		{"after a second pull that is small", "Skipped one", "One is dead, Left Larch Bank, A break", come(func(n *night) { told(1)(n); small("", 0.4)(n) })},
		{"all fed", "Left Larch Bank", "All told, Skipped one, A break", come(told(20))},
		{"all fed, and said so", "Left Larch Bank", "Skipped one, A break, Arrived at Orchard End", all},
		{"more fed than stand there", "Left Larch Bank", "Skipped one, A break, Arrived at Orchard End", come(told(21))},
		{"on the way", "Arrived at Orchard End", "Arrived at Larch Bank, Arrived at Mill Bottom, A break", away(come(told(20)))},
		{"on the way along a route", "Arrived at Orchard End", "Arrived at Mill Bottom, Arrived at Larch Bank, A break", route},
		{"when the outing is over", "Arrived at Orchard End", "Arrived at Larch Bank, Arrived at Mill Bottom, A break", home},
		{"on a break in a yard", "The break is over", "Left Larch Bank, Arrived at Orchard End, Arrived at Mill Bottom", resting(come(told(7)))},
		{"on a break on the way", "The break is over", "Arrived at Orchard End, Arrived at Larch Bank, Arrived at Mill Bottom", resting(away(come(told(20))))},
		{"without yards", "Skipped one", "One is dead, A break", &Snapshot{View: &ledger.View{}, Zone: zone, Now: at(21, 0, 0)}},
		{"before anything", "Skipped one", "One is dead, A break", &Snapshot{Zone: zone, Now: at(21, 0, 0)}},
	} {
		n := newModel(c.s).next()
		var beside []string
		for _, b := range n.Beside {
			beside = append(beside, b.Words)
		}
		if got := strings.Join(beside, ", "); n.Main.Words != c.want || got != c.beside {
			t.Errorf("%s: %q beside %q, want %q beside %q", c.name, n.Main.Words, got, c.want, c.beside)
		}
		if (n.Pull != "") != (n.Main.Form == toDeem) || n.Main.Small == "" && c.want != "Arrived at Orchard End" {
			t.Errorf("%s: pull %q, small %q", c.name, n.Pull, n.Main.Small)
		}
	}
}

// sends is what a browser sends for a button of the large control, without
// JavaScript: its form's path and fields, and its own.
func sends(t *testing.T, page, words string) (path string, form url.Values) {
	t.Helper()
	b := regexp.MustCompile(`<button(?: class="big")? form="([^"]*)" name="([^"]*)" value="([^"]*)">(?:<b>)?` + regexp.QuoteMeta(words) + `<`).FindStringSubmatch(page)
	if b == nil {
		t.Fatalf("no button %q", words)
	}
	f := regexp.MustCompile(`<form id="` + b[1] + `" method="post" action="([^"#]*)#said">(.*?)</form>`).FindStringSubmatch(page)
	if f == nil {
		t.Fatalf("%q: no form %q", words, b[1])
	}
	form = url.Values{b[2]: {b[3]}}
	inputs := regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)">`).FindAllStringSubmatch(f[2], -1)
	inputs = append(inputs, regexp.MustCompile(`<input type="hidden" form="`+b[1]+`" name="([^"]*)" value="([^"]*)">`).FindAllStringSubmatch(page, -1)...)
	for _, i := range inputs {
		form.Add(i[1], i[2])
	}
	return f[1], form
}

// One tap on it says what stands on it, and one more in the same place takes it back.
func TestOneTapSaysIt(t *testing.T) {
	first := come(func(n *night) { n.pour("larch", ledger.ByPosition, 0.4) })
	f := &first.View.Fills[len(first.View.Fills)-1]
	fed := come(func(n *night) {
		for range 20 {
			n.pour("larch", ledger.ByPosition, 1)
		}
	})
	rest := come(nil)
	rest.View.Breaks = []ledger.Break{{From: rest.Now - 300e9}}
	moment := func(s *Snapshot) act.Moment { return act.Moment{NS: s.Now, Boot: "boot 1", MonoNS: bookMono} }
	for _, c := range []struct {
		words string
		s     *Snapshot
		want  act.Body
		told  string
	}{
		{"That was priming", first, act.Deem{Session: 1, First: f.First, Last: f.Last, As: act.AsPriming}, "Priming: 0.40 gal at "},
		{"It was a colony’s fill", first, act.Deem{Session: 1, First: f.First, Last: f.Last, As: act.AsFill}, "A colony’s fill: 0.40 gal at "},
		{"Skipped one", come(nil), act.Colony{At: moment(come(nil)), What: act.Skipped}, "Skipped one."},
		{"One is dead", come(nil), act.Colony{At: moment(come(nil)), What: act.Dead}, "One is dead."},
		{"Left Larch Bank", fed, act.Arrive{At: moment(fed)}, "Left the yard."},
		{"All told", fed, act.Colony{At: moment(fed), What: act.AllTold, Yard: "larch"}, "All told at Larch Bank."},
		{"A break", fed, act.Break{At: moment(fed)}, "A break."},
		{"The break is over", rest, act.Break{At: moment(rest), Over: true}, "The break is over."},
		{"Arrived at Orchard End", rest, act.Arrive{At: moment(rest), Yard: "orchard"}, "Arrived at Orchard End."},
	} {
		st := newStand(t, c.s)
		path, form := sends(t, st.page("/"), c.words)
		w := st.post(path, form.Encode())
		if said := st.said(); w.Code != 303 || len(said) != 1 || said[0].Body != c.want {
			t.Errorf("%s: status %d, said %+v, want %+v", c.words, w.Code, said, c.want)
			continue
		}
		page := st.page(w.Header().Get("Location"))
		place := page[strings.Index(page, `<div id="next">`):strings.Index(page, `<details class="more"`)]
		if !strings.Contains(place, c.told) || !strings.Contains(place, `name="act" value="act-0">Take back`) {
			t.Errorf("%s: beside the control stands %s", c.words, place)
		}
		// Later, and on any device, what was said last can still be taken back there.
		page = st.page("/")
		place = page[strings.Index(page, `<div id="next">`):strings.Index(page, `<details class="more"`)]
		if n := strings.Count(place, `name="act" value="act-0">Take back`); n != 1 {
			t.Errorf("%s: %d ways back beside the control: %s", c.words, n, place)
		}
		st.now = st.now.Add(time.Minute)
		if w := st.post("/say/back", "act=act-0&token=b&at=said"); w.Code != 303 || len(st.said()) != 2 {
			t.Errorf("%s: taking it back: status %d", c.words, w.Code)
		}
	}
	if w := newStand(t, rest).post("/say/break", "over=no&token=a"); w.Code != 422 || !strings.Contains(w.Body.String(), `over: must be &#34;yes&#34; or left out, is &#34;no&#34;`) {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
}

// A pull that the large control asks about is not asked about once more below.
func TestNothingIsAskedTwice(t *testing.T) {
	s := come(func(n *night) { n.pour("larch", ledger.ByPosition, 0.4) })
	f := &s.View.Fills[len(s.View.Fills)-1]
	f.Or = outing.Priming
	m := newModel(s)
	if n, a := m.next(), m.ask(); n.Pull == "" || a.Pull != "" {
		t.Errorf("the control asks about %q, and the question below about %q", n.Pull, a.Pull)
	}
	s.View.Fills[0].Or = outing.Priming
	if a := newModel(s).ask(); a.Pull != (&stretch{session: 1, first: s.View.Fills[0].First}).pull() || a.More != "" {
		t.Errorf("%+v", a)
	}
}

// On a break silence is quiet, and said to be one.
func TestSilentOnABreak(t *testing.T) {
	s := sample()
	s.Now += 300e9
	loud := func() bool { return slices.ContainsFunc(newModel(s).sources(), func(l line) bool { return l.Loud }) }
	if !loud() {
		t.Fatal("silence is quiet without a break")
	}
	if run := newModel(s).run(); !strings.Contains(string(run.Picture), "wrong") {
		t.Error("a silent meter is not marked without a break")
	}
	s.View.Breaks = []ledger.Break{{From: s.Now - 290e9}}
	if loud() {
		t.Errorf("%+v", newModel(s).sources())
	}
	m := newModel(s)
	if run := m.run(); strings.Contains(string(run.Picture), "wrong") || !run.Flow.Old {
		t.Error("on a break the meter is marked, or its old value is shown as one of now")
	}
	if got := strings.Join(m.when(), " "); !strings.Contains(got, "On a break since 21:26") {
		t.Errorf("%s", got)
	}
}
