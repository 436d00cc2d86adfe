package wire

import (
	"bytes"
	"math"
	"math/rand"
	"reflect"
	"strings"
	"testing"

	"yardtally/meter"
	"yardtally/meter/act"
)

func TestLine(t *testing.T) {
	plain := `[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223}]`
	kept := `[{"x-seq":"7","x-boot":"b1","x-mono":"9007199254740993","x-wall":1790000000300000001,"bn":"heron/","bt":1790000000.3,"n":"air","u":"Cel","v":1}]`
	said := `{"act":{"id":"a1","rig":"heron","who":"wren","when":"2026-09-21T21:33:20.000000001Z","kind":"batch","body":{"syrup":"sucrose","brix":66.7}}}`
	pulses := []meter.Reading{{Channel: meter.Pulses, Value: 184223}}
	air := []meter.Reading{{Channel: meter.Air, Value: 1}}
	rec := meter.Record{Seq: 7, Mono: 9007199254740993, Wall: 1790000000300000001, Readings: air}
	actOf := act.Act{ID: "a1", Rig: "heron", Who: "wren", When: 1790026400000000001, Body: act.Batch{Syrup: "sucrose", Brix: 66.7}}
	for _, c := range []struct {
		line, rig string
		want      Entry
		drops     string
	}{
		{"", "heron", Entry{Kind: Skip}, ""},
		{" \r\n", "", Entry{Kind: Skip}, ""},
		{"# a night\n", "", Entry{Kind: Skip}, ""},
		{plain, "", Entry{Kind: Observed, Rig: "heron", Records: []meter.Record{{Sent: 1790000000200000000, Readings: pulses}}}, ""},
		{plain + "\r\n", "heron", Entry{Kind: Observed, Rig: "heron", Records: []meter.Record{{Sent: 1790000000200000000, Readings: pulses}}}, ""},
		{plain, "egret", Entry{}, "another rig"},
		{`[{"bn":"heron/","n":"air","u":"Cel","v":1},{"bt":1790000000,"n":"air","u":"Cel","v":1}]`, "",
			Entry{Kind: Observed, Rig: "heron", Records: []meter.Record{{Sent: 1790000000000000000, Readings: air}}}, "relative time"},
		{`[{"bn":"heron/","t":-5,"n":"air","u":"Cel","v":1}]`, "", Entry{}, "relative time"},
		{`[{"bn":"heron/","t":100,"n":"air","u":"Cel","v":1}]`, "",
			Entry{Kind: Observed, Rig: "heron", Records: []meter.Record{{Sent: 100e9, Readings: air}}}, ""},
		{kept, "", Entry{Kind: Kept, Rig: "heron", BootID: "b1", Records: []meter.Record{rec}}, ""},
		{strings.Replace(kept, `"x-seq":"7",`, "", 1), "", Entry{}, "bad export field"},
		{strings.Replace(kept, `"b1"`, `""`, 1), "", Entry{}, "bad export field"},
		{strings.Replace(kept, `"9007199254740993"`, `9007199254740993.5`, 1), "", Entry{}, "bad export field"},
		{strings.Replace(kept, `"9007199254740993"`, `"9223372036854775808"`, 1), "", Entry{}, "bad export field"},
		{strings.Replace(kept, `"x-seq":"7"`, `"x-seq":"7","x-seq":"8"`, 1), "", Entry{}, "bad export field"},
		{strings.Replace(kept, `"x-seq":"7"`, `"x-seq":"7","x-rel":"1"`, 1), "", Entry{}, "bad export field"},
		{strings.Replace(kept, `}]`, `},{"t":1,"n":"air","u":"Cel","v":1}]`, 1), "", Entry{}, "bad export field"},
		{strings.Replace(kept, `}]`, `},{"n":"syrup","u":"K","v":1}]`, 1), "", Entry{Kind: Kept, Rig: "heron", BootID: "b1", Records: []meter.Record{rec}}, "wrong unit"},
		{said, "", Entry{Kind: Said, Rig: "heron", Act: actOf}, ""},
		{said, "egret", Entry{}, "another rig"},
		{strings.Replace(said, "66.7", "667", 1), "", Entry{}, "bad act"},
		{strings.Replace(said, `"act"`, `"Act"`, 1), "", Entry{}, string(UnknownLine)},
		{said[:len(said)-1], "", Entry{}, string(UnknownLine)},
		{`{"act":7,"act":8}`, "", Entry{}, "bad act"},
		{"$YXXDR", "", Entry{}, string(UnknownLine)},
		{"[" + strings.Repeat(" ", MaxLine) + "]", "", Entry{}, "too big"},
	} {
		e, ds := ParseLine([]byte(c.line), c.rig)
		if got := reasons(ds); got != c.drops {
			t.Errorf("%.200s: drops %q, want %q: %v", c.line, got, c.drops, ds)
		}
		if !reflect.DeepEqual(e, c.want) {
			t.Errorf("%.200s: got %+v, want %+v", c.line, e, c.want)
		}
	}
}

