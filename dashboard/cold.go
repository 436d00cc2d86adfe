package dashboard

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
)

// Bounds of the picture of flow against temperature.
const (
	// brixNear is by how much Brix may differ for a pull to be of the syrup that is
	// asked about. Judgement: flow is some 5 % another then.
	brixNear   = 0.5
	mostPoints = 600 // the newest of the season; a phone can tell no more apart
	mostListed = 40  // of tonight's, in the table
)

// coldModel is the flow that was metered against what the line should let flow,
// by temperature.
type coldModel struct {
	Picture template.HTML
	Words   string
	Curve   report.Figures
	Pulls   *report.Figures // of tonight; nil: none
	More    string
	Query   string // as it was asked, for the tables to take away
}

// metered is the steady flow of a pull.
type metered struct {
	at      int64
	yard    string
	temp    quantity.Temperature
	flow    quantity.Flow
	relU    float64
	brix    float64
	tonight bool
}

// steady returns the season's steady pulls of a syrup, in order of time, and how
// many there are of other ones.
func (m *model) steady(of syrup.Syrup) (out []metered, others int) {
	for i := range m.view.Fills {
		f := &m.view.Fills[i]
		p := &f.Pulled
		// What surged, came scattered or while the pump stood is no flow of the line.
		if p.Flow <= 0 || f.Open || f.Surged || f.Stray || f.Rest || f.Moving {
			continue
		}
		x := metered{at: f.Start, yard: f.Yard, flow: p.Flow, relU: p.RelU, brix: p.Liquid.Solids.Brix(), tonight: m.shown(f.Start)}
		switch {
		case p.HasTote:
			x.temp = p.Tote
		case f.HasSyrup:
			x.temp = f.Syrup
		default:
			continue
		}
		if math.Abs(p.Liquid.Solids.Brix()-of.Solids.Brix()) > brixNear || p.Liquid.Makeup != of.Makeup {
			others++
			continue
		}
		out = append(out, x)
	}
	return out, others
}

// asUnit is a flow as the keeper's units have it.
func (m *model) asUnit(q quantity.Flow) float64 {
	if m.Units == quantity.US {
		return float64(q / quantity.USGallonPerMinute)
	}
	return float64(q / quantity.LitrePerMinute)
}

func (m *model) degrees(t quantity.Temperature) float64 {
	if m.Units == quantity.US {
		return t.Fahrenheit()
	}
	return float64(t)
}

// flowByCold draws the flow by temperature.
func (m *model) flowByCold(sheet *report.ForecastSheet, curve []report.CurvePoint) *coldModel {
	_, rate, deg := units(m.Units)
	out := &coldModel{Curve: report.Figures{Columns: []report.Column{{Name: deg, Right: true}, {Name: rate, Right: true}, {Name: "least", Right: true}, {Name: "most", Right: true}}}}
	band := draw.Series{Kind: draw.Band, Name: "19 of 20, by the model"}
	line := draw.Series{Kind: draw.Line, Name: "expected"}
	fixed := func(q quantity.Flow) string { return strconv.FormatFloat(m.asUnit(q), 'f', 2, 64) }
	for _, p := range curve {
		t := m.degrees(p.Temp)
		band.X, band.Lo, band.Hi = append(band.X, t), append(band.Lo, m.asUnit(p.Low)), append(band.Hi, m.asUnit(p.High))
		line.X, line.Y = append(line.X, t), append(line.Y, m.asUnit(p.Flow))
		out.Curve.Rows = append(out.Curve.Rows, []string{fmt.Sprintf("%.1f", t), fixed(p.Flow), fixed(p.Low), fixed(p.High)})
	}
	pulls, others := m.steady(sheet.Syrup)
	before := draw.Series{Kind: draw.Points, Name: "earlier this season", Hollow: true}
	tonight := draw.Series{Kind: draw.Points, Name: m.nightWord()}
	within := 0
	for i := range pulls {
		p := &pulls[i]
		s := &before
		if p.tonight {
			s = &tonight
		}
		if len(pulls)-i <= mostPoints || p.tonight {
			s.X, s.Y = append(s.X, m.degrees(p.temp)), append(s.Y, m.asUnit(p.flow))
		}
		if lo, hi, ok := bandAt(curve, p.temp); ok && lo <= p.flow && p.flow <= hi {
			within++
		}
	}
	now := draw.Series{Kind: draw.Rule, X: []float64{m.degrees(sheet.Temp)}, Name: "now " + m.Units.Temperature(sheet.Temp)}
	if sheet.TempAt == 0 {
		now.Name = "asked " + m.Units.Temperature(sheet.Temp)
	}
	c := draw.Chart{ID: "cold", Title: "Flow by temperature", X: draw.Axis{Label: "syrup, " + deg}, Y: draw.Axis{Label: "flow, " + rate}, Wide: true,
		Series: []draw.Series{band, line}}
	for _, s := range []draw.Series{before, tonight, now} {
		if len(s.X) > 0 {
			c.Series = append(c.Series, s)
		}
	}
	out.Words = m.sayPulls(len(pulls), within, others)
	if n := len(curve); n > 0 {
		c.X.Min, c.X.Max = m.degrees(curve[0].Temp), m.degrees(curve[n-1].Temp)
		c.Desc = fmt.Sprintf("The flow to expect rises from %s at %s to %s at %s. %s", m.Units.Flow(curve[0].Flow), m.Units.Temperature(curve[0].Temp),
			m.Units.Flow(curve[n-1].Flow), m.Units.Temperature(curve[n-1].Temp), out.Words)
	}
	out.Picture = template.HTML(c.Draw()) // escaped by draw
	out.Pulls, out.More = m.pullTable(pulls, curve)
	return out
}

