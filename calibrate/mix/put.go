package mix

import (
	"math"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Means is how well the parts of a recipe are measured. "Within" means any
// value up to the limit is as likely (a rectangular distribution, GUM 4.3.7).
type Means struct {
	Scale      float64          // relative standard uncertainty of a weighed mass or a bag's label
	Measure    float64          // the same of a volume by the marks of a bucket
	Bulk       quantity.Density // of granulated sugar, poured
	BulkWithin quantity.Density
	SoldWithin quantity.Solids // of corn syrup's solids, as sold
}

// Usual is what a careful person with a platform scale and a marked bucket
// reaches. Scale, Measure and SoldWithin: common practice, no source. Bulk
// density: 7.1 oz a cup is 851 kg/m³ (a bee club's page), 11 cups for 5 lb 871
// (a club's handout); handbooks give 50-55 lb/ft³, 801-881 kg/m³ (from memory).
// It is good for ±1.5 Brix of syrup made by volume: ask for weights.
var Usual = Means{Scale: 0.005, Measure: 0.01, Bulk: 850, BulkWithin: 50, SoldWithin: 0.005}

func (m Means) check() error {
	for _, f := range []struct {
		field, rule string
		x, lo, hi   float64
	}{
		{"scale's uncertainty", "must be between 0 and 0.2", m.Scale, 0, 0.2},
		{"measure's uncertainty", "must be between 0 and 0.2", m.Measure, 0, 0.2},
		{"bulk density", "must be between 500 and 1200 kg/m3", float64(m.Bulk), 500, 1200},
		{"bulk density's range", "must be between 0 and 200 kg/m3", float64(m.BulkWithin), 0, 200},
		{"range of solids as sold", "must be between 0 and 5 %", float64(m.SoldWithin), 0, 0.05},
	} {
		if !(f.x >= f.lo && f.x <= f.hi) {
			return &Error{f.field, f.rule, f.x}
		}
	}
	return nil
}

// AsSold returns the dry solids at which a kind is usually sold: HFCS-42 71 %,
// HFCS-55 77 % (Buck, in Alternative Sweeteners). Others: 0, there is no usual.
func AsSold(k syrup.Kind) quantity.Solids {
	switch k {
	case syrup.HFCS42:
		return 0.71
	case syrup.HFCS55:
		return 0.77
	}
	return 0
}

// Sugar is dry granulated sugar, weighed.
func Sugar(m quantity.Mass, by Means) (Batch, error) {
	if err := by.check(); err != nil {
		return Batch{}, err
	}
	n, err := MicrogramsOf("sugar", m)
	return sugar(n, by.Scale), err // of an error n is 0
}

func sugar(n Micrograms, relU float64) (b Batch) {
	b.solids[syrup.Sucrose] = n
	b.slips[SugarWeight].solids = float64(n.Mass()) * relU
	return b
}

// SugarByVolume is dry granulated sugar, poured into a measure.
func SugarByVolume(v quantity.Volume, by Means) (Batch, error) {
	if err := by.check(); err != nil {
		return Batch{}, err
	}
	kg := v.CubicMetres() * float64(by.Bulk)
	n, err := MicrogramsOf("sugar", quantity.Mass(kg))
	if err != nil {
		return Batch{}, &Error{"sugar", "must be between 0 and 1000000 kg", v}
	}
	var b Batch
	b.solids[syrup.Sucrose] = n
	relU := float64(by.BulkWithin/by.Bulk) / math.Sqrt(3)
	b.slips[SugarBulk].solids = kg * math.Hypot(relU, by.Measure)
	return b, nil
}

// Water is water, weighed.
func Water(m quantity.Mass, by Means) (Batch, error) {
	if err := by.check(); err != nil {
		return Batch{}, err
	}
	n, err := MicrogramsOf("water", m)
	return water(n, by.Scale), err
}

func water(n Micrograms, relU float64) (b Batch) {
	b.water = n
	b.slips[WaterWeight].water = float64(n.Mass()) * relU
	return b
}

// WaterByVolume is water measured at temperature t. Water too hot for package
// syrup is refused: measure it before it is heated.
func WaterByVolume(v quantity.Volume, t quantity.Temperature, by Means) (Batch, error) {
	if err := by.check(); err != nil {
		return Batch{}, err
	}
	p, err := syrup.Syrup{}.At(t)
	if err != nil {
		return Batch{}, &Error{"water", "must be measured at -5 to 50 °C: do it before it is heated, or weigh it", t}
	}
	kg := v.CubicMetres() * float64(p.Density)
	n, err := MicrogramsOf("water", quantity.Mass(kg))
	if err != nil {
		return Batch{}, &Error{"water", "must be between 0 and 1000000 kg", v}
	}
	b := Batch{water: n}
	b.slips[WaterMeasure].water = kg * by.Measure
	return b, nil
}

// Syrup is corn syrup or any other that is put in, weighed, at its own solids.
func Syrup(s syrup.Syrup, m quantity.Mass, by Means) (Batch, error) {
	if err := by.check(); err != nil {
		return Batch{}, err
	}
	b, err := dissolved(s, m)
	if err != nil {
		return Batch{}, err
	}
	x, kg := float64(s.Solids), float64(m)
	b.slips[SyrupWeight] = slip{kg * x * by.Scale, kg * (1 - x) * by.Scale}
	b.slips[SoldSolids] = slip{kg * float64(by.SoldWithin) / math.Sqrt(3), -kg * float64(by.SoldWithin) / math.Sqrt(3)}
	return b, nil
}

// SyrupByVolume is the same, measured at temperature t.
func SyrupByVolume(s syrup.Syrup, v quantity.Volume, t quantity.Temperature, by Means) (Batch, error) {
	if err := by.check(); err != nil {
		return Batch{}, err
	}
	b, err := ByVolume(s, v, t, Reading{
		Solids: by.SoldWithin / quantity.Solids(math.Sqrt(3)),
		Volume: quantity.VolumeOf(v.CubicMetres() * by.Measure),
	})
	b.slips[SoldSolids], b.slips[BrixReading] = b.slips[BrixReading], slip{}
	b.slips[SyrupMeasure], b.slips[VolumeReading] = b.slips[VolumeReading], slip{}
	return b, err
}

// Reading is how well a batch was measured, as standard uncertainties.
type Reading struct {
	Solids quantity.Solids
	Volume quantity.Volume
	Temp   quantity.Temperature // K
}

// ByVolume is a batch that was measured: what syrup, how much, at which temperature.
func ByVolume(s syrup.Syrup, v quantity.Volume, t quantity.Temperature, u Reading) (Batch, error) {
	if v < 0 {
		return Batch{}, &Error{"volume", "must not be negative", v}
	}
	if !(u.Solids >= 0 && u.Volume >= 0 && u.Temp >= 0) {
		return Batch{}, &Error{"uncertainty of a reading", "must not be negative", u}
	}
	p, err := s.At(t)
	if err != nil {
		return Batch{}, err
	}
	kg := v.CubicMetres() * float64(p.Density)
	b, err := dissolved(s, quantity.Mass(kg))
	if err != nil {
		return Batch{}, &Error{"volume", "must not be more than 1000000 kg", v}
	}
	x, dx := float64(s.Solids), float64(u.Solids)
	b.slips[BrixReading] = slip{kg * dx * (1 + x*p.DensityPerSolids), kg * dx * ((1-x)*p.DensityPerSolids - 1)}
	amount := func(c Cause, relU float64) { b.slips[c] = slip{kg * x * relU, kg * (1 - x) * relU} }
	if v > 0 {
		amount(VolumeReading, u.Volume.CubicMetres()/v.CubicMetres())
	}
	amount(Thermometer, p.DensityPerKelvin*float64(u.Temp))
	amount(DensityFormula, p.DensityU)
	return b, nil
}

// dissolved is the masses of a mass of syrup.
func dissolved(s syrup.Syrup, m quantity.Mass) (Batch, error) {
	if !(s.Solids >= 0 && s.Solids <= 1) {
		return Batch{}, &Error{"solids", "must be between 0 and 100 %", s.Solids}
	}
	n, err := MicrogramsOf("syrup", m)
	if err != nil {
		return Batch{}, err
	}
	solids := Micrograms(math.Round(float64(n) * float64(s.Solids)))
	b := Batch{water: n - solids}
	rest := solids
	for k := kinds - 1; k > 0; k-- { // sucrose, the first, gets what rounding leaves
		part := min(rest, Micrograms(math.Round(float64(solids)*s.Makeup.Share(syrup.Kind(k)))))
		b.solids[k] = part
		rest -= part
	}
	b.solids[syrup.Sucrose] = rest
	return b, nil
}
