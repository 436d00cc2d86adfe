package ledger

import (
	"fmt"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/outing"
)

func BenchmarkReplay(b *testing.B) {
	s := evening()
	recs := serial(s.tell())
	n := 0
	for i := range recs {
		n += len(recs[i].Readings)
	}
	b.ReportAllocs()
	for b.Loop() {
		l := New("heron")
		l.SetActs(settings())
		if err := l.Rebuild(replayOf(recs)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

// season is a live ledger with 4,000 fills behind it, 200 of them moved by hand.
func season(b *testing.B) *Ledger { return seasonOf(b, 4000) }

func seasonOf(b *testing.B, pulls int) *Ledger {
	b.Helper()
	acts := settings()
	for i := range 200 {
		acts = append(acts, act.Act{ID: fmt.Sprint("m", i), Rig: "heron", Who: "wren", When: t0,
			Body: act.Assign{Session: 1, First: uint64(i * 1000), Last: uint64(i*1000 + 380), Yard: "mill"}})
	}
	s := evening()
	recs := serial(s.tell())
	l := New("heron")
	l.SetActs(acts)
	if err := l.Rebuild(replayOf(recs)); err != nil {
		b.Fatal(err)
	}
	flows := make([]outing.Flow, pulls) // nights of 60
	for i := range flows {
		at := t0 - int64(pulls/60+4-i/60)*86400*sec + int64(i%60)*180*sec
		flows[i] = outing.Flow{Session: 1, First: uint64(i) * 400, Last: uint64(i)*400 + 380, Start: at, End: at + 30*sec, Flowing: 30 * sec,
			Kind: fill.Pull, Pulse: 10 * quantity.Millilitre, Syrup: 18.4, HasSyrup: true}
	}
	l.st.Flows = append(flows, l.st.Flows...)
	for i := range l.cps {
		l.cps[i].st.Flows = l.st.Flows
	}
	l.forget()
	return l
}

func BenchmarkView(b *testing.B) {
	l := season(b)
	b.ReportAllocs()
	for b.Loop() {
		l.View()
	}
}

func BenchmarkTally(b *testing.B) {
	v := season(b).View()
	for b.Loop() {
		Tally(v, t0-86400*sec, t0+86400*sec)
	}
}

func BenchmarkSave(b *testing.B) {
	l := season(b)
	b.ReportAllocs()
	for b.Loop() {
		data, err := l.Save()
		if err != nil || data == nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(len(data)), "bytes")
	}
}

func BenchmarkLoad(b *testing.B) {
	l := season(b)
	data, err := l.Save()
	if err != nil {
		b.Fatal(err)
	}
	acts := l.standing
	for b.Loop() {
		m := New("heron")
		m.SetActs(acts)
		if err := m.Load(data, replayOf(nil)); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkActs is an act about flow or places with 12,000 pulls of 200 outings
// behind it, until there is a view.
func BenchmarkActs(b *testing.B) {
	l := seasonOf(b, 12_000)
	acts := l.standing
	i := 0
	for b.Loop() {
		i++
		l.SetActs(append(acts[:len(acts):len(acts)], act.Act{ID: "moved", Rig: "heron", Who: "wren", When: t0 + int64(i),
			Body: act.Assign{Session: 1, First: 4_000_000, Last: 4_000_380, Yard: [...]string{"mill", "orchard"}[i%2]}}))
		l.Settle(0)
		l.Take()
		l.View()
	}
}

// BenchmarkViewSecond is the view of each second with a season of 12,000 pulls
// open: the accounts of outings that are over are remembered.
func BenchmarkViewSecond(b *testing.B) {
	l := seasonOf(b, 12_000)
	l.Settle(0)
	l.Take()
	b.ReportAllocs()
	for b.Loop() {
		l.View()
	}
}
