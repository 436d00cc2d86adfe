package wire

import (
	"bytes"
	"fmt"
	"math"
	"math/rand"
	"reflect"
	"strings"
	"testing"

	"yardtally/meter"
)

func sameMessages(a, b []Message) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].Sent != b[i].Sent || a[i].Rel != b[i].Rel || !sameReadings(a[i].Readings, b[i].Readings) {
			return false
		}
	}
	return true
}

func msg(sent, rel int64, cv ...any) Message {
	m := Message{Sent: sent, Rel: rel}
	for i := 0; i < len(cv); i += 2 {
		m.Readings = append(m.Readings, meter.Reading{Channel: cv[i].(meter.Channel), Value: cv[i+1].(float64)})
	}
	return m
}

func TestPack(t *testing.T) {
	const s = 1_000_000_000
	for _, c := range []struct {
		pack  string
		want  []Message
		drops string
	}{
		// wire.md.
		{`[{"bn":"rig1/","bt":1790000000.2,"n":"pulses","u":"count","v":184223},{"n":"uptime","u":"s","v":93812.4}]`,
			[]Message{msg(1790000000200000000, 0, meter.Pulses, 184223.0, meter.Uptime, 93812.4)}, ""},

		// RFC 8428 section 5.1.2, second example, as read in public copies of the RFC's text; names
		// and units are changed to channels of ours (V to m, A to 1/s), the numbers are the RFC's.
		{`[{"bn":"rig1/","bt":1.276020076001e+09,"bu":"1/s","bver":5,"n":"headspace","u":"m","v":1.1},
		   {"n":"pump","t":-5,"v":1.2},{"n":"pump","t":-4,"v":1.3},{"n":"pump","t":-3,"v":1.4},
		   {"n":"pump","t":-2,"v":1.5},{"n":"pump","t":-1,"v":1.6},{"n":"pump","v":1.7}]`,
			[]Message{msg(1276020071001000000, 0, meter.Pump, 1.2), msg(1276020072001000000, 0, meter.Pump, 1.3), msg(1276020073001000000, 0, meter.Pump, 1.4),
				msg(1276020074001000000, 0, meter.Pump, 1.5), msg(1276020075001000000, 0, meter.Pump, 1.6),
				msg(1276020076001000000, 0, meter.Headspace, 1.1, meter.Pump, 1.7)}, ""},
		// Section 5.1.3 as in the RFC: one name with several units. None is a channel of ours.
		{`[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},{"u":"lon","v":24.30621}]`, nil, "bad name; bad name"},
		// The same with our names (resolved values and times as in section 5.1.4).
		{`[{"bn":"rig1/","bt":1.320067464e+09,"bu":"Cel","n":"air","v":20},{"n":"lon","u":"lon","v":24.30621},{"n":"lat","u":"lat","v":60.07965},
		   {"n":"air","t":60,"v":20.3},{"n":"lon","u":"lon","t":60,"v":24.30622},{"n":"lat","u":"lat","t":60,"v":60.07965}]`,
			[]Message{msg(1320067464*s, 0, meter.Air, 20.0, meter.Lon, 24.30621, meter.Lat, 60.07965),
				msg(1320067524*s, 0, meter.Air, 20.3, meter.Lon, 24.30622, meter.Lat, 60.07965)}, ""},
		// Section 5.1.5, kinds of data (from memory): only v is a number.
		{`[{"bn":"rig1/","n":"air","u":"Cel","v":23.1},{"n":"syrup","u":"Cel","vs":"Machine Room"},{"n":"syrup","u":"Cel","vb":false},{"n":"syrup","u":"Cel","vd":"aGkgCg"}]`,
			[]Message{msg(0, 0, meter.Air, 23.1)}, "not a number; not a number; not a number"},

		// Section 4.5.3: what is relative, and to the nanosecond.
		{`[{"bn":"rig1/","n":"air","u":"Cel","t":268435455.999999999,"v":1}]`, []Message{msg(0, 0, meter.Air, 1.0)}, ""},
		{`[{"bn":"rig1/","n":"air","u":"Cel","t":268435456,"v":1}]`, []Message{msg(268435456*s, 0, meter.Air, 1.0)}, ""},
		{`[{"bn":"rig1/","bt":-3,"n":"air","u":"Cel","v":1},{"n":"air","u":"Cel","t":-0.000000001,"v":2},{"n":"air","u":"Cel","bt":1790000000,"t":0.000000001,"v":3}]`,
			[]Message{msg(1790000000000000001, 0, meter.Air, 3.0), msg(0, -3*s-1, meter.Air, 2.0), msg(0, -3*s, meter.Air, 1.0)}, ""},
		{`[{"bn":"rig1/","n":"air","u":"Cel","t":1e300,"v":1},{"n":"air","u":"Cel","bt":9e9,"t":9e9,"v":1}]`, nil, "time out of range; time out of range"},

		// Base fields: value, unit, name; from a dropped record too; renewed.
		{`[{"bn":"rig1/","bv":100,"bu":"count","n":"pulses","v":1},{"n":"mark","v":-98},{"n":"skip","bv":0,"v":4}]`,
			[]Message{msg(0, 0, meter.Pulses, 101.0, meter.Mark, 2.0, meter.Skip, 4.0)}, ""},
		{`[{"bn":"rig1/","bt":1790000000},{"bn":"rig1/pulses","u":"count","v":4}]`, []Message{msg(1790000000*s, 0, meter.Pulses, 4.0)}, "unknown channel"},
		{`[{"bn":"rig1/","bt":"x","n":"air","u":"Cel","v":1},{"n":"air","u":"Cel","v":1},{"bt":1790000000,"n":"air","u":"Cel","v":2}]`,
			[]Message{msg(1790000000*s, 0, meter.Air, 2.0)}, "bad record; spoilt base field"},
		{`[{"bn":"rig1/","bu":3,"n":"air","u":"Cel","v":1},{"n":"air","u":"Cel","v":1},{"n":"air","v":1}]`,
			[]Message{msg(0, 0, meter.Air, 1.0)}, "bad record; spoilt base field"},

		// Labels: exact, unknown, mandatory, twice, escaped.
		{`[{"bn":"rig1/","n":"air","u":"Cel","V":1}]`, nil, "not a number"},
		{`[{"bn":"rig1/","N":"syrup","n":"air","u":"Cel","v":1,"x":{"y":[1,"}]"]}}]`, []Message{msg(0, 0, meter.Air, 1.0)}, ""},
		{`[{"bn":"rig1/","n":"air","u":"Cel","v":1,"x_":2},{"n":"syrup","u":"Cel","v":1}]`, []Message{msg(0, 0, meter.Syrup, 1.0)}, "mandatory label"},
		{`[{"bn":"rig1/","n":"air","u":"Cel","v":1,"bx_":2},{"n":"syrup","u":"Cel","v":1}]`, nil, "mandatory label; spoilt base field"},
		{`[{"bn":"rig1/","n":"air","u":"Cel","v":1,"v":2},{"n":"syrup","u":"Cel","v":1}]`, []Message{msg(0, 0, meter.Syrup, 1.0)}, "bad record"},
		{`[{"b\u006e":"rig1\/","n":"\u0061ir","u":"Cel","v":1}]`, []Message{msg(0, 0, meter.Air, 1.0)}, ""},

		// Names, units, values.
		{`[{"bn":"rig2/","n":"air","u":"Cel","v":1},{"bn":"rig1/","n":"beer","u":"Cel","v":1},{"n":"air","u":"K","v":1},{"n":"air","v":1},{"n":"a ir","u":"Cel","v":1},{"n":"air","u":"Cel","v":200}]`,
			nil, "another rig; unknown channel; wrong unit; wrong unit; bad name; impossible value"},
		{`[{"n":"rig1/pump","u":"1/min","v":1650},{"n":"rig1/line","u":"1/min","v":1}]`, []Message{msg(0, 0, meter.Pump, 27.5)}, "wrong unit"},
		{`[{"n":"rig1/air","u":"Cel","v":1},{"n":"rig1/air","u":"Cel","v":2}]`, []Message{msg(0, 0, meter.Air, 1.0)}, "channel twice"},
		{`[{"n":"rig1/air","u":"Cel","v":1e999},{"n":"rig1/air","u":"Cel","v":null},{"n":"rig1/air","u":"Cel","s":4},7,[],{}]`, nil,
			"impossible value; bad record; not a number; bad record; bad record; bad name"},

		// Packs.
		{`[{"bver":11,"n":"rig1/air","u":"Cel","v":1}]`, nil, "SenML version"},
		{`[{"n":"rig1/air","u":"Cel","v":1},{"bver":5}]`, nil, "SenML version"},
		{`[{"bver":10,"n":"rig1/air","u":"Cel","v":1},{"bver":10,"n":"rig1/syrup","u":"Cel","v":1}]`, []Message{msg(0, 0, meter.Air, 1.0, meter.Syrup, 1.0)}, ""},
		{``, nil, "not a SenML pack"},
		{`[]`, nil, "not a SenML pack"},
		{`{"n":"rig1/air"}`, nil, "not a SenML pack"},
		{`[{"n":"rig1/air","u":"Cel","v":1}`, nil, "not a SenML pack"},
		{`[{"n":"rig1/air","u":"Cel","v":01}]`, nil, "not a SenML pack"},
		{"[{\"n\":\"rig1/air\",\"u\":\"Cel\",\"x\":\"\xff\",\"v\":1}]", nil, "not a SenML pack"},
		{`[{"n":"rig1/air","u":"Cel","v":1},{"x":` + strings.Repeat("[", 20) + strings.Repeat("]", 20) + `}]`, nil, "too deep"},
		{`[{"n":"rig1/air","u":"Cel","v":1}` + strings.Repeat(",{}", MaxRecords) + `]`, nil, "too big"},
		{`[{"n":"rig1/air","u":"Cel","v":1}` + strings.Repeat(" ", MaxPack) + `]`, nil, "too big"},
	} {
		ms, ds := ParsePack([]byte(c.pack), "rig1")
		if got := reasons(ds); got != c.drops {
			t.Errorf("%.200s: drops %q, want %q: %v", c.pack, got, c.drops, ds)
		}
		if !sameMessages(ms, c.want) {
			t.Errorf("%.200s: got %v, want %v", c.pack, ms, c.want)
		}
	}
}

