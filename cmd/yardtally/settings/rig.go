package settings

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// acts turns what the file says of the rig, but for its counter, into bodies of
// acts.
func (r *reader) acts(f *file) {
	r.tote(f)
	r.meter(f)
	r.batch(f)
	r.line(f)
	for i := range f.Yards {
		r.yard(fmt.Sprintf("yards[%d]", i), &f.Yards[i])
	}
	for i := range f.Provings {
		r.proving(f, i)
	}
}

func (r *reader) meter(f *file) {
	m, mark := f.Meter, len(r.wrong)
	if m == nil {
		return
	}
	r.need("meter.type", m.Type != "", `"oval gear"`)
	r.say(mark, "meter", "meter", m.From, act.Meter{Type: m.Type, Body: m.Body,
		Repeat:  take(r, "meter.repeat", m.Repeat, percent, 0),
		DueDays: take(r, "meter.due", m.Due, days, 0)})
}

func (r *reader) batch(f *file) {
	b, mark := f.Batch, len(r.wrong)
	if b == nil {
		return
	}
	body := act.Batch{Syrup: orElse(b.Syrup, "sucrose"), Shares: take(r, "batch.shares", b.Shares, shares, nil), Compensated: b.Compensated}
	if b.Reading == "" {
		r.need("batch.brix", b.Brix != "", `"64 Brix", or a refractometer's reading`)
	} else if !b.Compensated {
		r.need("batch.reading_temperature", b.ReadingTemperature != "", `"68 F", or compensated = true`)
	}
	body.Brix = brix(take(r, "batch.brix", b.Brix, quantity.ParseBrix, 0))
	body.Reading = brix(take(r, "batch.reading", b.Reading, quantity.ParseBrix, 0))
	body.ReadC = float64(take(r, "batch.reading_temperature", b.ReadingTemperature, quantity.ParseTemperature, 0))
	body.BrixWithin = brix(take(r, "batch.brix_within", b.BrixWithin, quantity.ParseBrix, 0))
	body.MadeNS = r.instant("batch.made", b.Made)
	r.say(mark, "batch", "batch", b.From, body)
}

func (r *reader) proving(f *file, i int) {
	p := &f.Provings[i]
	at, mark := fmt.Sprintf("provings[%d]", i), len(r.wrong)
	body := act.Proving{Pulses: p.Pulses, Note: p.Note, PulsesPerL: take(r, at+".k_factor", p.KFactor, kFactor, 0),
		Syrup: p.Syrup, Shares: take(r, at+".shares", p.Shares, shares, nil), Mass: p.ByMass, Fresh: p.Fresh}
	bucket := r.text(at+".pulses") != "" || p.Net != "" || p.Brix != "" || p.Temperature != "" || p.ByMass
	switch {
	case p.KFactor != "" && bucket:
		r.fail(at+".k_factor", "must not stand beside the pulses, net, brix and temperature of a bucket test")
	case bucket:
		r.need(at+".pulses", r.text(at+".pulses") != "", "12806")
		r.need(at+".net", p.Net != "", `"62 lb"`)
		if !p.ByMass {
			r.need(at+".brix", p.Brix != "", `"64 Brix", or by_mass = true where none was at hand`)
		}
		r.need(at+".temperature", p.Temperature != "", `"68 F"`)
	case p.KFactor == "":
		r.fail(at, "must have a k_factor, or the pulses, net, brix and temperature of a bucket test")
	}
	body.NetKg = float64(take(r, at+".net", p.Net, quantity.ParseMass, 0))
	body.Brix = brix(take(r, at+".brix", p.Brix, quantity.ParseBrix, 0))
	body.TempC = float64(take(r, at+".temperature", p.Temperature, quantity.ParseTemperature, 0))
	body.Seconds = take(r, at+".time", p.Time, seconds, 0)
	body.ScaleStepKg = float64(take(r, at+".scale_step", p.ScaleStep, quantity.ParseMass, 0))
	body.BrixWithin = brix(take(r, at+".brix_within", p.BrixWithin, quantity.ParseBrix, 0))
	body.TempWithin = take(r, at+".temperature_within", p.TemperatureWithin, kelvins, 0)
	body.DoneNS = r.instant(at+".done", p.Done)
	key, from := "proving", p.From
	if p.Done != "" {
		// Tests that were done one after another stand side by side.
		key = fmt.Sprint("proving ", body.DoneNS)
		from = orElse(from, p.Done)
	}
	r.say(mark, at, key, from, body)
}

