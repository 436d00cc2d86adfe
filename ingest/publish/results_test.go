package publish

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/wire"
	"yardtally/meter/ledger"
	ltote "yardtally/meter/tote"
)

// say is a message in short.
func say(m *Message) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s @%d:", m.Topic, m.At/second)
	for _, r := range m.Records {
		if r.Unit == "" {
			fmt.Fprintf(&b, " %s=%q", r.Name, r.Text)
		} else {
			fmt.Fprintf(&b, " %s=%g%s", r.Name, r.Value, r.Unit)
		}
	}
	return b.String()
}

func said(ms []Message) (out []string) {
	for i := range ms {
		out = append(out, say(&ms[i]))
	}
	return out
}

func TestResultsOf(t *testing.T) {
	const s0 = 1_790_020_000
	at := func(s int64) int64 { return (s0 + s) * second }
	f := func(s int64, litres float64, yard string) ledger.Fill {
		return ledger.Fill{Start: at(s), End: at(s + 9), Volume: quantity.VolumeOf(litres / 1000), Within: 12 * quantity.Millilitre, Yard: yard,
			Reason: ledger.ByPosition, Solids: 3.2, Brix: 64, Syrup: 8.25, HasSyrup: true}
	}
	v := &ledger.View{Rig: "heron", At: at(500), PulseVolume: 7, Zone: "UTC",
		Yards:   []ledger.YardInfo{{ID: "larch", Name: "Larch Bank", Colonies: 3}, {ID: "mill", Name: "Mill Bottom"}},
		Fills:   []ledger.Fill{f(-86400, 9, "mill"), f(0, 4, "larch"), f(60, 3.5, "larch"), f(120, 4.5, "")},
		Loose:   []ledger.Loose{{Start: at(100), End: at(101), Volume: quantity.VolumeOf(0.0002), Yard: "larch"}},
		Tote:    ledger.ToteNow{Known: true, Name: "one", At: at(499), Volume: quantity.VolumeOf(0.8), Usable: quantity.VolumeOf(0.75), Within: quantity.VolumeOf(0.01)},
		Left:    ledger.Left{Known: true, Tonight: ltote.Outlook{Margin: quantity.VolumeOf(-0.02), MarginWithin: quantity.VolumeOf(0.05), Chance: 0.21}},
		Outings: []ledger.Outing{{From: at(-86400), To: at(-86391)}, {From: at(0), To: at(300)}}}
	v.Fills[1].TopUp = false
	v.Fills = append(v.Fills, ledger.Fill{Start: at(200), End: at(203), Volume: quantity.VolumeOf(0.001), Yard: "larch", Open: true})
	want := []string{
		`fill @1790020129: volume=0.0045m3 within=1.2e-05m3 duration=9s start=1.79002012e+09s solids=3.2kg brix=0.64/ syrup=8.25Cel reason="position"`,
		`night @1790020203: volume=0.013m3 loose=0.0002m3 fills=4count top_ups=0count solids=9.6kg start=1.79002e+09s end=1.790020203e+09s total=0.0132m3 yards=1count`,
		`yards/larch @1790020203: volume=0.0085m3 loose=0.0002m3 fills=3count top_ups=0count solids=6.4kg start=1.79002e+09s end=1.790020203e+09s short=0count colonies=3count id="larch" name="Larch Bank"`,
		`no-yard @1790020129: volume=0.0045m3 loose=0m3 fills=1count top_ups=0count solids=3.2kg start=1.79002012e+09s end=1.790020129e+09s`,
		`left @1790020499: volume=0.8m3 within=0.01m3 usable=0.75m3 margin=-0.02m3 margin_within=0.05m3 chance=0.21/ tote="one"`,
	}
	got := ResultsOf(v, time.UTC)
	same(t, "results", said(got), want)

	// All of it can be packed, and comes back from whoever reads it.
	for i := range got {
		pack, err := got[i].Pack("heron")
		if err != nil {
			t.Fatal(err)
		}
		back, drops := wire.ParseResults(pack, "heron")
		if len(drops) > 0 || len(back) != len(got[i].Records) {
			t.Fatalf("%s: %+v, dropped %v", pack, back, drops)
		}
		for k, r := range got[i].Records {
			r.Name, r.At = got[i].Topic+"/"+r.Name, got[i].At
			if !reflect.DeepEqual(back[k], r) {
				t.Errorf("%+v comes back as %+v", r, back[k])
			}
		}
	}

	// Without a proving no volume is invented; without a clock nothing is said.
	v.PulseVolume = 0
	for _, m := range ResultsOf(v, time.UTC) {
		for _, r := range m.Records {
			if r.Unit == "m3" && m.Topic != "left" {
				t.Errorf("without a proving: %s", say(&m))
			}
		}
	}
	v.Tote.Known, v.Fills, v.Loose = false, nil, nil
	v.Outings = []ledger.Outing{{From: 5 * second, To: 6 * second}}
	v.Fills = []ledger.Fill{{Start: 5 * second, End: 6 * second, Volume: 1}}
	if got := ResultsOf(v, time.UTC); len(got) > 0 {
		t.Errorf("of 1970: %v", said(got))
	}
	if got := ResultsOf(nil, time.UTC); len(got) > 0 {
		t.Errorf("of no view: %v", said(got))
	}
}

func TestYardTopic(t *testing.T) {
	seen := map[string]string{}
	for _, id := range []string{"larch", "Larch", "larch bank", "larch.20bank", "a/b", "+", "#", "é", "..", "", strings.Repeat("x", 41), strings.Repeat("x", 42), strings.Repeat("é", 300)} {
		topic := YardTopic(id)
		if old, twice := seen[topic]; twice {
			t.Errorf("%q and %q are both %q", old, id, topic)
		}
		seen[topic] = id
		m := Message{topic, 1_790_000_000 * second, []wire.Result{{Name: "margin_within", Unit: "m3"}}}
		if _, err := m.Pack(strings.Repeat("r", 64)); err != nil || strings.ContainsAny(topic, "+# ") || strings.Count(topic, "/") != 1 {
			t.Errorf("%q: %q, %v", id, topic, err)
		}
	}
	if YardTopic("Ferry_Lane-2") != "yards/Ferry_Lane-2" || YardTopic("a b") != "yards/a.20b" {
		t.Error(YardTopic("Ferry_Lane-2"), YardTopic("a b"))
	}
}

func TestStoreMessage(t *testing.T) {
	now := 1_790_000_000 * second
	s := State{Phase: Waiting, Err: "no route\xff", Backlog: 12, Rejected: 1, Oldest: time.Unix(0, now-3_725*second)}
	m := s.Message(now)
	if got, want := say(&m), `store @1790000000: waiting=12count rejected=1count lag=3720s phase="waiting" why="no route?"`; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	m = (&State{Phase: Idle}).Message(now)
	if got, want := say(&m), `store @1790000000: waiting=0count rejected=0count lag=0s phase="idle"`; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}