func TestSeconds(t *testing.T) {
	for s, want := range map[string]int64{
		"0": 0, "-0": 0, "1790000000.2": 1790000000200000000, "1.7900000002e9": 1790000000200000000, "1790000000.123456789": 1790000000123456789,
		"17900000002E-1": 1790000000200000000, "0.0000000005": 1, "0.00000000049": 0, "-0.0000000005": -1, "5e-10": 1, "5e-11": 0,
		"0e999999999999": 0, "1e-999999999999": 0, "9223372036.854775807": math.MaxInt64, "000": 0, "0.0000000000000000000000000000000001e34": 1e9,
	} {
		if got, ok := nanoseconds([]byte(s)); !ok || got != want {
			t.Errorf("%s: %d, %v, want %d", s, got, ok, want)
		}
	}
	for _, s := range []string{"9223372036.854775808", "1e10", "1e999999999999", "9223372036.8547758075"} {
		if got, ok := nanoseconds([]byte(s)); ok {
			t.Errorf("%s: %d", s, got)
		}
	}
	rng := rand.New(rand.NewSource(2))
	for range 10000 {
		ns := int64(rng.Uint64()) >> rng.Intn(63)
		if got, ok := nanoseconds(appendSeconds(nil, ns)); !ok && ns != math.MinInt64 || got != ns {
			t.Errorf("%d: printed %s, read %d", ns, appendSeconds(nil, ns), got)
		}
	}
}

