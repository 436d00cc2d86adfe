package settings

import (
	"fmt"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// mostConnections is how many the embedded broker takes in all.
const mostConnections = 512

// sources reads where readings come from and results go to.
func (r *reader) sources(f *file) {
	s := r.s
	name := r.ports(f)
	for i := range f.MQTT {
		m := &f.MQTT[i]
		at := fmt.Sprintf("mqtt[%d]", i)
		r.url(at+".url", m.URL, `"tcp://host:1883"`, "tcp", "mqtt", "ssl", "mqtts", "ws", "wss")
		password := r.secret(at+".password", m.Password, m.PasswordFile)
		if password != "" && m.User == "" {
			r.need(at+".user", false, `"heron", where there is a password`)
		}
		s.MQTT = append(s.MQTT, MQTT{Name: name(at, m.Name, "mqtt", i), URL: m.URL, Client: orElse(m.Client, "yardtally-"+orElse(s.Rig, "house")),
			User: m.User, Password: password, Prefix: r.prefix(at+".prefix", m.Prefix)})
	}
	if b := f.Broker; b != nil {
		name("broker", "broker", "broker", 0)
		s.Broker = &Broker{Address: orElse(b.Address, "127.0.0.1:1883"), Prefix: r.prefix("broker.prefix", b.Prefix), ConnectionsEach: 64}
		if n := b.ConnectionsEach; n != nil {
			s.Broker.ConnectionsEach = *n
			if *n < 1 || *n > mostConnections {
				r.fail("broker.connections_each", fmt.Sprintf("must be between 1 and %d, all that the broker has", mostConnections))
			}
		}
		host, port := r.address("broker.address", s.Broker.Address)
		if port != "0" && s.Broker.Address == s.Page {
			r.fail("broker.address", "must not be the page's address")
		}
		if len(b.Users) == 0 && !loopback(host) {
			r.bad(r.near("broker.address"), "broker.users", fmt.Sprintf("must be at least one where others can reach the address %q", s.Broker.Address), "")
		}
		seen := map[string]bool{}
		for i, u := range b.Users {
			at := fmt.Sprintf("broker.users[%d]", i)
			if r.need(at+".name", u.Name != "", `"heron"`) && seen[u.Name] {
				r.fail(at+".name", "must be the only user of that name")
			}
			seen[u.Name] = true
			r.need(at+".password", u.Password != "" || u.PasswordFile != "", `password_file = "heron.secret"`)
			s.Broker.Users = append(s.Broker.Users, User{Name: u.Name, Password: r.secret(at+".password", u.Password, u.PasswordFile), ReadOnly: u.ReadOnly, Rig: r.userOf(f, at, u.Rig, u.ReadOnly)})
		}
	}
	if d := f.InfluxDB; d != nil {
		r.url("influxdb.url", d.URL, `"http://host:8086"`, "http", "https")
		r.need("influxdb.bucket", d.Bucket != "", `"yards", or "database/retention policy" for an InfluxDB 1.8`)
		s.Influx = &Influx{URL: d.URL, Org: d.Org, Bucket: d.Bucket, Token: r.secret("influxdb.token", d.Token, d.TokenFile)}
	}
}

// userOf checks the rig that a user of the broker publishes for; where there is
// one rig only, it is that. Who only reads may read all of several.
func (r *reader) userOf(f *file, at, rig string, reads bool) string {
	if len(f.Rigs) == 0 {
		if rig != "" && rig != f.Rig {
			r.fail(at+".rig", "must be the rig, or be left out, as there is one only")
		}
		return f.Rig
	}
	if rig == "" && reads {
		return ""
	}
	known := slices.ContainsFunc(f.Rigs, func(x rigTable) bool { return x.Name == rig })
	if r.need(at+".rig", rig != "", fmt.Sprintf("%q, as there are several", f.Rigs[0].Name)) && !known {
		r.fail(at+".rig", "must be one of the [[rigs]]")
	}
	return rig
}

// ports reads what a rig's readings come from that is its own: serial ports,
// recordings and the others of ways.go. It returns what gives each source its name.
func (r *reader) ports(f *file) (name func(at, given, fallback string, i int) string) {
	s := r.s
	names := map[string]bool{}
	name = func(at, given, fallback string, i int) string {
		n := given
		if n == "" {
			n = fallback
			if i > 0 {
				n = fmt.Sprintf("%s%d", fallback, i+1)
			}
		}
		if names[n] {
			r.bad(r.near(at+".name"), at+".name", "must be the only source of that name", fmt.Sprintf("%q", n))
		}
		names[n] = true
		return n
	}
	ports := map[string]bool{}
	for i := range f.Serial {
		p := &f.Serial[i]
		at := fmt.Sprintf("serial[%d]", i)
		r.need(at+".port", p.Port != "", `"/dev/ttyUSB0"`)
		if ports[p.Port] && p.Port != "" {
			r.fail(at+".port", "must be the only source at that port")
		}
		ports[p.Port] = true
		if r.text(at+".baud") == "" {
			p.Baud = 115200
		}
		if p.Baud < 50 || p.Baud > 4_000_000 {
			r.fail(at+".baud", "must be the port's rate, 115200 or 9600 as a rule")
		}
		s.Serial = append(s.Serial, Serial{Name: name(at, p.Name, "serial", i), Port: p.Port, Baud: p.Baud})
	}
	paths := map[string]bool{}
	for i, c := range f.Recording {
		at := fmt.Sprintf("recording[%d]", i)
		if !r.need(at+".path", c.Path != "", `"/media/card/heron.senml"`) {
			continue
		}
		path := r.beside(c.Path)
		if paths[path] {
			r.fail(at+".path", "must be the only source at that path")
		}
		paths[path] = true
		s.Recording = append(s.Recording, Recording{Name: name(at, c.Name, "recording", i), Path: path})
	}
	r.gpio(f, name)
	r.gpsd(f, name)
	r.modbus(f, name)
	return name
}

// address checks a host:port to serve at; an empty host is every address of
// this machine.
func (r *reader) address(field, text string) (host, port string) {
	host, port, err := net.SplitHostPort(text)
	if n, perr := strconv.Atoi(port); err != nil || perr != nil || n < 0 || n > 65535 {
		r.fail(field, `must be host:port, like "127.0.0.1:8317"`)
	}
	return host, port
}

// url checks an address to connect to. It is not shown where it may hold a
// password.
func (r *reader) url(field, text, like string, schemes ...string) {
	if !r.need(field, text != "", like) {
		return
	}
	u, err := url.Parse(text)
	switch {
	case strings.Contains(text, "@"):
		r.bad(r.near(field), field, "must hold no user and no password", "")
	case err != nil || u.Hostname() == "" || !slices.Contains(schemes, u.Scheme):
		r.fail(field, "must be like "+like)
	}
}

// prefix checks the part of a topic before the rig.
func (r *reader) prefix(field, text string) string {
	bad := strings.ContainsAny(text, "+#\uFFFD") || strings.HasPrefix(text, "$") || strings.HasPrefix(text, "/") ||
		strings.HasSuffix(text, "/") || len(text) > 128 || strings.ContainsFunc(text, func(c rune) bool { return c <= ' ' || c == 0x7f })
	if bad {
		r.fail(field, `must be the start of a topic, like "yardtally", without + # $ and blanks, and no / at its ends`)
	}
	return orElse(text, DefaultPrefix)
}
