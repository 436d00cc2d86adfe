package watch

import (
	"fmt"
	"math"
	"slices"
	"time"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
	"yardtally/meter/tote"
)

// settle puts verdicts in order and joins those that are one.
func settle(all []Verdict) []Verdict {
	slices.SortStableFunc(all, func(a, b Verdict) int {
		switch {
		case a.Told != b.Told:
			return int(max(-1, min(1, a.Told-b.Told)))
		case a.From != b.From:
			return int(max(-1, min(1, a.From-b.From)))
		}
		return slices.Compare(a.Kinds, b.Kinds)
	})
	return all
}

// ofSpeed tells of the pump's speed where it is measured: its level against the
// night's, in three pulls on end.
func ofSpeed(seen *Seen) []Verdict {
	var out []Verdict
	level, n, open := 0.0, 0, -1
	var row []int // pulls on end that are off the level, on one side
	for i := range seen.Pulls {
		p := &seen.Pulls[i]
		if !p.judged() || !p.HasSpeed || p.idling() {
			continue
		}
		x := math.Log(float64(p.Speed))
		if n < threePulls {
			level += (x - level) / float64(n+1)
			n++
			continue
		}
		d := x - level
		if math.Abs(d) < speedStep {
			level += d / 20
			row = nil
			if open >= 0 && math.Abs(d) < speedStep/2 {
				out[open].Until, open = p.Start, -1
			}
			continue
		}
		if open >= 0 && d*out[open].Size > 0 {
			out[open].Pulls++
			continue
		}
		if len(row) > 0 && d*(math.Log(float64(seen.Pulls[row[0]].Speed))-level) < 0 {
			row = nil
		}
		if row = append(row, i); len(row) < threePulls {
			continue
		}
		if open >= 0 {
			out[open].Until = seen.Pulls[row[0]].Start
		}
		f := &seen.Pulls[row[0]]
		v := Verdict{Kinds: []Kind{ThrottleUp}, From: f.Start, Told: p.End, Session: f.Session, First: f.First, Last: f.Last, Yard: f.Yard,
			Size: d, Chance: 0.999, Sudden: true, Where: Upstream, Pulls: len(row),
			Evidence: []string{"The pump's speed is measured, and is another than in the pulls before."}}
		if d < 0 {
			v.Kinds[0] = ThrottleDown
		}
		out, open, row = append(out, v), len(out), nil
	}
	return out
}

// ofTote tells what the tote's level, held against the meter, shows beyond the
// meter's drift.
func ofTote(seen *Seen, drift []Verdict) []Verdict {
	var out []Verdict
	for _, f := range seen.Falls {
		out = append(out, Verdict{Kinds: []Kind{Leak}, From: f.From, Told: f.At, Until: f.Until, Size: f.Volume.CubicMetres(), Chance: 0.99, Where: Upstream,
			Evidence: []string{"The level falls evenly while the rig stands and nothing is metered."}})
	}
	for i := range seen.Changes {
		c := &seen.Changes[i]
		v := Verdict{From: c.From, Told: c.To, Until: c.To, Size: -c.Volume.CubicMetres(), Chance: 0.95, Where: Upstream}
		if c.Sure {
			v.Chance = 0.99
		}
		switch c.Kind {
		case tote.Transfer:
			v.Kinds = []Kind{Transfer}
		case tote.Leak:
			v.Kinds, v.Until = []Kind{Leak}, c.End
		case tote.Loss:
			if drifts(drift, c.From) && little(seen, c) {
				continue
			}
			v.Kinds = []Kind{Leak, Transfer}
			if c.Rate > 10*quantity.LitrePerMinute {
				v.Kinds = []Kind{Transfer, Leak}
			}
		default:
			continue
		}
		if c.Note != "" {
			v.Evidence = append(v.Evidence, c.Note)
		}
		// A fall that was told while it went on is the same.
		if slices.ContainsFunc(out, func(x Verdict) bool {
			return x.Has(Leak) && v.Has(Leak) && x.From < c.To+int64(120e9) && (x.Until == 0 || x.Until > c.From-int64(120e9))
		}) {
			continue
		}
		out = append(out, v)
	}
	out = append(out, ofAir(seen)...)
	return append(out, phantoms(seen, drift)...)
}