func checkPack(t *testing.T, b []byte) {
	ms, ds := ParsePack(b, "")
	if len(ms) == 0 {
		if len(ds) == 0 {
			t.Fatalf("%q: neither taken in nor counted", b)
		}
		return
	}
	e, _ := ParseLine(b, "")
	rig := e.Rig
	if rig == "" {
		p := pack{}
		p.parse(b)
		rig = string(p.rig)
	}
	out, err := AppendPack(nil, rig, ms)
	if err != nil {
		// Printed numbers can be longer than those that were read (1e20 is not).
		if len(b) > MaxPack/4 {
			return
		}
		t.Fatalf("%q: cannot print %v: %v", b, ms, err)
	}
	again, ds := ParsePack(out, rig)
	if len(ds) > 0 || !sameMessages(ms, again) {
		t.Fatalf("%q: got %v, after print %v (%s) %v", b, ms, again, out, ds)
	}
}

func FuzzPack(f *testing.F) {
	f.Add([]byte(`[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223},{"n":"uptime","u":"s","v":93812.4}]`))
	f.Add([]byte(`[{"bn":"heron/","bu":"Cel","bv":1,"bver":5,"n":"air","t":-5,"v":1.2e1},{"n":"syrup","vs":"x"},{"n":"pump","u":"1\/min","v":1650}]`))
	f.Fuzz(checkPack)
}

