package rigsim

import (
	"yardtally/ingest/wire"
	"yardtally/meter"
)

// The talkers of the counter board and of the position sensor.
const (
	boardTalker    = "YX"
	positionTalker = "GN"
)

// SerialLines appends what a serial line carries of s: XDR sentences, RMC for a
// position or a time, GGA where the dilution is known too. On error dst is as
// it was.
func SerialLines(dst []byte, s Said) ([]byte, error) {
	var rmc, gga, xdr []meter.Reading
	hdop := false
	for _, x := range s.Readings {
		switch x.Channel {
		case meter.Lat, meter.Lon:
			rmc, gga = append(rmc, x), append(gga, x)
		case meter.UTC:
			rmc = append(rmc, x)
		case meter.HDOP:
			gga, hdop = append(gga, x), true
		default:
			xdr = append(xdr, x)
		}
	}
	out, err := dst, error(nil)
	if len(xdr) > 0 {
		if out, err = wire.AppendXDR(out, boardTalker, xdr); err != nil {
			return dst, err
		}
	}
	if len(rmc) > 0 {
		if out, err = wire.AppendRMC(out, positionTalker, rmc); err != nil {
			return dst, err
		}
	}
	if hdop {
		if out, err = wire.AppendGGA(out, positionTalker, gga); err != nil {
			return dst, err
		}
	}
	return out, nil
}

// Pack appends s as a SenML pack of that rig, stamped with the true time or
// without a time. A stamped pack and a line feed are a line of a recording.
func Pack(dst []byte, rig string, s Said, stamped bool) ([]byte, error) {
	m := wire.Message{Readings: s.Readings}
	if stamped {
		m.Sent = s.At.UnixNano()
	}
	return wire.AppendPack(dst, rig, []wire.Message{m})
}
