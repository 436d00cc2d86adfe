package gpsd

import (
	"strings"
	"testing"

	"yardtally/ingest/wire"
	"yardtally/meter"
)

// The reports are in the form of gpsd_json(5) of 3.22; the positions are ours.
func TestRead(t *testing.T) {
	const tpv = `{"class":"TPV","device":"/dev/ttyACM0","mode":3,"time":"2026-10-09T21:30:00.250Z","ept":0.005,"lat":47.2852395,"lon":8.5652537,"altHAE":499.6,"epx":7.2,"epy":9.1,"track":10.3,"speed":0.091}`
	fixed := []meter.Reading{{Channel: meter.Lat, Value: 47.2852395}, {Channel: meter.Lon, Value: 8.5652537}, {Channel: meter.UTC, Value: 1791581400.25}} // date -u -d 2026-10-09T21:30:00 +%s
	for _, c := range []struct {
		name, line, device string
		want               []meter.Reading
		drop               string
	}{
		{"a fix", tpv, "", fixed, ""},
		{"a fix of two dimensions", strings.Replace(tpv, `"mode":3`, `"mode":2`, 1), "", fixed, ""},
		{"of the receiver that was named", tpv, "/dev/ttyACM0", fixed, ""},
		{"of another receiver", tpv, "/dev/ttyUSB0", nil, ""},
		{"no fix", `{"class":"TPV","device":"/dev/ttyACM0","mode":1}`, "", nil, "no position fix: TPV: mode must be 2 or 3, is 1"},
		{"a mode that is not known yet, with the last position", strings.Replace(tpv, `"mode":3`, `"mode":0`, 1), "", nil, "no position fix: TPV: mode must be 2 or 3, is 0"},
		{"a mode of the future", strings.Replace(tpv, `"mode":3`, `"mode":4`, 1), "", nil, "no position fix: TPV: mode must be 2 or 3, is 4"},
		{"made up", strings.Replace(tpv, `"mode":3`, `"status":8,"mode":3`, 1), "", nil, "no position fix: TPV: status must not be simulated, is 8"},
		{"far off", strings.Replace(tpv, `"epy":9.1`, `"epy":900`, 1), "", nil, "no position fix: TPV: epy must be at most 200 m, is 900"},
		{"half a position", strings.Replace(tpv, `"lon":8.5652537,`, ``, 1), "", nil, "no position fix: TPV: mode is 3, but the position is not all there"},
		{"beyond the pole", strings.Replace(tpv, `47.2852395`, `147.2852395`, 1), "", nil, "impossible value: lat: must be between -90 and 90 lat, is 147.2852395"},
		{"without a time", strings.Replace(tpv, `"time":"2026-10-09T21:30:00.250Z",`, ``, 1), "", fixed[:2], ""},
		{"a time that is none", strings.Replace(tpv, `2026-10-09T21`, `2026-10-32T21`, 1), "", fixed[:2], `bad field: time: must be like 2026-10-09T21:30:00.000Z, is "2026-10-32T21:30:00.250Z"`},
		{"before 1970", strings.Replace(tpv, `2026-10`, `1969-10`, 1), "", fixed[:2], "impossible value: utc: must be between 0 and 4.5e+09 s, is -7.1"},
		{"dilution", `{"class":"SKY","device":"/dev/ttyACM0","xdop":0.55,"hdop":1.01,"satellites":[]}`, "", []meter.Reading{{Channel: meter.HDOP, Value: 1.01}}, ""},
		{"no dilution", `{"class":"SKY","device":"/dev/ttyACM0","satellites":[]}`, "", nil, ""},
		{"a dilution that cannot be", `{"class":"SKY","hdop":-1}`, "", nil, "impossible value: hdop: must be between 0 and 1000 /, is -1"},
		{"version", `{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}`, "", nil, ""},
		{"another class", `{"class":"PPS","device":"/dev/pps0"}`, "", nil, ""},
		{"no receiver", `{"class":"DEVICES","devices":[]}`, "", nil, "no receiver at gpsd: devices: must be at least one receiver, is none"},
		{"a receiver", `{"class":"DEVICES","devices":[{"class":"DEVICE","path":"/dev/ttyACM0"}]}`, "", nil, ""},
		{"refused", `{"class":"ERROR","message":"Unrecognized request 'X'"}`, "", nil, `gpsd refused: error: "Unrecognized request 'X'"`},
		{"text", `GPSD,O=?`, "", nil, `not a gpsd report: report: must be a JSON object with a class (invalid character 'G' looking for beginning of value), is "GPSD,O=?"`},
		{"cut off", tpv[:60], "", nil, `not a gpsd report`},
		{"no class", `{"mode":3}`, "", nil, `not a gpsd report: report: must be a JSON object with a class, is "{\"mode\":3}"`},
		{"a latitude in words", strings.Replace(tpv, `47.2852395`, `"47"`, 1), "", nil, `not a gpsd report`},
	} {
		t.Run(c.name, func(t *testing.T) {
			msg, drops := Read([]byte(c.line), c.device)
			if len(msg.Readings) != len(c.want) {
				t.Fatalf("readings %v, want %v; drops %v", msg.Readings, c.want, drops)
			}
			for i, r := range msg.Readings {
				if r != c.want[i] {
					t.Errorf("reading %v, want %v", r, c.want[i])
				}
			}
			if c.drop == "" && len(drops) > 0 || c.drop != "" && (len(drops) != 1 || !strings.HasPrefix(drops[0].String(), c.drop)) {
				t.Errorf("drops %v, want %q", drops, c.drop)
			}
		})
	}
}

// Whatever comes, what is taken from it is a reading, and a position is whole.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		`{"class":"TPV","device":"/dev/ttyACM0","mode":3,"time":"2026-10-09T21:30:00.250Z","lat":47.2852395,"lon":8.5652537,"epx":7.2,"epy":9.1}`,
		`{"class":"TPV","mode":2,"lat":90,"lon":-180}`, `{"class":"TPV","mode":2,"lat":1e999,"lon":-180}`, `{"class":"TPV","mode":3,"lat":null,"lon":1}`,
		`{"class":"TPV","mode":3,"lat":1,"lon":1,"time":"9999-12-31T23:59:60Z"}`, `{"class":"TPV","mode":3,"mode":1,"lat":1,"lon":1}`,
		`{"class":"SKY","hdop":1.01,"satellites":[{"PRN":1}]}`, `{"class":"SKY","hdop":99.99}`, `{"class":"DEVICES","devices":[]}`, `{"class":"DEVICES","devices":{}}`,
		`{"class":"ERROR","message":"\u0000"}`, `{"class":"VERSION","proto_major":3}`, `[]`, `null`, ``, "\xff", `{"class":1}`,
	} {
		f.Add([]byte(s), "")
	}
	f.Fuzz(func(t *testing.T, line []byte, device string) {
		msg, drops := Read(line, device)
		got := map[meter.Channel]bool{}
		for _, r := range msg.Readings {
			if err := r.Check(); err != nil {
				t.Error(err)
			}
			if got[r.Channel] {
				t.Errorf("%v twice", r.Channel)
			}
			got[r.Channel] = true
		}
		if got[meter.Lat] != got[meter.Lon] || got[meter.UTC] && !got[meter.Lat] {
			t.Errorf("half a fix: %v", msg.Readings)
		}
		for _, d := range drops {
			if d.Reason == "" || d.Detail == "" || len(d.Detail) > wire.MaxDetail {
				t.Errorf("drop %q, %q", d.Reason, d.Detail)
			}
		}
	})
}
