package act

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Meter says which flow meter the rig has.
type Meter struct {
	Type    string  `json:"type"`                 // "oval gear", "turbine" or "paddle wheel"
	Body    string  `json:"body,omitempty"`       // what it is made of: "steel", "aluminium" or "acetal"; "": steel
	Repeat  float64 `json:"repeat_pct,omitempty"` // standard deviation of one pull, percent; 0: as usual for the type
	DueDays float64 `json:"due_days,omitempty"`   // a proving is due so long after the last; 0: DefaultDue
}

// DefaultDue is how long a proving is good for, days: a season. Common
// practice, no source.
const DefaultDue = 180

// Proving says what one pulse is worth: either a K-factor as such (from the
// meter's label or a laboratory), or a bucket test. Tests made since the meter
// was last fresh make its curve together.
type Proving struct {
	PulsesPerL float64 `json:"pulses_per_l,omitempty"` // K-factor, 1/L

	Pulses  float64            `json:"pulses,omitempty"`    // bucket test: pulses counted
	NetKg   float64            `json:"net_kg,omitempty"`    // weighed in air, kg
	Syrup   string             `json:"syrup,omitempty"`     // "": sucrose; else as in Batch
	Shares  map[string]float64 `json:"shares,omitempty"`    // as in Batch
	Brix    float64            `json:"brix,omitempty"`      // mass percent dry solids
	Mass    bool               `json:"mass,omitempty"`      // no Brix was at hand: pulses a kilogram
	TempC   float64            `json:"temp_c"`              // at the meter, °C
	Seconds float64            `json:"seconds,omitempty"`   // the trigger was open, s; 0: not timed
	Note    string             `json:"note,omitempty"`      // e.g. "label"
	AirKg   float64            `json:"air_kg_m3,omitempty"` // air density, kg/m³; 0: 1.2

	DoneNS int64 `json:"done_ns,omitempty"` // Unix ns when it was done; 0: when it takes effect
	Fresh  bool  `json:"fresh,omitempty"`   // the meter was changed, cleaned or opened: what was proved before no longer counts

	// Where the test's pulses lie on the counter, so that they are no colony's.
	// Without them they are found by their number and DoneNS.
	Session uint64 `json:"session,omitempty"`
	First   uint64 `json:"first,omitempty"`
	Last    uint64 `json:"last,omitempty"`

	ScaleStepKg float64 `json:"scale_step_kg,omitempty"` // smallest step of the scale, kg; 0: usual
	BrixWithin  float64 `json:"brix_within,omitempty"`   // error of the Brix at most; 0: usual
	TempWithin  float64 `json:"temp_within_c,omitempty"` // error of the temperature at most, K; 0: usual
}

// Batch says what is in the tote from this instant on. What is in it was
// either said (Brix) or read from a refractometer (Reading).
type Batch struct {
	Syrup  string             `json:"syrup"`            // "sucrose", "invert", "hfcs-42", "hfcs-55", or "blend"
	Shares map[string]float64 `json:"shares,omitempty"` // of a blend: parts of the dry solids by kind; need not add up to 1
	Brix   float64            `json:"brix,omitempty"`   // mass percent true dry solids

	Reading     float64 `json:"reading,omitempty"`        // what a refractometer showed on its sucrose scale, Brix
	ReadC       float64 `json:"reading_temp_c,omitempty"` // at this temperature, °C; of a compensated instrument 0: not said
	Compensated bool    `json:"compensated,omitempty"`    // the instrument compensates temperature itself
	BrixWithin  float64 `json:"brix_within,omitempty"`    // error of Brix or Reading at most; 0: DefaultBrixWithin
	MadeNS      int64   `json:"made_ns,omitempty"`        // when it was made, Unix ns; 0: not said
}

// DefaultBrixWithin is how far a Brix may be off where nothing is said: the
// step of a hand refractometer. Common practice, no source.
const DefaultBrixWithin = 0.2

// Check implements Body.
func (m Meter) Check() error {
	if _, err := proving.ParseType(m.Type); err != nil {
		return &FieldError{"type", `must be "oval gear", "turbine" or "paddle wheel"`, fmt.Sprintf("%q", m.Type)}
	}
	if _, err := proving.ParseBody(m.Body); m.Body != "" && err != nil {
		return &FieldError{"body", `must be "steel", "aluminium" or "acetal"`, fmt.Sprintf("%q", m.Body)}
	}
	return firstOf(
		within("repeat_pct", m.Repeat, 0, 10),
		within("due_days", m.DueDays, 0, 3650),
	)
}

// Check implements Body.
func (p Proving) Check() error {
	bucket := p.Pulses != 0 || p.NetKg != 0 || p.Brix != 0 || p.Mass
	switch {
	case p.PulsesPerL != 0 && bucket:
		return &FieldError{"pulses_per_l", "must not stand beside a bucket test (pulses, net_kg, brix)", p.PulsesPerL}
	case !bucket:
		return within("pulses_per_l", p.PulsesPerL, 0.01, 100000)
	case p.Mass && p.Brix != 0:
		return &FieldError{"mass", "must not stand beside brix: without it the proving is by mass", p.Mass}
	}
	if err := firstOf(
		within("pulses", p.Pulses, 1, 1e9),
		within("net_kg", p.NetKg, 0.05, 5000),
		within("brix", p.Brix, 0, 77),
		within("temp_c", p.TempC, -5, 50),
		within("seconds", p.Seconds, 0, 86400),
		within("air_kg_m3", p.AirKg, 0, 1.5),
		within("scale_step_kg", p.ScaleStepKg, 0, 10),
		within("brix_within", p.BrixWithin, 0, 20),
		within("temp_within_c", p.TempWithin, 0, 20),
	); err != nil {
		return err
	}
	_, err := Makeup(p.Syrup, p.Shares)
	return err
}

