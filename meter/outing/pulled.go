package outing

import (
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/fill"
)

// Pulled is what was seen of a pull's steady part; of one that people cut, or
// that is still open, nothing.
type Pulled struct {
	Flow    quantity.Flow        // in the steady part; 0: it had none (too short, cut, hidden), or what a pulse is worth is not known
	RelU    float64              // its relative standard uncertainty, of counting alone
	Steady  int64                // ns that it lasted
	Outlet  quantity.Pressure    // mean at the pump's outlet over the steady part
	Speed   quantity.Frequency   // of the shaft, in the same way
	Air     quantity.Temperature // at its end
	Level   quantity.Length      // of syrup above the tote's floor, before it or meanwhile
	Tote    quantity.Temperature // best idea of the tote's: what the syrup at the meter tended to
	Batch   string               // id of the batch's act; "": not said
	Liquid  syrup.Syrup          // of Batch
	SolidsU quantity.Solids      // standard uncertainty of its solids, as far as said

	// Whether those are known.
	HasOutlet, HasSpeed, HasAir, HasLevel, HasTote bool
}

// Steady is what a Flow keeps for Pulled, in the same units; a season has
// thousands of them. What Has does not name is not known.
type Steady struct {
	Took                            int64  // ns; 0: there was no steady part
	Pulses                          uint32 // in that time
	RelU                            float32
	Outlet, Speed, Air, Level, Tote float32
	Has                             Has
}

// Has tells which fields of a Steady are known.
type Has uint8

// The fields.
const (
	HasOutlet Has = 1 << iota
	HasSpeed
	HasAir
	HasLevel
	HasTote
)

// Stock is a batch as it was booked.
type Stock struct {
	Act     string
	Syrup   syrup.Syrup
	SolidsU quantity.Solids // standard uncertainty
}

// Idle is a span in which the pump turned and nothing flowed.
type Idle struct {
	From, To int64              // To 0: it lasts
	Outlet   quantity.Pressure  // mean at the pump's outlet; 0: not known
	Speed    quantity.Frequency // mean of the shaft's; 0: not known
}

// pulled says what was seen of a part's steady part.
func (a *account) pulled(p *part) Pulled {
	s := &p.Steady
	if !p.whole || p.Flow.Stray >= fill.SomeStray {
		return Pulled{}
	}
	out := Pulled{RelU: float64(s.RelU), Steady: s.Took,
		Outlet: quantity.Pressure(s.Outlet), HasOutlet: s.Has&HasOutlet != 0,
		Speed: quantity.Frequency(s.Speed), HasSpeed: s.Has&HasSpeed != 0,
		Air: quantity.Temperature(s.Air), HasAir: s.Has&HasAir != 0,
		Level: quantity.Length(s.Level), HasLevel: s.Has&HasLevel != 0,
		Tote: quantity.Temperature(s.Tote), HasTote: s.Has&HasTote != 0}
	if s.Took > 0 {
		out.Flow = quantity.Flow(float64(s.Pulses) * p.Pulse.CubicMetres() / (float64(s.Took) / 1e9))
	}
	if a.said.Stock != nil {
		if b, ok := a.said.Stock(p.Start); ok {
			out.Batch, out.Liquid, out.SolidsU = b.Act, b.Syrup, b.SolidsU
		}
	}
	return out
}
