package wire

import (
	"bytes"
	"fmt"
	"math"
	"math/rand"
	"os"
	"slices"
	"strings"
	"testing"

	"yardtally/meter"
)

func withSum(body string) string {
	return string(closeSentence([]byte("$"+body), 0))
}

// sameReadings compares bit by bit, in any order.
func sameReadings(a, b []meter.Reading) bool {
	order := func(rs []meter.Reading) []meter.Reading {
		rs = slices.Clone(rs)
		slices.SortFunc(rs, func(x, y meter.Reading) int { return int(x.Channel) - int(y.Channel) })
		return rs
	}
	return slices.EqualFunc(order(a), order(b), func(x, y meter.Reading) bool {
		return x.Channel == y.Channel && math.Float64bits(x.Value) == math.Float64bits(y.Value)
	})
}

func reasons(ds []Drop) string {
	var s []string
	for _, d := range ds {
		s = append(s, string(d.Reason))
	}
	return strings.Join(s, "; ")
}

func TestNMEA(t *testing.T) {
	R := func(c meter.Channel, v float64) meter.Reading { return meter.Reading{Channel: c, Value: v} }
	for _, c := range []struct {
		line  string
		want  []meter.Reading
		drops string
	}{
		// Sentences of public documents, each with its printed checksum.
		// u-blox 5/6/7 receiver description, GGA and RMC examples (read as quoted in public test files).
		{"$GPGGA,092725.00,4717.11399,N,00833.91590,E,1,8,1.01,499.6,M,48.0,M,,0*5B\r\n",
			[]meter.Reading{R(meter.Lat, 47+17.11399/60), R(meter.Lon, 8+33.91590/60), R(meter.HDOP, 1.01)}, ""},
		{"$GPRMC,083559.00,A,4717.11437,N,00833.91522,E,0.004,77.52,091202,,,A*57\r\n",
			[]meter.Reading{R(meter.Lat, 47+17.11437/60), R(meter.Lon, 8+33.91522/60), R(meter.UTC, 1039422959)}, ""},
		// D. DePriest, NMEA data page (read as copied on public pages).
		{"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
			[]meter.Reading{R(meter.Lat, 48+7.038/60), R(meter.Lon, 11+31.0/60), R(meter.HDOP, 0.9)}, ""},
		{"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\n",
			[]meter.Reading{R(meter.Lat, 48+7.038/60), R(meter.Lon, 11+31.0/60), R(meter.UTC, 764426119)}, ""},
		// West and south; a receiver's start without a fix (public pages on the same receivers).
		{"$GPRMC,175741,A,4751.698,N,12209.774,W,000.0,360.0,191100,019.5,E*69",
			[]meter.Reading{R(meter.Lat, 47+51.698/60), R(meter.Lon, -(122 + 9.774/60)), R(meter.UTC, 974656661)}, ""},
		// From a receiver's manual whose printed checksum (25) is not that of its printed bytes; so with ours.
		{withSum("GPRMC,092204.999,A,4250.5589,S,14718.5084,E,0.00,89.68,211200,,A"),
			[]meter.Reading{R(meter.Lat, -(42 + 50.5589/60)), R(meter.Lon, 147+18.5084/60), R(meter.UTC, 977390524.999)}, ""},
		{"$GPRMC,,V,,,,,,,,,,N*53", nil, "no position fix"},
		{"$GPGGA,,,,,,0,00,99.99,,,,,,*48", nil, "no position fix"},
		{"$GPVTG,,,,,,,,,N*30", nil, "not our sentence"},
		// gpsd's NMEA page, XDR (read as quoted in public sources): good sentences, no channel of ours.
		{"$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41", nil,
			"unknown channel; unknown channel; unknown channel; unknown channel; unknown channel"},
		{"$SDXDR,C,23.15,C,WTHI*70", nil, "unknown channel"},
		{"$IIXDR,P,1.02481,B,Barometer*29", nil, "unknown channel"},

		// The three of wire.md.
		{withSum("YXXDR,G,184223,,PULSES,G,93812400,,UPTIME"), []meter.Reading{R(meter.Pulses, 184223), R(meter.Uptime, 93812.4)}, ""},
		{withSum("YXXDR,D,0.412,M,HEADSPACE,C,11.6,C,SYRUP,C,6.2,C,AIR"), []meter.Reading{R(meter.Headspace, 0.412), R(meter.Syrup, 11.6), R(meter.Air, 6.2)}, ""},
		{withSum("YXXDR,P,10234,P,HEAD,P,1.86,B,LINE,T,1650,R,PUMP,G,3,,MARK"),
			[]meter.Reading{R(meter.Head, 10234), R(meter.Line, 186000), R(meter.Pump, 27.5), R(meter.Mark, 3)}, ""},
		{withSum("YXXDR,G,4294967295,,UPTIME,G,9007199254740992,,PULSES"), []meter.Reading{R(meter.Uptime, 4294967.295), R(meter.Pulses, 1<<53)}, ""},

		// One bad quadruplet costs itself.
		{withSum("YXXDR,C,11.6,C,SYRUP,C,43,F,AIR,G,1,,BREW"), []meter.Reading{R(meter.Syrup, 11.6)}, "wrong unit; unknown channel"},
		{withSum("YXXDR,P,1,P,HEAD,D,1,P,LINE,G,3,,MARK"), []meter.Reading{R(meter.Head, 1), R(meter.Mark, 3)}, "wrong unit"},
		{withSum("YXXDR,C,1e1,C,SYRUP,C,,C,AIR,G,3,,MARK"), []meter.Reading{R(meter.Mark, 3)}, "not a number; not a number"},
		{withSum("YXXDR,C,900,C,SYRUP,G,3.5,,MARK,G,-1,,SKIP,G,2,,BOOT"), []meter.Reading{R(meter.Boot, 2)}, "impossible value; impossible value; impossible value"},
		{withSum("YXXDR,G,3,,MARK,G,4,,MARK"), []meter.Reading{R(meter.Mark, 3)}, "channel twice"},
		{withSum("YXXDR,G,3,,MARK,G,4"), []meter.Reading{R(meter.Mark, 3)}, "bad field"},
		{withSum("YXXDR,G,3,,mark"), nil, "unknown channel"},
		{withSum("YXXDR,G,3,,LAT"), nil, "unknown channel"},
		{withSum("YXXDR"), nil, "bad field"},

		// Position fields.
		{withSum("GNGGA,1,9000.0001,N,00000,E,1,,,"), nil, "bad field"},
		{withSum("GNGGA,1,9000,N,18000.0,W,1,,,"), []meter.Reading{R(meter.Lat, 90), R(meter.Lon, -180)}, ""},
		{withSum("GNGGA,1,4760,N,00000,E,1,,,"), nil, "bad field"},
		{withSum("GNGGA,1,4717,E,00000,E,1,,,"), nil, "bad field"},
		{withSum("GNGGA,1,4717,N,,,1,,,"), nil, "bad field"},
		{withSum("GNGGA,1,4717,N,00100,E,1,,x,"), []meter.Reading{R(meter.Lat, 47+17.0/60), R(meter.Lon, 1)}, "not a number"},
		{withSum("GNGGA,1,4717,N,00100,E,8,,1,"), nil, "no position fix"},
		{withSum("GNRMC,120000,A,4717,N,00100,E,,,310226"), []meter.Reading{R(meter.Lat, 47+17.0/60), R(meter.Lon, 1)}, "bad field"},
		{withSum("GNRMC,120000,A,4717,N,00100,E,,,,,,S"), nil, "no position fix"},
		{withSum("GNRMC,,A,,,,,,,"), nil, "no position fix"},
		// The century: GPS time began on 6 January 1980, Unix 315964800.
		{withSum("GNRMC,000000,A,,,,,,,060180"), []meter.Reading{R(meter.UTC, 315964800)}, ""},
		{withSum("GNRMC,000000,A,,,,,,,010179"), []meter.Reading{R(meter.UTC, 3439756800)}, ""},
		// A leap second has the number of the second after it (POSIX): the end of 2016.
		{withSum("GNRMC,235960,A,,,,,,,311216"), []meter.Reading{R(meter.UTC, 1483228800)}, ""},
		{withSum("GNRMC,225960,A,,,,,,,311216"), nil, "bad field"},

		// Lines.
		{"", nil, string(NoStart)},
		{"YXXDR,G,3,,MARK*00", nil, string(NoStart)},
		{"$", nil, string(NoChecksum)},
		{"$YXXDR,G,3,,MARK", nil, string(NoChecksum)},
		{"$YXXDR,G,3,,MARK*0", nil, string(NoChecksum)},
		{strings.ToLower(withSum("YXXDR,G,3,,MARK")), nil, "x"},
		{"$YXXDR,G,3,,MARK*00", nil, string(BadChecksum)},
		{withSum("YXXDR,G,3,,M\tRK"), nil, string(Unprintable)},
		{withSum("PYXDR,G,3,,MARK"), nil, string(NotOurs)},
		{withSum("XDR,G,3,,MARK"), nil, string(NotOurs)},
		{withSum("YXXDR,C,1." + strings.Repeat("0", 61) + ",C,AIR"), nil, string(TooLong)},
		{withSum("YXXDR,C,1." + strings.Repeat("0", 60) + ",C,AIR"), []meter.Reading{R(meter.Air, 1)}, ""},
	} {
		m, ds := ParseNMEA([]byte(c.line))
		if m.Sent != 0 || m.Rel != 0 {
			t.Errorf("%q: has times", c.line)
		}
		if c.drops == "x" {
			if len(m.Readings) > 0 || len(ds) == 0 {
				t.Errorf("%q: taken in", c.line)
			}
			continue
		}
		if got := reasons(ds); got != c.drops {
			t.Errorf("%q: drops %q, want %q: %v", c.line, got, c.drops, ds)
		}
		if len(m.Readings) != len(c.want) {
			t.Errorf("%q: got %v, want %v", c.line, m.Readings, c.want)
			continue
		}
		for i, r := range m.Readings {
			// Degrees in the table are computed with two roundings: 1e-13 of a degree is 10 nm.
			tol := 0.0
			if r.Channel == meter.Lat || r.Channel == meter.Lon {
				tol = 1e-13
			}
			if r.Channel != c.want[i].Channel || math.Abs(r.Value-c.want[i].Value) > tol {
				t.Errorf("%q: got %v, want %v", c.line, r, c.want[i])
			}
		}
		for _, d := range ds {
			if d.Detail == "" || len(d.Detail) > MaxDetail+20 {
				t.Errorf("%q: detail %q", c.line, d.Detail)
			}
		}
	}
}

