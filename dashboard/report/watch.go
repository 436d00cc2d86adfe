package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

// NotLegal is said once under whatever is told of readings.
const NotLegal = "Readings are not legal for trade."

// matters says of each kind what it is, as "A kink", and what to do about it.
// What must not be done stands with what to do.
var matters = [...]struct {
	kind     watch.Kind
	what, do string
}{
	{watch.Clog, "a clog", "stop the pump before a screen or hose is opened, and look at the screen and in the nozzle"},
	{watch.Kink, "a kink", "look along the hose"},
	{watch.Suction, "something in the way before the pump", "stop the pump before anything is opened, and look at the tote's valve and the screen"},
	{watch.Vent, "a closed vent on the tote", "open the tote's vent; it must be open before the pump draws, or the tote gives way"},
	{watch.ThrottleDown, "the throttle lowered", "look at the throttle"},
	{watch.ThrottleUp, "the throttle raised", "look at the throttle"},
	{watch.Thinner, "thinner syrup than was said", "measure the Brix, and say what the batch is"},
	{watch.Thicker, "thicker syrup than was said", "measure the Brix, and say what the batch is"},
	{watch.Air, "air in the line", "let go of the trigger, and look at the level and at the joints before the pump"},
	{watch.Empty, "the tote empty", "stop the pump, which must not run dry"},
	{watch.Leak, "a leak", "stop the pump, shut the tote's valve, and look below tote, pump and hose"},
	{watch.Transfer, "syrup taken out past the meter", "if nobody pumped it over, stop the pump and look for a valve that is open"},
	{watch.Deadhead, "the pump turning against a shut trigger", "stop the pump or open the trigger; pump and syrup in it get hot, so let both cool before a hose is opened"},
	{watch.Phantom, "pulses without syrup", "look at the counter's cable, and keep it off the engine's"},
	{watch.Hot, "syrup too hot", "feed none of it until it has cooled"},
	{watch.Old, "old syrup", "look at it and smell it; never feed spoiled syrup"},
	{watch.Drift, "the meter drifting from the tote", "prove the meter with a bucket"},
	{watch.Sensor, "a sensor", "look at the sensor and its cable"},
}

// SayVerdict says what is the matter, where, since when, what to do and how
// sure that is: "Larch Bank, since 21:42 (3 fills): flow is half of what is
// expected. A kink, or the throttle lowered: on flow alone they look alike. Look
// along the hose, then look at the throttle. Sure: 99 %." name gives a yard's name.
func SayVerdict(v *watch.Verdict, u quantity.System, clock func(int64) string, name func(yard string) string) string {
	when := "since " + clock(v.From)
	if v.Until != 0 {
		when = clock(v.From) + " to " + clock(v.Until)
	}
	if v.Pulls > 0 {
		when += " (" + count(v.Pulls, "fill", "fills") + ")"
	}
	if v.Yard != "" {
		when = name(v.Yard) + ", " + when
	}
	var what, do []string
	for _, k := range v.Kinds {
		for _, m := range matters {
			if m.kind == k {
				what = append(what, m.what)
				if !slices.Contains(do, m.do) {
					do = append(do, m.do)
				}
			}
		}
	}
	if len(what) == 0 {
		what = []string{"something that this version has no word for"}
	}
	s := []string{capital(when) + ": " + size(v, u, strings.Join(what, ", or "))}
	if flowKind(v.Kinds) {
		named := capital(strings.Join(what, ", or "))
		if len(what) > 1 {
			named += alike(v)
		} else if v.Kinds[0] == watch.Clog {
			if v.Sudden {
				named += ", of a sudden"
			}
			if v.Where != watch.Unknown {
				named += ", " + v.Where.String()
			}
		}
		s = append(s, named)
	} else if len(what) > 1 {
		s = append(s, "Which of them it is cannot be told")
	}
	if len(do) > 0 {
		s = append(s, capital(strings.Join(do, ", then ")))
	}
	s = append(s, "Sure: "+sure(v.Chance))
	return strings.Join(s, ". ") + "."
}

// alike says why two kinds are named.
func alike(v *watch.Verdict) string {
	if v.Where != watch.Unknown {
		return ": it is " + v.Where.String() + ", and there they look alike"
	}
	if !flowKind(v.Kinds) {
		return ": by meter and tote they look alike"
	}
	return ": on flow alone they look alike"
}

// flowKind reports whether kinds show in how fast pulls flow.
func flowKind(kinds []watch.Kind) bool {
	if len(kinds) == 0 {
		return false
	}
	switch kinds[0] {
	case watch.Clog, watch.Kink, watch.Suction, watch.Vent, watch.ThrottleDown, watch.ThrottleUp, watch.Thinner, watch.Thicker:
		return true
	}
	return false
}

// size says how much it is, in the person's units. what is its name.
func size(v *watch.Verdict, u quantity.System, what string) string {
	x := v.Size
	if math.IsNaN(x) || math.IsInf(x, 0) {
		x = 0
	}
	volume := func() string { return u.Volume(quantity.VolumeOf(math.Abs(x))) }
	if flowKind(v.Kinds) {
		switch share := math.Exp(x); {
		case x == 0:
			return "flow is not what is expected"
		case share > 0.45 && share < 0.55:
			return "flow is half of what is expected"
		case share < 1:
			return "flow is " + Percent(share) + " of what is expected"
		default:
			return "flow is " + Percent(share-1) + " more than is expected"
		}
	}
	kind := watch.Kind(0)
	if len(v.Kinds) > 0 {
		kind = v.Kinds[0]
	}
	switch {
	case kind == watch.Sensor:
		return "the sensor " + v.Channel + " is not to be trusted"
	case x == 0:
	case kind == watch.Leak, kind == watch.Transfer:
		return what + ", " + volume() + " so far"
	case kind == watch.Air, kind == watch.Empty, kind == watch.Phantom:
		return what + ", " + volume() + " were counted"
	case kind == watch.Deadhead:
		return fmt.Sprintf("%s, for %s", what, count(max(1, int(math.Round(x/60))), "minute", "minutes"))
	case kind == watch.Hot:
		return what + " by " + difference(u, math.Abs(x))
	case kind == watch.Drift:
		return what + ", by " + Percent(math.Abs(x))
	}
	return what
}

// sure prints a chance, rounded down: what is not quite sure is not called so.
func sure(p float64) string {
	switch pct := math.Floor(100 * p); {
	case !(p >= 0.01):
		return "hardly"
	case p > 0.995:
		return "over 99 %"
	default:
		return plain(pct, 0) + " %"
	}
}

// Wrapped is a sentence over as many lines as it needs, each after the margin.
func Wrapped(margin, text string) string {
	var b strings.Builder
	wrap(&b, margin, text)
	return b.String()
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// SayState says where an alarm is in its life: "Acknowledged by wren at 21:50."
// or "On the shelf until 23:30."; "" for one that nobody has answered yet.
func SayState(a *alarm.Alarm, clock func(int64) string) string {
	switch a.State {
	case alarm.Acknowledged:
		if a.AckedBy != "" {
			return "Acknowledged by " + a.AckedBy + " at " + clock(a.Acked) + "."
		}
	case alarm.Returned:
		return "It is over, and nobody has acknowledged it."
	case alarm.Shelved:
		if a.Back != 0 {
			return "It is over, and on the shelf until " + clock(a.ShelvedUntil) + "."
		}
		return "On the shelf until " + clock(a.ShelvedUntil) + "."
	case alarm.Gone:
		return "It is over."
	}
	return ""
}
