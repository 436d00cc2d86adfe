package books

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// The simulated season: rig heron, keeper wren, twelve nights, nine mixes, forty
// bags, four yards. It keeps its own true masses in store and tote, and lets
// people and instruments say of them what they would. Of the program it uses
// the densities of syrup alone.

const day = int64(86400e9)

// begins is 1 September 2025, 18:00 UTC.
const begins = int64(1756749600e9)

// what is the matter in a season, and what of it is measured.
type setting struct {
	sensor    bool // the tote's level, after every night and before every mix
	water     bool // the mixes' water is weighed
	uncounted bool // nobody counts the stock
	loss      bool // syrup or sugar is lost that nobody books
	fault     string
	both      bool // and the meter is 4 % off besides
}

// truth is what a simulated season was.
type truth struct {
	lost  float64 // kg of solids, unbooked ...
	at    int64   // ... then ...
	from  string  // ... out of the store, or "": the tote
	act   string  // of the fault: the entry
	size  float64 // and as Culprit.Size has it
	meter float64 // how much too little the meter shows, %
}

type sim struct {
	r    *rand.Rand
	set  setting
	acts []act.Act
	s    *Season
	true truth

	bag, scale, brix, strap      float64 // common errors, in standard uncertainties or as factors
	proving                      [2]float64
	bucketScale                  float64
	store                        float64 // kg
	solids, wet                  float64 // in the tote, kg
	formula                      float64
	faultMix, faultBuy, faultBag int
}

func (m *sim) n(u float64) float64 { return u * m.r.NormFloat64() }

func (m *sim) say(at int64, b act.Body) string {
	id := fmt.Sprintf("act%04d", len(m.acts)+1)
	m.acts = append(m.acts, act.Act{ID: id, Rig: "heron", Who: "wren", When: int64(len(m.acts)), From: at, Body: b})
	return id
}

const root2, root3 = math.Sqrt2, 1.7320508075688772

// relative standard uncertainties as they are stated: errors at most of 0.5 %
// a bag, 1 % a scale, 0.2 Brix a refractometer, as likely anywhere up to that,
// half of the variance common to all of one instrument (see the room's usual ones).
const (
	bagU    = 0.005 / root3 / root2
	scaleU  = 0.01 / root3 / root2
	brixU   = 0.2 / root3 / root2
	proveU  = 0.0025
	bucketU = 0.001
	pullU   = 0.002
	levelU  = 0.003 // m³
	strapU  = 0.004
	eyeL    = 5.0
)

func (m *sim) density(temp float64) float64 {
	x := m.solids / (m.solids + m.wet)
	return float64(syrup.Syrup{Solids: quantity.Solids(x)}.Near(quantity.Temperature(temp)).Density) * m.formula
}

func (m *sim) volume(temp float64) float64 {
	if m.solids+m.wet <= 0 {
		return 0
	}
	return (m.solids + m.wet) / m.density(temp)
}

// goods says n bags, and returns how much they are.
func (m *sim) goods(n float64) (act.Goods, float64) {
	return act.Goods{Kind: act.SugarGoods, Bags: n, BagKg: 25}, 25 * n * (1 + m.bag) * (1 + m.n(bagU/math.Sqrt(max(1, n))))
}

// look returns what is said of the tote's content, L, and its error at most; 0: usual.
func (m *sim) look(at int64, temp float64) *act.Content {
	v := m.volume(temp)
	if m.set.sensor {
		said := max(0, v/(1+m.strap)+m.n(levelU))
		m.s.Levels = append(m.s.Levels, Levelled{At: at, Volume: said, U: levelU, ShareU: strapU})
		return &act.Content{L: said * 1000, WithinL: levelU * 1000 * root3}
	}
	l := v * 1000
	within := l*0.02 + eyeL
	return &act.Content{L: max(0, l+m.n(within/root3)), WithinL: within}
}

func simulate(seed uint64, set setting) (*Season, truth) {
	r := rand.New(rand.NewPCG(seed, 77))
	m := &sim{r: r, set: set, s: &Season{From: begins - 10*day, To: begins + 100*day}, formula: 1}
	m.bag, m.scale, m.brix, m.strap = m.n(bagU), m.n(scaleU), m.n(brixU), m.n(strapU)
	m.proving, m.bucketScale = [2]float64{m.n(proveU), m.n(proveU)}, m.n(bucketU)
	m.formula = 1 + m.n(1.7e-4)
	m.faultMix, m.faultBuy, m.faultBag = r.IntN(9), r.IntN(2), 2*r.IntN(2)-1
	k := 1.0
	if set.fault == "meter 4 % off" || set.both {
		k = 1 + 0.04*float64(m.faultBag)
		m.true.meter = 100 * (k - 1)
	}
	lossNight := r.IntN(12)
	m.say(begins-9*day, act.Count{Goods: act.Goods{Kind: act.SugarGoods}, Empty: true})
	m.buy(0, begins-8*day)
	flows := m.season(k, lossNight)
	held := sugar.Read(m.acts)
	for i := range flows {
		flows[i].Held = held.OnRig("heron", flows[i].At)
	}
	m.s.Acts, m.s.Book, m.s.Metered = m.acts, held, flows
	return m.s, m.true
}

