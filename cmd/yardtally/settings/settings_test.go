package settings

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/modbus/registers"
	"yardtally/meter"
	"yardtally/meter/act"
)

// The least that a file must say.
const least = `rig = "heron"
`

func TestLeast(t *testing.T) {
	s, err := Parse("/etc/yardtally/heron.toml", []byte(least))
	if err != nil {
		t.Fatal(err)
	}
	rig := act.DefaultRig
	want := &Settings{Path: "/etc/yardtally/heron.toml", Rig: "heron", Units: quantity.US, Zone: time.UTC,
		Data: "/etc/yardtally/yardtally-data", Page: DefaultPage, Books: Books{"$"}, Acts: []Said{{"rig", 0, rig}}}
	if !reflect.DeepEqual(s, want) {
		t.Errorf("got  %+v\nwant %+v", s, want)
	}
}

// otherWay are keys that the example names in a comment, as they cannot stand
// beside what it sets.
var otherWay = []string{"modbus[0].address", "modbus[0].registers[0].words", "batch.shares", "batch.reading", "batch.reading_temperature", "batch.compensated", "provings[0].shares", "rigs", "rigs[0]", "rigs[0].name", "rigs[0].settings"}

// The example sets every key there is, and comes out as it reads.
func TestExample(t *testing.T) {
	s, err := Parse("/etc/heron.toml", []byte(Example))
	if err != nil {
		t.Fatal(err)
	}
	l, err := survey("heron.toml", []byte(Example))
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range keys("", reflect.TypeFor[file]()) {
		// The other way to give a secret stands in a comment.
		second := strings.Replace(key, "[0]", "[1]", 1)
		if l.line[key]+l.line[second] == 0 && !strings.HasSuffix(key, "_file") && !slices.Contains(otherWay, key) {
			t.Errorf("the example does not set %s", key)
		}
		if name := key[strings.LastIndexByte(key, '.')+1:]; !strings.Contains(Example, name) {
			t.Errorf("the example does not name %s", name)
		}
	}
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	aug := time.Date(2026, 8, 1, 0, 0, 0, 0, chicago).UnixNano()
	oct := time.Date(2026, 10, 9, 17, 30, 0, 0, chicago).UnixNano()
	// Inch, US gallon and avoirdupois pound are exact: NIST Special Publication
	// 811 (2008), appendix B.8 and B.9.
	const inch, gal, lb = 0.0254, 3.785411784, 0.45359237
	const psi = lb * 9.80665 / (inch * inch) / 1000 // kPa
	reel := 33 * 12 * inch
	want := []Said{
		{"rig", aug, act.Rig{WrapBits: 32, QuietS: 2.5, LeastL: 0.25, MostLPM: 120, Zone: "America/Chicago", FillL: gal, TopUpS: 10, HoseL: 8.7, DeadheadS: 600}},
		{"target ", aug, act.Target{SugarKg: 40 * lb}},
		{"tote", aug, act.Tote{Name: "tote one", CapacityL: 275 * gal, SensorM: 46 * inch, HeadM: 2 * inch, UnusableL: 3 * gal,
			Straps:  []act.Strap{{LevelM: 0, VolumeL: 0}, {LevelM: 20 * inch, VolumeL: 138 * gal}, {LevelM: 40 * inch, VolumeL: 275 * gal}},
			LengthM: 45 * inch, WidthM: 37 * inch, HeightM: 38 * inch, SensorKind: "ultrasonic", MadeC: 20, HeadFwdM: 20 * inch, EmptyKg: 130 * lb, GrossKg: 4000 * lb,
			Trailer: &act.Trailer{EmptyKg: 900 * lb, OtherKg: 200 * lb, GrossKg: 7000 * lb, AxlesKg: 7000 * lb, TongueKg: 1000 * lb}}},
		{"meter", aug, act.Meter{Type: "oval gear", Body: "steel", Repeat: 0.1, DueDays: 180}},
		{"batch", oct, act.Batch{Syrup: "sucrose", Brix: 64, BrixWithin: 0.2, MadeNS: time.Date(2026, 10, 8, 0, 0, 0, 0, chicago).UnixNano()}},
		{"line", aug, act.Line{PumpHeadM: 92 * 12 * inch, PumpFlowLPM: 160 * gal, PumpRated: 3600, PumpIdle: 2400, PumpNeedsM: 120 * inch,
			SuctionBoreM: 2 * inch, SuctionLengthM: 120 * inch, HoseBoreM: 0.75 * inch, HoseLengthM: 1200 * inch, HoseOnReelM: &reel, DrumM: 16 * inch, NozzleBoreM: 0.01,
			ScreenLoss: []act.Loss{{PressureKPa: 0.06 * psi, FlowLPM: 10 * gal}},
			MeterLoss:  []act.Loss{{PressureKPa: 0.26 * psi, FlowLPM: 10 * gal}, {PressureKPa: 2.2 * psi, FlowLPM: 4 * gal, ViscosityMPS: 200}},
			Heights:    &act.Heights{ToteFloorM: 28 * inch, PumpM: 20 * inch, NozzleM: 39 * inch}}},
		{"yard orchard", aug, act.Yard{ID: "orchard", Name: "Orchard End", Lat: 43.22, Lon: -91.88, EnterM: 90, LeaveM: 140, Colonies: 14, FillL: gal}},
		{"target orchard", aug, act.Target{Yard: "orchard", EachL: 6 * gal}},
		{"yard mill", 0, act.Yard{ID: "mill", Name: "Mill Bottom", Lat: 43.235, Lon: -91.925, EnterM: 15, LeaveM: 40, Colonies: 11, FillL: gal, Numbered: true,
			Ring: []act.Corner{{Lat: 43.2346, Lon: -91.9256}, {Lat: 43.2346, Lon: -91.9244}, {Lat: 43.2354, Lon: -91.9244}, {Lat: 43.2354, Lon: -91.9256}}}},
		{"yard larch", 0, act.Yard{ID: "larch", Name: "Larch Bank", Lat: 43.195, Lon: -91.88, EnterM: 60, LeaveM: 96, Colonies: 9, FillL: gal}},
		{"proving", 0, act.Proving{PulsesPerL: 501.9 / gal, Note: "label"}},
		{fmt.Sprint("proving ", oct), oct - 5.5*3600e9, act.Proving{Pulses: 2651, NetKg: 58.1 * lb, Syrup: "sucrose", Brix: 64, TempC: 20,
			Seconds: 190, Note: "bucket, kitchen scale", DoneNS: oct, Fresh: true, ScaleStepKg: 0.02 * lb, BrixWithin: 0.2, TempWithin: 2 / 1.8}},
	}
	if len(s.Acts) != len(want) {
		t.Fatalf("%d acts, want %d", len(s.Acts), len(want))
	}
	for i, got := range s.Acts {
		if got.Key != want[i].Key || got.From != want[i].From || !close(reflect.ValueOf(got.Body), reflect.ValueOf(want[i].Body)) {
			t.Errorf("act %d:\ngot  %+v\nwant %+v", i, got, want[i])
		}
	}
	s.Acts, s.Zone = nil, nil
	rest := &Settings{Path: "/etc/heron.toml", Rig: "heron", Units: quantity.US, Data: "/etc/yardtally-data", Page: "127.0.0.1:8317",
		Serial:    []Serial{{"counter board", "/dev/ttyUSB0", 115200}},
		Recording: []Recording{{"card", "/media/card/heron.senml"}},
		GPIO:      []GPIO{{"pins", "gpiochip0", 17, 27, 22, true, "up", time.Millisecond}},
		GPSD:      []GPSD{{"position", "127.0.0.1:2947", "/dev/ttyACM0"}},
		Modbus: []Modbus{{"level box", "", "/dev/ttyUSB1", 19200, "even", 1, 200 * time.Millisecond, 500 * time.Millisecond, []registers.Register{
			{Channel: meter.Headspace, UnitID: 2, Input: true, Address: 7, Type: registers.I16, Scale: 0.1, Unit: "mm"},
			{Channel: meter.Pulses, UnitID: 1, Address: 100, Type: registers.U32, Scale: 1, Unit: "count"},
			{Channel: meter.Uptime, UnitID: 1, Address: 102, Type: registers.U32, Scale: 1, Unit: "ms"},
		}}},
		MQTT:   []MQTT{{"trailer", "tcp://127.0.0.1:1884", "yardtally-heron", "heron", "change me", "yardtally"}},
		Broker: &Broker{"127.0.0.1:1883", "yardtally", []User{{"heron", "change me", false, "heron"}, {"shed", "change me too", true, "heron"}}, 64},
		Door:   Door{Certificate: "/etc/heron.pem", Key: "/etc/heron.key"},
		Influx: &Influx{"http://127.0.0.1:8086", "change me", "home", "yards"},
		Signal: &Signal{true, []string{"aplay", "-q", "/etc/yardtally/{signal}.wav"}, quantity.VolumeOf(0.05 * gal / 1000), 0.5, &Pin{"gpiochip0", 23, false}},
		Books:  Books{"$"}, Metrics: &Metrics{"127.0.0.1:9317", "change me"}}
	if !reflect.DeepEqual(s, rest) {
		t.Errorf("got  %+v\nwant %+v", s, rest)
	}
}

