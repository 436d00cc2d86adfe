package settings

import (
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// acts turns what the file says of the rig into bodies of acts.
func (r *reader) acts(f *file) {
	rig := act.DefaultRig
	rig.Zone = r.s.Zone.String()
	c := &f.Counter
	if c.WrapBits != 0 {
		rig.WrapBits = c.WrapBits
	}
	rig.QuietS = take(r, "counter.quiet", c.Quiet, seconds, rig.QuietS)
	rig.LeastL = take(r, "counter.least", c.Least, quantity.ParseVolume, quantity.Volume(rig.LeastL*float64(quantity.Litre))).Litres()
	rig.MostLPM = float64(take(r, "counter.most", c.Most, quantity.ParseFlow, quantity.Flow(rig.MostLPM)*quantity.LitrePerMinute) / quantity.LitrePerMinute)
	r.say("counter", "rig", c.From, rig)
	r.tote(f)
	if b := f.Batch; b != nil {
		body := act.Batch{Syrup: "sucrose"}
		if b.Syrup != "" {
			body.Syrup = b.Syrup
		}
		if b.Brix == "" {
			r.bad("batch.brix", `must be given, like "64 Brix"`, `""`)
		}
		body.Brix = brix(take(r, "batch.brix", b.Brix, quantity.ParseBrix, 0))
		r.say("batch", "batch", b.From, body)
	}
	seen := make(map[string]bool)
	for i := range f.Yards {
		y := &f.Yards[i]
		at := fmt.Sprintf("yards[%d]", i)
		body := act.Yard{ID: y.ID, Name: y.Name, Colonies: y.Colonies, Closed: y.Closed}
		if body.Name == "" {
			body.Name = y.ID
		}
		if len(y.Position) != 2 {
			r.bad(at+".position", "must be two numbers, degrees north and degrees east", fmt.Sprint(y.Position))
			continue
		}
		body.Lat, body.Lon = y.Position[0], y.Position[1]
		body.EnterM = float64(take(r, at+".enter", y.Enter, quantity.ParseLength, 60))
		body.LeaveM = float64(take(r, at+".leave", y.Leave, quantity.ParseLength, quantity.Length(body.EnterM*1.6)))
		body.FillL = take(r, at+".fill", y.Fill, quantity.ParseVolume, 0).Litres()
		if key := y.ID + " " + y.From; seen[key] {
			r.bad(at+".id", "must be the only yard of that id and from", fmt.Sprintf("%q", y.ID))
			continue
		} else {
			seen[key] = true
		}
		r.say(at, "yard "+y.ID, y.From, body)
	}
	for i := range f.Provings {
		p := &f.Provings[i]
		at := fmt.Sprintf("provings[%d]", i)
		body := act.Proving{Pulses: p.Pulses, Note: p.Note, PulsesPerL: take(r, at+".k_factor", p.KFactor, kFactor, 0)}
		body.NetKg = float64(take(r, at+".net", p.Net, quantity.ParseMass, 0))
		body.Brix = brix(take(r, at+".brix", p.Brix, quantity.ParseBrix, 0))
		body.TempC = float64(take(r, at+".temperature", p.Temperature, quantity.ParseTemperature, 0))
		if p.Pulses != 0 && p.Temperature == "" {
			r.bad(at+".temperature", `must be given with a bucket test, like "68 F"`, `""`)
			continue
		}
		r.say(at, "proving", p.From, body)
	}
}

// brix gives mass percent back as it was written: 64, not 64.00000000000001.
func brix(s quantity.Solids) float64 {
	b, _ := strconv.ParseFloat(strconv.FormatFloat(s.Brix(), 'g', 12, 64), 64)
	return b
}

func (r *reader) tote(f *file) {
	t := f.Tote
	if t == nil {
		return
	}
	body := act.Tote{Name: t.Name}
	if t.Capacity == "" {
		r.bad("tote.capacity", `must be given, like "275 gal"`, `""`)
	}
	body.CapacityL = take(r, "tote.capacity", t.Capacity, quantity.ParseVolume, 0).Litres()
	body.SensorM = float64(take(r, "tote.sensor", t.Sensor, quantity.ParseLength, 0))
	body.HeadM = float64(take(r, "tote.head", t.Head, quantity.ParseLength, 0))
	body.UnusableL = take(r, "tote.unusable", t.Unusable, quantity.ParseVolume, 0).Litres()
	for i, line := range t.Strapping {
		at := fmt.Sprintf("tote.strapping[%d]", i)
		if len(line) != 2 {
			r.bad(at, `must be a level and a volume, like ["38 in", "275 gal"]`, fmt.Sprintf("%q", line))
			return
		}
		body.Straps = append(body.Straps, act.Strap{
			LevelM:  float64(take(r, at, line[0], quantity.ParseLength, 0)),
			VolumeL: take(r, at, line[1], quantity.ParseVolume, 0).Litres(),
		})
	}
	r.say("tote", "tote", t.From, body)
}

// sources reads where readings come from and results go to.
func (r *reader) sources(f *file) {
	s := r.s
	names := map[string]bool{}
	name := func(at, given, fallback string, i int) string {
		n := given
		if n == "" {
			n = fallback
			if i > 0 {
				n = fmt.Sprintf("%s%d", fallback, i+1)
			}
		}
		if names[n] {
			r.bad(at+".name", "must be the only source of that name", fmt.Sprintf("%q", n))
		}
		names[n] = true
		return n
	}
	for i := range f.Serial {
		p := &f.Serial[i]
		at := fmt.Sprintf("serial[%d]", i)
		if p.Port == "" {
			r.bad(at+".port", "must name a serial port like /dev/ttyUSB0", `""`)
		}
		if p.Baud == 0 {
			p.Baud = 115200
		}
		s.Serial = append(s.Serial, Serial{Name: name(at, p.Name, "serial", i), Port: p.Port, Baud: p.Baud})
	}
	for i := range f.MQTT {
		m := &f.MQTT[i]
		at := fmt.Sprintf("mqtt[%d]", i)
		if m.URL == "" {
			r.bad(at+".url", "must be the broker's address like tcp://host:1883", `""`)
		}
		if m.Client == "" {
			m.Client = "yardtally-" + s.Rig
		}
		s.MQTT = append(s.MQTT, MQTT{Name: name(at, m.Name, "mqtt", i), URL: m.URL, Client: m.Client, User: m.User,
			Password: r.secret(at+".password", m.Password, m.PasswordFile), Prefix: orElse(m.Prefix, DefaultPrefix)})
	}
	if b := f.Broker; b != nil {
		name("broker", "broker", "broker", 0)
		s.Broker = &Broker{Address: orElse(b.Address, "127.0.0.1:1883"), Prefix: orElse(b.Prefix, DefaultPrefix)}
		if _, _, err := net.SplitHostPort(s.Broker.Address); err != nil {
			r.bad("broker.address", "must be host:port", fmt.Sprintf("%q", b.Address))
		}
		for i, u := range b.Users {
			at := fmt.Sprintf("broker.users[%d]", i)
			s.Broker.Users = append(s.Broker.Users, User{Name: u.Name, Password: r.secret(at+".password", u.Password, u.PasswordFile)})
		}
	}
	if d := f.InfluxDB; d != nil {
		s.Influx = &Influx{URL: d.URL, Org: d.Org, Bucket: d.Bucket, Token: r.secret("influxdb.token", d.Token, d.TokenFile)}
		if d.URL == "" {
			r.bad("influxdb.url", "must be the server's address like http://host:8086", `""`)
		}
		if d.Bucket == "" {
			r.bad("influxdb.bucket", `must be given; for an InfluxDB 1.8 "database/retention policy"`, `""`)
		}
	}
	if _, _, err := net.SplitHostPort(s.Page); err != nil {
		r.bad("page", "must be host:port", fmt.Sprintf("%q", s.Page))
	}
}

func orElse(s, fallback string) string {
	if s == "" {
		return fallback
	}
	return s
}

// seconds reads a short time such as "2.5 s".
func seconds(text string) (float64, error) {
	d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		return 0, &quantity.ParseError{Quantity: "time", Input: text, Rule: `must name its unit, like "2.5 s"`}
	}
	return d.Seconds(), nil
}

// kFactor reads pulses a volume, such as "36 pulses/L" or "136.3 pulses/gal",
// in pulses a litre.
func kFactor(text string) (float64, error) {
	rule := &quantity.ParseError{Quantity: "K-factor", Input: text, Rule: `must be pulses a volume, like "36 pulses/L" or "136.3 pulses/gal"`}
	num, unit, ok := strings.Cut(text, "/")
	if !ok {
		return 0, rule
	}
	num = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(num), "pulses"))
	k, err := strconv.ParseFloat(num, 64)
	if err != nil {
		return 0, rule
	}
	one, err := quantity.ParseVolume("1 " + strings.TrimSpace(unit))
	if err != nil || one <= 0 {
		return 0, rule
	}
	return k / one.Litres(), nil
}