// ofAir tells of air in the meter and of a tote down to its outlet.
func ofAir(seen *Seen) []Verdict {
	var out []Verdict
	add := func(v Verdict) {
		for i := range out {
			if x := &out[i]; v.From < x.Until+int64(900e9) {
				if x.Has(Air) && v.Kinds[0] == Empty {
					x.Kinds = v.Kinds
				}
				x.Until = max(x.Until, v.Until)
				return
			}
		}
		out = append(out, v)
	}
	for i := range seen.Pulls {
		if p := &seen.Pulls[i]; p.Surged && !full(seen, p.Start) {
			add(Verdict{Kinds: []Kind{Empty, Air}, From: p.Start, Told: p.End, Until: p.End, Session: p.Session, First: p.First, Last: p.Last, Yard: p.Yard, Chance: 0.95, Sudden: true,
				Evidence: []string{"The meter's rate leapt up within a pull: it counts air."}})
		}
	}
	for i := range seen.Loose {
		if l := &seen.Loose[i]; l.Why == outing.Air && !full(seen, l.Start) {
			add(Verdict{Kinds: []Kind{Empty, Air}, From: l.Start, Told: l.End, Until: l.End, Session: l.Session, First: l.First, Last: l.Last, Yard: l.Yard, Chance: 0.95, Sudden: true,
				Evidence: evidence(l.Note, "Pulses came that were air.")})
		}
	}
	for i := range seen.Doubts {
		if d := &seen.Doubts[i]; d.Why == tote.Empty {
			add(Verdict{Kinds: []Kind{Empty}, From: d.Since, Told: d.To, Until: d.To, Size: d.Excess.CubicMetres(), Chance: 0.95,
				Evidence: []string{"The level stood at the outlet, and the meter counted on."}})
		}
	}
	slices.SortStableFunc(out, func(a, b Verdict) int { return int(max(-1, min(1, a.From-b.From))) })
	return out
}

// wellFilled is above any outlet: a tote that holds so much draws no air there,
// and a rate that leaps is not believed by itself. Judgement.
const wellFilled = 150 * quantity.Millimetre

// full tells whether the newest level by an instant says so, and nothing says
// that the tote ran empty then.
func full(seen *Seen, at int64) bool {
	for i := range seen.Doubts {
		if d := &seen.Doubts[i]; d.Why == tote.Empty && d.To >= at && d.Since <= at {
			return false
		}
	}
	level := quantity.Length(0)
	for i := range seen.Pulls {
		if p := &seen.Pulls[i]; p.HasLevel && p.Start <= at {
			level = p.Level
		}
	}
	return level > wellFilled
}

// low tells whether a level is known by an instant, and the newest is not that of a full
// tote: air is scattered too.
func low(seen *Seen, at int64) bool {
	return !full(seen, at) && slices.ContainsFunc(seen.Pulls, func(p Pull) bool { return p.HasLevel && p.Start <= at })
}

func evidence(note, or string) []string {
	if note == "" {
		return []string{or}
	}
	return []string{note}
}

// leastStray is what is told of where nothing can flow. Judgement.
const leastStray = 200 * quantity.Millilitre