// The samples in the package comment are what they are said to be.
func TestDocSamples(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(doc)) {
		line = strings.TrimSpace(strings.TrimPrefix(line, "//"))
		var ds []Drop
		switch {
		case strings.HasPrefix(line, "$YX"), strings.HasPrefix(line, "$GP"):
			sentence, _, _ := strings.Cut(line, " ")
			_, ds = ParseNMEA([]byte(sentence))
		case strings.HasPrefix(line, `[{"bn":"heron/fill/"`):
			_, ds = ParseResults([]byte(line), "heron")
		case strings.HasPrefix(line, `[{"bn"`):
			_, ds = ParsePack([]byte(line), "heron")
		case strings.HasPrefix(line, `[{"x-`), strings.HasPrefix(line, `{"act"`):
			_, ds = ParseLine([]byte(line), "heron")
		default:
			continue
		}
		n++
		for _, d := range ds {
			t.Errorf("%s: %v", line, d)
		}
	}
	if n < 11 {
		t.Errorf("found %d samples", n)
	}
}

var checksummed = []string{
	withSum("YXXDR,G,184223,,PULSES,G,93812400,,UPTIME"),
	withSum("YXXDR,P,10234,P,HEAD,P,1.86,B,LINE,T,1650,R,PUMP,G,3,,MARK"),
	withSum("YXXDR,D,0.412,M,HEADSPACE,C,11.6,C,SYRUP,C,-6.2,C,AIR"),
	"$GPGGA,092725.00,4717.11399,N,00833.91590,E,1,8,1.01,499.6,M,48.0,M,,0*5B\r\n",
	"$GPRMC,083559.00,A,4717.11437,N,00833.91522,E,0.004,77.52,091202,,,A*57\r\n",
}

