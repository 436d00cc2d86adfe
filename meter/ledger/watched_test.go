package ledger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
)

// simActs describe the rig of a simulated night, as its keeper would.
func simActs(s *rigsim.Scenario) []act.Act {
	tote := act.Tote{Name: "t", CapacityL: s.Tote.Capacity().Litres(), SensorM: float64(s.Tote.Sensor), HeadM: float64(s.Tote.Head), UnusableL: s.Tote.Unusable.Litres()}
	for _, x := range s.Tote.Straps(10) {
		tote.Straps = append(tote.Straps, act.Strap{LevelM: float64(x.Level), VolumeL: x.Volume.Litres()})
	}
	rig := act.DefaultRig
	rig.WrapBits = s.Meter.WrapBits
	bodies := []act.Body{rig, act.Proving{PulsesPerL: s.Meter.PulsesPerL * (1 - s.Meter.Slip)}, tote, act.Batch{Syrup: "sucrose", Brix: s.Brix, BrixWithin: 0.5}}
	for _, y := range s.Yards {
		bodies = append(bodies, act.Yard{ID: y.ID, Name: y.Name, Lat: y.Lat, Lon: y.Lon, EnterM: 120, LeaveM: 200, Colonies: y.Colonies, FillL: y.Fill.Litres()})
	}
	var out []act.Act
	for i, b := range bodies {
		out = append(out, act.Act{ID: fmt.Sprint("s", i), Rig: "heron", Who: "wren", When: s.Start.UnixNano() - 1000*sec, Body: b})
	}
	return out
}

// simRecords are what the rig said, a tenth of it lost.
func simRecords(t *testing.T, s rigsim.Scenario, seq uint64) ([]meter.Record, rigsim.Truth) {
	t.Helper()
	rig, err := rigsim.New(s)
	if err != nil {
		t.Fatal(err)
	}
	lose := rand.New(rand.NewPCG(s.Seed, 3))
	var out []meter.Record
	for m := range rig.All() {
		at := m.At.UnixNano()
		if lose.Float64() < 0.1 {
			continue
		}
		seq++
		out = append(out, meter.Record{Seq: seq, Boot: 1, Mono: at - s.Start.Truncate(24*time.Hour).UnixNano(), Wall: at, Source: "serial", Readings: m.Readings})
	}
	return out, rig.Truth()
}

// foldNight folds a night, and shows the state after each record.
func foldNight(t *testing.T, st *State, cfg *config, s rigsim.Scenario, each func(at int64)) rigsim.Truth {
	t.Helper()
	recs, truth := simRecords(t, s, 0)
	for i := range recs {
		st.step(cfg, &item{at: recs[i].Wall, rec: recs[i]}, nil)
		if each != nil {
			each(recs[i].Wall)
		}
	}
	return truth
}

func sensorNights(quick, full, long uint64) uint64 {
	switch os.Getenv("YARDTALLY_FULL") {
	case "":
		return quick
	case "long":
		return long
	}
	return full
}

// simNight is a night on which no sensor fails: of any of the simulator's kinds.
func simNight(seed uint64) (string, rigsim.Scenario) {
	night := rigsim.WatchNight(seed)
	switch seed % 10 {
	case 0:
		return "cold", rigsim.ColdNight(night)
	case 1:
		return "clog", rigsim.ClogNight(night)
	case 2:
		return "kink", rigsim.KinkNight(night)
	case 3:
		return "throttle", rigsim.ThrottleNight(night)
	case 4:
		return "leak", rigsim.LeakNight(night)
	case 5:
		return "transfer", rigsim.TransferNight(night)
	case 6:
		return "dry", rigsim.DryNight(night)
	case 7:
		return "quiet", rigsim.QuietNight(seed, 6*time.Hour)
	case 8:
		s := night
		s.Pauses = []rigsim.Pause{{Fill: 8, For: 12 * time.Minute}}
		return "the pump runs on", s
	}
	return "plain", night
}

