package settings

import (
	"fmt"
	"net"
	"strconv"
	"strings"
)

// claims are the things that only one source may read, of one rig only, in
// words that stand after "must not read".
func (s *Settings) claims() (out []string) {
	for _, p := range s.Serial {
		out = append(out, "the port "+p.Port)
	}
	for i := range s.GPIO {
		out = append(out, s.GPIO[i].claims()...)
	}
	for _, g := range s.GPSD {
		out = append(out, g.claim())
	}
	for i := range s.Modbus {
		out = append(out, s.Modbus[i].claim())
	}
	return out
}

// claim names the receiver.
func (g GPSD) claim() string {
	return strings.TrimSpace("the gpsd at " + g.Address + " " + g.Device)
}

// DefaultGPSD is where gpsd listens if the file does not say.
const DefaultGPSD = "127.0.0.1:2947"

// mostDevice is how long the name of a receiver is at most.
const mostDevice = 200

func (r *reader) gpsd(f *file, name func(at, given, fallback string, i int) string) {
	seen := map[string]bool{}
	for i, x := range f.GPSD {
		at := fmt.Sprintf("gpsd[%d]", i)
		g := GPSD{Name: name(at, x.Name, "gpsd", i), Address: orElse(x.Address, DefaultGPSD), Device: x.Device}
		r.dial(at+".address", g.Address, DefaultGPSD)
		if len(g.Device) > mostDevice || strings.ContainsFunc(g.Device, func(c rune) bool { return c <= ' ' || c > '~' }) {
			r.fail(at+".device", fmt.Sprintf(`must be a receiver as gpsd calls it, like "/dev/ttyACM0", in at most %d plain characters without blanks`, mostDevice))
		}
		if seen[g.claim()] {
			r.bad(r.near(at), at, "must not read "+g.claim()+", which another one reads", "")
		}
		seen[g.claim()] = true
		r.s.GPSD = append(r.s.GPSD, g)
	}
}

// dial checks a host:port to connect to.
func (r *reader) dial(field, text, like string) {
	host, port, err := net.SplitHostPort(text)
	if n, perr := strconv.Atoi(port); err != nil || perr != nil || host == "" || n < 1 || n > 65535 {
		r.fail(field, fmt.Sprintf("must be host:port, like %q", like))
	}
}