// Every flipped bit, in the line as a whole and as the lines that a reader
// makes of it where the flip made a line end, is dropped and counted.
func TestFlippedBit(t *testing.T) {
	for _, s := range checksummed {
		good, _ := ParseNMEA([]byte(s))
		end := len(strings.TrimRight(s, "\r\n"))
		for bit := range 8 * len(s) {
			b := []byte(s)
			b[bit/8] ^= 1 << (bit % 8)
			for _, lines := range [][][]byte{{b}, bytes.SplitAfter(b, []byte("\n"))} {
				drops, taken := 0, 0
				for _, l := range lines {
					m, ds := ParseNMEA(l)
					drops += len(ds)
					taken += len(m.Readings)
					if len(m.Readings) > 0 && (bit/8 < end || !sameReadings(m.Readings, good.Readings)) {
						t.Errorf("%q bit %d: read as %v", b, bit, m.Readings)
					}
				}
				if taken == 0 && drops == 0 {
					t.Errorf("%q bit %d: not counted", b, bit)
				}
			}
		}
	}
}

// reprint prints readings of one sentence in the sentence they came from.
func reprint(line []byte, rs []meter.Reading) ([]byte, error) {
	talk := string(line[1:3])
	switch string(line[3:6]) {
	case "RMC":
		return AppendRMC(nil, talk, rs)
	case "GGA":
		return AppendGGA(nil, talk, rs)
	}
	return AppendXDR(nil, talk, rs)
}

