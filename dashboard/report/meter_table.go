package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/worth"
)

// FewOnChart is how many provings make the limits of a control chart firm.
// Common practice, no source.
const FewOnChart = 8

func meterTable(w io.Writer, v *ledger.View, o Options, s *sheet) error {
	var b strings.Builder
	title := "Flow meter"
	if v.Rig != "" {
		title += " of " + v.Rig
	}
	fmt.Fprintf(&b, "%s (%s)\n\n", title, o.zone())
	if !s.Known {
		b.WriteString("Nothing was proved yet: what a pulse is worth is not known. \"yardtally prove\" makes a proving.\n\n")
		b.WriteString(LegalNote + "\n")
		_, err := io.WriteString(w, b.String())
		return err
	}
	s.name(o)
	wrap(&b, "", s.is())
	wrap(&b, "", s.inForce(o))
	b.WriteString("\nCurve\n")
	all := func(texts []string) {
		for _, text := range texts {
			wrap(&b, "  ", text)
		}
	}
	all(s.curve(o))
	if len(s.rows) > 0 {
		b.WriteString("\nProvings\n\n")
		if err := s.points(o).write(&b); err != nil {
			return err
		}
	}
	b.WriteString("\nDrift\n")
	all(s.driftHead())
	if s.Chart != nil {
		b.WriteByte('\n')
		_ = s.drift(o).write(&b) // to memory
		b.WriteByte('\n')
		all(s.driftFoot())
	}
	b.WriteString("\nNext proving\n")
	all([]string{s.next(o)})
	if s.night.Fills > 0 {
		b.WriteString("\nWhat the fills' volume is uncertain by\n\n")
		g := s.budget(o)
		for i := range g.rows {
			if len(g.rows[i]) > 0 {
				g.rows[i][0] = "  " + g.rows[i][0]
			}
		}
		g.head[0] = "  " + g.head[0]
		_ = g.write(&b) // to memory
		b.WriteByte('\n')
		all([]string{budgetFoot})
	}
	b.WriteString("\n" + LegalNote + "\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// day is an instant with its date and minute.
func (o Options) day(at int64) string {
	return time.Unix(0, at).In(o.zone()).Format("2006-01-02 15:04")
}

// sentence puts a full stop behind.
func sentence(s string) string { return strings.TrimSuffix(s, ".") + "." }

// said puts words in the place of the ids of provings.
func (s *sheet) said(text string) string {
	for id, name := range s.names {
		text = strings.ReplaceAll(text, id, name)
	}
	return text
}

// name gives provings names that a person knows them by.
func (s *sheet) name(o Options) {
	for i := range s.rows {
		s.names[s.rows[i].Proving] = "proving of " + o.day(int64(s.rows[i].Done))
	}
}

func (s *sheet) is() string {
	return fmt.Sprintf("The meter: %s, of %s; one pull scatters by %s (standard deviation).", s.Type, s.Body, percentOf(s.span.Repeat))
}

func (s *sheet) inForce(o Options) string {
	since := "since ever"
	if s.Since != 0 {
		since = "since " + o.day(int64(s.Since))
	}
	return fmt.Sprintf("The curve in force holds %s; it is curve %d of this rig.", since, s.Curves)
}

// curve says what the curve is, where it was proved and how well the provings agree.
func (s *sheet) curve(o Options) []string {
	return slices.Concat([]string{sentence(s.rep.Equation.Words(o.Units))}, s.proved(o), s.fit())
}

func (s *sheet) proved(o Options) (out []string) {
	r, u := &s.rep, o.Units
	switch {
	case s.label:
		return []string{"No bucket test yet: a label may be off by 1 % and more, on thick syrup further. " + capital(o.named("prove", "a guided proving")) + " makes one."}
	case r.Mass:
		out = append(out, "Proved by mass: it counts kilograms, and volumes are as good as the Brix of the syrup.")
	}
	between := func(what, lo, hi string) string {
		if lo == hi {
			return what + " " + lo
		}
		return what + " " + lo + " to " + hi
	}
	var parts []string
	if r.Flow[1] > 0 {
		parts = append(parts, between("flow", u.Flow(r.Flow[0]), u.Flow(r.Flow[1])))
	}
	if !r.Mass {
		parts = append(parts, between("viscosity", viscosity(r.Viscosity[0]), viscosity(r.Viscosity[1])))
	}
	parts = append(parts, between("temperature", u.Temperature(r.Temp[0]), u.Temperature(r.Temp[1])))
	if r.Meter.Type != proving.OvalGear && r.PerNu[1] > 0 {
		parts = append(parts, between("rate by viscosity", figures(r.PerNu[0]), figures(r.PerNu[1])+" Hz per mm²/s"))
	}
	return append(out, "Proved range: "+strings.Join(parts, "; ")+". Outside, volumes are less sure.")
}

func viscosity(v quantity.Viscosity) string {
	return figures(float64(v/quantity.MillipascalSecond)) + " mPa·s"
}

// fit says how well the provings agree.
func (s *sheet) fit() (out []string) {
	r := &s.rep
	say := func(text string) { out = append(out, text) }
	if r.OffLabel != 0 {
		say(fmt.Sprintf("The provings' K-factor differs from the label's by %s.", signedPercent(r.OffLabel)))
	}
	if len(r.Points) >= 2 {
		say("Linearity: " + percentOf(r.Linearity) + ", half the spread of the K-factors by their mean.")
	}
	if n := len(r.Repeat.Names); n >= 2 {
		text := fmt.Sprintf("Repeatability: %s between the lowest and the highest K-factor of %d runs under like conditions", percentOf(r.Repeat.Repeatability), n)
		if !math.IsNaN(r.Repeat.MeanU) {
			text += fmt.Sprintf("; their mean is sure to ± %s", percentOf(r.Repeat.MeanU))
		}
		say(text + ".")
		if r.Repeat.Outlier != "" {
			say(s.said(fmt.Sprintf("Of these, the %s is an outlier (Grubbs, 5 %%).", r.Repeat.Outlier)))
		}
	} else if !s.label {
		say("Repeatability: not known; it takes two runs or more under like conditions within a day.")
	}
	for _, n := range r.Outliers {
		say(s.said(fmt.Sprintf("Off the curve by more than chance: the %s. It is kept, but counts for less. Was the bucket, the Brix or the count wrong?", n)))
	}
	if r.Disagree {
		say("The provings disagree by more than their own uncertainty explains; all are counted as less sure.")
	}
	for _, l := range r.LeftOut {
		name, why, _ := strings.Cut(l, ": ")
		if n, ok := s.names[name]; ok {
			name = n
		} else {
			name = "act " + name
		}
		say("Left out: " + name + ", " + sentence(why))
	}
	return out
}

// points is the table of the provings.
func (s *sheet) points(o Options) *grid {
	unit := kUnit(o.Units, s.rep.Mass)
	_, flowUnit := o.Units.FlowParts(0)
	g := grid{head: []string{"done", ">K-factor " + unit, ">±", ">flow " + flowUnit, ">mPa·s", ">" + degree(o.Units), ">off the curve", ">in sd", ""}}
	for i := range s.rows {
		row := &s.rows[i]
		k, mass := value(row.PulsesPerL)*1000, false
		if row.PulsesPerKg != "" {
			k, mass = value(row.PulsesPerKg), true
		}
		kText := kNumber(o.Units, k, mass)
		if mass != s.rep.Mass {
			kText += " " + kUnit(o.Units, mass)
		}
		flow, visc, temp, resid, sd, note := "", "", "", "not in it", "", ""
		if row.FlowLPerMin != "" {
			flow, _ = o.Units.FlowParts(quantity.Flow(value(row.FlowLPerMin)) * quantity.LitrePerMinute)
		}
		if row.Viscosity != "" {
			visc = figures(value(row.Viscosity))
		}
		if row.TempC != "" {
			temp, _ = o.Units.TemperatureParts(quantity.Temperature(value(row.TempC)))
		}
		if row.InForce {
			resid = signedPercent(value(row.Residual))
		}
		if row.Standard != "" && !row.Outlier {
			sd = signed(value(row.Standard), 1)
		}
		if row.Outlier {
			note = "outlier"
		}
		g.add(o.day(int64(row.Done)), kText, percent95(value(row.RelativeU)), flow, visc, temp, resid, sd, note)
	}
	return &g
}

// driftHead says what the control chart shows, or why there is none.
func (s *sheet) driftHead() []string {
	switch {
	case s.label:
		return []string{"None to be seen without bucket tests."}
	case s.Chart == nil:
		return []string{"None to be seen yet: it takes two provings or more that differ. The meter factor is the curve's K-factor over the proving's."}
	}
	return []string{"The meter factor is the curve's K-factor over the proving's, so that flow and syrup are taken out.",
		fmt.Sprintf("Mean %s; control limits %s to %s.", plain(value(s.Chart.Mean), 5), plain(value(s.Chart.Lower), 5), plain(value(s.Chart.Upper), 5))}
}

// drift draws the control chart: time runs down, the meter factor to the
// right, the limits as bars, the mean as a colon.
func (s *sheet) drift(o Options) *grid {
	mean, lower, upper := value(s.Chart.Mean), value(s.Chart.Lower), value(s.Chart.Upper)
	// What is farther out than the limits are apart stands at the edge.
	lo, hi := lower, upper
	for i := range s.rows {
		if f := value(s.rows[i].MeterFactor); s.rows[i].InForce {
			lo, hi = min(lo, max(f, 2*lower-upper)), max(hi, min(f, 2*upper-lower))
		}
	}
	const width = 31
	column := func(f float64) int {
		return min(max(int(math.Round((f-lo)/(hi-lo)*(width-1))), 0), width-1)
	}
	g := grid{head: []string{"  done", ">factor", ">since first", "chart", ""}}
	for i := range s.rows {
		row := &s.rows[i]
		if !row.InForce {
			continue
		}
		line := []rune(strings.Repeat(" ", width))
		line[column(lower)], line[column(upper)], line[column(mean)] = '|', '|', ':'
		switch f := value(row.MeterFactor); {
		case f < lo:
			line[0] = '<'
		case f > hi:
			line[width-1] = '>'
		default:
			line[column(f)] = 'o'
		}
		g.add("  "+o.day(int64(row.Done)), plain(value(row.MeterFactor), 5), signedPercent(value(row.SinceFirst)-1), string(line), row.outside())
	}
	return &g
}

func (r *MeterRow) outside() string {
	if r.Outside {
		return "outside the limits"
	}
	return ""
}

func (s *sheet) driftFoot() (out []string) {
	if slices.ContainsFunc(s.rows, func(r MeterRow) bool { return r.Outside }) {
		out = append(out, "What lies outside the limits is more than this meter's own scatter: look at the meter, the strainer and the way the proving was done before trusting either.")
	}
	if len(s.rep.Points) < FewOnChart {
		out = append(out, fmt.Sprintf("With fewer than %d provings the limits are rough.", FewOnChart))
	}
	return out
}

// next says when to prove next.
func (s *sheet) next(o Options) string {
	switch {
	case s.Due == 0:
		return "Due now: no bucket test counts."
	case s.Overdue:
		return fmt.Sprintf("Overdue since %s: the last was on %s, and one is good for %s.", o.day(int64(s.Due)), o.day(int64(s.Last)), days(s.span.DueDays))
	}
	return fmt.Sprintf("Due by %s: the last was on %s, and one is good for %s. Sooner when the syrup changes, or the meter was opened.",
		o.day(int64(s.Due)), o.day(int64(s.Last)), days(s.span.DueDays))
}

func days(n float64) string {
	if n == 1 {
		return "1 day"
	}
	return strconv.FormatFloat(n, 'f', -1, 64) + " days"
}

const budgetFoot = "± holds the truth 19 times in 20. Causes add as squares. What comes from a proving is common to all fills and does not average out."

// budget is what the volume of the fills is uncertain by, and why.
func (s *sheet) budget(o Options) *grid {
	n := &s.night
	g := grid{head: []string{"cause", ">± " + unitName(o.Units), ">of the volume"}}
	line := func(what string, v quantity.Volume) {
		g.add(what, Within(o.Units, v), percentOf(float64(v)/float64(n.Volume)))
	}
	rest, all := 0.0, n.Budget.U()
	for _, c := range n.Budget {
		if c.U < all/30 { // worth less than a thousandth of it
			rest = math.Hypot(rest, c.U)
			continue
		}
		line(s.said(c.Name), quantity.VolumeOf(worth.Cover*c.U))
	}
	if rest > 0 {
		line("everything else", quantity.VolumeOf(worth.Cover*rest))
	}
	g.rule()
	line("all, of "+Hundredths(o.Units, n.Volume)+" in "+plural(n.Fills, "fill"), n.Within)
	return &g
}

func unitName(u quantity.System) string {
	vol, _, _ := units(u)
	return vol
}