// keys lists every single setting, the first of a list standing for it.
func keys(at string, t reflect.Type) (out []string) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Struct {
		at, t = at+"[0]", t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return []string{at}
	}
	for i := range t.NumField() {
		out = append(out, keys((place{field: at}).under(t.Field(i).Tag.Get("toml")), t.Field(i).Type)...)
	}
	return out
}

// close compares to a part in 10^9: volumes are whole nanolitres.
func close(a, b reflect.Value) bool {
	switch a.Kind() {
	case reflect.Float64:
		d, m := a.Float()-b.Float(), max(1, b.Float())
		return d <= 1e-9*m && -d <= 1e-9*m
	case reflect.Slice:
		for i := range min(a.Len(), b.Len()) {
			if !close(a.Index(i), b.Index(i)) {
				return false
			}
		}
		return a.Len() == b.Len()
	case reflect.Pointer:
		return a.IsNil() == b.IsNil() && (a.IsNil() || close(a.Elem(), b.Elem()))
	case reflect.Map:
		return reflect.DeepEqual(a.Interface(), b.Interface())
	case reflect.Struct:
		for i := range a.NumField() {
			if !close(a.Field(i), b.Field(i)) {
				return false
			}
		}
		return a.Type() == b.Type()
	}
	return a.Interface() == b.Interface()
}

