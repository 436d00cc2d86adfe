package rigsim

import (
	"math"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// Perturbed returns the plumbing as one such rig would be found to be: each
// of these is off by up to so much, evenly spread. Hose bore and nozzle bore
// 4 %, hose length 5 %, shutoff head 10 %, speed 8 %, the meter's loss 20 %.
func (p Plumbing) Perturbed(seed uint64) Plumbing {
	d := dice{stream(seed, seedRig)}
	by := func(share float64) float64 { return d.between(1-share, 1+share) }
	p.HoseBore *= quantity.Length(by(0.04))
	p.Shutoff *= quantity.Length(by(0.10))
	p.Speed *= quantity.Frequency(by(0.08))
	p.NozzleBore *= quantity.Length(by(0.04))
	p.HoseLength *= quantity.Length(by(0.05))
	p.MeterLoss *= by(0.20)
	return p
}

// WatchNight returns the first of the rig's WatchNights.
func WatchNight(seed uint64) Scenario { return WatchNights(seed, 1)[0] }

// WatchNights returns n nights of one rig, on which nothing fails: 30 to 60
// colonies in three yards, a night every few days. Rig, yards and keeper are the
// same on all of them; the throttle is set anew each night, within 3 %, and the
// tote is filled with another batch, of 50 to 67 Brix. One batch in six is like
// watered corn syrup instead: half as thick as a sucrose syrup of its 64 to
// 70 Brix. The air has 5 to 25 °C in the evening and falls by 3 to 9 K. All
// sensors but the buttons are fitted.
//
// The nights are played with Coarse steps.
func WatchNights(seed uint64, n int) []Scenario {
	d := dice{stream(seed, seedWatch)}
	rig := DemoNight()
	rig.Sensors, rig.Coarse = seed+1, true
	rig.Plumbing = rig.Plumbing.Perturbed(seed)
	rig.Yards = []Yard{rig.Yards[0], rig.Yards[1], rig.Yards[3]}
	colonies, fill := 30+d.IntN(31), d.litres(3, 4)
	for i := range rig.Yards {
		y := &rig.Yards[i]
		y.Fill, y.Colonies = fill, colonies/3
		if i < colonies%3 {
			y.Colonies++
		}
	}
	rig.Hand.Walk, rig.Hand.Setup = d.seconds(30, 70), d.seconds(60, 120)
	rig.Meter.Surges, rig.Meter.Count = true, 0
	rig.Fitted = []meter.Channel{meter.Boot, meter.Headspace, meter.Head, meter.Syrup, meter.Air, meter.Line, meter.Pump,
		meter.Lat, meter.Lon, meter.HDOP, meter.UTC}
	evening := time.Date(2026, 8, 20, 23, 0, 0, 0, time.UTC) // 18:00 daylight-saving time
	out := make([]Scenario, n)
	for i := range out {
		s := rig.cloned()
		s.Seed = d.Uint64()
		d := dice{stream(s.Seed, seedWatch)}
		evening = evening.AddDate(0, 0, 3+d.IntN(5))
		s.Start = evening.Add(d.seconds(0, 2*3600))
		s.Meter.Boots += uint64(i)
		s.Meter.Uptime = d.seconds(30, 600)
		s.Plumbing.Speed *= quantity.Frequency(d.between(0.97, 1.03))
		s.Brix = d.between(50, 67)
		if d.IntN(6) == 0 {
			s.Brix, s.Thickness = d.between(64, 70), d.between(0.45, 0.55)
		}
		s.Load = d.litres(500, 950)
		d.weather(&s, d.between(5, 25), d.between(3, 9))
		s.Warm = quantity.Temperature(math.Min(30, d.between(-1, 8)+float64(s.Air[0].Temp)))
		out[i] = s
	}
	return out
}

// weather gives a night an evening's temperature and by how much it falls, °C
// and K: quickly at first, to 1/e in three hours.
func (d dice) weather(s *Scenario, evening, falls float64) {
	s.Air = nil
	for _, h := range []float64{0, 1, 2, 3, 5, 8, 12} {
		t := evening - falls*(1-math.Exp(-h/3))
		s.Air = append(s.Air, AirPoint{time.Duration(h * float64(time.Hour)), quantity.Temperature(t)})
	}
}

// The nights that follow are made of a night on which nothing fails, which stays
// as it is. What they draw, they draw from its seed.

func (s Scenario) failing() (Scenario, dice) {
	return s.cloned(), dice{stream(s.Seed, seedCase)}
}

// pulls returns how many pulls the night has for colonies, at least.
func (s *Scenario) pulls() int {
	n := 0
	for i := range s.Yards {
		if !s.Yards[i].Past {
			n += s.Yards[i].Colonies
		}
	}
	return n
}

// lastsAbout returns about how long the night is, with syrup that flows as it
// would in a line between tote and air in warmth.
func (s *Scenario) lastsAbout() time.Duration {
	t := float64(s.Warm+s.Air[0].Temp) / 2
	thick := 1.0
	if s.Thickness > 0 {
		thick = s.Thickness
	}
	q := s.Plumbing.operate(float64(s.Plumbing.Speed), 0, even(density(s.Brix, t), thick*viscosity(s.Brix, t)), 1, 0)
	return s.lastsAt(float64(quantity.Flow(q) / quantity.LitrePerMinute))
}

// ColdNight makes the night cold: 2 to 7 °C in the evening, falling by 4 to 8 K;
// the tote has 6 to 12 °C. Nothing fails.
func ColdNight(s Scenario) Scenario {
	s, d := s.failing()
	d.weather(&s, d.between(2, 7), d.between(4, 8))
	s.Warm = quantity.Temperature(d.between(6, 12))
	return s
}

// ClogNight is a cold night on which screen or nozzle clogs, over 25 pulls, to
// 0.4 of the flow. It must have 28 colonies or more.
func ClogNight(s Scenario) Scenario {
	s, d := ColdNight(s).failing()
	const over = 25
	where := SuctionSide
	if d.IntN(2) == 0 {
		where = DeliverySide
	}
	s.Clogs = []Clog{{Where: where, Fill: 2 + d.IntN(max(1, s.pulls()-over-2)), Over: over, To: 0.4}}
	return s
}

// KinkNight halves the flow for six pulls.
func KinkNight(s Scenario) Scenario {
	s, d := s.failing()
	s.Kinks = []Kink{{Fill: 5 + d.IntN(max(1, s.pulls()-15)), For: 6, To: 0.5}}
	return s
}

// ThrottleNight raises the pump's speed by 15 % for the rest of the night.
func ThrottleNight(s Scenario) Scenario {
	s, d := s.failing()
	s.Throttles = []Throttle{{Fill: 5 + d.IntN(max(1, s.pulls()-15)), By: 1.15}}
	return s
}

// ThinNight thins the syrup by 7 Brix, and returns what is declared. That is the
// night's, or another batch of 58 to 67 Brix where the night's is below 58: down
// there flow nears the transition to turbulence, and thinner is hardly faster.
func ThinNight(s Scenario) (Scenario, float64) {
	s, d := s.failing()
	if s.Brix < 58 {
		s.Brix = d.between(58, 67)
	}
	declared := s.Brix
	s.Brix -= 7
	return s, declared
}

// LeakNight stands in the first yard for 45 minutes before anything else. Some
// 10 to 20 minutes into that the tote leaks 1.5 L/min, for 20 minutes.
func LeakNight(s Scenario) Scenario {
	s, d := s.failing()
	s.Idle = 45 * time.Minute
	s.Leaks = []Leak{{d.seconds(600, 1200), 20 * time.Minute, 1.5 * quantity.LitrePerMinute}}
	return s
}

// TransferNight pumps 60 to 150 L out of the tote past the meter, some time in
// the middle of the night, between two pulls.
func TransferNight(s Scenario) Scenario {
	s, d := s.failing()
	at := time.Duration(d.between(0.3, 0.6) * float64(s.lastsAbout())).Truncate(time.Second)
	s.Transfers = []Transfer{{After: at, Volume: d.litres(60, 150)}}
	return s
}

// DryNight begins with no more in the tote than a third to two thirds of its
// colonies get.
func DryNight(s Scenario) Scenario {
	s, d := s.failing()
	s.Load = s.Tote.Unusable + quantity.Volume(d.between(0.35, 0.65)*float64(s.pulls())*float64(s.Yards[0].Fill))
	return s
}

// BurstNight has three to eight bursts of phantom pulses of 1 to 15 Hz, 3 to
// 60 s each.
func BurstNight(s Scenario) Scenario {
	s, d := s.failing()
	night := s.lastsAbout().Seconds()
	for range 3 + d.IntN(6) {
		s.Phantom = append(s.Phantom, Burst{After: d.seconds(0.02*night, 0.95*night), For: d.seconds(3, 60), Rate: d.between(1, 15)})
	}
	return s
}

// QuietNight returns so long a time, 48 h at the most, in which the rig of
// WatchNights stands at home with its pump off.
func QuietNight(seed uint64, lasts time.Duration) Scenario {
	s := WatchNight(seed)
	s, d := s.failing()
	s.Seed = d.Uint64()
	s.Yards, s.Idle, s.Tail = nil, lasts, 0
	return s
}