// nightWord is what the newest outing's night is called.
func (m *model) nightWord() string {
	if m.over {
		return "last night out"
	}
	return "tonight"
}

func (m *model) sayPulls(n, within, others int) string {
	var text string
	switch {
	case n == 0 && others == 0:
		return "No pull that stayed steady was metered yet, so nothing stands against the model."
	case n == 0:
		text = "No steady pull of this syrup was metered yet"
	default:
		text = fmt.Sprintf("Of %s of this syrup %d flowed as the model has it", plural(n, "steady pull", "steady pulls"), within)
	}
	if others > 0 {
		text += "; " + plural(others, "pull", "pulls") + " of other syrup are not shown"
		if others == 1 {
			text = text[:len(text)-len("are not shown")] + "is not shown"
		}
	}
	return text + "."
}

// bandAt is what flows at a temperature, between points of the curve.
func bandAt(curve []report.CurvePoint, t quantity.Temperature) (lo, hi quantity.Flow, ok bool) {
	for i := 1; i < len(curve); i++ {
		a, b := &curve[i-1], &curve[i]
		if a.Temp <= t && t <= b.Temp && b.Temp > a.Temp {
			part := quantity.Flow((t - a.Temp) / (b.Temp - a.Temp))
			return a.Low + (b.Low-a.Low)*part, a.High + (b.High-a.High)*part, true
		}
	}
	return 0, 0, false
}

// pullTable lists tonight's pulls, the newest first.
func (m *model) pullTable(pulls []metered, curve []report.CurvePoint) (*report.Figures, string) {
	_, rate, deg := units(m.Units)
	t := &report.Figures{Columns: []report.Column{{Name: "start"}, {Name: "yard"}, {Name: deg, Right: true}, {Name: rate, Right: true}, {Name: "of the model’s"}}}
	more := 0
	for i := len(pulls) - 1; i >= 0; i-- {
		p := &pulls[i]
		if !p.tonight {
			continue
		}
		if len(t.Rows) == mostListed {
			more++
			continue
		}
		where := "not reckoned"
		if lo, hi, ok := bandAt(curve, p.temp); ok {
			switch where = "within"; {
			case p.flow < lo:
				where = "below"
			case p.flow > hi:
				where = "above"
			}
		}
		t.Rows = append(t.Rows, []string{m.clock(p.at), upper(m.yard(p.yard).Name), fmt.Sprintf("%.1f", m.degrees(p.temp)),
			fmt.Sprintf("%.2f ±%.2f", m.asUnit(p.flow), 1.96*p.relU*m.asUnit(p.flow)), where})
	}
	if len(t.Rows) == 0 {
		return nil, ""
	}
	if more > 0 {
		return t, plural(more, "earlier pull is", "earlier pulls are") + " in the CSV."
	}
	return t, ""
}