// phantoms tells of pulses without syrup; those within half an hour are one.
func phantoms(seen *Seen, drift []Verdict) []Verdict {
	var all []Verdict
	for i := range seen.Pulls {
		p := &seen.Pulls[i]
		v := Verdict{From: p.Start, Told: p.End, Until: p.End, Session: p.Session, First: p.First, Last: p.Last, Yard: p.Yard, Size: p.Volume.CubicMetres(), Chance: 0.99}
		switch {
		case p.Volume < leastStray: // a nozzle drips, a standing meter swings
			continue
		case p.idling():
			v.Evidence = []string{"Pulses came while the pump stood still."}
		case p.Moving:
			v.Evidence = []string{"Pulses came while the rig drove."}
		case p.Stray && !low(seen, p.Start):
			v.Evidence = []string{"In a pull pulses came scattered, as stray ones do among syrup's."}
		default:
			continue
		}
		all = append(all, v)
	}
	for i := range seen.Loose {
		l := &seen.Loose[i]
		v := Verdict{From: l.Start, Told: l.End, Until: l.End, Session: l.Session, First: l.First, Last: l.Last, Yard: l.Yard, Size: l.Volume.CubicMetres(), Chance: 0.95,
			Evidence: evidence(l.Note, "Pulses came that hardly were syrup.")}
		switch {
		case l.Why != outing.Suspect:
			continue
		case l.Note == outing.Scattered && low(seen, l.Start):
			continue
		case l.Note == outing.Scattered:
			v.Chance, v.Evidence = 0.999, []string{"Pulses came scattered, as stray ones do; syrup turns the meter evenly."}
		case levelIll(seen, l.Start, l.End):
			continue
		}
		all = append(all, v)
	}
	for i := range seen.Doubts {
		d := &seen.Doubts[i]
		v := Verdict{From: d.From, Told: d.To, Until: d.To, Size: d.Excess.CubicMetres(), Chance: 0.9}
		if levelIll(seen, d.From, d.To) || d.Why == tote.LessFall && drifts(drift, d.From) {
			continue
		}
		switch d.Why {
		case tote.NoFall:
			v.Evidence = []string{"The tote did not fall by what was metered."}
		case tote.LessFall:
			v.Evidence = []string{"The tote fell by less than was metered."}
		default:
			continue
		}
		all = append(all, v)
	}
	slices.SortStableFunc(all, func(a, b Verdict) int { return int(max(-1, min(1, a.From-b.From))) })
	var out []Verdict
	for _, v := range all {
		v.Kinds = []Kind{Phantom}
		if n := len(out) - 1; n >= 0 && v.From < out[n].Until+int64(1800e9) {
			x := &out[n]
			x.Until, x.Told = max(x.Until, v.Until), min(x.Told, v.Told)
			if !slices.Contains(x.Evidence, v.Evidence[0]) {
				x.Evidence = append(x.Evidence, v.Evidence[0])
			}
			continue
		}
		out = append(out, v)
	}
	return out
}

// A closed vent: the pressure near the floor falls behind the level seen from
// above. Judgement: 30 mm are some 400 Pa, six times what either sensor is off by at rest.
const (
	ventLow  = 30 * quantity.Millimetre
	ventOver = 15 * quantity.Millimetre
)

func ofVent(seen *Seen) []Verdict {
	var out []Verdict
	usual, n, open := 0.0, 0, -1
	var row []int
	for i, h := range seen.Heads {
		if ill(seen, meter.Headspace, h.At-1, h.At+1) || ill(seen, meter.Head, h.At-1, h.At+1) {
			continue
		}
		d := float64(h.Pressure - h.Face)
		if n < threePulls {
			n++
			usual += (d - usual) / float64(n)
			continue
		}
		low := quantity.Length(usual - d)
		switch {
		case open >= 0 && low < ventOver:
			out[open].Until, open, row = h.At, -1, nil
		case open >= 0:
			out[open].Size = max(out[open].Size, float64(low))
		case low < ventLow:
			row = nil
			if math.Abs(float64(low)) < float64(ventOver) {
				usual += (d - usual) / 20
			}
		default:
			if row = append(row, i); len(row) == threePulls {
				out, open = append(out, Verdict{Kinds: []Kind{Vent}, From: seen.Heads[row[0]].At, Told: h.At, Size: float64(low), Chance: 0.95, Where: Upstream,
					Evidence: []string{"The pressure near the tote's floor reads low while the level seen from above does not: the tote is sucked in."}}), len(out)
			}
		}
	}
	return out
}

// ofIdle tells of a pump that turned against a shut trigger for too long.
func ofIdle(seen *Seen) []Verdict {
	var out []Verdict
	long := seen.Deadhead
	if long <= 0 {
		long = deadhead
	}
	for _, x := range seen.Idle {
		to := x.To
		if to == 0 {
			to = seen.Now
		}
		if to-x.From < long || ofIll(seen, &x) {
			continue
		}
		out = append(out, Verdict{Kinds: []Kind{Deadhead}, From: x.From, Told: x.From + long, Until: x.To, Size: float64(to-x.From) / 1e9, Chance: 0.99,
			Evidence: []string{"The pump turned, and nothing flowed."}})
	}
	return out
}

// ofIll reports whether the sensor that said so was not to be believed.
func ofIll(seen *Seen, x *outing.Idle) bool {
	if x.Speed > 0 {
		return ill(seen, meter.Pump, x.From, x.To)
	}
	return ill(seen, meter.Line, x.From, x.To)
}

