package line

import (
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Cells is in how many plugs, from meter to nozzle, the syrup in the hose is thought of.
const Cells = 6

// Section is the syrup in one part of the line, with the slopes of its viscosity's logarithm.
type Section struct {
	Viscosity quantity.Viscosity
	PerKelvin float64
	PerSolids float64 // for a mass fraction of 1
}

// Setting is what is set on the rig while a pull lasts.
type Setting struct {
	Speed quantity.Frequency // of the pump's shaft; 0: not known, its Idle
	Level quantity.Length    // of syrup in the tote, above its floor
	Open  float64            // which part of the nozzle's area is open; 0: all of it
	// Outlet is what a gauge at the pump's outlet shows; 0: none. With it the flow is that of what
	// comes after, whatever the pump does.
	Outlet quantity.Pressure
}

// Conditions are what a pull is made under.
type Conditions struct {
	Setting
	Tote          quantity.Temperature
	Density       quantity.Density // of all of the syrup
	Suction, Body Section          // tote to pump; pump, screen and meter
	Hose          [Cells]Section
	ViscosityU    float64 // relative standard uncertainty of the viscosity's formula
	Cane          float64 // share of the solids that are sucrose: its formula and the other's err apart
	Beyond        bool    // no published data carry the viscosity of some section
}

// Under returns the conditions of a batch in a tote of this temperature, on a rig as warm as w.
func Under(s syrup.Syrup, tote quantity.Temperature, w Warmth, set Setting) Conditions {
	c := Conditions{Setting: set, Tote: tote, Cane: s.Makeup.Share(syrup.Sucrose)}
	section := func(t quantity.Temperature) Section {
		p := s.Near(t)
		c.ViscosityU = max(c.ViscosityU, p.ViscosityU)
		c.Beyond = c.Beyond || p.Mark != syrup.Within
		return Section{p.Viscosity, p.ViscosityPerKelvin, p.ViscosityPerSolids}
	}
	c.Density = s.Near(tote).Density
	c.Suction = section(tote)
	c.Body = section(w.past(tote))
	for i, t := range w.Hose {
		if i > 0 && t == w.Hose[i-1] {
			c.Hose[i] = c.Hose[i-1]
			continue
		}
		c.Hose[i] = section(t)
	}
	return c
}

// Even returns the conditions of one liquid all along the line, of which no batch is known.
func Even(rho quantity.Density, mu quantity.Viscosity, set Setting) Conditions {
	s := Section{Viscosity: mu}
	c := Conditions{Setting: set, Tote: 20, Density: rho, Suction: s, Body: s}
	for i := range c.Hose {
		c.Hose[i] = s
	}
	return c
}

// check returns an *Error for conditions that cannot be.
func (c *Conditions) check() error {
	if err := between("density, kg/m³", float64(c.Density), 500, 2500); err != nil {
		return err
	}
	for i := range Cells + 2 {
		s := c.section(i)
		if err := between("viscosity, Pa·s", float64(s.Viscosity), 1e-6, 1e4); err != nil {
			return err
		}
		if err := between("viscosity's slope, 1/K", s.PerKelvin, -1, 1); err != nil {
			return err
		}
		if err := between("viscosity's slope with solids", s.PerSolids, -1000, 1000); err != nil {
			return err
		}
	}
	if err := between("pump speed, 1/s", float64(c.Speed), 0, 500); err != nil {
		return err
	}
	if err := between("tote level, m", float64(c.Level), 0, 20); err != nil {
		return err
	}
	if err := between("outlet pressure, Pa", float64(c.Outlet), 0, 1e7); err != nil {
		return err
	}
	if err := between("tote temperature, °C", float64(c.Tote), -20, 80); err != nil {
		return err
	}
	if err := between("uncertainty of viscosity", c.ViscosityU, 0, 2); err != nil {
		return err
	}
	if err := between("share of cane", c.Cane, 0, 1); err != nil {
		return err
	}
	return between("open part of the nozzle", c.Open, 0, 1)
}

// section returns the suction, the body, then the hose's cells.
func (c *Conditions) section(i int) *Section {
	switch i {
	case 0:
		return &c.Suction
	case 1:
		return &c.Body
	}
	return &c.Hose[i-2]
}