// pullDoc is a steady pull as CSV and JSON have it.
type pullDoc struct {
	Start   string   `json:"start"`
	Yard    string   `json:"yard"`
	TempC   float64  `json:"temp_c"`
	FlowLPM float64  `json:"flow_l_per_min"`
	FlowU   float64  `json:"flow_relative_u"`
	Low     *float64 `json:"low_l_per_min"` // of the model, as high; null: not reckoned there
	High    *float64 `json:"high_l_per_min"`
	Brix    float64  `json:"brix"`
}

// takeCold serves the forecast's figures, or the pulls that stand against it.
func (s *server) takeCold(w http.ResponseWriter, r *http.Request) {
	m := newModel(s.Feed.Snapshot())
	ask := m.asked(r)
	sheet, err := m.sheet(&ask)
	var told *report.Foretold
	o := report.Options{Units: m.Units, Zone: m.zone, Format: report.CSV}
	if err == nil {
		told, err = report.Foretell(sheet, o)
	}
	if err = m.fieldOf(err); err != nil {
		wrong, _ := refusal(err)
		http.Error(w, wrong, http.StatusUnprocessableEntity)
		return
	}
	var b bytes.Buffer
	kind := "text/csv; charset=utf-8; header=present"
	switch r.URL.Path {
	case forecastPath + ".csv":
		err = report.Forecast(&b, sheet, o)
	case forecastPath + ".json":
		kind, o.Format = "application/json", report.JSON
		err = report.Forecast(&b, sheet, o)
	default:
		pulls, _ := m.steady(sheet.Syrup)
		kind, err = writePulls(&b, pulls, told.Curve, r.URL.Path == forecastPulls+".json")
	}
	if err != nil {
		s.Log.Error("export", "what", r.URL.Path, "err", err)
		http.Error(w, "The table could not be written.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}

func writePulls(b *bytes.Buffer, pulls []metered, curve []report.CurvePoint, asJSON bool) (kind string, err error) {
	docs := []pullDoc{}
	round := func(x float64) float64 { return math.Round(x*1e4) / 1e4 }
	lpm := func(q quantity.Flow) float64 { return round(float64(q / quantity.LitrePerMinute)) }
	for i := range pulls {
		p := &pulls[i]
		d := pullDoc{Start: time.Unix(0, p.at).UTC().Format(time.RFC3339Nano), Yard: p.yard, TempC: round(float64(p.temp)), FlowLPM: lpm(p.flow), FlowU: round(p.relU), Brix: round(p.brix)}
		if lo, hi, ok := bandAt(curve, p.temp); ok {
			l, h := lpm(lo), lpm(hi)
			d.Low, d.High = &l, &h
		}
		docs = append(docs, d)
	}
	if asJSON {
		enc := json.NewEncoder(b)
		enc.SetIndent("", "  ")
		return "application/json", enc.Encode(struct {
			Report        string    `json:"report"`
			Pulls         []pullDoc `json:"pulls"`
			LegalForTrade bool      `json:"legal_for_trade"`
		}{"pulls by temperature", docs, false})
	}
	c := csv.NewWriter(b)
	plain := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	perhaps := func(x *float64) string {
		if x == nil {
			return ""
		}
		return plain(*x)
	}
	_ = c.Write([]string{"start", "yard", "temp_c", "flow_l_per_min", "flow_relative_u", "low_l_per_min", "high_l_per_min", "brix"}) // a buffer takes all
	for _, d := range docs {
		_ = c.Write([]string{d.Start, d.Yard, plain(d.TempC), plain(d.FlowLPM), plain(d.FlowU), perhaps(d.Low), perhaps(d.High), plain(d.Brix)})
	}
	c.Flush()
	return "text/csv; charset=utf-8; header=present", c.Error()
}