// checkNMEA asserts that parse, print, parse is the identity on line.
func checkNMEA(t *testing.T, line []byte) {
	m, ds := ParseNMEA(line)
	if len(m.Readings) == 0 {
		if len(ds) == 0 {
			t.Fatalf("%q: neither taken in nor counted", line)
		}
		return
	}
	for _, r := range m.Readings {
		if err := r.Check(); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
	}
	out, err := reprint(line, m.Readings)
	if err != nil {
		t.Fatalf("%q: cannot print %v: %v", line, m.Readings, err)
	}
	var again []meter.Reading
	for s := range bytes.SplitAfterSeq(out, []byte("\n")) {
		if len(s) == 0 {
			continue
		}
		m, ds := ParseNMEA(s)
		if len(ds) > 0 || len(s) > MaxSentence {
			t.Fatalf("%q: printed %q: %v", line, s, ds)
		}
		again = append(again, m.Readings...)
	}
	if !sameReadings(m.Readings, again) {
		t.Fatalf("%q: got %v, after print %v (%q)", line, m.Readings, again, out)
	}
}

func FuzzNMEA(f *testing.F) {
	for _, s := range checksummed {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		checkNMEA(t, b)
		// Nearly no mutation has a right checksum: mend it, to get behind it.
		if len(b) < MaxSentence && !bytes.ContainsAny(b, "\r\n") {
			checkNMEA(t, []byte(withSum(string(bytes.TrimPrefix(b, []byte("$"))))))
		}
	})
}

