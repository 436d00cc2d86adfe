package wire

import (
	"math"
	"math/rand"
	"reflect"
	"strings"
	"testing"
)

// Units are those of RFC 8428 section 12.1 (read there: kg, m3, l, Cel, s,
// count, /); the values in l and g are held against their definition, 1 l =
// 0.001 m3, by hand.
func TestParseResults(t *testing.T) {
	const at = 1_790_000_000_200_000_000
	for _, c := range []struct {
		name, pack string
		want       []Result
		dropped    string
	}{
		{"a fill", `[{"bn":"heron/fill/","bt":1790000000.2,"n":"volume","u":"m3","v":0.00412},{"n":"yard","vs":"larch"},{"n":"syrup","u":"Cel","v":-1.5}]`,
			[]Result{{Name: "fill/volume", At: at, Unit: "m3", Value: 0.00412}, {Name: "fill/yard", At: at, Text: "larch"}, {Name: "fill/syrup", At: at, Unit: "Cel", Value: -1.5}}, ""},
		{"litres and grams", `[{"bn":"heron/","bt":1790000000.2,"n":"fill/volume","u":"l","v":4.5},{"n":"fill/solids","u":"g","v":2500}]`,
			[]Result{{Name: "fill/volume", At: at, Unit: "m3", Value: 0.0045}, {Name: "fill/solids", At: at, Unit: "kg", Value: 2.5}}, ""},
		{"base unit and value", `[{"bn":"heron/left/","bu":"m3","bv":1,"n":"volume","v":0.5}]`, []Result{{Name: "left/volume", Unit: "m3", Value: 1.5}}, ""},
		{"relative time", `[{"n":"heron/a","u":"s","v":1,"t":-5}]`, []Result{{Name: "a", Unit: "s", Value: 1}}, ""},
		{"text as it is", `[{"n":"heron/a","vs":"M\u00fchle \"two\""}]`, []Result{{Name: "a", Text: `Mühle "two"`}}, ""},
		{"gallons", `[{"n":"heron/a","u":"gal","v":1},{"n":"heron/b","u":"count","v":2}]`, []Result{{Name: "b", Unit: "count", Value: 2}}, string(WrongUnit)},
		{"no unit", `[{"n":"heron/a","v":1}]`, nil, string(WrongUnit)},
		{"two values", `[{"n":"heron/a","v":1,"vs":"x","u":"s"}]`, nil, string(NotANumber)},
		{"a sum", `[{"n":"heron/a","u":"s","s":1}]`, nil, string(NotANumber)},
		{"true", `[{"n":"heron/a","vb":true}]`, nil, string(NotANumber)},
		{"another rig", `[{"n":"egret/a","u":"s","v":1}]`, nil, string(OtherRig)},
		{"no name", `[{"n":"heron","u":"s","v":1}]`, nil, string(BadName)},
		{"no part", `[{"n":"heron/","u":"s","v":1}]`, nil, string(BadName)},
		{"too much", `[{"n":"heron/a","u":"s","v":1.7e308,"bv":1.7e308}]`, nil, string(Impossible)},
		{"no pack", `{"n":"heron/a"}`, nil, string(NotJSON)},
		{"nothing of a newer version", `[{"n":"heron/a","u":"s","v":1},{"bver":11,"n":"heron/b","u":"s","v":1}]`, nil, string(BadVersion)},
	} {
		got, drops := ParseResults([]byte(c.pack), "heron")
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
		if reasons(drops) != c.dropped {
			t.Errorf("%s: dropped %v, want %q", c.name, drops, c.dropped)
		}
	}
}