func (r *reader) counter(f *file) {
	rig, c, mark := act.DefaultRig, &f.Counter, len(r.wrong)
	rig.Zone = r.s.Zone.String()
	if r.text("counter.wrap_bits") != "" {
		rig.WrapBits = c.WrapBits
	}
	rig.QuietS = take(r, "counter.quiet", c.Quiet, seconds, rig.QuietS)
	rig.LeastL = take(r, "counter.least", c.Least, quantity.ParseVolume, quantity.Volume(rig.LeastL*float64(quantity.Litre))).Litres()
	rig.MostLPM = float64(take(r, "counter.most", c.Most, quantity.ParseFlow, quantity.Flow(rig.MostLPM)*quantity.LitrePerMinute) / quantity.LitrePerMinute)
	rig.FillL = take(r, "counter.fill", c.Fill, quantity.ParseVolume, 0).Litres()
	rig.TopUpS = take(r, "counter.top_up", c.TopUp, seconds, 0)
	rig.HoseL = take(r, "counter.hose", c.Hose, quantity.ParseVolume, 0).Litres()
	rig.DeadheadS = take(r, "counter.deadhead", c.Deadhead, seconds, 0)
	r.say(mark, "counter", "rig", c.From, rig)
	r.target("counter", "", c.Season, c.From)
}

func (r *reader) tote(f *file) {
	t, mark := f.Tote, len(r.wrong)
	if t == nil {
		return
	}
	body := act.Tote{Name: t.Name}
	r.need("tote.capacity", t.Capacity != "", `"275 gal"`)
	body.CapacityL = take(r, "tote.capacity", t.Capacity, quantity.ParseVolume, 0).Litres()
	body.SensorM = float64(take(r, "tote.sensor", t.Sensor, quantity.ParseLength, 0))
	body.HeadM = float64(take(r, "tote.head", t.Head, quantity.ParseLength, 0))
	body.UnusableL = take(r, "tote.unusable", t.Unusable, quantity.ParseVolume, 0).Litres()
	body.SensorKind, body.Compensated = t.SensorKind, t.SensorCompensated
	length := func(key string, text measure) float64 {
		return float64(take(r, "tote."+key, text, quantity.ParseLength, 0))
	}
	body.LengthM, body.WidthM, body.HeightM = length("length", t.Length), length("width", t.Width), length("height", t.Height)
	body.SensorFwdM, body.SensorRgtM = length("sensor_forward", t.SensorForward), length("sensor_right", t.SensorRight)
	body.HeadFwdM, body.HeadRgtM = length("head_forward", t.HeadForward), length("head_right", t.HeadRight)
	body.MadeC = float64(take(r, "tote.sensor_made", t.SensorMade, quantity.ParseTemperature, 0))
	if t.SensorKind == "ultrasonic" && !t.SensorCompensated {
		r.need("tote.sensor_made", t.SensorMade != "", `"68 F", the air's temperature at which the sensor is right, or sensor_compensated = true`)
	}
	mass := func(key string, text measure) float64 {
		return float64(take(r, "tote."+key, text, quantity.ParseMass, 0))
	}
	body.EmptyKg, body.GrossKg = mass("empty", t.Empty), mass("gross", t.Gross)
	if x := t.Trailer; x != nil {
		body.Trailer = &act.Trailer{EmptyKg: mass("trailer.empty", x.Empty), OtherKg: mass("trailer.other", x.Other),
			GrossKg: mass("trailer.gross", x.Gross), AxlesKg: mass("trailer.axles", x.Axles), TongueKg: mass("trailer.tongue", x.Tongue)}
	}
	walls := t.Length != "" && t.Width != "" && t.Height != ""
	r.need("tote.strapping", len(t.Strapping) >= 2 || walls && len(t.Strapping) == 0, `[["0 in", "0 gal"], ["38 in", "275 gal"]], two lines or more, or length, width and height`)
	for i, line := range t.Strapping {
		at := fmt.Sprintf("tote.strapping[%d]", i)
		if len(line) != 2 {
			r.fail(at, `must be a level and a volume, like ["38 in", "275 gal"]`)
			continue
		}
		body.Straps = append(body.Straps, act.Strap{
			LevelM:  float64(take(r, at+"[0]", line[0], quantity.ParseLength, 0)),
			VolumeL: take(r, at+"[1]", line[1], quantity.ParseVolume, 0).Litres(),
		})
	}
	r.say(mark, "tote", "tote", t.From, body)
}