// Test returns the bucket test of that name, done at an instant. A label's
// K-factor is none. Errors are *FieldError.
func (p Proving) Test(name string, at int64) (proving.Test, error) {
	m, err := Makeup(p.Syrup, p.Shares)
	if err != nil {
		return proving.Test{}, err
	}
	means := proving.Usual
	if p.ScaleStepKg > 0 {
		means.ScaleStep = quantity.Mass(p.ScaleStepKg)
	}
	if p.BrixWithin > 0 {
		means.Brix = quantity.FromBrix(p.BrixWithin)
	}
	if p.TempWithin > 0 {
		means.Temp = quantity.Temperature(p.TempWithin)
	}
	return proving.Test{Name: name, At: at, Pulses: p.Pulses, Net: quantity.Mass(p.NetKg),
		Syrup: syrup.Syrup{Makeup: m, Solids: quantity.FromBrix(p.Brix)}, Temp: quantity.Temperature(p.TempC),
		Seconds: p.Seconds, NoBrix: p.Mass, AirDensity: quantity.Density(p.AirKg), Means: means}, nil
}

// Check implements Body.
func (b Batch) Check() error {
	if b.Syrup == "" {
		return &FieldError{"syrup", kindsRule, `""`}
	}
	if _, err := Makeup(b.Syrup, b.Shares); err != nil {
		return err
	}
	if b.Reading != 0 && b.Brix != 0 {
		return &FieldError{"reading", "must not stand beside brix", b.Reading}
	}
	if b.MadeNS < 0 {
		return &FieldError{"made_ns", "must be 0 or after 1970", b.MadeNS}
	}
	if err := firstOf(
		within("brix", b.Brix, 0, 77),
		within("reading", b.Reading, 0, 95),
		within("brix_within", b.BrixWithin, 0, 20),
	); err != nil {
		return err
	}
	if b.Reading == 0 {
		return nil
	}
	_, _, err := b.Solution()
	return err
}

const kindsRule = `must be "sucrose", "invert", "hfcs-42", "hfcs-55" or "blend"`

// Makeup returns what a syrup's solids are made of: a kind by its name ("":
// sucrose), or for "blend" the shares of several. The error is a *FieldError.
func Makeup(name string, shares map[string]float64) (syrup.Makeup, error) {
	if name != "blend" {
		if len(shares) > 0 {
			return syrup.Makeup{}, &FieldError{"shares", `must stand only with syrup "blend"`, shares}
		}
		if name == "" {
			return syrup.Makeup{}, nil
		}
		k, err := syrup.ParseKind(name)
		if err != nil {
			return syrup.Makeup{}, &FieldError{"syrup", kindsRule, fmt.Sprintf("%q", name)}
		}
		return syrup.Only(k), nil
	}
	if len(shares) == 0 {
		return syrup.Makeup{}, &FieldError{"shares", `must say the parts of a blend, like sucrose 2 and hfcs-55 1`, "none"}
	}
	var m syrup.Makeup
	sum := quantity.Mass(0)
	for _, n := range slices.Sorted(maps.Keys(shares)) {
		k, err := syrup.ParseKind(n)
		if err != nil {
			return syrup.Makeup{}, &FieldError{"shares", `must be of "sucrose", "invert", "hfcs-42" or "hfcs-55"`, fmt.Sprintf("%q", n)}
		}
		if v := shares[n]; !(v > 0 && v <= 1e6) {
			return syrup.Makeup{}, &FieldError{"shares." + n, "must be above 0 and at most 1000000", v}
		}
		m = syrup.Blend(m, sum, syrup.Only(k), quantity.Mass(shares[n]))
		sum += quantity.Mass(shares[n])
	}
	return m, nil
}

// Solution returns the syrup that the batch is, and the standard uncertainty of
// its solids, a mass fraction. Errors are *FieldError.
func (b Batch) Solution() (s syrup.Syrup, u float64, err error) {
	m, err := Makeup(b.Syrup, b.Shares)
	if err != nil {
		return s, 0, err
	}
	return b.read(m)
}

// read returns what was said or read of a syrup of that makeup.
func (b Batch) read(m syrup.Makeup) (s syrup.Syrup, u float64, err error) {
	u = b.BrixWithin / math.Sqrt(3)
	if b.Reading == 0 {
		if b.BrixWithin == 0 {
			u = DefaultBrixWithin / math.Sqrt(3)
		}
		return syrup.Syrup{Makeup: m, Solids: quantity.FromBrix(b.Brix)}, u / 100, nil
	}
	at := quantity.Temperature(b.ReadC)
	if b.Compensated && b.ReadC == 0 {
		at = quantity.Temperature(math.NaN()) // not said
	}
	f, err := syrup.Refractometer{Compensated: b.Compensated, ReadingU: u}.True(b.Reading, at, m)
	if err != nil {
		var re *syrup.RangeError
		if !errors.As(err, &re) {
			return s, 0, err
		}
		field := map[string]string{"temperature": "reading_temp_c"}[re.Field]
		if field == "" {
			field = "reading"
		}
		return s, 0, &FieldError{field, fmt.Sprintf("must be between %g and %g", re.Min, re.Max), re.Value}
	}
	return syrup.Syrup{Makeup: m, Solids: f.Solids}, float64(f.U()), nil
}