func TestGood(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "heron.secret"), []byte("between us\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, text string
		got        func(*Settings) any
		want       any
	}{
		{"SI", `units = "SI"`, func(s *Settings) any { return s.Units }, quantity.SI},
		{"an absolute folder", `data = "/var/lib/heron"`, func(s *Settings) any { return s.Data }, "/var/lib/heron"},
		{"a folder beside the file", `data = "kept"`, func(s *Settings) any { return s.Data }, filepath.Join(dir, "kept")},
		{"a page for all", `page = ":0"`, func(s *Settings) any { return s.Page }, ":0"},
		{"16 bits", "[counter]\nwrap_bits = 16", func(s *Settings) any { return s.Acts[0].Body.(act.Rig).WrapBits }, 16},
		{"no dribble", "counter.least = \"0 mL\"", func(s *Settings) any { return s.Acts[0].Body.(act.Rig).LeastL }, 0.0},
		{"a fill for every yard", "[counter]\nfill = \"3.8 L\"", func(s *Settings) any { return s.Acts[0].Body.(act.Rig).FillL }, 3.8},
		{"no signals", "", func(s *Settings) any { return s.Signal }, (*Signal)(nil)},
		{"signals, all by default", "[broker]\n[signal]", func(s *Settings) any { return *s.Signal }, Signal{MQTT: true, Failing: 0.5}},
		{"a horn in the settings' folder", "[signal]\nmqtt = false\nfailing = \"0 %\"\ncommand = [\"bin/horn\", \"{signal}\"]",
			func(s *Settings) any { return *s.Signal }, Signal{Command: []string{filepath.Join(dir, "bin/horn"), "{signal}"}}},
		{"a secret in a file", "[[mqtt]]\nurl = \"tcp://127.0.0.1:1\"\nuser = \"wren\"\npassword_file = \"heron.secret\"",
			func(s *Settings) any { return s.MQTT[0].Password }, "between us"},
		{"names for sources", "[[serial]]\nport = \"/dev/a\"\n[[serial]]\nport = \"/dev/b\"\n[[mqtt]]\nurl = \"tcp://h:1\"",
			func(s *Settings) any { return s.Serial[1].Name + " " + s.MQTT[0].Name }, "serial2 mqtt"},
		{"the broker's defaults", "[broker]", func(s *Settings) any { return *s.Broker }, Broker{"127.0.0.1:1883", "yardtally", nil, 64}},
		{"many connections from one address", "[broker]\nconnections_each = 256", func(s *Settings) any { return s.Broker.ConnectionsEach }, 256},
		{"tables in a line", `yards = [{id = "larch", position = [43, -91], enter = "200 ft"}]`,
			func(s *Settings) any { return s.Acts[1].Body.(act.Yard).EnterM }, 200 * 0.3048},
		{"a yard that moved", "[[yards]]\nid = \"larch\"\nposition = [43, -91]\n[[yards]]\nid = \"larch\"\nposition = [43.1, -91]\nfrom = \"2026-09-01\"",
			func(s *Settings) any { return []int64{s.Acts[1].From, s.Acts[2].From} }, []int64{0, time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC).UnixNano()}},
		{"an outline", outlined("[43.22, -91.88], [43.22, -91.878], [43.221, -91.878], [43.22, -91.88]", ""), // closed, as maps do
			func(s *Settings) any {
				y := s.Acts[1].Body.(act.Yard)
				return fmt.Sprintf("%.6f %.6f %v %v %d", y.Lat, y.Lon, y.EnterM, y.LeaveM, len(y.Ring))
			}, "43.220333 -91.878667 15 40 3"},
		{"an outline and its middle", outlined("[43.22, -91.88], [43.22, -91.878], [43.221, -91.878]", "position = [43.2202, -91.879]\nenter = \"30 m\""),
			func(s *Settings) any {
				y := s.Acts[1].Body.(act.Yard)
				return []float64{y.Lat, y.Lon, y.EnterM, y.LeaveM}
			}, []float64{43.2202, -91.879, 30, 48}},
		{"colonies with numbers", yardWith("numbered = true"), func(s *Settings) any { return s.Acts[1].Body.(act.Yard).Numbered }, true},
		{"an instant with its offset", "batch = {brix = \"60 %\", from = \"2026-10-09T18:00:00-05:00\"}",
			func(s *Settings) any { return s.Acts[1].From }, time.Date(2026, 10, 9, 23, 0, 0, 0, time.UTC).UnixNano()},
		{"a bucket at 0 °C and 0 Brix", "[[provings]]\npulses = 1000\nnet = \"8 kg\"\nbrix = \"0 Brix\"\ntemperature = \"0 C\"",
			func(s *Settings) any { return s.Acts[1].Body }, act.Proving{Pulses: 1000, NetKg: 8}},
		{"a bucket by mass, and when it was done", "[[provings]]\npulses = 1000\nnet = \"8 kg\"\nby_mass = true\ntemperature = \"50 F\"\ndone = \"2026-10-09\"",
			func(s *Settings) any { return s.Acts[1] }, Said{fmt.Sprint("proving ", int64(1_791_504_000_000_000_000)), 1_791_504_000_000_000_000,
				act.Proving{Pulses: 1000, NetKg: 8, Mass: true, TempC: 10, DoneNS: 1_791_504_000_000_000_000}}},
		{"a line as usual", "[line]", func(s *Settings) any { return s.Acts[1] }, Said{"line", 0, act.Line{}}},
		{"bores as labelled", "[line]\nhose_bore = \"3/4 in\"\nsuction_bore = \"1 1/2\\\"\"\nnozzle_bore = \"9.5 mm\"", func(s *Settings) any {
			l := s.Acts[1].Body.(act.Line)
			return fmt.Sprintf("%.6f %.6f %.6f", l.HoseBoreM, l.SuctionBoreM, l.NozzleBoreM)
		}, "0.019050 0.038100 0.009500"},
		{"nothing on the reel, and a pump by its pressure", "[line]\nhose_on_reel = \"0 ft\"\npump_head = \"40 psi\"", func(s *Settings) any {
			l := s.Acts[1].Body.(act.Line)
			return fmt.Sprintf("%g %.2f", *l.HoseOnReelM, l.PumpHeadM)
		}, "0 28.17"}, // 275.79 kPa by 9.789 kPa a metre
		{"a loss of something thick", "[line]\nmeter_loss = [[\"14 kPa\", \"8 L/min\", \"0.2 Pa·s\"], [\"10 kPa\", \"8 L/min\", \"150 cP\"]]", func(s *Settings) any {
			return fmt.Sprint(s.Acts[1].Body.(act.Line).MeterLoss)
		}, "[{14 8 200} {10 8 150}]"},
		{"a blend", "[batch]\nsyrup = \"blend\"\nshares = \"2 sucrose + 1 hfcs-55\"\nbrix = \"60 Brix\"",
			func(s *Settings) any { return s.Acts[1].Body }, act.Batch{Syrup: "blend", Shares: map[string]float64{"sucrose": 2, "hfcs-55": 1}, Brix: 60}},
		{"a refractometer's reading", "[batch]\nreading = \"60 Brix\"\nreading_temperature = \"50 F\"",
			func(s *Settings) any { return s.Acts[1].Body }, act.Batch{Syrup: "sucrose", Reading: 60, ReadC: 10}},
		{"a K-factor in litres", "[[provings]]\nk_factor = \"36 pulses/L\"", func(s *Settings) any { return s.Acts[1].Body }, act.Proving{PulsesPerL: 36}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := Parse(filepath.Join(dir, "heron.toml"), []byte(least+c.text))
			if err != nil {
				t.Fatal(err)
			}
			if got := c.got(s); !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
		})
	}
}

func yardWith(line string) string {
	return "[[yards]]\nid = \"orchard\"\nposition = [43.22, -91.88]\n" + line
}

func outlined(corners, line string) string {
	return "[[yards]]\nid = \"orchard\"\noutline = [" + corners + "]\n" + line
}

