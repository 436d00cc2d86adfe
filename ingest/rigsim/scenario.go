package rigsim

import (
	"fmt"
	"slices"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/wire"
	"yardtally/meter"
)

// Place is a position in degrees, WGS 84.
type Place struct{ Lat, Lon float64 }

// Yard is a yard on the road, in the order of driving.
type Yard struct {
	ID, Name string
	Place
	Colonies int
	Fill     quantity.Volume // meant for each colony
	Past     bool            // driven past without stopping
	Via      []Place         // bends of the road that leads to it
	Halts    []Halt          // stops on that road, after its bends
	Passing  Place           // of a yard that is driven past: where the road passes it; zero: through it

	// Colonies, from 0, that are not fed as others are. Each is in one of these
	// at most, and never one of the skipped.
	Dead   []int // no pull, no button
	Twice  []int // two feeders: a second pull 12 to 20 s after the first
	Shared []Share
}

// AirPoint is the air's temperature some time after the start; between points
// it runs straight.
type AirPoint struct {
	After time.Duration
	Temp  quantity.Temperature
}

// Meter is the pulse meter and the board that counts for it.
type Meter struct {
	PulsesPerL  float64 // of its chambers, without slip
	Slip        float64 // share of the volume that passes uncounted whatever the flow
	SlipViscous float64 // further share, times viscosity (Pa·s) and flow (m³/s): Pa·m³
	Jitter      float64 // standard deviation of what turns from pulse to pulse, fraction
	WrapBits    int     // the count falls to zero at 2^WrapBits: 16 or 32
	Count       uint64  // at the start, unwrapped
	Uptime      time.Duration
	Boots       uint64

	// Surges: when the tote is down to its outlet the pump draws air, which the
	// meter counts, erratically, 1.5 to 3 times as fast as syrup, for as long as
	// the hand holds on. The hose is thought of as full all the same.
	Surges bool
}

// Hand is how the keeper works. Shares are of pulls, 0 to 1.
type Hand struct {
	Scatter   float64 // standard deviation of a fill from what was meant, fraction
	Short     float64 // pulls that stop early: the feeder was not yet empty
	Throttled float64 // pulls with the trigger half shut
	Tremble   float64 // by how much of itself the trigger's opening comes and goes, within seconds
	Topped    float64 // yards in which one pull is interrupted and topped up
	Skip      float64 // colonies that get none
	Walk      time.Duration
	Setup     time.Duration // from standing still to the first pull, and from the last to driving
	Drip      quantity.Volume
	Cruise    float64 // m/s between yards

	Prime     quantity.Volume // that leaves the nozzle, onto the ground, before the first colony of the first yard
	PrimeEach bool            // of every yard
	Flush     quantity.Volume // onto the ground, after the night's last colony
	FlushHome bool            // at home instead of in the last yard

	// Pallet is on how many colonies stand together, PalletStep (give or take a
	// fifth) apart; 0: each by itself.
	Pallet     int
	PalletStep time.Duration
}

// Scenario is a night to be played. DemoNight and SmallNight return whole ones
// to start from.
type Scenario struct {
	Seed     uint64
	Rig      string
	Start    time.Time // taken down to 10 ms
	Zone     string    // IANA name of the yards' time zone, for those who show it
	Yards    []Yard
	Home     Place // where the night ends; zero: in the last yard
	Brix     float64
	Warm     quantity.Temperature // syrup in the tote at the start
	Air      []AirPoint
	Load     quantity.Volume // in the tote at the start
	Tote     Tote
	Plumbing Plumbing
	Meter    Meter
	Hand     Hand
	Tail     time.Duration // how long the rig still talks after all is done

	// Idle is how long the rig stands, with its pump off, before all else. A night
	// that has it needs no yards: it stands at home.
	Idle time.Duration
	// Coarse takes longer steps, up to 200 ms, where flow is steady or dribbles,
	// and looks at the operating point every 600 ms there instead of every 100.
	// That is quicker; pulls come out some millilitres different.
	Coarse bool
	// Thickness is the viscosity of all its syrup as a multiple of a sucrose
	// syrup's of that Brix; 0: 1. Density is a sucrose syrup's.
	Thickness float64
	// Sensors is the seed of the errors that last from night to night; 0: Seed.
	Sensors uint64

	// Fitted are the channels there are sensors for; pulses and uptime always are.
	Fitted []meter.Channel

	// Restarts are faults: the counter board restarts this long after the start.
	// One that falls while the rig is off is none.
	Restarts []time.Duration

	Provings      []Proof
	Drained       []int  // yards, as indices in Yards: the hose has run empty when they are come to; it flows as if full
	MarkForgotten []int  // yards: the mark button is not pressed
	MarkTwice     []int  // yards: it is pressed twice within 2 s
	PositionGone  []Span // no position is said, only the time
	PositionBad   []Span // hdop 6 to 12, and 60 to 300 m off
	Phantom       []Burst
	Refills       []Refill
	Swaps         []Swap
	Transfers     []Transfer
	Leaks         []Leak
	Offs          []Off
	Batches       []NewBatch

	Clogs     []Clog
	Kinks     []Kink
	Throttles []Throttle
	Vents     []Vent
	Drifts    []Drift
	Pauses    []Pause
	Faults    []Fault

	// Wire is what its messages go through. The rig knows nothing of it: whoever
	// carries them asks for it.
	Wire Rough
}

