package act

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
)

// Strap is one line of a strapping table.
type Strap struct {
	LevelM  float64 `json:"level_m"`       // syrup surface above the tote's floor, m
	VolumeL float64 `json:"volume_l"`      // what the tote holds up to there, L
	UL      float64 `json:"u_l,omitempty"` // standard uncertainty of that, L; 0: as usual
}

// Tote is the tote, where its level sensors sit, and what it may weigh. It has
// either Straps or the lengths of a box.
type Tote struct {
	Name      string  `json:"name"`
	CapacityL float64 `json:"capacity_l"` // nominal, L

	Straps  []Strap `json:"straps,omitempty"`   // rising in both columns; at least two
	LearntU float64 `json:"learnt_u,omitempty"` // relative standard uncertainty of the meter that Straps were learnt from; 0: strapped otherwise
	LengthM float64 `json:"length_m,omitempty"` // inner plan and height of a box with straight walls, m; the plan also tells how long the surface swings
	WidthM  float64 `json:"width_m,omitempty"`
	HeightM float64 `json:"height_m,omitempty"`

	UnusableL float64 `json:"unusable_l,omitempty"` // what stays below the outlet, L

	SensorM     float64 `json:"sensor_m,omitempty"`    // headspace sensor's face above the floor, m; 0: none
	SensorKind  string  `json:"sensor_kind,omitempty"` // "ultrasonic" or "optical"; "": an ultrasonic one that compensates itself
	Compensated bool    `json:"compensated,omitempty"` // an ultrasonic sensor that allows for the air's temperature itself
	MadeC       float64 `json:"made_c,omitempty"`      // else the air's temperature at which it is right, °C
	SensorFwdM  float64 `json:"sensor_forward_m,omitempty"`
	SensorRgtM  float64 `json:"sensor_right_m,omitempty"` // from the middle of the plan, m
	HeadM       float64 `json:"head_m,omitempty"`         // pressure sensor above the floor, m
	HeadFwdM    float64 `json:"head_forward_m,omitempty"`
	HeadRgtM    float64 `json:"head_right_m,omitempty"`

	EmptyKg float64 `json:"empty_kg,omitempty"` // the tote's plate: tare, kg; 0: not read
	GrossKg float64 `json:"gross_kg,omitempty"` // and the greatest gross mass

	Trailer *Trailer `json:"trailer,omitempty"`
}

// Trailer is what the trailer's plates say, kg; 0: not known.
type Trailer struct {
	EmptyKg  float64 `json:"empty_kg,omitempty"`
	OtherKg  float64 `json:"other_kg,omitempty"` // pump, hose and tools
	GrossKg  float64 `json:"gross_kg,omitempty"`
	AxlesKg  float64 `json:"axles_kg,omitempty"`
	TongueKg float64 `json:"tongue_kg,omitempty"`
}

