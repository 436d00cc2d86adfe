package line

import (
	"math"
	"math/rand/v2"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// A world of rigs of its own. Its friction is another: laminar and Blasius' with a switch somewhere
// between, coils by Hasson (laminar, 0.556 + 0.0969 roots of Dean) and Ito's critical Reynolds number
// (memory, both); its pump falls with another power; its losses are of no label. Of syrup the
// formulas are asked, and then wrong by what they are said to be.

type rigged struct {
	r                   *rand.Rand
	shut, most, power   float64 // m at 3600, m³/s, how its head falls
	speed               float64 // 1/s, usual
	bore, length, reel  float64 // m, m, part of it
	drum                float64
	k, k1               float64
	nozzle, cd, nozzle1 float64
	meterV, meterS      float64
	switchRe            float64
	suctionK            float64
	formula, tilt       [2]float64 // of cane and corn, in standard uncertainties
	scatter             float64
	gauge, outletU      float64 // what a gauge is off, relative, and what is said of it; 0: no gauge
}

// evening is what one night and its batch have in common: as they are, and as they are said.
type evening struct {
	of                 Of
	kind               syrup.Makeup
	solids, saidSolids float64
	temp, offset       float64 // °C; of the thermometer
	speed, reel        float64
	level              float64
	solidsU, tempU     float64
	outletU            float64 // 0: no gauge
}

func newRig(seed uint64) *rigged {
	r := rand.New(rand.NewPCG(seed, 77))
	label := Usual()
	w := &rigged{r: r, drum: float64(label.Hose.Drum), length: float64(label.Hose.Length) * (1 + 0.02*r.NormFloat64())}
	w.shut = float64(label.Pump.Shutoff) * math.Exp(0.2*r.NormFloat64())
	w.most = float64(label.Pump.MaxFlow) * math.Exp(0.2*r.NormFloat64())
	w.power = between2(r, 1.5, 2.5)
	w.speed = float64(label.Pump.Idle) * math.Exp(0.08*r.NormFloat64())
	w.bore = float64(label.Hose.Bore) * math.Exp(0.03*r.NormFloat64())
	w.reel = between2(r, 0.1, 0.6)
	w.k, w.k1 = between2(r, 2, 12), between2(r, 0, 4000)
	w.nozzle = float64(label.Nozzle.Bore) * math.Exp(0.12*r.NormFloat64())
	w.cd, w.nozzle1 = between2(r, 0.62, 0.9), between2(r, 0, 500)
	w.meterV, w.meterS = odds(r, 1e8, 1e9), odds(r, 1e6, 2e7)
	w.switchRe = between2(r, 2000, 2800)
	w.suctionK = between2(r, 2, 10)
	for i := range 2 {
		w.formula[i], w.tilt[i] = r.NormFloat64(), 0.3*r.NormFloat64()
	}
	w.scatter = between2(r, 0.01, 0.03)
	return w
}

func (w *rigged) evening(name string, kind syrup.Makeup, thick, thin bool) evening {
	r := w.r
	brix := between2(r, 63, 67)
	if thin && (!thick || r.IntN(2) == 0) {
		brix = between2(r, 45, 52)
	}
	e := evening{of: Of{"batch of " + name, name}, kind: kind, solids: brix / 100, solidsU: 0.003, tempU: 0.7, outletU: w.outletU,
		temp: between2(r, 5, 28), speed: w.speed * math.Exp(0.05*r.NormFloat64()), reel: w.reel, level: between2(r, 0.1, 0.9)}
	e.saidSolids = e.solids + e.solidsU*r.NormFloat64()
	e.offset = e.tempU * r.NormFloat64()
	return e
}

// pull makes one, at a temperature that drifts: what a meter sees, and what is said of it.
func (w *rigged) pull(e *evening) (flow float64, said Conditions) {
	r := w.r
	temp := e.temp + between2(r, -3, 3)
	truly := syrup.Syrup{Makeup: e.kind, Solids: quantity.Solids(e.solids)}.Near(quantity.Temperature(temp))
	cane := e.kind.Share(syrup.Sucrose)
	z := cane*(w.formula[0]+w.tilt[0]*(temp-18)/12) + (1-cane)*(w.formula[1]+w.tilt[1]*(temp-18)/12)
	mu, rho := float64(truly.Viscosity)*math.Exp(z*truly.ViscosityU), float64(truly.Density)
	q := w.flow(mu, rho, e.speed, e.level, e.reel)
	flow = q * math.Exp(w.scatter*r.NormFloat64())
	outlet := 0.0
	if w.outletU > 0 {
		outlet = w.outlet(q, mu, rho, e.speed, e.level) * (1 + w.gauge + 0.01*r.NormFloat64())
	}
	deg := quantity.Temperature(temp + e.offset)
	return flow, Under(syrup.Syrup{Makeup: e.kind, Solids: quantity.Solids(e.saidSolids)}, deg, AllAt(deg), Setting{Level: quantity.Length(e.level), Outlet: quantity.Pressure(outlet)})
}

func (w *rigged) flow(mu, rho, speed, level, reel float64) float64 {
	lo, hi := 0.0, w.most
	for range 60 {
		if q := (lo + hi) / 2; w.spare(q, mu, rho, speed, level, reel) > 0 {
			lo = q
		} else {
			hi = q
		}
	}
	return lo
}

func (w *rigged) spare(q, mu, rho, speed, level, reel float64) float64 {
	area := math.Pi * w.bore * w.bore / 4
	v := q / area
	re := rho * v * w.bore / mu
	laminar, rough := 64/re, 0.3164/math.Pow(re, 0.25)
	part := 1 / (1 + math.Exp(-(re-w.switchRe)/150))
	if re > 1e4 {
		part = 1
	}
	straightly := laminar + (max(laminar, rough)-laminar)*part
	coil := laminar
	dean := re * math.Sqrt(w.bore/w.drum)
	if dean > 21 { // where the line is above 1
		coil *= 0.556 + 0.0969*math.Sqrt(dean)
	}
	if re > 2e4*math.Pow(w.bore/w.drum, 0.32) {
		coil = max(coil, rough)
	}
	head := rho * v * v / 2
	loss := head * ((straightly*(1-reel)+coil*reel)*w.length/w.bore + w.k + w.k1/re)
	nozzle := math.Pi * w.nozzle * w.nozzle / 4
	loss += rho/2*math.Pow(q/(w.cd*nozzle), 2) + w.nozzle1*mu*q/nozzle/(2*w.nozzle)
	loss += w.meterV*mu*q + w.meterS*rho*q*q
	return w.outlet(q, mu, rho, speed, level) - rho*gravity*0.5 - loss // the nozzle is half a metre above the pump
}

// outlet is what the pump leaves there, of the suction's loss.
func (w *rigged) outlet(q, mu, rho, speed, level float64) float64 {
	const suction = 0.0508
	sv := q / (math.Pi * suction * suction / 4)
	loss := 32*mu*sv*3/(suction*suction) + w.suctionK*rho*sv*sv/2
	s := speed / 60
	pump := w.shut * s * s * (1 - math.Pow(q/(w.most*s), w.power))
	return rho*gravity*(pump+0.2+level) - loss
}