// say adds an act, unless something was wrong with its table since mark or its
// body cannot be so.
func (r *reader) say(mark int, field, key, from string, body act.Body) {
	at := r.instant(field+".from", from)
	if len(r.wrong) > mark {
		return
	}
	if err := body.Check(); err != nil {
		var fe *act.FieldError
		if !errors.As(err, &fe) {
			r.fail(field, err.Error())
			return
		}
		inFile, unit := ours(fe.Field)
		rule := fe.Rule
		if unit != "" && strings.HasPrefix(rule, "must be between") {
			rule += " " + unit
		}
		r.fail(field+"."+inFile, rule)
		return
	}
	k := fmt.Sprintf("%s %d", key, at)
	if first, ok := r.said[k]; ok {
		r.bad(r.near(field), field, fmt.Sprintf("must differ from %s (line %d) in what it is about or from when it holds", first, r.near(first)), "")
		return
	}
	if r.said == nil {
		r.said = make(map[string]string)
	}
	r.said[k] = field
	r.s.Acts = append(r.s.Acts, Said{Key: key, From: at, Body: body})
}

// ours turns a field of an act, whose name carries its SI unit, into the
// file's own name for it, and the unit that the act's bounds are in.
func ours(field string) (inFile, unit string) {
	if inFile, unit, ok := lineField(field); ok {
		return inFile, unit
	}
	if rest, ok := strings.CutPrefix(field, "straps"); ok {
		line, column, _ := strings.Cut(rest, ".")
		switch column {
		case "level_m":
			return "strapping" + line + "[0]", "m"
		case "volume_l":
			return "strapping" + line + "[1]", "L"
		}
		return "strapping" + line, ""
	}
	if rest, ok := strings.CutPrefix(field, "ring"); ok {
		corner, column, _ := strings.Cut(rest, ".")
		_, unit := ours(column)
		return "outline" + corner, unit
	}
	switch field {
	case "mass":
		return "by_mass", ""
	case "compensated":
		return "sensor_compensated", ""
	case "made_c":
		return "sensor_made", "°C"
	case "seconds":
		return "time", "s"
	case "reading_temp_c":
		return "reading_temperature", "°C"
	case "temp_within_c":
		return "temperature_within", "K"
	case "reading", "brix_within":
		return field, "Brix"
	case "lat":
		return "position", "degrees north"
	case "lon":
		return "position", "degrees east"
	case "pulses_per_l":
		return "k_factor", "pulses/L"
	case "temp_c":
		return "temperature", "°C"
	case "brix":
		return field, "Brix"
	}
	for _, u := range []struct{ end, unit string }{{"_l_per_min", "L/min"}, {"_per_min", "1/min"}, {"_kg", "kg"}, {"_m", "m"}, {"_l", "L"}, {"_s", "s"}, {"_pct", "%"}, {"_days", "days"}} {
		if name, ok := strings.CutSuffix(field, u.end); ok {
			return name, u.unit
		}
	}
	return field, ""
}

