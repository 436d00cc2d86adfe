package signal

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

const (
	ms    = int64(1_000_000)
	sec   = int64(1_000_000_000)
	every = 200 * ms // the rig says its count five times a second (wire.md)
	gal   = quantity.USGallon
)

// rules are those of the demo's rig: 132 pulses/L, a gallon a colony.
func rules() Rules {
	return Rules{Wrap: 1 << 32, MaxRate: 2 * 132, Quiet: 5 * sec / 2, TopUp: 10 * sec, Least: quantity.Litre / 4,
		Pulse: quantity.Litre / 132, Set: gal, Failing: 0.5}
}

// board is a counter board that is driven by a script of stretches of flow.
type board struct {
	at    int64 // ns since it started
	count float64
	msgs  []Count
}

// run goes on for so long at a flow, L/min.
func (b *board) run(seconds, lpm float64) *board {
	for end := b.at + int64(seconds*1e9); b.at < end; {
		b.at += every
		b.count += lpm / 60 * 132 * float64(every) / 1e9
		b.msgs = append(b.msgs, Count{At: b.at + 1000*sec, N: uint64(b.count), Up: b.at, HasUp: true})
	}
	return b
}

// pour lets so many litres flow at a flow, L/min.
func (b *board) pour(l, lpm float64) *board { return b.run(l/lpm*60, lpm) }

func newBoard() *board { return (&board{at: 500 * sec, count: 184223}).run(5, 0) }

// heard plays messages, with a tick every tenth of a second between, and
// returns each signal as kind@litres.
func heard(msgs []Count, r Rules) string {
	var s State
	var out []Signal
	now := int64(0)
	for _, c := range msgs {
		for ; now != 0 && now < c.At; now += 100 * ms {
			out = s.Tick(now, r, out)
		}
		now = c.At
		out = s.Next(c, r, out)
	}
	var words []string
	for _, x := range out {
		words = append(words, fmt.Sprintf("%v@%.1f", x.Kind, x.Fill.Litres()))
	}
	return strings.Join(words, " ")
}