func TestXDRPrints(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	for range 2000 {
		line := fmt.Sprintf("YXXDR,T,%.*f,R,PUMP,P,%.*f,B,LINE,G,%d,,UPTIME", rng.Intn(4), rng.Float64()*4000, rng.Intn(7), rng.Float64()*9, rng.Int63n(1<<32))
		checkNMEA(t, []byte(withSum(line)))
		lat, lon := rng.Intn(90), rng.Intn(180)
		line = fmt.Sprintf("GPRMC,%02d%02d%02d.%02d,A,%02d%02d.%0*d,N,%03d%02d.%05d,W,,,%02d%02d%02d", rng.Intn(24), rng.Intn(60), rng.Intn(60), rng.Intn(100),
			lat, rng.Intn(60), 9, rng.Intn(1e9), lon, rng.Intn(60), rng.Intn(1e5), 1+rng.Intn(28), 1+rng.Intn(12), rng.Intn(100))
		checkNMEA(t, []byte(withSum(line)))
	}
	all := []meter.Reading{{Channel: meter.Uptime, Value: 93812.4}, {Channel: meter.Headspace, Value: 0.412}, {Channel: meter.Syrup, Value: 11.6}, {Channel: meter.Air, Value: 6.2},
		{Channel: meter.Head, Value: 10234}, {Channel: meter.Line, Value: 186000}, {Channel: meter.Pump, Value: 27.5}, {Channel: meter.Mark, Value: 3},
		{Channel: meter.Skip, Value: 1}, {Channel: meter.Boot, Value: 9}, {Channel: meter.Pulses, Value: 1 << 53}}
	out, err := AppendXDR([]byte("x"), "YX", all)
	if err != nil {
		t.Fatal(err)
	}
	var got []meter.Reading
	lines := bytes.SplitAfter(out[1:], []byte("\n"))
	for _, l := range lines[:len(lines)-1] {
		m, ds := ParseNMEA(l)
		if len(ds) > 0 || len(l) > MaxSentence {
			t.Errorf("%q: %v", l, ds)
		}
		if bytes.Contains(l, []byte("PULSES")) != bytes.Contains(l, []byte("UPTIME")) {
			t.Errorf("%q: pulses and uptime are parted", l)
		}
		got = append(got, m.Readings...)
	}
	if !sameReadings(all, got) || !bytes.Contains(out, []byte("9007199254740992,,PULSES")) {
		t.Errorf("got %v from %s", got, out)
	}
	for _, c := range []struct {
		talk string
		rs   []meter.Reading
	}{
		{"PX", all}, {"Y", all}, {"yx", all}, {"YX", nil}, {"YX", append(all, all[0])},
		{"YX", []meter.Reading{{Channel: meter.Lat, Value: 1}}}, {"YX", []meter.Reading{{Channel: meter.Air, Value: math.NaN()}}},
		{"YX", []meter.Reading{{Channel: meter.Air, Value: 1e-300}}},
	} {
		if out, err := AppendXDR([]byte("x"), c.talk, c.rs); err == nil || string(out) != "x" {
			t.Errorf("%s %v: printed %q, %v", c.talk, c.rs, out, err)
		}
	}
	for _, rs := range [][]meter.Reading{{{Channel: meter.Lat, Value: 1}}, {{Channel: meter.UTC, Value: 1}}, {{Channel: meter.Pump, Value: 1}}} {
		if _, err := AppendRMC(nil, "GP", rs); err == nil {
			t.Errorf("RMC printed %v", rs)
		}
		if _, err := AppendGGA(nil, "GP", rs); err == nil {
			t.Errorf("GGA printed %v", rs)
		}
	}
}

func BenchmarkParseNMEA(b *testing.B) {
	for _, s := range []string{checksummed[0], checksummed[3], checksummed[4]} {
		line := []byte(s)
		b.Run(s[1:6], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				ParseNMEA(line)
			}
		})
	}
}
