package report

import (
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

func TestSayVerdict(t *testing.T) {
	dusk := time.Date(2026, 10, 9, 21, 42, 0, 0, time.UTC).UnixNano()
	clock := func(ns int64) string { return time.Unix(0, ns).UTC().Format("15:04") }
	name := func(id string) string { return map[string]string{"larch": "Larch Bank"}[id] }
	of := func(v watch.Verdict, kinds ...watch.Kind) watch.Verdict {
		v.Kinds, v.From = kinds, dusk
		if v.Chance == 0 {
			v.Chance = 0.993
		}
		return v
	}
	for _, c := range []struct {
		v    watch.Verdict
		u    quantity.System
		want string
	}{
		{of(watch.Verdict{Yard: "larch", Pulls: 3, Size: -0.6931}, watch.Kink, watch.ThrottleDown), quantity.US,
			"Larch Bank, since 21:42 (3 fills): flow is half of what is expected. A kink, or the throttle lowered: on flow alone they look alike. Look along the hose, then look at the throttle. Sure: 99 %."},
		{of(watch.Verdict{Yard: "larch", Pulls: 1, Size: 0.1398, Until: dusk + 600e9}, watch.ThrottleUp, watch.Thinner), quantity.SI,
			"Larch Bank, 21:42 to 21:52 (1 fill): flow is 15 % more than is expected. The throttle raised, or thinner syrup than was said: on flow alone they look alike. Look at the throttle, then measure the Brix, and say what the batch is. Sure: 99 %."},
		{of(watch.Verdict{Size: -0.3567, Where: watch.Downstream}, watch.Clog), quantity.SI,
			"Since 21:42: flow is 70 % of what is expected. A clog, after the pump. Stop the pump before a screen or hose is opened, and look at the screen and in the nozzle. Sure: 99 %."},
		{of(watch.Verdict{Size: -0.3567, Where: watch.Upstream}, watch.Suction, watch.Vent), quantity.SI,
			"Since 21:42: flow is 70 % of what is expected. Something in the way before the pump, or a closed vent on the tote: it is before the pump or in it, and there they look alike. Stop the pump before anything is opened, and look at the tote's valve and the screen, then open the tote's vent; it must be open before the pump draws, or the tote gives way. Sure: 99 %."},
		// 0.01 m³ is 2.642 gal, and volumes of this size are told to a tenth (NIST SP 811 appendix B.8).
		{of(watch.Verdict{Size: 0.01, Chance: 0.9999}, watch.Leak), quantity.US,
			"Since 21:42: a leak, 2.6 gal so far. Stop the pump, shut the tote's valve, and look below tote, pump and hose. Sure: over 99 %."},
		{of(watch.Verdict{Size: 0.01}, watch.Air, watch.Empty), quantity.SI,
			"Since 21:42: air in the line, or the tote empty, 10.0 L were counted. Which of them it is cannot be told. Let go of the trigger, and look at the level and at the joints before the pump, then stop the pump, which must not run dry. Sure: 99 %."},
		{of(watch.Verdict{Size: 840, Chance: 0.5}, watch.Deadhead), quantity.US,
			"Since 21:42: the pump turning against a shut trigger, for 14 minutes. Stop the pump or open the trigger; pump and syrup in it get hot, so let both cool before a hose is opened. Sure: 50 %."},
		{of(watch.Verdict{Size: 3}, watch.Hot), quantity.US, "Since 21:42: syrup too hot by 5.4 °F. Feed none of it until it has cooled. Sure: 99 %."},
		{of(watch.Verdict{}, watch.Old), quantity.US, "Since 21:42: old syrup. Look at it and smell it; never feed spoiled syrup. Sure: 99 %."},
		{of(watch.Verdict{Size: -0.04}, watch.Drift), quantity.US, "Since 21:42: the meter drifting from the tote, by 4.0 %. Prove the meter with a bucket. Sure: 99 %."},
		{of(watch.Verdict{Channel: "air"}, watch.Sensor), quantity.US, "Since 21:42: the sensor air is not to be trusted. Look at the sensor and its cable. Sure: 99 %."},
		{of(watch.Verdict{}), quantity.US, "Since 21:42: something that this version has no word for. Sure: 99 %."},
	} {
		if got := SayVerdict(&c.v, c.u, clock, name); got != c.want {
			t.Errorf("%s\nwant\n%s", got, c.want)
		}
	}
	// Every kind there is has its words.
	for k := watch.Kind(1); k.String() != ""; k++ {
		v := of(watch.Verdict{}, k)
		if got := SayVerdict(&v, quantity.US, clock, name); strings.Contains(got, "no word") || strings.Count(got, ". ") < 2 {
			t.Errorf("%s: %s", k, got)
		}
	}
	for _, c := range []struct {
		a    alarm.Alarm
		want string
	}{
		{alarm.Alarm{State: alarm.Unacknowledged}, ""},
		{alarm.Alarm{State: alarm.Acknowledged, Acked: dusk, AckedBy: "wren"}, "Acknowledged by wren at 21:42."},
		{alarm.Alarm{State: alarm.Acknowledged}, ""}, // a note
		{alarm.Alarm{State: alarm.Returned, Back: dusk}, "It is over, and nobody has acknowledged it."},
		{alarm.Alarm{State: alarm.Shelved, ShelvedUntil: dusk}, "On the shelf until 21:42."},
		{alarm.Alarm{State: alarm.Shelved, ShelvedUntil: dusk, Back: dusk}, "It is over, and on the shelf until 21:42."},
		{alarm.Alarm{State: alarm.Gone, Back: dusk}, "It is over."},
	} {
		if got := SayState(&c.a, clock); got != c.want {
			t.Errorf("%s: %q, want %q", c.a.State, got, c.want)
		}
	}
}
