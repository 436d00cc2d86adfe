package main

import (
	"math"
	"time"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
)

// holdApart is by how much, relative, two ways of telling what a hose holds may
// differ. Judgement: labels of bores are off by 10 % of area, and lengths less.
const holdApart = 1.0 / 3

// checkLine says what the line in the settings would do, and warns where it can
// hardly be.
func checkLine(c *checker, set *settings.Settings, now time.Time) {
	said, ok := bodyAt[act.Line](set, "line", now)
	if !ok {
		c.note("line", "none is described, so a forecast reckons with a usual one: there is no [line]")
		return
	}
	rig, ok := bodyAt[act.Rig](set, "rig", now)
	if !ok {
		rig = act.DefaultRig
	}
	l, u := act.LineOf(said), set.Units
	warned := false
	warn := func(text string, args ...any) {
		warned = true
		c.note("line", "can hardly be: "+text, args...)
	}
	bore := func(b quantity.Length) string { return report.SayBore(u, b) }
	holds := l.Holdup()
	if hose := quantity.VolumeOf(rig.HoseL / 1000); hose > 0 && math.Abs(math.Log(holds.Litres()/hose.Litres())) > math.Log1p(holdApart) {
		warn("the hose of [line], %s of %s, holds %s, and hose of [counter] says %s", u.Distance(l.Hose.Length), bore(l.Hose.Bore), u.Volume(holds), u.Volume(hose))
	}
	if l.Nozzle.Bore > l.Hose.Bore {
		warn("nozzle_bore, %s, is wider than hose_bore, %s", bore(l.Nozzle.Bore), bore(l.Hose.Bore))
	}
	if l.Hose.Bore > l.Suction.Bore {
		warn("hose_bore, %s, is wider than suction_bore, %s", bore(l.Hose.Bore), bore(l.Suction.Bore))
	}
	rpm := func(f quantity.Frequency) float64 { return math.Round(float64(f / quantity.PerMinute)) }
	if l.Pump.Idle > 1.1*l.Pump.Rated {
		warn("pump_idle, %g rpm, is above pump_rated, %g rpm", rpm(l.Pump.Idle), rpm(l.Pump.Rated))
	}
	// The thinnest and warmest that is fed flows most.
	const warm = 30
	at, err := line.At(&l, syrup.Syrup{Solids: quantity.FromBrix(50)}, warm, line.Setting{Level: dashboard.UsualLevel})
	if err != nil {
		c.say("line", err, "")
		return
	}
	thin := "1:1 at " + u.Temperature(warm)
	most := quantity.Flow(rig.MostLPM) * quantity.LitrePerMinute
	switch {
	case at.Flow == 0:
		warn("by pump_head, pump_rated and pump_idle the pump does not lift even %s to the nozzle", thin)
	case at.Flow > most:
		warn("%s of %s would flow, and most of [counter] says %s is more than can", u.Flow(at.Flow), thin, u.Flow(most))
	}
	if !warned {
		c.say("line", nil, "its hose holds %s; %s of %s would flow", u.Volume(holds), u.Flow(at.Flow), thin)
	}
}

// bodyAt returns what the settings say of a key as it holds at an instant.
func bodyAt[B act.Body](set *settings.Settings, key string, now time.Time) (body B, ok bool) {
	newest := int64(math.MinInt64)
	for i := range set.Acts {
		a := &set.Acts[i]
		if b, is := a.Body.(B); is && a.Key == key && a.From <= now.UnixNano() && a.From >= newest {
			body, ok, newest = b, true, a.From
		}
	}
	return body, ok
}