// ill reports whether something was the matter with a channel in a span; to 0: it lasts.
func ill(seen *Seen, c meter.Channel, from, to int64) bool {
	return slices.ContainsFunc(seen.Health, func(h sensor.Health) bool {
		return h.Channel == c && (h.To == 0 || h.To > from) && (to == 0 || h.From < to)
	})
}

// levelIll is the same of what the tote's level comes from: the face seen from
// above or, where that is not heard, the pressure.
func levelIll(seen *Seen, from, to int64) bool {
	return ill(seen, meter.Headspace, from, to) || len(seen.Heads) == 0 && ill(seen, meter.Head, from, to)
}

// What syrup churned in a shut pump does to the line: some kW in a few litres, for
// a few pulls. Judgement.
const (
	heats    = int64(180e9)
	heatGone = 20 * quantity.Litre
)

// heated marks the pulls that come right after a pump that turned for long
// against a shut trigger, in a copy; nil: there are none.
func heated(seen *Seen) (out []Pull) {
	for k := range seen.Idle {
		x := &seen.Idle[k]
		if x.To == 0 || x.To-x.From < heats || ofIll(seen, x) {
			continue
		}
		passed := quantity.Volume(0)
		for i := range seen.Pulls {
			p := &seen.Pulls[i]
			if p.Start < x.To-int64(10e9) || p.Start > x.To+int64(3600e9) || passed > heatGone {
				continue
			}
			if out == nil {
				out = slices.Clone(seen.Pulls)
			}
			out[i].heated = true
			passed += p.Volume
		}
	}
	return out
}

// How old syrup may get; common practice, no source. 1:1 spoils within days in
// warmth, 2:1 keeps longer, not indefinitely.
const (
	thin     quantity.Solids = 0.60
	thinAge                  = 5 * 24 * time.Hour
	thickAge                 = 30 * 24 * time.Hour
)

// ofSyrup tells of syrup that is too hot or too old.
func ofSyrup(seen *Seen) []Verdict {
	var out []Verdict
	open := -1
	for i := range seen.Pulls {
		p := &seen.Pulls[i]
		if !p.HasSyrup {
			continue
		}
		switch {
		case open >= 0 && p.Syrup < hotBack:
			out[open].Until, open = p.End, -1
		case open >= 0:
			out[open].Size = max(out[open].Size, float64(p.Syrup-tooHot))
			out[open].Pulls++
		case p.Syrup > tooHot:
			open = len(out)
			out = append(out, Verdict{Kinds: []Kind{Hot}, From: p.Start, Told: p.End, Session: p.Session, First: p.First, Last: p.Last, Yard: p.Yard, Size: float64(p.Syrup - tooHot), Chance: 0.99, Pulls: 1,
				Evidence: []string{"Syrup kept so hot forms HMF, which harms bees."}})
		}
	}
	for i := range seen.Batches {
		b := &seen.Batches[i]
		age := thickAge
		if b.Liquid.Solids < thin {
			age = thinAge
		}
		at := max(b.From, b.Made+int64(age))
		until := int64(0)
		if i+1 < len(seen.Batches) {
			until = seen.Batches[i+1].From
		}
		if b.Made == 0 || at > seen.Now || until > 0 && at > until {
			continue
		}
		out = append(out, Verdict{Kinds: []Kind{Old}, From: at, Told: at, Until: until, Size: float64(seen.Now-b.Made) / 1e9, Chance: 0.9,
			Evidence: []string{"No syrup keeps for good, and thin syrup ferments soonest: smell and taste it."}})
	}
	return out
}

// ofHealth tells of sensors.
func ofHealth(seen *Seen) []Verdict {
	var out []Verdict
	for _, h := range seen.Health {
		told, ok := seen.excused(&h)
		if !ok {
			continue
		}
		out = append(out, Verdict{Kinds: []Kind{Sensor}, From: h.From, Told: told, Until: h.To, Size: h.Value, Chance: 0.95, Channel: h.Channel.String(),
			Evidence: []string{fmt.Sprintf("The sensor %s is %s.", h.Channel, h.What)}})
	}
	return out
}

// beforeBreak is how long before a break is said what is switched off for it may
// fall silent. Judgement: whoever puts the rig to rest has wet hands.
const beforeBreak = int64(300e9)

