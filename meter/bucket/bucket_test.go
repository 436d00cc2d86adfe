package bucket

import (
	"errors"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// What the count since a mark is, and when it is not to be trusted.
func TestMark(t *testing.T) {
	fill := func(session, first, last uint64, start, end int64) ledger.Fill {
		return ledger.Fill{Session: session, First: first, Last: last, Start: start * 1e9, End: end * 1e9}
	}
	view := func(at int64, fills ...ledger.Fill) *ledger.View { return &ledger.View{At: at * 1e9, Fills: fills} }
	for name, c := range map[string]struct {
		before, after *ledger.View
		pulses, secs  float64
		err           string
	}{
		"none before":    {view(5), view(50, fill(1, 0, 500, 10, 40)), 500, 30, ""},
		"two pulls":      {view(5, fill(1, 0, 9, 1, 2)), view(90, fill(1, 0, 9, 1, 2), fill(1, 9, 209, 10, 20), fill(1, 209, 509, 40, 60)), 500, 30, ""},
		"on from before": {view(5, fill(1, 0, 9, 1, 4)), view(90, fill(1, 0, 509, 1, 35)), 500, 30, ""},
		"new session":    {view(5, fill(1, 0, 9, 1, 2)), view(90, fill(1, 0, 9, 1, 2), fill(2, 0, 500, 10, 40)), 0, 0, "started anew"},
		"nothing":        {view(5, fill(1, 0, 9, 1, 2)), view(90, fill(1, 0, 9, 1, 2)), 0, 0, "counted nothing"},
		"a gap": {view(5), &ledger.View{At: 50e9, Fills: []ledger.Fill{fill(1, 0, 500, 10, 40)},
			Gaps: []ledger.Gap{{Start: 20e9, End: 25e9, Hidden: quantity.Litre}}}, 0, 0, "missed"},
	} {
		got, err := MarkOf(c.before).Whole(c.after)
		if err == nil && (got.Pulses != c.pulses || got.Seconds != c.secs || got.Session != 1 || got.Last-got.First != uint64(c.pulses)) || (err == nil) != (c.err == "") || err != nil && !strings.Contains(err.Error(), c.err) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

// While it flows there is a count so far, and no whole one.
func TestCountSoFar(t *testing.T) {
	before := &ledger.View{At: 5e9, Fills: []ledger.Fill{{Session: 1, First: 0, Last: 9, Start: 1e9, End: 2e9}}}
	after := &ledger.View{At: 20e9, Fills: append(before.Fills[:1:1], ledger.Fill{Session: 1, First: 9, Last: 109, Start: 10e9, End: 20e9, Open: true})}
	m := MarkOf(before)
	c, err := m.Since(after)
	if err != nil || !c.Open || c.Pulses != 100 || c.Seconds != 10 || c.First != 9 || c.Last != 109 || c.Start != 10e9 || c.End != 20e9 {
		t.Errorf("so far: %+v, %v", c, err)
	}
	if _, err := m.Whole(after); !errors.Is(err, ErrOpen) {
		t.Errorf("whole: %v, want %v", err, ErrOpen)
	}
	if c, err := m.Since(before); err != nil || c.Pulses != 0 {
		t.Errorf("nothing yet: %+v, %v", c, err)
	}
}

func TestWhatCannotBe(t *testing.T) {
	for name, c := range map[string]struct {
		err         error
		field, says string
	}{
		"full":  {second(Net(1, 0.9, quantity.SI)), "full", "must be between 0.05 and 5000 kg more than the empty bucket's 1.0 kg"},
		"empty": {second(Net(-1, 20, quantity.SI)), "empty", "must be between 0 and 500 kg"},
		"temp":  {Temp(51, quantity.SI), "temp", "must be between -5"},
		"brix":  {Brix(0.78), "brix", "must be above 0 and at most 77"},
	} {
		var fe *act.FieldError
		if !errors.As(c.err, &fe) || fe.Field != c.field || !strings.Contains(fe.Rule, c.says) {
			t.Errorf("%s: %v", name, c.err)
		}
	}
	if net, err := Net(1.2, 21.2, quantity.SI); err != nil || net < 19.999 || net > 20.001 {
		t.Errorf("net %v, %v", net, err)
	}
}

func second[T any](_ T, err error) error { return err }

// What is written down of a mark and a count comes back.
func TestWrittenDown(t *testing.T) {
	for _, m := range []Mark{{At: 5e9}, {At: 5e9, Session: 1<<64 - 1, Count: 1400, Known: true}, {}} {
		if got, err := ParseMark(m.String()); err != nil || got != m {
			t.Errorf("%v: %v, %v", m, got, err)
		}
	}
	v := &ledger.View{Fills: []ledger.Fill{{Session: 7, First: 100, Last: 600, Start: 10e9, End: 60e9}},
		Loose: []ledger.Loose{{Session: 7, First: 600, Last: 620, Start: 61e9, End: 63e9}, {Session: 8, First: 100, Last: 700, Start: 70e9, End: 80e9}}}
	c, err := Between(v, "7.100.620")
	if err != nil || c.Pulses != 520 || c.Seconds != 52 || c.Start != 10e9 || c.End != 63e9 || c.Counts() != "7.100.620" {
		t.Errorf("%+v, %v", c, err)
	}
	if c, err := Between(v, "7.200.600"); err != nil || c.Pulses != 400 || c.Seconds != 40 || c.Start != 20e9 {
		t.Errorf("a part: %+v, %v", c, err)
	}
	for _, bad := range []string{"", "7", "7.100", "7.100.621", "7.50.600", "7.600.100", "9.1.2", "7.100.600.1", "7.-1.600", "a.b.c"} {
		var fe *act.FieldError
		if _, err := Between(v, bad); !errors.As(err, &fe) || fe.Field != "counts" {
			t.Errorf("%q: %v", bad, err)
		}
	}
	for _, bad := range []string{"", "x", "5.7", "5.x.1", "5.1.-2", "5.1.2.3"} {
		if _, err := ParseMark(bad); err == nil {
			t.Errorf("%q is taken for a mark", bad)
		}
	}
}
