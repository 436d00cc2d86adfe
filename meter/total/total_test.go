package total

import (
	"testing"
)

// A board at 5 Hz; MaxRate is 120 L/min at 100 pulses a litre.
var rules = Rules{Wrap: 1 << 32, MaxRate: 200}

const at0 = 1_791_588_000 * second

// heard is a message at so many seconds, with the board's uptime.
func heard(t float64, n uint64, up float64) Count {
	return Count{At: at0 + int64(t*1e9), N: n, Up: int64(up * 1e9), HasUp: true, Clock: 1}
}

// noUp is a message of a board that does not tell its uptime.
func noUp(t float64, n uint64) Count { return Count{At: at0 + int64(t*1e9), N: n, Clock: 1} }

func boots(c Count, boot uint64) Count { c.Boot, c.HasNum = boot, true; return c }

func clock(c Count, n uint32) Count { c.Clock = n; return c }

func TestNext(t *testing.T) {
	r16 := Rules{Wrap: 1 << 16, MaxRate: 200}
	wrapUp := float64(UptimeWrap) / 1e9
	for _, tc := range []struct {
		name     string
		r        Rules
		in       []Count
		flow     uint64 // not suspect
		suspect  uint64
		sessions int
		hidden   uint64 // at most this, and none if 0
	}{
		{"baseline is no flow", rules, []Count{heard(0, 5000, 10)}, 0, 0, 1, 0},
		{"plain", rules, []Count{heard(0, 5000, 10), heard(0.2, 5010, 10.2), heard(0.4, 5020, 10.4)}, 20, 0, 1, 0},
		{"one lost", rules, []Count{heard(0, 0, 10), heard(5, 100, 15)}, 100, 0, 1, 0},
		{"doubled", rules, []Count{heard(0, 0, 10), heard(0.2, 9, 10.2), heard(0.3, 9, 10.2), heard(0.4, 20, 10.4)}, 20, 0, 1, 0},
		{"late, stamped on arrival", rules, []Count{heard(0, 0, 10), heard(5.2, 40, 15.2), heard(5.3, 3, 10.2), heard(5.4, 41, 15.4)}, 41, 0, 1, 0},
		{"late in the board's first seconds", rules, []Count{heard(0, 0, 0.5), heard(2, 20, 2.5), heard(2.1, 5, 1), heard(2.2, 22, 2.7)}, 22, 0, 1, 0},
		{"same uptime, lower count", rules, []Count{heard(0, 0, 10), heard(0.2, 9, 11), heard(0.4, 7, 11), heard(0.6, 12, 12)}, 12, 0, 1, 0},
		{"wrap at 2^16", r16, []Count{heard(0, 65500, 10), heard(1, 14, 11)}, 50, 0, 1, 0},
		{"wrap at 2^32", rules, []Count{heard(0, 1<<32-10, 10), heard(1, 14, 11)}, 24, 0, 1, 0},
		{"more than the wrap is no count", r16, []Count{heard(0, 65500, 10), heard(1, 70000, 11), heard(2, 65510, 12)}, 10, 0, 1, 0},
		{"may have wrapped unseen", r16, []Count{heard(0, 100, 10), heard(1000, 200, 1010)}, 100, 0, 1, 3 * 65536},
		{"uptime wraps at 2^32 ms", rules, []Count{heard(0, 100, wrapUp-0.1), heard(0.2, 110, 0.1), heard(0.4, 120, 0.3)}, 20, 0, 1, 0},
		{"late just after uptime wrapped", rules, []Count{heard(0, 100, wrapUp-0.1), heard(1.2, 110, 1.1), heard(1.3, 105, 0.6), heard(1.4, 112, 1.3)}, 12, 0, 1, 0},
		{"uptime wraps in an outage of a day", rules, []Count{heard(0, 100, wrapUp-3600), heard(86400, 900, 86400-3600)}, 800, 0, 1, 0},
		{"restart at once", rules, []Count{heard(0, 9000, 500), heard(3, 0, 0.3), heard(3.2, 4, 0.5)}, 4, 0, 2, 200 * 3},
		{"restart after hours", rules, []Count{heard(0, 9000, 500), heard(20000, 50, 60), heard(20001, 60, 61)}, 60, 0, 2, 200 * 20000},
		{"restart, then longer up than before", rules, []Count{heard(0, 9, 50), heard(20000, 8, 6000), heard(20001, 10, 6001)}, 10, 0, 2, 200 * 20000},
		{"boot number rises", rules, []Count{boots(heard(0, 9000, 500), 4), boots(heard(900, 9500, 600), 5), boots(heard(901, 9510, 601), 5)}, 9510, 0, 2, 200 * 900},
		{"boot number of before", rules, []Count{boots(heard(0, 9000, 500), 4), boots(heard(1, 50, 600), 3), boots(heard(2, 9005, 502), 4)}, 5, 0, 1, 0},
		{"exchanged for a board of a lower number", rules, []Count{boots(heard(0, 9000, 500), 40), boots(heard(900, 700, 60), 2), boots(heard(901, 710, 61), 2)}, 710, 0, 2, 200 * 900},
		{"exchanged for one that ran before it was heard", rules, []Count{boots(heard(0, 9000, 500), 40), boots(heard(9000, 700, 8000), 2), boots(heard(9001, 710, 8001), 2)}, 710, 0, 2, 200 * 9000},
		{"exchanged while the daemon was off, its clock behind", rules, []Count{boots(heard(0, 9000, 5000), 40), clock(boots(heard(30, 700, 4000), 2), 2), clock(boots(heard(31, 710, 4001), 2), 2)}, 710, 0, 2, 200 * 30},
		{"a late word of a lower number", rules, []Count{boots(heard(0, 9000, 500), 4), boots(heard(1, 50, 300), 3), boots(heard(1.2, 51, 300.2), 3), boots(heard(2, 9005, 502), 4)}, 5, 0, 1, 0},
		{"the board before says its last from a broker, after a reboot", rules, []Count{boots(heard(0, 9000, 500), 3), boots(heard(900, 90, 600), 4), boots(heard(901, 95, 601), 4),
			clock(boots(heard(950, 8998, 499), 3), 2), clock(boots(heard(950.1, 9000, 499.5), 3), 2), clock(boots(heard(951, 97, 651), 4), 2)}, 97, 0, 2, 200 * 900},
		{"old session's word after a restart", rules, []Count{heard(0, 9000, 500), heard(3, 0, 0.3), heard(3.2, 4, 0.5), heard(3.3, 9000, 500), heard(3.4, 6, 0.7)}, 6, 0, 2, 600},
		{"interference carries the count around", r16, []Count{heard(0, 65000, 10), heard(0.2, 65400, 10.2), heard(0.4, 300, 10.4), heard(0.6, 700, 10.6), heard(0.8, 705, 10.8)}, 5, 1236, 1, 0},
		{"set back, not carried around", r16, []Count{heard(0, 9000, 500), heard(0.2, 0, 500.2), heard(0.4, 7, 500.4)}, 7, 0, 2, 200},
		{"no uptime: plain", rules, []Count{noUp(0, 10), noUp(1, 20)}, 10, 0, 1, 0},
		{"no uptime: wrap", r16, []Count{noUp(0, 65530), noUp(1, 4)}, 10, 0, 1, 0},
		{"no uptime: restart", rules, []Count{noUp(0, 9000), noUp(1, 0), noUp(2, 5)}, 5, 0, 2, 200}, // 1 s of 200/s
		{"no uptime: one late", rules, []Count{noUp(0, 9000), noUp(1, 8990), noUp(2, 9010)}, 10, 0, 1, 0},
		{"set back to zero", rules, []Count{heard(0, 9000, 500), heard(0.2, 0, 500.2), heard(0.4, 7, 500.4)}, 7, 0, 2, 200},
		{"set back to some value", rules, []Count{heard(0, 9000, 500), heard(0.2, 4000, 500.2), heard(0.4, 4007, 500.4)}, 7, 0, 2, 200},
		{"one corrupt count, low", rules, []Count{heard(0, 9000, 500), heard(0.2, 3, 500.2), heard(0.4, 9010, 500.4)}, 10, 0, 1, 0},
		{"one corrupt count, a little low", rules, []Count{heard(0, 9000, 500), heard(0.2, 8900, 500.2), heard(0.4, 9010, 500.4)}, 10, 0, 1, 0},
		{"one corrupt count, high", rules, []Count{heard(0, 9000, 500), heard(0.2, 99000, 500.2), heard(0.4, 9010, 500.4)}, 10, 0, 1, 0},
		{"one corrupt count, doubled", rules, []Count{heard(0, 9000, 500), heard(0.2, 99000, 500.2), heard(0.3, 99000, 500.2), heard(0.4, 9010, 500.4)}, 10, 0, 1, 0},
		{"one corrupt uptime", rules, []Count{heard(0, 9000, 500), heard(0.2, 9002, 3), heard(0.4, 9010, 500.4)}, 10, 0, 1, 0},
		{"corrupt at the end waits", rules, []Count{heard(0, 9000, 500), heard(0.2, 99000, 500.2)}, 0, 0, 1, 0},
		{"phantom burst stays, suspect", rules, []Count{heard(0, 9000, 500), heard(0.2, 12000, 500.2), heard(0.4, 12001, 500.4)}, 1, 3000, 1, 0},
		{"burst over several messages", rules, []Count{heard(0, 0, 500), heard(0.2, 3000, 500.2), heard(0.4, 6000, 500.4), heard(0.6, 6000, 500.6)}, 0, 6000, 1, 0},
		{"the daemon reboots, its clock 37 days ahead", rules,
			[]Count{heard(0, 9000, 5000), clock(heard(37*86400, 9100, 5060), 2), clock(heard(37*86400+1, 9110, 5061), 2)}, 110, 0, 1, 9000},
		{"two reboots, the clock back again", rules,
			[]Count{heard(0, 9000, 5000), clock(heard(86400, 9100, 5060), 2), clock(heard(86401, 9150, 5110), 3), clock(heard(86402, 9151, 5111), 3)}, 151, 0, 1, 9000},
		{"an old word from the broker after a reboot", rules,
			[]Count{heard(0, 9000, 5000), clock(heard(60, 8000, 4000), 2), clock(heard(61, 9005, 5061), 2), clock(heard(62, 9006, 5062), 2)}, 6, 0, 1, 0},
		{"board and daemon restart", rules,
			[]Count{heard(0, 9000, 5000), clock(heard(40000, 0, 12), 2), clock(heard(40001, 10, 13), 2)}, 10, 0, 2, 200 * 40000},
		{"no proving: no rate to judge by", Rules{Wrap: 1 << 32}, []Count{heard(0, 0, 1), heard(1, 1000000, 2)}, 1000000, 0, 1, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var s State
			var out []Outcome
			for i, c := range tc.in {
				c.Mono = int64(i + 1)
				out = s.Next(c, tc.r, out)
			}
			var flow, suspect, hidden uint64
			for _, o := range out {
				if o.To < o.From || o.ToAt < o.FromAt {
					t.Errorf("backwards: %+v", o)
				}
				if o.Fast {
					suspect += o.To - o.From
				} else {
					flow += o.To - o.From
				}
				hidden += o.Hidden
				if o.Hidden > 0 && o.Why == "" {
					t.Errorf("hides without a reason: %+v", o)
				}
			}
			if flow != tc.flow || suspect != tc.suspect || len(s.Sessions) != tc.sessions {
				t.Errorf("flow %d, suspect %d, %d sessions; want %d, %d, %d: %+v", flow, suspect, len(s.Sessions), tc.flow, tc.suspect, tc.sessions, out)
			}
			if hidden > tc.hidden {
				t.Errorf("hidden %d, want at most %d", hidden, tc.hidden)
			}
			if s.Sessions[0].Mono != 1 {
				t.Errorf("session is named by the message at %d", s.Sessions[0].Mono)
			}
		})
	}
}

func TestClone(t *testing.T) {
	var s State
	s.Next(heard(0, 1, 1), rules, nil)
	c := s.Clone()
	s.Next(heard(1, 9, 2), rules, nil)
	s.Next(heard(100, 0, 1), rules, nil)
	s.Next(heard(101, 5, 2), rules, nil)
	if len(c.Sessions) != 1 || c.Count != 1 || len(s.Sessions) != 2 {
		t.Errorf("clone %+v of %+v", c, s)
	}
}