func TestScripts(t *testing.T) {
	plain, early, off, noSet, noPulse, slow := rules(), rules(), rules(), rules(), rules(), rules()
	early.Early = quantity.Litre
	off.Failing = 0
	noSet.Set = 0
	noPulse.Pulse = 0
	slow.Least = 0
	for _, c := range []struct {
		name string
		b    *board
		r    Rules
		want string
	}{
		{"a fill", newBoard().pour(3.9, 24).run(5, 0), plain, "full@3.8"},
		{"a fill of a second gallon in one pull", newBoard().pour(8, 24).run(5, 0), plain, "full@3.8"},
		{"a hand that lets go early", newBoard().pour(3.5, 24).run(30, 0), plain, ""},
		{"a litre early", newBoard().pour(3.9, 24).run(5, 0), early, "full@2.8"},
		{"two colonies", newBoard().pour(3.9, 24).run(15, 0).pour(3.9, 24).run(15, 0), plain, "full@3.8 full@3.8"},
		{"two colonies, the first short", newBoard().pour(3.5, 24).run(15, 0).pour(3.5, 24).run(15, 0), plain, ""},
		{"a top-up", newBoard().pour(2.5, 24).run(8, 0).pour(1.4, 24).run(15, 0), plain, "full@3.8"},
		{"three top-ups", newBoard().pour(1, 24).run(8, 0).pour(1, 24).run(8, 0).pour(1, 24).run(8, 0).pour(1, 24).run(15, 0), plain, "full@3.8"},
		{"one of a full colony is the next colony's", newBoard().pour(3.9, 24).run(6, 0).pour(3.9, 24).run(15, 0), plain, "full@3.8 full@3.8"},
		{"drips between colonies", newBoard().pour(3.5, 24).run(30, 0.2).pour(3.5, 24).run(30, 0.2).pour(3.5, 24).run(9, 0), plain, ""},
		{"drips between full colonies", newBoard().pour(3.9, 24).run(30, 0.2).pour(3.9, 24).run(30, 0.2), plain, "full@3.8 full@3.8"},
		{"drips alone, a gallon of them", newBoard().pour(4, 0.4).run(15, 0), plain, ""},
		{"no dribble too small", newBoard().pour(3.9, 24).run(15, 0).pour(3.9, 24).run(15, 0), slow, "full@3.8 full@3.8"},
		{"no set fill", newBoard().pour(9, 24).run(15, 0), noSet, ""},
		{"no proving", newBoard().pour(9, 24).run(15, 0), noPulse, ""},
		{"the daemon begins in a pull", (&board{at: 500 * sec, count: 9}).pour(3.9, 24).run(15, 0).pour(3.9, 24).run(5, 0), plain, "full@3.8"},

		{"throttled from the start", newBoard().pour(3.9, 8).run(5, 0), plain, "full@3.8"},
		{"opened further", newBoard().pour(1, 8).pour(2.9, 24).run(5, 0), plain, "full@3.8"},
		{"a kink", newBoard().pour(1.5, 24).run(4, 8), plain, "failing@1.8"},
		{"a kink that goes", newBoard().pour(1.5, 24).run(1, 8).pour(2.4, 24).run(5, 0), plain, "full@3.8"},
		{"a kink, and off", newBoard().pour(1.5, 24).run(4, 8), off, ""},
		{"a kink, and no set fill", newBoard().pour(1.5, 24).run(4, 8), noSet, "failing@1.8"},
		{"a kink, and no proving", newBoard().pour(1.5, 24).run(4, 8), noPulse, "failing@0.0"},
		{"a kink, a long one", newBoard().pour(1.5, 24).run(30, 8), plain, "failing@1.8 full@3.8"},
		{"a little less flow", newBoard().pour(1.5, 24).pour(2.4, 16).run(5, 0), plain, "full@3.8"},
		{"a careful end", newBoard().pour(3.5, 24).pour(0.4, 5).run(5, 0), plain, "full@3.8"},
		{"shut within a second", newBoard().pour(1.5, 24).run(0.4, 16).run(0.4, 8).run(0.2, 3).run(15, 0), plain, ""},
		{"dying away", newBoard().pour(1.5, 24).run(0.6, 16).run(0.6, 11).run(0.6, 8).run(0.6, 6).run(0.6, 4).run(15, 0), plain, "failing@2.0"},
		{"surging", newBoard().pour(1.5, 24).run(0.6, 0).run(0.6, 30).run(0.6, 0).run(0.6, 30).run(0.6, 0).run(0.6, 30), plain, "failing@2.1"},
		{"interrupted once", newBoard().pour(1.5, 24).run(0.6, 0).pour(2.4, 24).run(5, 0), plain, "full@3.8"},
	} {
		if got := heard(c.b.msgs, c.r); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// cut leaves out the messages of a stretch, s since the script began.
func cut(msgs []Count, from, to float64) []Count {
	start := msgs[0].At
	return slices.DeleteFunc(slices.Clone(msgs), func(c Count) bool {
		return c.At >= start+int64(from*1e9) && c.At < start+int64(to*1e9)
	})
}

func TestSilent(t *testing.T) {
	// 5 s of rest, then some 9.5 s of flow, then rest.
	night := func() []Count { return newBoard().pour(3.9, 24).run(30, 0).msgs }
	slowly := slices.DeleteFunc(night(), func(c Count) bool { return c.At/every%8 != 0 }) // every 1.6 s
	for _, c := range []struct {
		name string
		msgs []Count
		want string
	}{
		{"in mid-pull", cut(night(), 10, 14), "silent@2.0 full@3.8"},
		{"not for long", cut(night(), 10, 11.8), "full@3.8"},
		{"before a pull", cut(night(), 1, 4.5), "full@3.8"},
		{"between pulls", cut(night(), 17, 30), "full@3.8"},
		{"to the end of it", cut(night(), 10, 16), "silent@2.0 full@3.9"},
		{"for longer than a top-up's moment", cut(night(), 10, 24), "silent@2.0"},
		{"a board that talks seldom", slowly, "full@3.9"},
	} {
		if got := heard(c.msgs, rules()); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// The count wraps, the board starts again or its uptime wraps in mid-fill, or it
// says no uptime at all, and the signal comes once, when it should.
func TestCounter(t *testing.T) {
	for _, name := range []string{"2^16", "2^32", "restart", "restart, numbered", "uptime", "no uptime"} {
		b := newBoard().pour(3.5, 24)
		r := rules()
		r.Early = gal / 2 // so that what a board that starts again did not count is no matter
		msgs := b.pour(0.4, 24).run(5, 0).pour(3.9, 24).run(9, 0).msgs
		mid := len(msgs[:slices.IndexFunc(msgs, func(c Count) bool { return float64(c.N) > 184223+1.5*132 })])
		base := msgs[mid]
		for i := range msgs {
			c := &msgs[i]
			switch name {
			case "2^16":
				r.Wrap = 1 << 16
				c.N = (c.N - base.N) & 0xffff
			case "2^32":
				c.N = (c.N - base.N) & 0xffffffff
			case "uptime":
				// 2^32 ms, the counter of milliseconds of a small board.
				c.Up = ((c.Up-base.Up)/ms + 1<<32) % (1 << 32) * ms
			case "no uptime":
				c.Up, c.HasUp = 0, false
			case "restart", "restart, numbered":
				c.Boot, c.HasNum = 3, name != "restart"
				if i >= mid {
					c.N, c.Up, c.Boot = c.N-base.N, c.Up-base.Up+every, 4
				}
			}
		}
		if got := heard(msgs, r); strings.Count(got, "full@1.9")+strings.Count(got, "full@2.0") != 2 || strings.Count(got, "@") != 2 {
			t.Errorf("%s: %q, want full twice, at half a gallon", name, got)
		}
	}
}

// What waited somewhere for a minute tells of fills long past: no signal. Once
// it has caught up, signals are given again.
func TestOldNews(t *testing.T) {
	b := newBoard().pour(3.9, 24).run(20, 0)
	n := len(b.msgs)
	b.pour(3.9, 24).run(60, 0)
	late := len(b.msgs)
	b.pour(3.9, 24).run(9, 0)
	for i := n; i < late; i++ {
		b.msgs[i].At = b.msgs[late].At - int64(late-i)*ms
	}
	if got, want := heard(b.msgs, rules()), "full@3.8 full@3.8"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// A board whose clock runs 0.5 % slow, as one without a crystal may (memory),
// is believed for a night.
func TestSlowBoard(t *testing.T) {
	b := newBoard()
	for range 40 {
		b.pour(3.9, 24).run(300, 0)
	}
	for i := range b.msgs {
		b.msgs[i].Up -= (b.msgs[i].Up - b.msgs[0].Up) / 200
	}
	if got := strings.Count(heard(b.msgs, rules()), "full"); got != 40 {
		t.Errorf("full %d times, want 40", got)
	}
}

// Over a wire that loses a tenth of the messages, doubles and delays a
// twentieth, every fill that reaches the set volume is signalled once, no other
// is, and never earlier than the set volume nor later than with the next
// message that comes in order.
func TestRoughWire(t *testing.T) {
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(seed, 1))
		r := rules()
		r.Failing = 0
		if seed%2 == 1 {
			r.Wrap = 1 << 16
		}
		b := newBoard()
		type fill struct{ from, to int64 } // ns
		var full []fill
		for range 30 {
			l := 1 + 5*rng.Float64()
			if d := l - gal.Litres(); d > -0.1 && d < 0.1 {
				continue // what is lost at its end decides
			}
			start := b.at
			b.pour(l, 6+24*rng.Float64())
			if l > gal.Litres() {
				full = append(full, fill{start + 1000*sec, b.at + 1000*sec})
			}
			b.run(16+20*rng.Float64(), 0)
		}
		truth := b.msgs
		var came []Count
		for _, c := range truth {
			c.N %= r.Wrap
			lose, double, late := rng.Float64() < 0.1, rng.Float64() < 0.05, rng.Float64() < 0.05
			if lose {
				continue
			}
			if late {
				c.At += 5 * sec
			}
			came = append(came, c)
			if double {
				c.At += int64(5e9 * rng.Float64())
				came = append(came, c)
			}
		}
		slices.SortStableFunc(came, func(a, b Count) int { return int(a.At - b.At) })
		said := make(map[int64]uint64, len(truth)) // true count by uptime
		for _, c := range truth {
			said[c.Up] = c.N
		}
		var s State
		var out []Signal
		newest, before := uint64(0), uint64(0) // of true counts that have come, and of those before
		got := 0
		for _, c := range came {
			if n := said[c.Up]; n > newest {
				before, newest = newest, n
			}
			if out = s.Next(c, r, out[:0]); len(out) == 0 {
				continue
			}
			if len(out) > 1 || out[0].Kind != Full || got == len(full) {
				t.Fatalf("seed %d: heard %v after %d of %d", seed, out, got, len(full))
			}
			f := full[got]
			got++
			if now := c.At; now < f.from || now > f.to+6*sec {
				t.Errorf("seed %d: full %d came at %d, not between %d and %d", seed, got, now, f.from, f.to)
			}
			// The newest message has the set fill, the one before had not.
			first := truth[slices.IndexFunc(truth, func(x Count) bool { return x.At >= f.from })].N
			if v := quantity.Volume(newest-first) * r.Pulse; v < gal {
				t.Errorf("seed %d: full %d came at %v", seed, got, v)
			}
			if v := quantity.Volume(before-first) * r.Pulse; before > first && v >= gal {
				t.Errorf("seed %d: full %d came after %v was known", seed, got, v)
			}
		}
		if got != len(full) {
			t.Errorf("seed %d: %d full, want %d", seed, got, len(full))
		}
	}
}

// Whatever comes, there is no Full below the set fill, and no more of them than
// the flow has room for.
func FuzzNext(f *testing.F) {
	var seed []byte
	for _, c := range newBoard().pour(3.9, 24).run(12, 0).pour(2, 24).run(3, 8).msgs {
		seed = append(seed, 20, 0)
		seed = binary.LittleEndian.AppendUint32(seed, uint32(c.N))
		seed = binary.LittleEndian.AppendUint32(seed, uint32(c.Up/ms))
		seed = append(seed, 1)
	}
	f.Add(seed)
	f.Fuzz(func(t *testing.T, data []byte) {
		var s State
		r := rules()
		at := int64(0)
		moved := quantity.Volume(0)
		fulls := 0
		for ; len(data) >= 11; data = data[11:] {
			at += int64(binary.LittleEndian.Uint16(data)) * 10 * ms
			c := Count{At: at, N: uint64(binary.LittleEndian.Uint32(data[2:])), Up: int64(binary.LittleEndian.Uint32(data[6:])) * ms, HasUp: data[10]&1 != 0}
			if data[10]&2 != 0 {
				c.Boot, c.HasNum = uint64(data[10]>>2&3), true
			}
			if data[10]&16 != 0 {
				r.Wrap = 1 << 16
			} else {
				r.Wrap = 1 << 32
			}
			before := s.pulses
			out := s.Next(c, r, nil)
			moved += quantity.Volume(s.pulses-before) * r.Pulse
			for _, x := range s.Tick(at+int64(data[10]>>5)*sec, r, out) {
				if x.Fill < 0 || x.Fill > moved {
					t.Fatalf("%v with %v of %v", x.Kind, x.Fill, moved)
				}
				if x.Kind == Full {
					if fulls++; x.Fill < r.Set {
						t.Fatalf("full at %v", x.Fill)
					}
				}
			}
			if quantity.Volume(fulls)*r.Set > moved {
				t.Fatalf("%d times full, of %v", fulls, moved)
			}
		}
	})
}

// BenchmarkNext is one message of a night of fills.
func BenchmarkNext(b *testing.B) {
	n := newBoard()
	for range 20 {
		n.pour(3.9, 24).run(60, 0)
	}
	r := rules()
	var s State
	out := make([]Signal, 0, 4)
	b.ReportAllocs()
	i, rounds := 0, int64(0)
	length := n.msgs[len(n.msgs)-1].Up - n.msgs[0].Up + every
	pulses := n.msgs[len(n.msgs)-1].N - n.msgs[0].N
	for b.Loop() {
		c := n.msgs[i]
		c.At, c.Up, c.N = c.At+rounds*length, c.Up+rounds*length, (c.N+uint64(rounds)*pulses)%r.Wrap
		out = s.Next(c, r, out[:0])
		if i++; i == len(n.msgs) {
			i, rounds = 0, rounds+1
		}
	}
}
