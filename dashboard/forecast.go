package dashboard

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	rig "yardtally/calibrate/line"
	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

const (
	// UsualLevel is reckoned with where the tote's level is not known: some third
	// of a tote. Judgement; a metre more or less is 13 kPa.
	UsualLevel quantity.Length = 0.3
	// tempWithin is the error of a temperature at most, K. Judgement.
	tempWithin = 1.0
	longestAsk = 40 // letters of a field
	inTote     = "tote"

	forecastPath  = "/forecast"
	forecastPulls = forecastPath + "/pulls"
)

// SheetOf is what a rig knows of itself for a forecast: its line, the air, the
// tote's level and tonight's yards. Syrup and its temperature are still to be said.
func SheetOf(v *ledger.View) report.ForecastSheet {
	s := report.ForecastSheet{Rig: v.Rig, Line: rig.Usual(), Said: v.Line != nil}
	if s.Said {
		s.Line = act.LineOf(*v.Line)
	}
	if v.Air.Has {
		s.Air, s.HasAir = quantity.Temperature(v.Air.Value), true
	}
	s.Set.Level = UsualLevel
	if v.Tote.Known {
		s.Set.Level = min(max(0, v.Tote.Level), 20)
	}
	for _, y := range v.Plan {
		s.Yards = append(s.Yards, report.ForecastYard{Yard: y.Yard, Name: report.NameOf(v, y.Yard), Colonies: y.Colonies, Each: y.Each})
	}
	return s
}

// forecastModel is the page "Will it pump?".
type forecastModel struct {
	shell
	Kinds      []choice
	Brix, Temp string // as they were asked for
	Deg        string
	Wrong      string // why there is no answer, and of which field
	Bad        string
	Answer     *report.Foretold
	Cold       *coldModel
}

type choice struct {
	Value, Text string
	Chosen      bool
}

// asking are the fields of the form.
type asking struct{ syrup, brix, temp string }

// forecast answers the form in its own query; without one it answers for what
// is in the tote, as far as that is known.
func (s *server) forecast(w http.ResponseWriter, r *http.Request) {
	snap := s.Feed.Snapshot()
	m := newModel(snap)
	ask, asked := m.asked(r), len(r.URL.Query()) > 0
	f := forecastModel{shell: s.shell(r), Brix: ask.brix, Temp: ask.temp}
	_, _, f.Deg = units(m.Units)
	f.choices(m, ask.syrup)
	status := http.StatusOK
	if asked || ask.syrup == inTote && m.view.Syrup.Has {
		sheet, err := m.sheet(&ask)
		if err == nil {
			f.Answer, err = report.Foretell(sheet, report.Options{Units: m.Units, Zone: m.zone})
		}
		if err == nil {
			f.Cold = m.flowByCold(&sheet, f.Answer.Curve)
			f.Cold.Query = "?" + url.Values{"syrup": {ask.syrup}, "brix": {ask.brix}, "temp": {ask.temp}}.Encode()
		}
		if err = m.fieldOf(err); err != nil {
			f.Wrong, f.Bad = refusal(err)
			status = http.StatusUnprocessableEntity
		}
	}
	s.answer(w, r, status, "forecast.html", f)
}

// asked is what a request asks for; of a syrup that is not said, what is in the tote.
func (m *model) asked(r *http.Request) asking {
	q := r.URL.Query()
	ask := asking{q.Get("syrup"), strings.TrimSpace(q.Get("brix")), strings.TrimSpace(q.Get("temp"))}
	if ask.syrup == "" {
		ask.syrup = syrup.Sucrose.String()
		if m.view.Batch != nil {
			ask.syrup = inTote
		}
	}
	return ask
}

// kindWords are the kinds as people say them.
var kindWords = map[syrup.Kind]string{syrup.Sucrose: "sugar (sucrose)", syrup.Invert: "inverted sugar", syrup.HFCS42: "HFCS-42", syrup.HFCS55: "HFCS-55"}

