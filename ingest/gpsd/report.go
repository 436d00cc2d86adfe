package gpsd

import (
	"encoding/json"
	"fmt"
	"time"

	"yardtally/ingest/wire"
	"yardtally/meter"
)

// Reasons of what is not taken in, beside those of package wire.
const (
	NotReport  wire.Reason = "not a gpsd report"   // not a JSON object with a class
	NoReceiver wire.Reason = "no receiver at gpsd" // gpsd runs, and has nothing to read
	Refused    wire.Reason = "gpsd refused"        // an ERROR in answer to us
)

// mostError is how far off a fix may be by its own word, m: worse tells no yard
// from another. Judgement, no source.
const mostError = 200

// simulated is the status of a fix that was made up, gpsd_json(5).
const simulated = 8

// report is what is read of any of gpsd's reports; see gpsd_json(5).
type report struct {
	Class   string     `json:"class"`
	Device  string     `json:"device"`
	Mode    int        `json:"mode"`
	Status  int        `json:"status"`
	Time    string     `json:"time"`
	Lat     *float64   `json:"lat"`
	Lon     *float64   `json:"lon"`
	Epx     *float64   `json:"epx"`
	Epy     *float64   `json:"epy"`
	HDOP    *float64   `json:"hdop"`
	Message string     `json:"message"`
	Major   int        `json:"proto_major"`
	Devices []struct{} `json:"devices"`
}

// Read reads one report, a line without its end, of the receiver that is named
// ("": of any). A TPV gives the position and the time, where there is a fix of
// two dimensions or three that was not made up; a SKY gives the dilution. Other
// reports say nothing of ours.
//
//	{"class":"TPV","device":"/dev/ttyACM0","mode":3,"time":"2026-10-09T21:30:00.250Z","lat":47.2852395,"lon":8.5652537,"epx":7.2,"epy":9.1}
//	{"class":"SKY","device":"/dev/ttyACM0","hdop":1.01}
func Read(line []byte, device string) (wire.Message, []wire.Drop) {
	msg, drops, _ := read(line, device)
	return msg, drops
}

// read is Read, and tells the report's class, "" for none.
func read(line []byte, device string) (msg wire.Message, drops []wire.Drop, class string) {
	var r report
	if err := json.Unmarshal(line, &r); err != nil || r.Class == "" {
		rule := "must be a JSON object with a class"
		if err != nil {
			rule += fmt.Sprintf(" (%v)", err)
		}
		return msg, []wire.Drop{drop(NotReport, "report: %s, is %s", rule, show(line))}, r.Class
	}
	bad := func(reason wire.Reason, format string, args ...any) {
		drops = append(drops, drop(reason, format, args...))
	}
	switch r.Class {
	case "TPV":
		if device == "" || r.Device == device {
			msg.Readings = fix(&r, bad)
		}
	case "SKY":
		if r.HDOP != nil && (device == "" || r.Device == device) {
			msg.Readings = keep(nil, bad, meter.Reading{Channel: meter.HDOP, Value: *r.HDOP})
		}
	case "DEVICES":
		if len(r.Devices) == 0 {
			bad(NoReceiver, "devices: must be at least one receiver, is none")
		}
	case "ERROR":
		bad(Refused, "error: %s", show([]byte(r.Message)))
	}
	return msg, drops, r.Class
}

// fix gives what a TPV says.
func fix(r *report, bad func(wire.Reason, string, ...any)) (rs []meter.Reading) {
	switch {
	case r.Mode != 2 && r.Mode != 3:
		bad(wire.NoFix, "TPV: mode must be 2 or 3, is %d", r.Mode)
		return nil
	case r.Status == simulated:
		bad(wire.NoFix, "TPV: status must not be simulated, is %d", r.Status)
		return nil
	case r.Lat == nil || r.Lon == nil:
		bad(wire.NoFix, "TPV: mode is %d, but the position is not all there", r.Mode)
		return nil
	}
	for _, e := range []struct {
		name string
		m    *float64
	}{{"epx", r.Epx}, {"epy", r.Epy}} {
		if e.m != nil && !(*e.m >= 0 && *e.m <= mostError) {
			bad(wire.NoFix, "TPV: %s must be at most %d m, is %g", e.name, mostError, *e.m)
			return nil
		}
	}
	if rs = keep(rs, bad, meter.Reading{Channel: meter.Lat, Value: *r.Lat}, meter.Reading{Channel: meter.Lon, Value: *r.Lon}); len(rs) < 2 {
		return nil // half a position is none
	}
	if r.Time != "" {
		t, err := time.Parse(time.RFC3339, r.Time)
		if err != nil {
			bad(wire.BadField, "time: must be like 2026-10-09T21:30:00.000Z, is %s", show([]byte(r.Time)))
		} else {
			rs = keep(rs, bad, meter.Reading{Channel: meter.UTC, Value: float64(t.UnixMilli()) / 1000})
		}
	}
	return rs
}

// keep appends the readings that can be so.
func keep(rs []meter.Reading, bad func(wire.Reason, string, ...any), all ...meter.Reading) []meter.Reading {
	for _, r := range all {
		if err := r.Check(); err != nil {
			bad(wire.Impossible, "%v", err)
		} else {
			rs = append(rs, r)
		}
	}
	return rs
}

func drop(reason wire.Reason, format string, args ...any) wire.Drop {
	s := fmt.Sprintf(format, args...)
	return wire.Drop{Reason: reason, Detail: s[:min(len(s), wire.MaxDetail)]}
}

// show quotes a piece of input, cut to a bearable length, in ASCII.
func show(b []byte) string {
	const most = 60
	if len(b) > most {
		return fmt.Sprintf("%+q...", b[:most])
	}
	return fmt.Sprintf("%+q", b)
}