// bootTime is how long the board takes to count again after a restart.
const bootTime = 2 * time.Second

// check names the first thing in a scenario that cannot be played.
func (s *Scenario) check() error {
	if err := wire.CheckRig(s.Rig); err != nil {
		return err
	}
	if s.Start.IsZero() {
		return fmt.Errorf("start: must be an instant, is zero")
	}
	if len(s.Yards) == 0 && (s.Idle == 0 || s.Home == (Place{}) || s.Hand.FlushHome) {
		return fmt.Errorf("yards: must be at least one, or idle and home be set and no flush be due, has none")
	}
	if err := between("idle", s.Idle, 0, longest); err != nil {
		return err
	}
	stops := 0
	for i, y := range s.Yards {
		at := fmt.Sprintf("yards[%d].", i)
		if y.ID == "" {
			return fmt.Errorf("%sid: must not be empty", at)
		}
		for _, p := range append([]Place{y.Place}, y.Via...) {
			if err := p.check(at, s.Yards[0].Place); err != nil {
				return err
			}
		}
		if y.Past {
			continue
		}
		stops++
		if y.Colonies < 1 || y.Colonies > 10000 {
			return fmt.Errorf("%scolonies: must be between 1 and 10000, is %d", at, y.Colonies)
		}
		if err := within(at+"fill (L)", y.Fill.Litres(), 0.05, 100); err != nil {
			return err
		}
	}
	if len(s.Yards) > 0 && (stops == 0 || s.Yards[0].Past) {
		return fmt.Errorf("yards[0].past: the night must start at a yard that is fed")
	}
	if s.Home != (Place{}) {
		if err := s.Home.check("home.", s.origin()); err != nil {
			return err
		}
	}
	if len(s.Air) == 0 {
		return fmt.Errorf("air: must have at least one point")
	}
	for i, a := range s.Air {
		if i > 0 && a.After <= s.Air[i-1].After {
			return fmt.Errorf("air[%d].after: must be later than the point before, is %v", i, a.After)
		}
		if err := within(fmt.Sprintf("air[%d].temp", i), float64(a.Temp), -40, 50); err != nil {
			return err
		}
	}
	if s.Meter.WrapBits != 16 && s.Meter.WrapBits != 32 {
		return fmt.Errorf("meter.wrap_bits: must be 16 or 32, is %d", s.Meter.WrapBits)
	}
	for i, c := range s.Fitted {
		if c == 0 || c > meter.LastChannel {
			return fmt.Errorf("fitted[%d]: must be a channel, is %d", i, uint8(c))
		}
	}
	for i, d := range s.Restarts {
		if d <= 0 || i > 0 && d < s.Restarts[i-1]+2*bootTime {
			return fmt.Errorf("restarts[%d]: must be after the start and %v after the one before, is %v", i, 2*bootTime, d)
		}
	}
	if s.Tail < 0 || s.Tail > 48*time.Hour {
		return fmt.Errorf("tail: must be between 0 and 48h, is %v", s.Tail)
	}
	if s.Hand.Walk < time.Second || s.Hand.Setup < time.Second {
		return fmt.Errorf("hand.walk, hand.setup: must be at least a second, are %v and %v", s.Hand.Walk, s.Hand.Setup)
	}
	t := &s.Tote
	for _, x := range []struct {
		field  string
		v      float64
		lo, hi float64
	}{
		{"brix", s.Brix, 0, 77},
		{"warm", float64(s.Warm), 0, 60},
		{"thickness", s.Thickness, 0, 20},
		{"tote.length", float64(t.Length), 0.1, 10},
		{"tote.width", float64(t.Width), 0.1, 10},
		{"tote.height", float64(t.Height), 0.1, 10},
		{"tote.bulge", t.Bulge, 0, 0.3},
		{"tote.sensor", float64(t.Sensor), float64(t.Height), 20},
		{"tote.head", float64(t.Head), 0, float64(t.Height)},
		{"tote.unusable (L)", t.Unusable.Litres(), 0, t.Capacity().Litres()},
		{"load (L)", s.Load.Litres(), t.Unusable.Litres(), t.Capacity().Litres()},
		{"meter.pulses_per_l", s.Meter.PulsesPerL, 0.01, 1e5},
		{"meter.slip", s.Meter.Slip, -0.2, 0.2},
		{"meter.slip_viscous", s.Meter.SlipViscous, 0, 1e-5},
		{"meter.jitter", s.Meter.Jitter, 0, 0.3},
		{"hand.scatter", s.Hand.Scatter, 0, 0.3},
		{"hand.short", s.Hand.Short, 0, 1},
		{"hand.throttled", s.Hand.Throttled, 0, 1},
		{"hand.tremble", s.Hand.Tremble, 0, 0.5},
		{"hand.topped", s.Hand.Topped, 0, 1},
		{"hand.skip", s.Hand.Skip, 0, 1},
		{"hand.drip (L)", s.Hand.Drip.Litres(), 0, 0.2},
		{"hand.cruise", s.Hand.Cruise, 1, 40},
	} {
		if err := within(x.field, x.v, x.lo, x.hi); err != nil {
			return err
		}
	}
	if err := s.Plumbing.check(); err != nil {
		return err
	}
	return s.checkOdd()
}