func (m *sim) buy(i int, at int64) {
	n := []float64{26, 18}[i]
	g, kg := m.goods(n)
	if m.set.fault == "bag bought" && i == m.faultBuy {
		_, kg = m.goods(n + float64(m.faultBag))
	}
	m.store += kg
	id := m.say(at, act.Purchase{Goods: g, Price: 26 * n})
	if m.set.fault == "bag bought" && i == m.faultBuy {
		m.true.act, m.true.size = id, float64(m.faultBag)
	}
}

// count says what is in store, in bags and parts of one.
func (m *sim) count(at int64) {
	if m.set.uncounted {
		return
	}
	n := m.store / 25 / (1 + m.bag)
	n /= 1 + m.n(bagU/math.Sqrt(max(1, n)))
	m.say(at, act.Count{Goods: act.Goods{Kind: act.SugarGoods, Bags: n, BagKg: 25}})
}

func (m *sim) mix(i int, at int64, temp float64) {
	n := []float64{5, 4, 5, 4, 5, 4, 5, 4, 4}[i] // forty in all
	var before *act.Content                      // the first time the tote is new
	if i > 0 {
		before = m.look(at, temp)
	}
	g, kg := m.goods(n)
	bad := m.set.fault == "bag in a mix" && i == m.faultMix
	if bad {
		_, kg = m.goods(n + float64(m.faultBag))
	}
	water := n * 25 / 2
	b := act.Mix{Parts: []act.Goods{g}, Before: before, TempC: temp}
	if m.set.water {
		b.WaterKg = water
	}
	wet := water * (1 + m.scale) * (1 + m.n(scaleU))
	b.Brix = 100*kg/(kg+wet) + m.brix + m.n(brixU)
	if m.set.fault == "Brix 2 off" && i == m.faultMix {
		b.Brix -= 2 * float64(m.faultBag)
		m.true.size = 2 * float64(m.faultBag)
	}
	id := m.say(at, b)
	if bad || m.set.fault == "Brix 2 off" && i == m.faultMix {
		m.true.act = id
		if bad {
			m.true.size = float64(m.faultBag)
		}
	}
	m.store -= kg
	m.solids, m.wet = m.solids+kg, m.wet+wet
}

// season goes through the nights.
func (m *sim) season(k float64, lossNight int) []Metered {
	yards := []string{"orchard-end", "mill-bottom", "larch-bank", "ferry-lane"}
	var flows []Metered
	mixes, temp := 0, 20.0
	for night := range 12 {
		at := begins + int64(night)*3*day
		temp = 18 - 0.9*float64(night) + 4*m.r.Float64()
		if night == 6 {
			m.count(at - day)
			m.buy(1, at-day/2)
		}
		if night%4 != 3 {
			m.mix(mixes, at-day/24, temp)
			mixes++
		}
		// Three yards a night get most of what there is; before a night without a mix, half.
		part := 0.85 + 0.1*m.r.Float64()
		if night%4 == 2 {
			part = 0.5
		}
		give := m.volume(temp) * part / 3
		for y := range 3 {
			v := give * (0.9 + 0.2*m.r.Float64())
			rho := m.density(temp)
			x := m.solids / (m.solids + m.wet)
			m.solids -= v * rho * x
			m.wet -= v * rho * (1 - x)
			half := night / 6
			shows := v / k / (1 + m.proving[half] + m.bucketScale) / (1 + m.n(pullU))
			flows = append(flows, Metered{Name: yards[(night+y)%4], Yard: yards[(night+y)%4], At: at + int64(y)*day/24, Visit: len(flows),
				Volume: shows, Temp: quantity.Temperature(temp + m.n(0.5)), Own: shows * pullU, Common: []Common{
					{[]string{"proving of August", "proving of October"}[half], shows * proveU}, {"scale of the bucket tests", shows * bucketU}}})
		}
		if m.set.loss && night == lossNight {
			m.lose(at + day/6)
		}
		if m.set.sensor {
			m.look(at+day/4, temp)
		}
	}
	end := begins + 40*day
	c := m.look(end, temp)
	m.say(end, act.Contents{L: c.L, WithinL: c.WithinL})
	m.count(end)
	slices.SortFunc(m.s.Levels, func(a, b Levelled) int { return int((a.At - b.At) / 1e9) })
	return flows
}

// lose loses up to twenty kilograms of syrup out of the tote or, one time in four, of sugar out of the store.
func (m *sim) lose(at int64) {
	m.true.at = at
	kg := 3 + 17*m.r.Float64()
	if m.r.IntN(4) == 0 && !m.set.uncounted {
		m.store -= kg
		m.true.lost, m.true.from = kg, act.SugarGoods
		return
	}
	all := m.solids + m.wet
	f := min(0.8, kg/all)
	m.true.lost = m.solids * f
	m.solids *= 1 - f
	m.wet *= 1 - f
}