func (f *forecastModel) choices(m *model, chosen string) {
	if m.view.Batch != nil {
		f.Kinds = append(f.Kinds, choice{inTote, "What is in the tote", chosen == inTote})
	}
	for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
		f.Kinds = append(f.Kinds, choice{k.String(), capital(kindWords[k]), chosen == k.String()})
	}
}

// sheet turns what was asked into what is reckoned with.
func (m *model) sheet(ask *asking) (s report.ForecastSheet, err error) {
	s = SheetOf(m.view)
	s.TempU = tempWithin / math.Sqrt(3)
	if m.Watch != nil {
		s.Learnt = m.Watch.Learnt
	}
	if err := m.askSyrup(&s, ask); err != nil {
		return s, err
	}
	if ask.temp == "" {
		if !m.view.Syrup.Has {
			return s, &act.FieldError{Field: "temp", Rule: "must be given, as no temperature of syrup was read", Value: `""`}
		}
		s.Temp, s.TempAt = quantity.Temperature(m.view.Syrup.Value), m.view.Syrup.At
		return s, nil
	}
	_, unit := m.Units.TemperatureParts(0)
	s.Temp, err = typed("temp", ask.temp, unit, "must be a temperature, like 55 F or 13 C", quantity.ParseTemperature)
	return s, err
}

func (m *model) askSyrup(s *report.ForecastSheet, ask *asking) error {
	within := quantity.FromBrix(act.DefaultBrixWithin)
	if ask.syrup == inTote {
		if m.view.Batch == nil {
			return &act.FieldError{Field: "syrup", Rule: "must be a kind, as nobody said what is in the tote", Value: strconv.Quote(ask.syrup)}
		}
		batch, u, err := m.view.Batch.Solution()
		if err != nil {
			return err
		}
		s.Syrup = batch
		if ask.brix == "" {
			s.SolidsU, s.InTote = quantity.Solids(u), true
			return nil
		}
	} else {
		k, err := syrup.ParseKind(ask.syrup)
		if err != nil {
			return &act.FieldError{Field: "syrup", Rule: "must be sucrose, invert, hfcs-42 or hfcs-55", Value: strconv.Quote(ask.syrup)}
		}
		s.Syrup.Makeup = syrup.Only(k)
		if sold := mix.AsSold(k); ask.brix == "" && sold > 0 {
			s.Syrup.Solids, within = sold, mix.Usual.SoldWithin
		}
	}
	s.SolidsU = within / quantity.Solids(math.Sqrt(3))
	if ask.brix == "" && s.Syrup.Solids > 0 {
		return nil
	}
	var err error
	s.Syrup.Solids, err = typed("brix", ask.brix, "Brix", "must be a number of Brix, like 64", quantity.ParseBrix)
	return err
}

// typed reads a field whose unit may be left out.
func typed[T any](field, text, unit, rule string, parse func(string) (T, error)) (x T, err error) {
	if len(text) > longestAsk {
		return x, &act.FieldError{Field: field, Rule: fmt.Sprintf("must have %d letters at most", longestAsk), Value: len(text)}
	}
	full := text
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		full += " " + unit
	}
	if x, err = parse(full); err != nil {
		return x, &act.FieldError{Field: field, Rule: rule, Value: strconv.Quote(text)}
	}
	return x, nil
}

// fieldOf names the field that a refusal is of.
func (m *model) fieldOf(err error) error {
	var r *syrup.RangeError
	if !errors.As(err, &r) {
		return err
	}
	if r.Field == "temperature" {
		value := m.Units.Temperature(quantity.Temperature(r.Value))
		return &act.FieldError{Field: "temp", Rule: fmt.Sprintf("must be between %s and %s", m.Units.Temperature(quantity.Temperature(r.Min)),
			m.Units.Temperature(quantity.Temperature(r.Max))), Value: value}
	}
	return &act.FieldError{Field: "brix", Rule: fmt.Sprintf("must be between %.4g and %.4g", r.Min, r.Max), Value: fmt.Sprintf("%.4g", r.Value)}
}

// refusal says what was wrong of a question, and which field, if one.
func refusal(err error) (wrong, bad string) {
	var field *act.FieldError
	if errors.As(err, &field) {
		bad = field.Field
	}
	return err.Error() + ".", bad
}