// instant reads a "from": an instant in the rig's zone; 0 is since ever.
func (r *reader) instant(field, text string) int64 {
	if text == "" {
		return 0
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02", "2006-01-02 15:04:05", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, text, r.s.Zone); err == nil && 1970 < t.Year() && t.Year() < 2200 {
			return t.UnixNano()
		}
	}
	r.fail(field, `must be a time like "2026-10-09 18:00"`)
	return 0
}

// brix gives mass percent back as it was written: 64, not 64.00000000000001.
func brix(s quantity.Solids) float64 {
	b, _ := strconv.ParseFloat(strconv.FormatFloat(s.Brix(), 'g', 12, 64), 64)
	return b
}

// seconds reads a short time such as "2.5 s".
func seconds(text string) (float64, error) {
	d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		return 0, &quantity.ParseError{Quantity: "time", Input: text, Rule: "must be a number and its unit, one of s, ms, m"}
	}
	return d.Seconds(), nil
}

// shares reads the parts of a blend's dry solids, "2 sucrose + 1 hfcs-55".
func shares(text string) (map[string]float64, error) {
	out := make(map[string]float64)
	for part := range strings.SplitSeq(text, "+") {
		num, kind, _ := strings.Cut(strings.TrimSpace(part), " ")
		x, err := strconv.ParseFloat(num, 64)
		kind = strings.TrimSpace(kind)
		if _, twice := out[kind]; err != nil || kind == "" || twice {
			return nil, &quantity.ParseError{Quantity: "shares", Input: text, Rule: `must be parts by weight of dry solids, each kind once, like "2 sucrose + 1 hfcs-55"`}
		}
		out[kind] = x
	}
	return out, nil
}

// percent reads a share such as "0.1 %".
func percent(text string) (float64, error) {
	num, ok := strings.CutSuffix(strings.TrimSpace(text), "%")
	x, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if !ok || err != nil {
		return 0, &quantity.ParseError{Quantity: "share", Input: text, Rule: `must be a number and %, like "0.1 %"`}
	}
	return x, nil
}

// days reads a long time such as "180 days".
func days(text string) (float64, error) {
	num, ok := strings.CutSuffix(strings.TrimSpace(text), "days")
	x, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if !ok || err != nil {
		return 0, &quantity.ParseError{Quantity: "time", Input: text, Rule: `must be a number of days, like "180 days"`}
	}
	return x, nil
}

// kelvins reads a difference of temperatures such as "1 C" or "2 F", in K.
func kelvins(text string) (float64, error) {
	t, err := quantity.ParseTemperature(text)
	if err != nil {
		return 0, err
	}
	zero, err := quantity.ParseTemperature("0" + strings.TrimLeft(strings.TrimSpace(text), "+-.0123456789"))
	if err != nil {
		return 0, err
	}
	return float64(t - zero), nil
}

// kFactor reads pulses a volume, such as "36 pulses/L" or "136.3 pulses/gal",
// in pulses a litre.
func kFactor(text string) (float64, error) {
	rule := &quantity.ParseError{Quantity: "K-factor", Input: text, Rule: `must be pulses a volume, like "36 pulses/L" or "136.3 pulses/gal"`}
	num, unit, ok := strings.Cut(text, "/")
	if !ok {
		return 0, rule
	}
	num, ok = strings.CutSuffix(strings.TrimSpace(num), "pulses")
	if !ok {
		return 0, rule
	}
	k, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if err != nil {
		return 0, rule
	}
	one, err := quantity.ParseVolume("1 " + strings.TrimSpace(unit))
	if err != nil || one <= 0 {
		return 0, rule
	}
	return k / one.Litres(), nil
}