// excused returns when it is told of a sensor what is the matter with it; false:
// never. What falls silent on a break is switched off, and gets as long as ever
// to be heard again after it.
func (s *Seen) excused(h *sensor.Health) (told int64, ok bool) {
	told = max(h.From, h.Told)
	if h.What != sensor.Absent {
		return told, true
	}
	for _, b := range s.Breaks {
		switch {
		case h.From < b.From-beforeBreak || b.To != 0 && h.From > b.To:
		case b.To == 0:
			return 0, false
		default:
			told = max(told, b.To+told-h.From)
		}
	}
	return told, h.To == 0 || h.To > told
}

// notes are of batches that could drop crystals at the coldest that was met.
func notes(seen *Seen) []Note {
	var out []Note
	said := map[string]bool{}
	for i := range seen.Pulls {
		p := &seen.Pulls[i]
		cold, any := p.Tote, p.HasTote
		if p.HasSyrup {
			cold, any = p.Syrup, true
		}
		if !any || p.Liquid.Solids <= 0 || said[p.Batch] {
			continue
		}
		if l, err := p.Liquid.Saturation(cold); err == nil && l.Known && p.Liquid.Solids > l.Solids+l.U {
			said[p.Batch] = true
			out = append(out, Note{At: p.Start, Batch: p.Batch, Text: "The syrup is colder than it is saturated at: it can drop crystals, which settle in screen and nozzle."})
		}
	}
	return out
}

// outlook tells what flow does by temperature alone.
func (w *Watcher) outlook(each []expected, seen *Seen) *Outlook {
	var first, last *expected
	for i := range each {
		if each[i].ok {
			if first == nil {
				first = &each[i]
			}
			last = &each[i]
		}
	}
	if last == nil || last.pull.Liquid.Solids <= 0 {
		return nil
	}
	p := &last.pull
	liquid, _ := p.liquid()
	tote := last.tote
	o := &Outlook{Air: tote, AirHour: tote, Temperature: p.HasTote || p.HasSyrup}
	if p.HasAir {
		o.Air = p.Air
	}
	if seen.HasAir {
		o.Air = seen.Air
	}
	o.AirHour = o.Air + airSlope(seen)
	set := line.Setting{Level: p.Level, Speed: p.Speed}
	at := func(tote quantity.Temperature, warm line.Warmth) line.Outlook {
		c := line.Under(liquid, tote, warm, set)
		q, err := line.Operate(&w.line, &c)
		if err != nil {
			return line.Outlook{Temp: tote}
		}
		return line.Outlook{Temp: tote, Flow: q.Flow, PerGallon: line.PerGallon(q.Flow), Marks: q.Marks}
	}
	o.Now = at(tote, last.after)
	// A tote follows the air by some 3 % of the difference in an hour (1e5 s,
	// judgement); the hose is between pulls all the time.
	hour := tote + (o.AirHour-tote)*0.035
	warm := last.after
	warm.Body += hour - tote
	for i := range warm.Hose {
		warm.Hose[i] += (o.AirHour - o.Air) * 0.3
	}
	o.Hour = at(hour, warm)
	if o.Now.Flow > 0 {
		o.Slower = float64(o.Hour.Flow / o.Now.Flow)
	}
	o.SinceStart = float64(last.p.Flow / first.p.Flow)
	o.Explained = o.SinceStart < 1-leastTold
	return o
}

// airSlope is by how much the air goes in an hour, K, by the newest hour's
// pulls, at most 5 either way.
func airSlope(seen *Seen) quantity.Temperature {
	var n, mt, ma float64
	for pass := 0; ; pass++ {
		var tt, ta float64
		for i := range seen.Pulls {
			p := &seen.Pulls[i]
			if !p.HasAir || seen.Now-p.Start > int64(3600e9) {
				continue
			}
			t, a := float64(p.Start-seen.Now)/3600e9, float64(p.Air)
			if pass == 0 {
				n, mt, ma = n+1, mt+t, ma+a
			} else {
				tt += square(t - mt)
				ta += float64((t - mt) * (a - ma))
			}
		}
		if pass == 1 {
			if n < 3 || tt < 0.02 {
				return 0
			}
			return quantity.Temperature(max(-5, min(5, ta/tt)))
		}
		if n == 0 {
			return 0
		}
		mt, ma = mt/n, ma/n
	}
}