// Every kind of bad input, and exactly what is said of it. Line 1 is the rig.
func TestBad(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "empty.secret"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "long.secret"), make([]byte, mostSecret+1), 0o600); err != nil {
		t.Fatal(err)
	}
	const tote = "[tote]\ncapacity = \"275 gal\"\n"
	for _, c := range []struct{ name, text, want string }{
		{"unknown key at the top", `yard = 1`, `2: yard: is not a setting; here may stand rig, rigs, units, zone, data, page, counter, tote, batch, meter, line, yards, provings, serial, recording, gpio, gpsd, modbus, mqtt, broker, door, signal, books, log, metrics, influxdb`},
		{"unknown key in a table", "[counter]\nquite = \"2 s\"", `3: counter.quite: is not a setting; here may stand wrap_bits, quiet, least, most, fill, season, top_up, hose, deadhead, from`},
		{"unknown key in a list", yardWith("entr = \"60 m\""), `5: yards[0].entr: is not a setting; here may stand id, name, position, outline, enter, leave, colonies, numbered, fill, season, closed, from`},
		{"unknown key deep down", "[broker]\n[[broker.users]]\nname = \"heron\"\npassword = \"x\"\n[[broker.users]]\nname = \"wren\"\npasword = \"x\"", `6: broker.users[1].password: must be given, like password_file = "heron.secret"` +
			"\n" + `8: broker.users[1].pasword: is not a setting; here may stand name, password, password_file, read_only, rig`},
		{"unknown key in a line", `yards = [{id = "larch", position = [43, -91]}, {id = "mill", position = [43, -91], area = 4}]`, `2: yards[1].area: is not a setting; here may stand id, name, position, outline, enter, leave, colonies, numbered, fill, season, closed, from`},
		{"unknown table", "[pump]\nspeed = 3", `2: pump: is not a setting; here may stand rig, rigs, units, zone, data, page, counter, tote, batch, meter, line, yards, provings, serial, recording, gpio, gpsd, modbus, mqtt, broker, door, signal, books, log, metrics, influxdb`},
		{"unknown list", "[[hoses]]\nbore = \"3 in\"\n[[hoses]]", `2: hoses: is not a setting; here may stand rig, rigs, units, zone, data, page, counter, tote, batch, meter, line, yards, provings, serial, recording, gpio, gpsd, modbus, mqtt, broker, door, signal, books, log, metrics, influxdb` +
			"\n" + `4: hoses: is not a setting; here may stand rig, rigs, units, zone, data, page, counter, tote, batch, meter, line, yards, provings, serial, recording, gpio, gpsd, modbus, mqtt, broker, door, signal, books, log, metrics, influxdb`},
		{"a capital", `Page = ":0"`, `2: Page: is not a setting; here may stand rig, rigs, units, zone, data, page, counter, tote, batch, meter, line, yards, provings, serial, recording, gpio, gpsd, modbus, mqtt, broker, door, signal, books, log, metrics, influxdb`},

		{"no unit", yardWith(`enter = "60"`), `5: yards[0].enter: must name its unit, one of m, cm, mm, in, ft, is "60"`},
		{"wrong unit", yardWith(`enter = "60 gal"`), `5: yards[0].enter: must end in its unit, one of m, cm, mm, in, ft, is "60 gal"`},
		{"no quotes", yardWith(`enter = 60`), `5: yards[0].enter: must be text in quotes, a number and its unit, is 60`},
		{"a time without unit", `counter.quiet = "2"`, `2: counter.quiet: must be a number and its unit, one of s, ms, m, is "2"`},
		{"a K-factor the wrong way", "[[provings]]\nk_factor = \"0.03 L\"", `3: provings[0].k_factor: must be pulses a volume, like "36 pulses/L" or "136.3 pulses/gal", is "0.03 L"`},
		{"a K-factor of nothing", "[[provings]]\nk_factor = \"NaN pulses/L\"", `3: provings[0].k_factor: must be between 0.01 and 100000 pulses/L, is "NaN pulses/L"`},

		{"a number for text", `zone = 6`, `2: zone: must be text in quotes, is 6`},
		{"text for a number", yardWith(`colonies = "12"`), `5: yards[0].colonies: must be a whole number, is "12"`},
		{"a fraction", yardWith(`colonies = 12.5`), `5: yards[0].colonies: must be a whole number, is 12.5`},
		{"text for yes", yardWith(`closed = "yes"`), `5: yards[0].closed: must be true or false, is "yes"`},
		{"a bare date", "[batch]\nbrix = \"64 Brix\"\nfrom = 2026-10-09", `4: batch.from: must be text in quotes, is 2026-10-09`},
		{"a list for text", `zone = ["UTC"]`, `2: zone: must be text in quotes`},
		{"text for a list", yardWith(``) + "[[yards]]\nid = \"mill\"\nposition = \"43 N\"", `7: yards[1].position: must be a list in [ ], is "43 N"`},
		{"text for a table", `counter = "ours"`, `2: counter: must be a table, is "ours"`},
		{"one bracket", "[yards]\nid = \"mill\"", `2: yards: must be written [[yards]], as there may be several, is [yards]`},
		{"two brackets", "[[counter]]\nwrap_bits = 16", `2: counter: must be written [counter], as there is only one, is [[counter]]`},
		{"a table for text", "[zone]\nname = \"UTC\"", `2: zone: must be text in quotes, is the table [zone]`},
		{"a dotted key for text", `zone.name = "UTC"`, `2: zone: must be text in quotes, is a table`},

		{"impossible count", `counter.wrap_bits = 24`, `2: counter.wrap_bits: must be 16 or 32, is 24`},
		{"no count at all", `counter.wrap_bits = 0`, `2: counter.wrap_bits: must be 16 or 32, is 0`},
		{"impossible quiet", `counter.quiet = "2 m"`, `2: counter.quiet: must be between 0.5 and 60 s, is "2 m"`},
		{"impossible flow", `counter.most = "900 gal/min"`, `2: counter.most: must be between 1 and 2000 L/min, is "900 gal/min"`},
		{"impossible radius", yardWith(`enter = "8 ft"`), `5: yards[0].enter: must be between 5 and 5000 m, is "8 ft"`},
		{"leaving before arriving", yardWith("enter = \"100 m\"\nleave = \"90 m\""), `6: yards[0].leave: must be between 100 and 10000 m, is "90 m"`},
		{"east before north", "[[yards]]\nid = \"mill\"\nposition = [-91.88, 43.22]", `4: yards[0].position: must be between -90 and 90 degrees north, is [-91.88, 43.22]`},
		{"half a position", "[[yards]]\nid = \"mill\"\nposition = [43.22]", `4: yards[0].position: must be two numbers, degrees north and degrees east, is [43.22]`},
		{"an outline of two corners", outlined("[43.22, -91.88], [43.22, -91.878], [43.22, -91.88]", ""), `4: yards[0].outline: must have between 3 and 1000 corners`},
		{"no corners", outlined("", ""), `4: yards[0].outline: must have between 3 and 1000 corners`},
		{"half a corner", outlined("[43.22, -91.88], [43.22], [43.221, -91.878]", ""), `4: yards[0].outline[1]: must be two numbers, degrees north and degrees east, is [43.22]`},
		{"corners east before north", outlined("[43.22, -91.88], [-91.878, 43.22], [43.221, -91.878]", ""), `4: yards[0].outline[1]: must be between -90 and 90 degrees north, is [-91.878, 43.22]`},
		{"an outline without area", outlined("[43.22, -91.88], [43.22, -91.878], [43.22, -91.876]", ""), `4: yards[0].outline: must enclose an area`},
		{"an outline of a county", outlined("[43.22, -91.88], [43.22, -89], [44, -89]", ""), `4: yards[0].outline[1]: must be within a degree of the first corner, is [43.22, -89]`},
		{"an outline across the 180th meridian", outlined("[43.22, 179.999], [43.22, -179.999], [43.23, 179.999]", ""), `4: yards[0].outline: must not cross the 180th meridian; a yard there is told by its position`},
		{"a middle elsewhere", outlined("[43.22, -91.88], [43.22, -91.878], [43.221, -91.878]", "position = [43.3, -91.879]"), `5: yards[0].position: must be within the outline, or be left out, is [43.3, -91.879]`},
		{"fewer than no colonies", yardWith(`colonies = -1`), `5: yards[0].colonies: must be between 0 and 100000, is -1`},
		{"a season without unit", yardWith(`season = "6"`), `5: yards[0].season: must be a volume of syrup or a weight of sugar with its unit, like 6 gal or 40 lb, is "6"`},
		{"a season of too much", yardWith(`season = "200 gal"`), `5: yards[0].season: must be above 0 and at most 500 L of syrup or 500 kg of sugar, is "200 gal"`},
		{"a season of lengths", "[counter]\nseason = \"6 ft\"", `3: counter.season: must be a volume of syrup or a weight of sugar with its unit, like 6 gal or 40 lb, is "6 ft"`},
		{"a huge fill", yardWith(`fill = "100 gal"`), `5: yards[0].fill: must be between 0 and 100 L, is "100 gal"`},
		{"a bore without unit", "[line]\nhose_bore = \"3/4\"", `3: line.hose_bore: must be a number or a fraction and its unit, like "19 mm" or "3/4 in", is "3/4"`},
		{"a bore by nothing", "[line]\nhose_bore = \"3/0 in\"", `3: line.hose_bore: must be a number or a fraction and its unit, like "19 mm" or "3/4 in", is "3/0 in"`},
		{"a bore in gallons", "[line]\nnozzle_bore = \"3/8 gal\"", `3: line.nozzle_bore: must be a number or a fraction and its unit, like "19 mm" or "3/4 in", is "3/8 gal"`},
		{"a bore of nothing", "[line]\nhose_bore = \"0 in\"", `3: line.hose_bore: must be above 0, is "0 in"`},
		{"a bore of a foot", "[line]\nhose_bore = \"12 in\"", `3: line.hose_bore: must be between 0.004 and 0.1 m, is "12 in"`},
		{"a head in gallons", "[line]\npump_head = \"40 gal\"", `3: line.pump_head: must be a head or a pressure of water and its unit, like "92 ft", "28 m" or "40 psi", is "40 gal"`},
		{"a pump that hardly turns", "[line]\npump_idle = \"24 rpm\"", `3: line.pump_idle: must be between 60 and 30000 1/min, is "24 rpm"`},
		{"more on the reel than there is", "[line]\nhose_length = \"20 m\"\nhose_on_reel = \"25 m\"", `4: line.hose_on_reel: must be between 0 and 20 m, is "25 m"`},
		{"one height", "[line]\npump_height = \"20 in\"", `2: line.tote_floor: must be given, like "20 in", as they are from one ground: tote_floor, pump_height and nozzle_height` + "\n" +
			`2: line.nozzle_height: must be given, like "20 in", as they are from one ground: tote_floor, pump_height and nozzle_height`},
		{"a height too high", "[line]\ntote_floor = \"1 m\"\npump_height = \"1 m\"\nnozzle_height = \"40 ft\"", `5: line.nozzle_height: must be between -10 and 10 m, is "40 ft"`},
		{"half a loss", "[line]\nmeter_loss = [[\"2 psi\"]]", `3: line.meter_loss[0]: must be a pressure, a flow and, of another liquid than water, its viscosity, like ["14 psi", "2 gal/min", "200 mPa·s"], is ["2 psi"]`},
		{"a loss at no flow", "[line]\nmeter_loss = [[\"2 psi\", \"0 gal/min\"]]", `3: line.meter_loss[0][1]: must be above 0, is "0 gal/min"`},
		{"a loss of a city's main", "[line]\nscreen_loss = [[\"300 psi\", \"1 gal/min\"]]", `3: line.screen_loss[0][0]: must be between 0.01 and 1000 kPa, is "300 psi"`},
		{"a viscosity without unit", "[line]\nmeter_loss = [[\"2 psi\", \"1 gal/min\", \"200\"]]", `3: line.meter_loss[0][2]: must be a number and its unit, one of mPa·s, cP, Pa·s, is "200"`},
		{"losses of no one curve", "[line]\nmeter_loss = [[\"10 psi\", \"1 gal/min\"], [\"2 psi\", \"3 gal/min\"]]",
			`3: line.meter_loss[0]: must lie within 35 % of one curve through all points, loss growing with viscosity times flow and with flow squared, is ["10 psi", "1 gal/min"]`},
		{"honey", "[batch]\nbrix = \"82 Brix\"", `3: batch.brix: must be between 0 and 77 Brix, is "82 Brix"`},
		{"another syrup", "[batch]\nbrix = \"64 Brix\"\nsyrup = \"treacle\"", `4: batch.syrup: must be "sucrose", "invert", "hfcs-42", "hfcs-55" or "blend", is "treacle"`},
		{"a tote that falls", tote + "strapping = [[\"0 in\", \"0 gal\"],\n[\"20 in\", \"140 gal\"],\n[\"10 in\", \"275 gal\"]]", `6: tote.strapping[2]: level and volume must rise from line to line, is ["10 in", "275 gal"]`},
		{"a strap without unit", tote + "strapping = [[\"0 in\", \"0 gal\"],\n[\"20\", \"140 gal\"]]", `5: tote.strapping[1][0]: must name its unit, one of m, cm, mm, in, ft, is "20"`},
		{"a strap too high", tote + "strapping = [[\"0 in\", \"0 gal\"], [\"30 m\", \"140 gal\"]]", `4: tote.strapping[1][0]: must be between 0 and 20 m, is "30 m"`},
		{"half a strap", tote + "strapping = [[\"0 in\", \"0 gal\"], [\"30 in\"]]", `4: tote.strapping[1]: must be a level and a volume, like ["38 in", "275 gal"], is ["30 in"]`},
		{"more unusable than there is", tote + "unusable = \"300 gal\"\nstrapping = [[\"0 in\", \"0 gal\"], [\"30 in\", \"275 gal\"]]", `4: tote.unusable: must be between 0 and 1040.9882406 L, is "300 gal"`},
		{"two ways to prove", "[[provings]]\nk_factor = \"36 pulses/L\"\npulses = 1000", `3: provings[0].k_factor: must not stand beside the pulses, net, brix and temperature of a bucket test, is "36 pulses/L"`},
		{"a light bucket", "[[provings]]\npulses = 1000\nnet = \"1 g\"\nbrix = \"60 Brix\"\ntemperature = \"68 F\"", `4: provings[0].net: must be between 0.05 and 5000 kg, is "1 g"`},
		{"a hot bucket", "[[provings]]\npulses = 1000\nnet = \"8 kg\"\nbrix = \"60 Brix\"\ntemperature = \"168 F\"", `6: provings[0].temperature: must be between -5 and 50 °C, is "168 F"`},
		{"no such day", "[batch]\nbrix = \"64 Brix\"\nfrom = \"9 October\"", `4: batch.from: must be a time like "2026-10-09 18:00", is "9 October"`},
		{"a year too far", "[batch]\nbrix = \"64 Brix\"\nfrom = \"9999-10-09\"", `4: batch.from: must be a time like "2026-10-09 18:00", is "9999-10-09"`},

		{"no position", "[[yards]]\nid = \"orchard\"", `2: yards[0].position: must be given, like [43.22, -91.88], degrees north and degrees east, or an outline`},
		{"no id", "[[yards]]\nposition = [43, -91]", `2: yards[0].id: must be given, like "orchard"`},
		{"no capacity", "[tote]\nstrapping = [[\"0 in\", \"0 gal\"], [\"30 in\", \"275 gal\"]]", `2: tote.capacity: must be given, like "275 gal"`},
		{"no strapping", tote, `2: tote.strapping: must be given, like [["0 in", "0 gal"], ["38 in", "275 gal"]], two lines or more, or length, width and height`},
		{"a sound sensor that is right nowhere", tote + "strapping = [[\"0 in\", \"0 gal\"], [\"30 in\", \"275 gal\"]]\nsensor_kind = \"ultrasonic\"", `2: tote.sensor_made: must be given, like "68 F", the air's temperature at which the sensor is right, or sensor_compensated = true`},
		{"a sensor of another kind", tote + "strapping = [[\"0 in\", \"0 gal\"], [\"30 in\", \"275 gal\"]]\nsensor_kind = \"radar\"", `5: tote.sensor_kind: must be "ultrasonic" or "optical", is "radar"`},
		{"a trailer without unit", tote + "strapping = [[\"0 in\", \"0 gal\"], [\"30 in\", \"275 gal\"]]\ntrailer = { gross = \"7000\" }", `5: tote.trailer.gross: must name its unit, one of kg, g, t, lb, oz, is "7000"`},
		{"no Brix", "[batch]", `2: batch.brix: must be given, like "64 Brix", or a refractometer's reading`},
		{"a reading without temperature", "[batch]\nreading = \"60 Brix\"", `2: batch.reading_temperature: must be given, like "68 F", or compensated = true`},
		{"a reading and a Brix", "[batch]\nreading = \"60 Brix\"\ncompensated = true\nbrix = \"60 Brix\"", `3: batch.reading: must not stand beside brix, is "60 Brix"`},
		{"a blend of nothing", "[batch]\nsyrup = \"blend\"\nbrix = \"60 Brix\"", `2: batch.shares: must say the parts of a blend, like sucrose 2 and hfcs-55 1`},
		{"a blend of honey", "[batch]\nsyrup = \"blend\"\nbrix = \"60 Brix\"\nshares = \"1 honey + 1 sucrose\"", `5: batch.shares: must be of "sucrose", "invert", "hfcs-42" or "hfcs-55", is "1 honey + 1 sucrose"`},
		{"a blend said badly", "[batch]\nsyrup = \"blend\"\nbrix = \"60 Brix\"\nshares = \"sucrose\"", `5: batch.shares: must be parts by weight of dry solids, each kind once, like "2 sucrose + 1 hfcs-55", is "sucrose"`},
		{"a wide Brix", "[batch]\nbrix = \"60 Brix\"\nbrix_within = \"21 Brix\"", `4: batch.brix_within: must be between 0 and 20 Brix, is "21 Brix"`},
		{"another meter", "[meter]\ntype = \"coriolis\"", `3: meter.type: must be "oval gear", "turbine" or "paddle wheel", is "coriolis"`},
		{"another body", "[meter]\ntype = \"turbine\"\nbody = \"glass\"", `4: meter.body: must be "steel", "aluminium" or "acetal", is "glass"`},
		{"a share without %", "[meter]\ntype = \"turbine\"\nrepeat = \"0.1\"", `4: meter.repeat: must be a number and %, like "0.1 %", is "0.1"`},
		{"a wild meter", "[meter]\ntype = \"turbine\"\nrepeat = \"11 %\"", `4: meter.repeat: must be between 0 and 10 %, is "11 %"`},
		{"a time without days", "[meter]\ntype = \"turbine\"\ndue = \"5\"", `4: meter.due: must be a number of days, like "180 days", is "5"`},
		{"a proving by mass with its Brix", "[[provings]]\npulses = 1000\nnet = \"8 kg\"\nbrix = \"60 Brix\"\nby_mass = true\ntemperature = \"68 F\"", `6: provings[0].by_mass: must not stand beside brix: without it the proving is by mass, is true`},
		{"a long proving", "[[provings]]\npulses = 1000\nnet = \"8 kg\"\nbrix = \"60 Brix\"\ntime = \"2000 m\"\ntemperature = \"68 F\"", `6: provings[0].time: must be between 0 and 86400 s, is "2000 m"`},
		{"one proving twice", "[[provings]]\nk_factor = \"36 pulses/L\"\ndone = \"2026-10-09\"\n[[provings]]\nk_factor = \"37 pulses/L\"\ndone = \"2026-10-09\"", `5: provings[1]: must differ from provings[0] (line 2) in what it is about or from when it holds`},
		{"an empty proving", "[[provings]]", `2: provings[0]: must have a k_factor, or the pulses, net, brix and temperature of a bucket test`},
		{"half a bucket", "[[provings]]\npulses = 1000\nnet = \"8 kg\"", `2: provings[0].brix: must be given, like "64 Brix", or by_mass = true where none was at hand` + "\n" + `2: provings[0].temperature: must be given, like "68 F"`},
		{"no port", "[[serial]]\nbaud = 9600", `2: serial[0].port: must be given, like "/dev/ttyUSB0"`},
		{"no broker", "[[mqtt]]", `2: mqtt[0].url: must be given, like "tcp://host:1883"`},
		{"no bucket", "[influxdb]\nurl = \"http://127.0.0.1:8086\"", `2: influxdb.bucket: must be given, like "yards", or "database/retention policy" for an InfluxDB 1.8`},
		{"a password for nobody", "[[mqtt]]\nurl = \"tcp://h:1\"\npassword = \"swordfish\"", `2: mqtt[0].user: must be given, like "heron", where there is a password`},

		{"one yard twice", yardWith("") + yardWith(""), `5: yards[1]: must differ from yards[0] (line 2) in what it is about or from when it holds`},
		{"one yard twice, from the same instant", yardWith("from = \"2026-10-09\"\n") + yardWith("from = \"2026-10-09 00:00\"\n"), `6: yards[1]: must differ from yards[0] (line 2) in what it is about or from when it holds`},
		{"two provings at once", "[[provings]]\nk_factor = \"36 pulses/L\"\n[[provings]]\nk_factor = \"37 pulses/L\"", `4: provings[1]: must differ from provings[0] (line 2) in what it is about or from when it holds`},
		{"one source name twice", "[[serial]]\nname = \"board\"\nport = \"/dev/a\"\n[[mqtt]]\nname = \"board\"\nurl = \"tcp://h:1\"", `6: mqtt[0].name: must be the only source of that name, is "board"`},
		{"one port twice", "[[serial]]\nport = \"/dev/a\"\n[[serial]]\nport = \"/dev/a\"", `5: serial[1].port: must be the only source at that port, is "/dev/a"`},

		{"no such zone", `zone = "Iowa/Larch"`, `2: zone: must be an IANA time zone like "America/Chicago", is "Iowa/Larch"`},
		{"the machine's zone", `zone = "Local"`, `2: zone: must be an IANA time zone like "America/Chicago", is "Local"`},
		{"no such units", `units = "imperial"`, `2: units: must be "US" or "SI", is "imperial"`},
		{"a recording without a path", "[[recording]]\nname = \"card\"", `2: recording[0].path: must be given, like "/media/card/heron.senml"`},
		{"a recording twice", "[[recording]]\npath = \"a\"\n[[recording]]\npath = \"./a\"", `5: recording[1].path: must be the only source at that path, is "./a"`},
		{"a page without port", `page = "127.0.0.1"`, `2: page: must be host:port, like "127.0.0.1:8317", is "127.0.0.1"`},
		{"a port too high", `page = "127.0.0.1:65536"`, `2: page: must be host:port, like "127.0.0.1:8317", is "127.0.0.1:65536"`},
		{"a broker without port", "[broker]\naddress = \"here\"", `3: broker.address: must be host:port, like "127.0.0.1:8317", is "here"` + "\n" + `3: broker.users: must be at least one where others can reach the address "here"`},
		{"an open broker", "[broker]\naddress = \":1883\"", `3: broker.users: must be at least one where others can reach the address ":1883"`},
		{"broker and page at one address", "page = \"127.0.0.1:99\"\n[broker]\naddress = \"127.0.0.1:99\"", `4: broker.address: must not be the page's address, is "127.0.0.1:99"`},
		{"no connections", "[broker]\nconnections_each = 0", `3: broker.connections_each: must be between 1 and 512, all that the broker has, is 0`},
		{"more connections than there are", "[broker]\nconnections_each = 513", `3: broker.connections_each: must be between 1 and 512, all that the broker has, is 513`},
		{"one user twice", "[broker]\n[[broker.users]]\nname = \"wren\"\npassword = \"a\"\n[[broker.users]]\nname = \"wren\"\npassword = \"b\"", `7: broker.users[1].name: must be the only user of that name, is "wren"`},
		{"a url without scheme", "[[mqtt]]\nurl = \"127.0.0.1:1883\"", `3: mqtt[0].url: must be like "tcp://host:1883", is "127.0.0.1:1883"`},
		{"the wrong scheme", "[influxdb]\nurl = \"tcp://127.0.0.1:8086\"\nbucket = \"yards\"", `3: influxdb.url: must be like "http://host:8086", is "tcp://127.0.0.1:8086"`},
		{"a password in a url", "[[mqtt]]\nurl = \"tcp://wren:swordfish@h:1883\"", `3: mqtt[0].url: must hold no user and no password`},
		{"a topic with a wildcard", "[broker]\nprefix = \"yards/#\"", `3: broker.prefix: must be the start of a topic, like "yardtally", without + # $ and blanks, and no / at its ends, is "yards/#"`},
		{"an odd rate", "[[serial]]\nport = \"/dev/a\"\nbaud = 0", `4: serial[0].baud: must be the port's rate, 115200 or 9600 as a rule, is 0`},

		{"a batch of another age", "[batch]\nbrix = \"60 Brix\"\nmade = \"last week\"", `4: batch.made: must be a time like "2026-10-09 18:00", is "last week"`},
		{"a long idling", "[counter]\ndeadhead = \"61 m\"", `3: counter.deadhead: must be between 0 and 3600 s, is "61 m"`},
		{"a large hose", "[counter]\nhose = \"501 L\"", `3: counter.hose: must be between 0 and 500 L, is "501 L"`},
		{"a long top-up", "[counter]\ntop_up = \"3 m\"", `3: counter.top_up: must be between 0 and 120 s, is "3 m"`},
		{"a fill without unit", "[counter]\nfill = \"1\"", `3: counter.fill: must name its unit, one of gal, qt, pt, L, mL, m3, is "1"`},
		{"signals for nobody", "[signal]\nmqtt = false", `2: signal: must have mqtt = true, a command or a pin`},
		{"signals to no broker", "[signal]", `2: signal: must have a command or a pin where there is no [broker] and no [[mqtt]]`},
		{"a command without a program", "[signal]\ncommand = [\"\", \"x\"]", `3: signal.command: must begin with a program, like ["aplay", "-q", "/etc/yardtally/{signal}.wav"], is ["", "x"]`},
		{"an empty command", "[signal]\ncommand = []", `3: signal.command: must begin with a program, like ["aplay", "-q", "/etc/yardtally/{signal}.wav"]`},
		{"too early", "broker = {}\n[signal]\nearly = \"21 L\"", `4: signal.early: must be between 0 and 20 L, is "21 L"`},
		{"early by a time", "broker = {}\n[signal]\nearly = \"2 s\"", `4: signal.early: must end in its unit, one of gal, qt, pt, L, mL, m3, is "2 s"`},
		{"failing without %", "broker = {}\n[signal]\nfailing = \"0.5\"", `4: signal.failing: must be a number and %, like "0.1 %", is "0.5"`},
		{"a currency of digits", "[books]\ncurrency = \"5\"", `3: books.currency: must be a currency's sign or letters, 6 at most, like "$" or "EUR", is "5"`},
		{"no currency", "[books]\ncurrency = \"\"", `3: books.currency: must be a currency's sign or letters, 6 at most, like "$" or "EUR", is ""`},
		{"failing at once", "broker = {}\n[signal]\nfailing = \"95 %\"", `4: signal.failing: must be between 0 and 90 %, is "95 %"`},

		{"two secrets", "[influxdb]\nurl = \"http://h\"\nbucket = \"b\"\ntoken = \"swordfish\"\ntoken_file = \"x\"", `5: influxdb.token: must not stand beside token_file`},
		{"no secret file", "[influxdb]\nurl = \"http://h\"\nbucket = \"b\"\ntoken_file = \"no.secret\"", `5: influxdb.token_file: must be a file that can be read (no such file or directory), is "no.secret"`},
		{"an empty secret file", "[influxdb]\nurl = \"http://h\"\nbucket = \"b\"\ntoken_file = \"empty.secret\"", `5: influxdb.token_file: must hold the secret, and holds nothing, is "empty.secret"`},
		{"a folder as secret", "[broker]\n[[broker.users]]\nname = \"wren\"\npassword_file = \".\"", `5: broker.users[0].password_file: must be a file that can be read (is a directory), is "."`},
		{"a secret that is a number", "[influxdb]\ntoken = 424242", `3: influxdb.token: must be text in quotes`},

		{"broken syntax", "[counter\nquiet = 2", `2: is not TOML: expected ']'`},
		{"an open quote", "zone = \"UTC\n", `2: is not TOML:`},
		{"one key twice", "zone = \"UTC\"\nzone = \"UTC\"", `3: zone: key zone is already defined`},
		{"one table twice", "[counter]\nquiet = \"2 s\"\n[counter]\nleast = \"1 L\"", `4: counter: table counter already exists`},
		{"several at once", "zone = \"Iowa/Larch\"\nspeed = 1\n" + yardWith("enter = \"60\"\nfill = \"1\""), `2: zone: must be an IANA time zone like "America/Chicago", is "Iowa/Larch"` +
			"\n" + `3: speed: is not a setting; here may stand rig, rigs, units, zone, data, page, counter, tote, batch, meter, line, yards, provings, serial, recording, gpio, gpsd, modbus, mqtt, broker, door, signal, books, log, metrics, influxdb` +
			"\n" + `7: yards[0].enter: must name its unit, one of m, cm, mm, in, ft, is "60"` +
			"\n" + `8: yards[0].fill: must name its unit, one of gal, qt, pt, L, mL, m3, is "1"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(dir, "heron.toml")
			s, err := Parse(path, []byte(least+c.text))
			if err == nil {
				t.Fatalf("no error; got %+v", s)
			}
			got, want := strings.Split(err.Error(), "\n"), strings.Split(c.want, "\n")
			if strings.Contains(err.Error(), "swordfish") || strings.Contains(err.Error(), "424242") {
				t.Errorf("a secret is told: %v", err)
			}
			same := len(got) == len(want)
			for i := range min(len(got), len(want)) {
				w := path + ":" + want[i]
				// Of broken TOML, the library says the rest in its own words.
				same = same && (got[i] == w || strings.Contains(w, "is not TOML") && strings.HasPrefix(got[i], w))
			}
			if !same {
				t.Errorf("got\n%s\nwant\n%s", strings.ReplaceAll(err.Error(), path+":", ""), c.want)
			}
			var e *Error
			if !errors.As(err, &e) || e.Line == 0 || e.Path != path {
				t.Errorf("not an *Error with file and line: %#v", err)
			}
		})
	}
}

func TestNoRig(t *testing.T) {
	for text, want := range map[string]string{
		``:                   `h.toml: rig: must be given, like "heron"`,
		`rig = ""`:           `h.toml:1: rig: must be given, like "heron", is ""`,
		`rig = "two herons"`: `h.toml:1: rig: must be at most 64 letters, digits and - : . _ beginning with a letter or digit, is "two herons"`,
	} {
		if _, err := Parse("h.toml", []byte(text)); err == nil || err.Error() != want {
			t.Errorf("%s\ngot  %v\nwant %s", text, err, want)
		}
	}
}

func TestRead(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "heron.toml")
	if _, err := Read(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
	if err := os.WriteFile(path, []byte(strings.Repeat("#", mostFile)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Read(path); err == nil || !strings.Contains(err.Error(), "must be at most 262144 bytes") {
		t.Errorf("a huge file: %v", err)
	}
	if err := os.WriteFile(path, []byte(Example), 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err := Read(path); err != nil || s.Data != filepath.Join(dir, "yardtally-data") {
		t.Errorf("the example: %+v, %v", s, err)
	}
}

// Whatever the text, Parse gives settings whose acts can be, or errors; it
// never panics, and what it gives it gives again.
func FuzzParse(f *testing.F) {
	f.Add(Example)
	f.Add(least + yardWith("enter = \"60 m\""))
	f.Add("rig = \"heron\"\n[broker]\n[[broker.users]]\nname = \"wren\"\npassword = \"a\"\n")
	f.Add("yards = [{id = 'a', position = [1, 2], from = '2026-10-09'}]\nrig = 'x'")
	f.Add("[[yards]]\n[yards.id]\n[[yards.position]]\nx = 1\n[broker.users]\n")
	f.Add("tote.strapping = [[], ['1 m'], 1, {}]\ncounter = []\n\"\" = 1\n'a.b' = 2")
	f.Fuzz(func(t *testing.T, text string) {
		if strings.Contains(text, "_file") {
			return // reads files of this machine
		}
		s, err := Parse("/nowhere/heron.toml", []byte(text))
		if (s == nil) == (err == nil) {
			t.Fatalf("settings %v, error %v", s, err)
		}
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without words")
			}
			return
		}
		for _, a := range s.Acts {
			if err := a.Body.Check(); err != nil {
				t.Errorf("%s: %v", a.Key, err)
			}
		}
		again, err := Parse("/nowhere/heron.toml", []byte(text))
		if err != nil || !reflect.DeepEqual(s, again) {
			t.Errorf("not the same again: %v", err)
		}
	})
}

// The lines that README gives for a cluster are such as can be read.
func TestClusterLinesInReadme(t *testing.T) {
	readme, err := os.ReadFile("../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, found := strings.Cut(string(readme), "A cluster's lines in the rig's settings:\n")
	text, _, end := strings.Cut(text, "\nand its broker's rights")
	if !found || !end {
		t.Fatal("README has no such lines")
	}
	dir := t.TempDir()
	for _, name := range []string{"heron.secret", "store.token"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("hidden\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := Parse(filepath.Join(dir, "heron.toml"), []byte("rig = \"heron\"\n"+text))
	if err != nil {
		t.Fatal(err)
	}
	if len(s.MQTT) != 1 || s.MQTT[0].Password != "hidden" || s.Influx == nil || s.Influx.Token != "hidden" {
		t.Errorf("read as %+v, %+v", s.MQTT, s.Influx)
	}
}
