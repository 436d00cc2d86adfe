package outing

import (
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/tote"
)

// TestAir: what the tote's level and the rate say of pulls. Syrup flows at 7.5
// L/min, the outlet is good to 2 L, a level at rest to 1 L and one that is not to
// 10 L, standard uncertainties; all invented.
func TestAir(t *testing.T) {
	surging := func(n *night, s float64) { // 3 L, and as much again in a quarter of the time
		n.flowing(s, 6, 30, fill.Pull)
		f := &n.Flows[len(n.Flows)-1]
		f.Surge = f.First + 300
	}
	fast := func(n *night, s, litres float64) { n.flowing(s, litres, 4*litres, fill.Pull) }
	restless := func(n *night, s, over float64) {
		n.level(s, over)
		l := &n.Levels[len(n.Levels)-1]
		l.U, l.Restless = 10*litre, true
	}
	for _, c := range []struct {
		name string
		do   func(n *night)
		want string
	}{
		{"a surge, with the level at the outlet meanwhile, and refilled at once", func(n *night) {
			n.fills(0, 4)
			n.level(60, 3)
			surging(n, 70)
			n.level(95, 0)
			n.level(140, 200)
		}, "fill fill air"},
		{"a surge, with the level well over the outlet meanwhile", func(n *night) {
			n.fills(0, 4)
			n.level(60, 23)
			surging(n, 70)
			n.level(95, 20)
			n.level(140, 17)
		}, "fill fill/suspect"},
		{"a surge to no more than syrup's rate", func(n *night) {
			n.fills(0, 4)
			n.flowing(70, 4, 38, fill.Pull)
			f := &n.Flows[1]
			f.Surge, f.Surging = f.First+100, 25*second // 3 L at 7.2 L/min
			n.level(150, 4)
			n.flow(160, 3)
			n.level(230, 1)
		}, "fill fill fill"},
		{"a surge from a throttled trigger", func(n *night) {
			n.fills(0, 4)
			n.flowing(70, 4, 35, fill.Pull)
			f := &n.Flows[1]
			f.Surge, f.Surging = f.First+200, 14*second // 2 L at 8.6 L/min
			n.level(150, 0)
		}, "fill fill air"},
		{"all of it too fast, with the level at the outlet meanwhile", func(n *night) {
			n.fills(0, 4)
			n.level(60, 0)
			fast(n, 70, 4)
			n.level(80, 0)
			n.level(100, 200)
		}, "fill air"},
		{"too fast, and what was metered since the last level is what there was", func(n *night) {
			n.level(0, 20)
			n.fills(10, 4)
			n.flowing(50, 14, 100, fill.Hidden)
			fast(n, 151, 3)
			restless(n, 160, 0)
			n.level(250, 200)
		}, "fill unseen air"},
		{"the same, and something was filled in meanwhile", func(n *night) {
			n.level(0, 20)
			n.fills(10, 4)
			n.flowing(50, 14, 100, fill.Hidden)
			fast(n, 151, 3)
			restless(n, 160, 60)
			n.level(250, 200)
		}, "fill unseen fill"},
		{"the same, and nothing shows it", func(n *night) {
			n.level(0, 20)
			n.fills(10, 4)
			n.flowing(50, 14, 100, fill.Hidden)
			fast(n, 151, 3)
			n.level(250, 200)
		}, "fill unseen fill"},
		{"pulses faster than the line are nothing that the tote gave", func(n *night) {
			n.fills(0, 4)
			n.level(60, 50)
			n.flowing(70, 45, 2, fill.Suspect)
			fast(n, 110, 4)
			restless(n, 120, 10)
			n.level(300, 200)
		}, "fill suspect fill"},
		{"by what the tote gave, and too fast from its first pulse", func(n *night) {
			n.fills(0, 4)
			fast(n, 70, 4)
			n.Doubts = []tote.Doubt{{Why: tote.Empty, Sure: true, Flows: []int{1}, Part: 0.25}}
		}, "fill air"},
		{"a drained hose filled slowly, then pulls, with the level at the outlet", func(n *night) {
			s := n.flowing(0, 14, 200, fill.Pull)
			n.level(s+30, 0)
			for range 3 {
				s = n.flow(s+40, 4)
			}
			n.level(s+40, 0)
		}, "proving/fill fill fill fill"},
		{"by what the tote gave, but one surged only after two at the rate of syrup", func(n *night) {
			surging(n, n.fills(0, 4, 4, 4)+40)
			n.Doubts = []tote.Doubt{{Why: tote.Empty, Sure: true, Flows: []int{1, 2, 3}, Part: 0.25}}
		}, "fill fill fill fill air"},
		{"once it gave air it gives no syrup", func(n *night) {
			n.fills(0, 4)
			surging(n, 70)
			n.level(130, 0)
			n.flow(140, 3)
			n.level(220, -1)
			n.flow(230, 3)
			n.level(310, 0)
		}, "fill fill air air air"},
		{"until it was refilled", func(n *night) {
			n.fills(0, 4)
			surging(n, 70)
			n.level(130, 0)
			n.level(200, 12)
			n.flow(210, 3)
			n.level(290, 9)
			n.flow(300, 3)
			n.level(390, 5)
		}, "fill fill air fill fill"},
		{"unless the level falls with what is metered", func(n *night) {
			n.fills(0, 4)
			surging(n, 70)
			n.level(130, 5)
			n.flow(140, 4)
			n.level(220, 1)
		}, "fill fill air fill"},
		{"not by a level that was never seen to follow", func(n *night) {
			n.Follows = false
			n.fills(0, 4)
			surging(n, 70)
			n.level(130, 0)
			n.flow(140, 3)
			n.level(220, -6)
			n.flow(230, 3)
			n.level(310, -6)
		}, "fill fill air fill fill"},
		{"well below the outlet, and a little", func(n *night) {
			n.fills(0, 4)
			n.level(70, -1)
			n.flow(80, 3)
			n.level(160, -3)
			n.flow(170, 3)
			n.level(250, -5)
			n.flow(260, 3)
			n.level(340, -6)
		}, "fill fill/air fill/air air"},
		{"at the outlet, and the flow says nothing", func(n *night) {
			n.fills(0, 4)
			n.level(70, 4)
			n.flow(80, 4)
			n.level(160, 0)
		}, "fill fill"},
		{"what people say of it, and all told", func(n *night) {
			n.fills(0, 4)
			n.level(70, -1)
			n.flow(80, 4)
			n.level(160, -2)
			n.flow(170, 4)
			n.level(250, -2)
			n.flow(260, 4)
			n.level(340, -8)
			n.flow(350, 4)
			n.level(430, -8)
			n.Deems = []Deem{{"d", 7, 1400, 1800, act.AsFill}, {"e", 7, 2600, 3000, act.AsFill}}
			n.sites["orchard"] = Site{Colonies: 5, Meant: 4 * litre}
			n.colony(440, act.AllTold, 0)
		}, "fill fill fill/air fill/air fill"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := inOrchard()
			n.sites["orchard"] = Site{Meant: 4 * litre} // how many is not said: sizes say nothing
			n.OutletU, n.Follows = 2*litre, true
			c.do(n)
			a := n.make()
			if got := ors(&a); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
}