// Sensors that are well are never accused, whatever else goes wrong.
func TestSensorsThatAreWell(t *testing.T) {
	type row struct{ nights, alarms int }
	var names []string
	rows := map[string]*row{}
	hours := 0.0
	for seed := range sensorNights(20, 100, 300) {
		name, s := simNight(seed)
		if rows[name] == nil {
			rows[name] = &row{}
			names = append(names, name)
		}
		var st State
		foldNight(t, &st, compile("heron", simActs(&s)), s, nil)
		rows[name].nights++
		hours += float64(st.Sensors.Awake) / 3600e9
		for _, h := range st.Sensors.List(math.MinInt64) {
			rows[name].alarms++
			t.Errorf("%s, seed %d: %v is %s from %v for %v, value %g", name, seed, h.Channel, h.What, time.Unix(0, h.From).UTC(), time.Duration(h.To-h.From), h.Value)
		}
	}
	for _, n := range names {
		t.Logf("%-18s %3d nights, %d false alarms", n, rows[n].nights, rows[n].alarms)
	}
	t.Logf("%.0f hours", hours)
}

// A sensor that fails is found out, in time, and let go when it is well again.
func TestSensorsThatFail(t *testing.T) {
	channels := []meter.Channel{meter.Headspace, meter.Head, meter.Syrup, meter.Air, meter.Line, meter.Pump}
	noise := map[meter.Channel]float64{meter.Headspace: 0.05, meter.Head: 500, meter.Syrup: 3, meter.Air: 3, meter.Line: 20e3, meter.Pump: 8}
	names := map[rigsim.FaultKind]string{rigsim.Stuck: sensor.Stuck, rigsim.Noisy: sensor.Noisy, rigsim.Absent: sensor.Absent, rigsim.Impossible: sensor.Impossible}
	kindOf := map[string]int{}
	for i, k := range []string{sensor.Stuck, sensor.Noisy, sensor.Absent, sensor.Impossible} {
		kindOf[k] = i
	}
	for _, kind := range []rigsim.FaultKind{rigsim.Stuck, rigsim.Noisy, rigsim.Absent, rigsim.Impossible} {
		for _, c := range channels {
			found, nights := 0, 0
			var took []float64
			for seed := range sensorNights(2, 6, 30) {
				s := rigsim.WatchNight(1000 + seed)
				s.Air[0].Temp += 4 // a night that is long enough for thermometers to show it
				from, lasts := 50*time.Minute, 25*time.Minute
				if kind == rigsim.Stuck && (c == meter.Syrup || c == meter.Air) {
					s.Idle, s.Tail = 30*time.Minute, 3*time.Hour
					lasts = 6 * time.Hour
				}
				x := rigsim.Fault{Channel: c, After: from, For: lasts, Kind: kind}
				if kind == rigsim.Noisy {
					x.Size = noise[c]
				}
				s.Faults = []rigsim.Fault{x}
				// Since when it is stuck can be no surer than how often it changed
				// before: a pump that stands still says the same for long.
				early := 10 * sec
				if kind == rigsim.Stuck {
					early = map[bool]int64{false: 90 * sec, true: 15 * 60 * sec}[c == meter.Pump]
				}
				// Noise is judged while the rig stands, or while syrup flows: it is
				// let go after a drive at the latest.
				late := 60 * sec
				if kind == rigsim.Noisy {
					late = 8 * 60 * sec
				}
				begins, ends := s.Start.Add(from).UnixNano(), s.Start.Add(from+lasts).UnixNano()
				var st State
				told := int64(0)
				pulls := 0
				truth := foldNight(t, &st, compile("heron", simActs(&s)), s, func(at int64) {
					if told == 0 && st.Sensors.Channels[c].Open[kindOf[names[kind]]].On {
						told = at
					}
				})
				for _, f := range truth.Fills {
					if f.Start.UnixNano() > begins && f.End.UnixNano() < ends {
						pulls++
					}
				}
				if pulls < 6 {
					continue // it was over before
				}
				nights++
				right := 0
				for _, h := range st.Sensors.List(math.MinInt64) {
					switch {
					case h.Channel == c && h.What == names[kind] && h.From >= begins-early && h.From < ends:
						if right++; right == 1 && h.Told != told {
							t.Errorf("%s %v, seed %d: is said to have been found %v after it was", kind, c, seed, time.Duration(h.Told-told))
						}
						if h.To != 0 && h.To > ends+late {
							t.Errorf("%s %v, seed %d: it goes on for %v after the fault", kind, c, seed, time.Duration(h.To-ends))
						}
					default:
						t.Errorf("%s %v, seed %d: %v is said to be %s from %v after the fault began", kind, c, seed, h.Channel, h.What, time.Duration(h.From-begins))
					}
				}
				if right > 0 {
					found++
					took = append(took, float64(told-begins)/60e9)
				}
			}
			slices.Sort(took)
			if nights > 0 {
				worst := math.NaN()
				if len(took) > 0 {
					worst = took[len(took)-1]
				}
				t.Logf("%-10s %-9s %3d of %3d nights, told within %.1f min", kind, c, found, nights, worst)
			}
			if found < nights*9/10 {
				t.Errorf("%s %v: found on %d of %d nights", kind, c, found, nights)
			}
		}
	}
}