// origin is what the track's plane is flat about.
func (s *Scenario) origin() Place {
	if len(s.Yards) == 0 {
		return s.Home
	}
	return s.Yards[0].Place
}

// farthest is how far from the first yard the track's flat plane is used, degrees.
const farthest = 1.0

func (p Place) check(at string, from Place) error {
	if err := within(at+"lat", p.Lat, -80, 80); err != nil {
		return err
	}
	if err := within(at+"lon", p.Lon, -180, 180); err != nil {
		return err
	}
	if err := within(at+"lat, degrees from the first yard", p.Lat-from.Lat, -farthest, farthest); err != nil {
		return err
	}
	return within(at+"lon, degrees from the first yard", p.Lon-from.Lon, -farthest, farthest)
}

func (s *Scenario) fitted(c meter.Channel) bool {
	return c == meter.Pulses || c == meter.Uptime || slices.Contains(s.Fitted, c)
}

// DemoNight returns a night of three invented yards, 34 colonies, about a
// gallon of thinned 2:1 each, with a fourth yard driven past. The rig is at the
// first yard's gate when it starts.
func DemoNight() Scenario {
	gallon := quantity.USGallon
	return Scenario{
		Seed: 1, Rig: "heron", Zone: "America/Chicago",
		Start: time.Date(2026, 10, 9, 23, 40, 0, 0, time.UTC), // 18:40 daylight-saving time
		Yards: []Yard{
			{ID: "orchard", Name: "Orchard End", Place: Place{43.22, -91.88}, Colonies: 14, Fill: gallon},
			{ID: "mill", Name: "Mill Bottom", Place: Place{43.235, -91.925}, Colonies: 11, Fill: gallon, Via: []Place{{43.221, -91.898}, {43.231, -91.904}}},
			{ID: "ferry", Name: "Ferry Lane", Place: Place{43.215, -91.905}, Colonies: 8, Fill: gallon, Past: true},
			{ID: "larch", Name: "Larch Bank", Place: Place{43.195, -91.88}, Colonies: 9, Fill: gallon, Via: []Place{{43.204, -91.9}}},
		},
		Home: Place{43.206, -91.871},
		Brix: 64, Warm: 20, Load: 800 * quantity.Litre,
		Air:  []AirPoint{{0, 18}, {time.Hour, 14.5}, {2 * time.Hour, 12}, {4 * time.Hour, 9.5}, {6 * time.Hour, 9}},
		Tote: DefaultTote(), Plumbing: DefaultPlumbing(),
		Meter: Meter{
			PulsesPerL: 132.6, Slip: 0.002, SlipViscous: 1.5e-8, WrapBits: 32,
			Count: 184223, Uptime: 93812400 * time.Millisecond, Boots: 3,
		},
		Hand: Hand{
			Scatter: 0.03, Short: 0.05, Throttled: 0.07, Topped: 0.6,
			Walk: 75 * time.Second, Setup: 75 * time.Second, Drip: 8 * quantity.Millilitre, Cruise: 40 / 3.6,
		},
		Tail: 5 * time.Minute,
		Fitted: []meter.Channel{meter.Boot, meter.Headspace, meter.Syrup, meter.Air, meter.Line, meter.Pump,
			meter.Lat, meter.Lon, meter.HDOP, meter.UTC},
	}
}

// SmallNight returns a short night for tests: two yards, five and four colonies.
func SmallNight(seed uint64) Scenario {
	s := DemoNight()
	s.Seed = seed
	s.Yards = []Yard{s.Yards[0], s.Yards[1]}
	s.Yards[0].Colonies, s.Yards[1].Colonies = 5, 4
	s.Yards[1].Place, s.Yards[1].Via = Place{43.226, -91.893}, nil
	s.Home = Place{}
	s.Hand.Walk, s.Hand.Setup = 15*time.Second, 30*time.Second
	s.Tail = time.Minute
	return s
}