func TestResultsComeBack(t *testing.T) {
	rng := rand.New(rand.NewSource(4))
	units := []string{"m3", "kg", "count", "Cel", "s", "/"}
	texts := []string{"", "larch", "Ferry Lane \"north\"", "é\x00\u2028<&>"}
	for range 500 {
		at := absolute + rng.Int63n(1<<60)
		var rs, want []Result
		for i := range 1 + rng.Intn(20) {
			r := Result{Name: strings.Repeat("a", 1+i%5) + "/" + string(rune('a'+i))}
			if rng.Intn(4) == 0 {
				r.Text = texts[rng.Intn(len(texts))]
			} else {
				r.Unit = units[rng.Intn(len(units))]
				for r.Value = math.NaN(); math.IsNaN(r.Value) || math.IsInf(r.Value, 0); {
					r.Value = math.Float64frombits(rng.Uint64())
				}
			}
			rs = append(rs, r)
			r.Name, r.At = "yards/mill/"+r.Name, at
			want = append(want, r)
		}
		pack, err := AppendResults([]byte("x"), "heron", "yards/mill", at, rs)
		if err != nil {
			t.Fatal(err)
		}
		got, drops := ParseResults(pack[1:], "")
		if len(drops) > 0 || !reflect.DeepEqual(got, want) {
			t.Fatalf("%s\ncomes back as %+v, dropped %v", pack, got, drops)
		}
		// Whoever reads for readings finds none.
		if ms, _ := ParsePack(pack[1:], "heron"); len(ms) > 0 {
			t.Fatalf("%s holds readings: %+v", pack, ms)
		}
	}
}

func TestAppendResultsRefuses(t *testing.T) {
	const at = int64(absolute)
	one := []Result{{Name: "a", Unit: "s", Value: 1}}
	for _, c := range []struct {
		rig, of string
		at      int64
		rs      []Result
		want    string
	}{
		{"he ron", "fill", at, one, "rig:"},
		{"heron", "fill", at, nil, "pack:"},
		{"heron", "fill", at, make([]Result, MaxRecords+1), "pack:"},
		{"heron", "fill", at - 1, one, "time:"},
		{"heron", "fi ll", at, one, "name:"},
		{"heron", "fill", at, []Result{{Name: "", Unit: "s"}}, "name:"},
		{"heron", "fill", at, []Result{{Name: `a"`, Unit: "s"}}, "name:"},
		{"heron", strings.Repeat("a", maxName), at, one, "name:"},
		{"heron", "fill", at, []Result{{Name: "a", Unit: "l", Value: 1}}, "unit:"},
		{"heron", "fill", at, []Result{{Name: "a", Unit: "gal", Value: 1}}, "unit:"},
		{"heron", "fill", at, []Result{{Name: "a", Unit: "s", Value: math.NaN()}}, "value:"},
		{"heron", "fill", at, []Result{{Name: "a", Unit: "s", Text: "x"}}, "value:"},
		{"heron", "fill", at, []Result{{Name: "a", Text: "\xff"}}, "text:"},
		{"heron", "fill", at, []Result{{Name: "a", Text: strings.Repeat("a", MaxPack)}}, "pack:"},
	} {
		out, err := AppendResults([]byte("x"), c.rig, c.of, c.at, c.rs)
		if err == nil || !strings.Contains(err.Error(), c.want) || string(out) != "x" {
			t.Errorf("%s/%s %+v: %q, %v; want an error with %q", c.rig, c.of, c.rs, out, err, c.want)
		}
	}
}

func FuzzResults(f *testing.F) {
	f.Add([]byte(`[{"bn":"heron/fill/","bt":1790000000.2,"n":"volume","u":"m3","v":0.00412},{"n":"yard","vs":"larch"}]`))
	f.Add([]byte(`[{"bn":"heron/","bu":"l","bv":1,"n":"a","v":1e300},{"n":"b","u":"g","t":-5,"v":2}]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		got, drops := ParseResults(b, "heron")
		for _, d := range drops {
			if len(d.Detail) > MaxDetail || d.Reason == "" {
				t.Fatalf("drop %+v", d)
			}
		}
		for _, r := range got {
			// What was read can be written, and is read as the same.
			at := max(r.At, absolute)
			pack, err := AppendResults(nil, "heron", "x", at, []Result{{Name: r.Name, Unit: r.Unit, Value: r.Value, Text: r.Text}})
			if err != nil {
				if len("heron/x/"+r.Name) > maxName || len(r.Text) > MaxPack/8 {
					continue
				}
				t.Fatalf("%+v: %v", r, err)
			}
			again, drops := ParseResults(pack, "heron")
			want := Result{Name: "x/" + r.Name, At: at, Unit: r.Unit, Value: r.Value, Text: r.Text}
			if len(drops) > 0 || len(again) != 1 || again[0] != want {
				t.Fatalf("%s: %+v, want %+v, dropped %v", pack, again, want, drops)
			}
		}
	})
}