// What a view says of a pull is what it was: flow, pressure and speed in its
// steady part, and the tote's temperature.
func TestPulled(t *testing.T) {
	var flow, level, tote, outlet []float64
	pulls, with := 0, 0
	for seed := range sensorNights(4, 30, 60) {
		s := rigsim.WatchNight(2000 + seed)
		s.Meter.SlipViscous, s.Thickness = 0, 0
		acts := simActs(&s)
		recs, truth := simRecords(t, s, 0)
		l := New("heron")
		l.SetActs(acts)
		if err := l.Rebuild(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
		v := l.View()
		var at []int64
		var pressure []float64
		for i := range recs {
			if p, ok := recs[i].Value(meter.Line); ok {
				at, pressure = append(at, recs[i].Wall), append(pressure, p)
			}
		}
		for _, f := range truth.Fills {
			i := slices.IndexFunc(v.Fills, func(x Fill) bool {
				return x.Start <= f.End.UnixNano() && x.End >= f.Start.UnixNano()
			})
			if i < 0 || f.Plateau == 0 {
				continue
			}
			pulls++
			p := &v.Fills[i].Pulled
			if p.Flow == 0 {
				continue
			}
			with++
			flow = append(flow, math.Log(float64(p.Flow/f.Plateau)))
			if p.Batch != "s3" || p.Liquid.Solids != quantity.FromBrix(s.Brix) || !(p.SolidsU > 0) || !p.HasAir || !p.HasOutlet || !p.HasSpeed && p.Steady > 5*sec || !p.HasLevel {
				t.Fatalf("seed %d: %+v", seed, p)
			}
			// The trigger is open in the middle half of it, whatever the hand.
			lo, hi := f.Start.UnixNano()+(f.End.UnixNano()-f.Start.UnixNano())/4, f.End.UnixNano()-(f.End.UnixNano()-f.Start.UnixNano())/4
			a, _ := slices.BinarySearch(at, lo)
			b, _ := slices.BinarySearch(at, hi)
			if b-a >= 5 {
				mean := 0.0
				for _, x := range pressure[a:b] {
					mean += x / float64(b-a)
				}
				outlet = append(outlet, math.Abs(float64(p.Outlet)/mean-1))
			}
			if d := math.Abs(float64(p.Speed)/float64(s.Plumbing.Speed) - 1); p.HasSpeed && d > 0.02 {
				t.Errorf("seed %d: speed %v of %v", seed, p.Speed, s.Plumbing.Speed)
			}
			level = append(level, float64(p.Level))
			if p.HasTote {
				tote = append(tote, math.Abs(float64(p.Tote-s.Warm)))
			}
		}
	}
	slices.Sort(outlet)
	slices.Sort(tote)
	slices.Sort(level)
	mean := 0.0
	for _, x := range flow {
		mean += x / float64(len(flow))
	}
	t.Logf("%d pulls, %d with a plateau; flow off by %+.5f in the mean; outlet within %.4f of that of its middle in 95 %%; tote within %.2f K in half, %.2f K in 95 %%, of %d",
		pulls, with, mean, outlet[len(outlet)*95/100], tote[len(tote)/2], tote[len(tote)*95/100], len(tote))
	if with < pulls*9/10 || math.Abs(mean) > 0.005 || outlet[len(outlet)*95/100] > 0.03 || len(tote) < with*9/10 || tote[len(tote)*95/100] > 1.5 {
		t.Error("that is not what it was")
	}
	if level[0] < 0 || level[len(level)-1] > 1 {
		t.Errorf("levels from %v to %v", level[0], level[len(level)-1])
	}
}

// The pump turning against the shut trigger is told, by shaft or by pressure,
// and not where it stands or syrup flows.
func TestIdles(t *testing.T) {
	for _, fitted := range []struct {
		name string
		out  []meter.Channel
	}{{"both", nil}, {"shaft", []meter.Channel{meter.Line}}, {"pressure", []meter.Channel{meter.Pump}}, {"neither", []meter.Channel{meter.Pump, meter.Line}}} {
		s := rigsim.WatchNight(5)
		s.Pauses = []rigsim.Pause{{Fill: 12, For: 9 * time.Minute}}
		s.Fitted = slices.DeleteFunc(slices.Clone(s.Fitted), func(c meter.Channel) bool { return slices.Contains(fitted.out, c) })
		var st State
		open := int64(0)
		truth := foldNight(t, &st, compile("heron", simActs(&s)), s, func(at int64) {
			if x := st.Idling.Open; x.From != 0 {
				open = max(open, at-x.From)
			}
		})
		if fitted.name == "neither" {
			if len(st.Idles) > 0 || open > 0 {
				t.Errorf("neither: %v", st.Idles)
			}
			continue
		}
		var span rigsim.FaultSpan
		for _, x := range truth.Faults {
			if x.Kind == rigsim.Deadhead {
				span = x
			}
		}
		held := 0
		for _, x := range st.Idles {
			if x.To-x.From < 60*sec || x.From >= x.To {
				t.Errorf("%s: a span of %v", fitted.name, time.Duration(x.To-x.From))
			}
			for _, f := range truth.Fills {
				if f.Start.UnixNano()+2*sec < x.To && f.End.UnixNano()-2*sec > x.From {
					t.Errorf("%s: syrup flowed at %v within the span from %v", fitted.name, f.Start, time.Unix(0, x.From).UTC())
				}
			}
			if x.From < span.From.UnixNano()+2*sec && x.To > span.To.UnixNano()-2*sec {
				held++
				if (x.Speed > 0) != (fitted.name != "pressure") || (x.Outlet > 0) != (fitted.name != "shaft") {
					t.Errorf("%s: %+v", fitted.name, x)
				}
			}
		}
		if held != 1 || open < 9*60*sec {
			t.Errorf("%s: the pause of %v is told %d times among %d, %v when longest", fitted.name, span.To.Sub(span.From), held, len(st.Idles), time.Duration(open))
		}
	}
}

// A view tells of the outing in hand only, and of what lasts.
func TestViewOfSensors(t *testing.T) {
	s := rigsim.WatchNights(7, 2)
	for i := range s {
		s[i].Pauses = []rigsim.Pause{{Fill: 6, For: 5 * time.Minute}, {Fill: 9, For: 5 * time.Minute}}
		s[i].Faults = []rigsim.Fault{{Channel: meter.Air, After: 20 * time.Minute, For: 10 * time.Minute, Kind: rigsim.Absent}}
	}
	s[1].Faults = append(s[1].Faults, rigsim.Fault{Channel: meter.Syrup, After: 40 * time.Minute, For: 48 * time.Hour, Kind: rigsim.Impossible})
	l := New("heron")
	l.SetActs(simActs(&s[0]))
	first, _ := simRecords(t, s[0], 0)
	second, _ := simRecords(t, s[1], uint64(len(first)))
	for i := range second {
		second[i].Boot = 2
	}
	all := slices.Concat(first, second)
	for i := range all {
		l.Add(&all[i])
	}
	l.Settle(math.MaxInt64 / 2)
	v := l.View()
	start := s[1].Start.UnixNano()
	if len(v.Health) != 2 || v.Health[0].Channel != meter.Air || v.Health[0].From < start || v.Health[0].To == 0 ||
		v.Health[1].Channel != meter.Syrup || v.Health[1].What != sensor.Impossible || v.Health[1].To != 0 {
		t.Errorf("%+v", v.Health)
	}
	if len(v.Idles) < 2 || v.Idles[0].From < start {
		t.Errorf("%+v", v.Idles)
	}
	if len(l.st.Sensors.Told) < 2 || len(l.st.Idles) <= len(v.Idles) {
		t.Errorf("nothing is kept of the night before: %+v", l.st.Sensors.Told)
	}
}

// A level that stands still since its sensor does accuses no pull of being none.
func TestStuckLevelAccuses(t *testing.T) {
	for seed := range sensorNights(3, 15, 30) {
		s := rigsim.WatchNight(3000 + seed)
		s.Faults = []rigsim.Fault{{Channel: meter.Headspace, After: 35 * time.Minute, For: 10 * time.Hour, Kind: rigsim.Stuck}}
		recs, _ := simRecords(t, s, 0)
		l := New("heron")
		l.SetActs(simActs(&s))
		if err := l.Rebuild(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
		v := l.View()
		for _, x := range v.Loose {
			if x.Why == outing.Suspect {
				t.Errorf("seed %d: %v at %v is suspect: %s", seed, x.Volume, time.Unix(0, x.Start).UTC(), x.Note)
			}
		}
	}
}