// Check implements Body.
func (t Tote) Check() error {
	if err := firstOf(
		within("capacity_l", t.CapacityL, 1, 1e6),
		within("unusable_l", t.UnusableL, 0, t.CapacityL),
		within("learnt_u", t.LearntU, 0, 1),
		within("length_m", t.LengthM, 0, 20),
		within("width_m", t.WidthM, 0, 20),
		within("height_m", t.HeightM, 0, 20),
		within("sensor_m", t.SensorM, 0, 20),
		within("made_c", t.MadeC, -40, 60),
		within("sensor_forward_m", t.SensorFwdM, -10, 10),
		within("sensor_right_m", t.SensorRgtM, -10, 10),
		within("head_m", t.HeadM, 0, 20),
		within("head_forward_m", t.HeadFwdM, -10, 10),
		within("head_right_m", t.HeadRgtM, -10, 10),
		within("empty_kg", t.EmptyKg, 0, 1e6),
		within("gross_kg", t.GrossKg, 0, 1e6),
	); err != nil {
		return err
	}
	if tr := t.Trailer; tr != nil {
		if err := firstOf(
			within("trailer.empty_kg", tr.EmptyKg, 0, 1e6),
			within("trailer.other_kg", tr.OtherKg, 0, 1e6),
			within("trailer.gross_kg", tr.GrossKg, 0, 1e6),
			within("trailer.axles_kg", tr.AxlesKg, 0, 1e6),
			within("trailer.tongue_kg", tr.TongueKg, 0, 1e6),
		); err != nil {
			return err
		}
	}
	if t.SensorKind != "" && t.SensorKind != "ultrasonic" && t.SensorKind != "optical" {
		return &FieldError{"sensor_kind", `must be "ultrasonic" or "optical"`, fmt.Sprintf("%q", t.SensorKind)}
	}
	if len(t.Straps) == 0 && t.LengthM > 0 && t.WidthM > 0 && t.HeightM > 0 {
		return nil
	}
	if len(t.Straps) < 2 {
		return &FieldError{"straps", "needs at least two lines", len(t.Straps)}
	}
	for i, s := range t.Straps {
		if err := firstOf(
			within(fmt.Sprintf("straps[%d].level_m", i), s.LevelM, 0, 20),
			within(fmt.Sprintf("straps[%d].volume_l", i), s.VolumeL, 0, 1e6),
			within(fmt.Sprintf("straps[%d].u_l", i), s.UL, 0, 1e6),
		); err != nil {
			return err
		}
		if i > 0 && (s.LevelM <= t.Straps[i-1].LevelM || s.VolumeL < t.Straps[i-1].VolumeL) {
			return &FieldError{fmt.Sprintf("straps[%d]", i), "level and volume must rise from line to line", s}
		}
	}
	return nil
}

// Table returns the tote's strapping table. Errors are *tote.Error.
func (t Tote) Table() (tote.Table, error) {
	if len(t.Straps) == 0 {
		return tote.Box(quantity.Length(t.LengthM), quantity.Length(t.WidthM), quantity.Length(t.HeightM))
	}
	straps := make([]tote.Strap, len(t.Straps))
	for i, s := range t.Straps {
		straps[i] = tote.Strap{Level: quantity.Length(s.LevelM), Volume: quantity.VolumeOf(s.VolumeL / 1000), U: quantity.VolumeOf(s.UL / 1000)}
	}
	if t.LearntU > 0 {
		return tote.Kept(straps, t.LearntU)
	}
	return tote.New(straps)
}

// Gauges returns the tote's table with its headspace sensor and with its
// pressure sensor. Errors are *tote.Error.
func (t Tote) Gauges() (headspace, head tote.Gauge, err error) {
	table, err := t.Table()
	if err != nil {
		return headspace, head, err
	}
	s := tote.Sensor{Kind: tote.Ultrasonic, Compensated: t.Compensated || t.SensorKind == "", Made: quantity.Temperature(t.MadeC),
		Height: quantity.Length(t.SensorM), Forward: quantity.Length(t.SensorFwdM), Right: quantity.Length(t.SensorRgtM)}
	if t.SensorKind == "optical" {
		s.Kind = tote.Optical
	}
	if headspace, err = tote.NewGauge(table, s); err != nil {
		return headspace, head, err
	}
	head, err = tote.NewGauge(table, tote.Sensor{Kind: tote.Hydrostatic, Height: quantity.Length(t.HeadM),
		Forward: quantity.Length(t.HeadFwdM), Right: quantity.Length(t.HeadRgtM)})
	return headspace, head, err
}

// Load returns what a mass of syrup in the tote, of standard uncertainty u,
// weighs against the plates. Errors are *tote.Error.
func (t Tote) Load(liquid, u quantity.Mass) (tote.Weights, error) {
	var tr tote.Trailer
	if x := t.Trailer; x != nil {
		tr = tote.Trailer{Described: true, Empty: quantity.Mass(x.EmptyKg), Other: quantity.Mass(x.OtherKg),
			Gross: quantity.Mass(x.GrossKg), Axles: quantity.Mass(x.AxlesKg), Tongue: quantity.Mass(x.TongueKg)}
	}
	return tote.Load(liquid, u, tote.Plate{Empty: quantity.Mass(t.EmptyKg), Gross: quantity.Mass(t.GrossKg)}, tr)
}