func TestPackPrints(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	for range 300 {
		var ms []Message
		at := int64(absolute) + rng.Int63n(1<<60)
		for range 1 + rng.Intn(4) {
			m := Message{Sent: at}
			for c := meter.Pulses; c <= meter.LastChannel; c++ {
				v := math.Float64frombits(rng.Uint64())
				if rng.Intn(2) == 0 {
					v = rng.Float64() * 20
				}
				if r := (meter.Reading{Channel: c, Value: v}); r.Check() == nil {
					m.Readings = append(m.Readings, r)
				}
			}
			if len(m.Readings) > 0 {
				ms = append(ms, m)
			}
			at += 1 + rng.Int63n(1e9)
		}
		if len(ms) == 0 {
			continue
		}
		out, err := AppendPack(nil, "heron", ms)
		if err != nil {
			t.Fatal(err)
		}
		got, ds := ParsePack(out, "heron")
		if len(ds) > 0 || !reflect.DeepEqual(got, ms) {
			t.Fatalf("printed %s\ngot %v\nwant %v %v", out, got, ms, ds)
		}
	}
	a := msg(0, 0, meter.Air, 1.0)
	for _, c := range []struct {
		rig string
		ms  []Message
	}{
		{"", []Message{a}}, {"a/b", []Message{a}}, {"-a", []Message{a}}, {"heron", nil}, {"heron", []Message{a, a}}, {"heron", []Message{{}}},
		{"heron", []Message{a, msg(1790000000000000000, 0, meter.Air, 1.0)}}, {"heron", []Message{msg(5, 0, meter.Air, 1.0)}},
		{"heron", []Message{msg(0, 5, meter.Air, 1.0)}}, {"heron", []Message{msg(1790000000000000000, -5, meter.Air, 1.0)}},
		{"heron", []Message{msg(0, 0, meter.Air, 1000.0)}}, {"heron", []Message{msg(0, 0, meter.Air, 1.0, meter.Air, 1.0)}},
	} {
		if out, err := AppendPack([]byte("x"), c.rig, c.ms); err == nil || string(out) != "x" {
			t.Errorf("%q %v: printed %q, %v", c.rig, c.ms, out, err)
		}
	}
}

func TestParseAllocations(t *testing.T) {
	line := []byte(checksummed[0])
	if n := testing.AllocsPerRun(100, func() { ParseNMEA(line) }); n > 1 {
		t.Errorf("ParseNMEA: %v allocations, want the readings only", n)
	}
}

func benchPack(records int) []byte {
	var b bytes.Buffer
	b.WriteString(`[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223},{"n":"uptime","u":"s","v":93812.4}`)
	for i := 2; i < records; i += 2 {
		fmt.Fprintf(&b, `,{"n":"pulses","u":"count","t":%d.2,"v":%d},{"n":"uptime","u":"s","t":%d.2,"v":%d.4}`, i, 184223+i, i, 93812+i)
	}
	b.WriteString("]")
	return b.Bytes()
}

func BenchmarkParsePack(b *testing.B) {
	for _, n := range []int{2, 100} {
		data := benchPack(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				ParsePack(data, "heron")
			}
			b.ReportMetric(float64(b.N)*float64(n)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

func BenchmarkAppendPack(b *testing.B) {
	ms, _ := ParsePack(benchPack(2), "heron")
	var out []byte
	b.ReportAllocs()
	for b.Loop() {
		out, _ = AppendPack(out[:0], "heron", ms)
	}
}
