package ledger

import (
	"strings"
	"testing"

	"yardtally/meter/act"
)

// TestUnheeded: what names a moment that nothing was heard at is said to count
// for nothing yet; a tap is a moment ahead of the readings, and is not.
func TestUnheeded(t *testing.T) {
	const now, second = int64(1_791_590_000_000_000_000), int64(1_000_000_000)
	colony := func(at int64) act.Act {
		return act.Act{ID: "a1", Body: act.Colony{At: act.Moment{NS: at}, What: act.Dead}}
	}
	for _, c := range []struct {
		name string
		act  act.Act
		hits []string
		want string // part of why; "": nothing
	}{
		{"heeded", colony(now - second), []string{"a1"}, ""},
		{"of no outing", colony(now - second), nil, "belongs to no outing"},
		{"a tap", colony(now + 2*second), nil, ""},
		{"hours ahead", colony(now + 3*3600*second), nil, "after the newest reading"},
		{"a hose drained before the next night", act.Act{ID: "a1", Body: act.Drained{At: act.Moment{NS: now + 3*3600*second}}}, nil, ""},
		{"a hose drained after the last pull", act.Act{ID: "a1", Body: act.Drained{At: act.Moment{NS: now - 300*second}}}, nil, ""},
		{"a hose drained before the last pull, of no outing", act.Act{ID: "a1", Body: act.Drained{At: act.Moment{NS: now - 900*second}}}, nil, "belongs to no outing"},
		{"counts of no flow", act.Act{ID: "a1", Body: act.Deem{Session: 1, First: 2, Last: 3, As: act.AsFill}}, nil, "no flow has"},
		{"a break on no outing", act.Act{ID: "a1", Body: act.Break{At: act.Moment{NS: now}}}, nil, ""},
		{"of an outing without flow, perhaps", act.Act{ID: "a1", Body: act.Arrive{At: act.Moment{NS: now}}}, nil, ""},
	} {
		const flowed = now - 600*second
		cfg := config{named: []act.Act{c.act}}
		got := ""
		for _, r := range cfg.unheeded(c.hits, now, flowed) {
			got += r.Act + " " + r.Why
		}
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}