func TestRecordComesBack(t *testing.T) {
	rng := rand.New(rand.NewSource(4))
	edges := []int64{0, 1, -1, math.MaxInt64, math.MinInt64, absolute, absolute - 1, 1790000000200000000, 1<<53 + 1}
	pick := func() int64 {
		if i := rng.Intn(len(edges) + 3); i < len(edges) {
			return edges[i]
		}
		return int64(rng.Uint64())
	}
	for range 3000 {
		r := meter.Record{Seq: uint64(pick()), Mono: pick(), Wall: pick(), Sent: pick(), Rel: min(pick(), 0),
			Source:   []string{"", "mqtt", "serial:\"a\\b\"\x01é"}[rng.Intn(3)],
			Readings: []meter.Reading{{Channel: meter.Uptime, Value: rng.Float64() * 1e6}, {Channel: meter.Pulses, Value: float64(rng.Int63n(1 << 53))}}}
		line, err := AppendRecord([]byte("# x\n"), "heron", &r, "b-1")
		if err != nil {
			t.Fatal(err)
		}
		line = line[len("# x\n"):]
		e, ds := ParseLine(line, "")
		want := Entry{Kind: Kept, Rig: "heron", BootID: "b-1", Records: []meter.Record{r}}
		if len(ds) > 0 || !reflect.DeepEqual(e, want) || bytes.Count(line, []byte("\n")) != 1 {
			t.Fatalf("%s got %+v, want %+v, %v", line, e, want, ds)
		}
		// To a reader that knows only SenML it is a pack of absolute time.
		ms, ds := ParsePack(line, "heron")
		if len(ds) > 0 || len(ms) != 1 || ms[0].Sent == 0 || r.Sent >= absolute && ms[0].Sent != r.Sent {
			t.Fatalf("%s as a pack: %v %v", line, ms, ds)
		}
	}
	good := meter.Record{Readings: []meter.Reading{{Channel: meter.Air, Value: 1}}}
	bad := good
	bad.Rel = 1
	long := good
	long.Source = strings.Repeat("x", maxID+1)
	for _, c := range []struct {
		rig, boot string
		r         meter.Record
	}{{"", "b", good}, {"heron", "", good}, {"heron", "\xff", good}, {"heron", "b", bad}, {"heron", "b", long}, {"heron", "b", meter.Record{}}} {
		if out, err := AppendRecord([]byte("x"), c.rig, &c.r, c.boot); err == nil || string(out) != "x" {
			t.Errorf("%+v: printed %q, %v", c, out, err)
		}
	}
}

func checkLine(t *testing.T, b []byte) {
	e, ds := ParseLine(b, "")
	var out []byte
	var err error
	switch e.Kind {
	case Nothing:
		if len(ds) == 0 {
			t.Fatalf("%q: neither taken in nor counted", b)
		}
		return
	case Skip:
		return
	case Observed:
		var ms []Message
		early := false // a clock that began in 1970: a recording may say so, a pack sent cannot
		for _, r := range e.Records {
			ms = append(ms, Message{Sent: r.Sent, Readings: r.Readings})
			early = early || r.Sent < absolute
		}
		out, err = AppendPack(nil, e.Rig, ms)
		if early {
			if err == nil || !strings.Contains(err.Error(), "2^28 s") {
				t.Fatalf("%q: printed %s, %v, of a time that would be read as relative", b, out, err)
			}
			return
		}
	case Kept:
		out, err = AppendRecord(nil, e.Rig, &e.Records[0], e.BootID)
	case Said:
		out, err = AppendAct(nil, &e.Act)
	}
	if err != nil {
		if len(b) > MaxPack/4 {
			return // printed numbers can be longer than those that were read
		}
		t.Fatalf("%q: cannot print %+v: %v", b, e, err)
	}
	again, ds := ParseLine(out, e.Rig)
	if e.Kind == Said { // a body of a later version is kept as text, and compacted
		twice, err := AppendAct(nil, &again.Act)
		if err != nil || !bytes.Equal(out, twice) {
			t.Fatalf("%q: printed %s, then %s, %v", b, out, twice, err)
		}
		again.Act, e.Act = act.Act{}, act.Act{}
	}
	if len(ds) > 0 || !reflect.DeepEqual(e, again) {
		t.Fatalf("%q: got %+v, after print %+v (%s) %v", b, e, again, out, ds)
	}
}

func FuzzLine(f *testing.F) {
	f.Add([]byte(`[{"x-seq":"7","x-boot":"b1","x-mono":"9007199254740993","x-wall":1790000000300000001,"x-sent":"5","x-src":"mqtt","bn":"heron/","bt":1790000000.3,"n":"air","u":"Cel","v":1}]`))
	f.Add([]byte(`{"act":{"id":"a1","rig":"heron","who":"wren","when":"2026-09-21T21:33:20Z","kind":"batch","body":{"syrup":"sucrose","brix":66.7}}}`))
	f.Add([]byte(`{"act":{"id":"a1","rig":"heron","who":"wren","when":"2026-09-21T21:33:20Z","kind":"later","body":{"a":[1, 2]}}}`))
	f.Fuzz(checkLine)
}

func BenchmarkParseLineKept(b *testing.B) {
	r := meter.Record{Seq: 7, Mono: 1 << 60, Wall: 1790000000300000001, Sent: 1790000000200000000, Source: "mqtt",
		Readings: []meter.Reading{{Channel: meter.Pulses, Value: 184223}, {Channel: meter.Uptime, Value: 93812.4}}}
	line, err := AppendRecord(nil, "heron", &r, "b1")
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		ParseLine(line, "heron")
	}
}
