package dashboard

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/alarm"
)

// alarmDoc is an alarm of the season as CSV and JSON have it; of outings before
// the newest only what was given out is known. Instants are RFC 3339.
type alarmDoc struct {
	Key      string   `json:"key"`
	Kinds    []string `json:"kinds"` // the likelier first
	Priority string   `json:"priority"`
	State    string   `json:"state"` // "": of an outing before
	Yard     string   `json:"yard"`
	Channel  string   `json:"channel"`
	Since    string   `json:"since"`
	Raised   string   `json:"raised"`
	Returned string   `json:"returned"` // "": it has not
	Acked    string   `json:"acked"`
	AckedBy  string   `json:"acked_by"`
	Shelved  string   `json:"shelved_until"`
	Pulls    int      `json:"pulls"`
	Size     float64  `json:"size"` // ln of measured over expected flow; of others m³, K, s or a share
	Chance   float64  `json:"chance"`
	Text     string   `json:"text"`
	Evidence []string `json:"evidence"`
}

// judgedDoc is a pull against what was expected.
type judgedDoc struct {
	Start       string  `json:"start"`
	Yard        string  `json:"yard"`
	FlowLPM     float64 `json:"flow_l_per_min"`
	ExpectedLPM float64 `json:"expected_l_per_min"`
	LowLPM      float64 `json:"low_l_per_min"` // 19 of 20 are between low and high
	HighLPM     float64 `json:"high_l_per_min"`
	Slow        float64 `json:"sum_slow"` // in standard deviations; beyond the limit it is told
	Fast        float64 `json:"sum_fast"`
	Held        bool    `json:"held_by_hand"`
}

func stampOf(ns int64) string {
	if ns == 0 {
		return ""
	}
	return time.Unix(0, ns).UTC().Format(time.RFC3339)
}

func (m *model) alarmDocs(all []bygone) []alarmDoc {
	out := []alarmDoc{}
	for i := range all {
		b := &all[i]
		d := alarmDoc{Key: b.key, Kinds: []string{}, Priority: b.priority().String(), Yard: b.yard, Channel: b.channel,
			Raised: stampOf(b.raised), Returned: stampOf(b.over), Acked: stampOf(b.acked), AckedBy: b.by, Evidence: []string{}}
		for _, k := range b.kinds {
			d.Kinds = append(d.Kinds, k.String())
		}
		if a := b.a; a != nil {
			d.State, d.Since, d.Pulls, d.Size, d.Chance = a.State.String(), stampOf(a.From), a.Pulls, a.Size, a.Chance
			if a.State == alarm.Shelved {
				d.Shelved = stampOf(a.ShelvedUntil)
			}
			d.Text = report.SayVerdict(&a.Verdict, m.Units, m.minute, func(id string) string { return m.yard(id).Name })
			d.Evidence = append(d.Evidence, a.Evidence...)
		}
		out = append(out, d)
	}
	return out
}

func (m *model) judgedDocs() []judgedDoc {
	out := []judgedDoc{}
	round := func(x float64) float64 { return math.Round(x*1e4) / 1e4 }
	lpm := func(q quantity.Flow) float64 { return round(float64(q / quantity.LitrePerMinute)) }
	for _, p := range m.judgedPulls() {
		out = append(out, judgedDoc{stampOf(p.at), p.yard, lpm(p.measured), lpm(p.j.Expected), lpm(p.j.Lo), lpm(p.j.Hi), round(p.j.Slow), round(p.j.Fast), p.j.Held})
	}
	return out
}

// takeAlarms serves the alarms, or the pulls against what was expected.
func (s *server) takeAlarms(w http.ResponseWriter, r *http.Request) {
	m := newModel(s.Feed.Snapshot())
	plain := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	var doc any
	var rows [][]string
	if strings.HasPrefix(r.URL.Path, watchPulls) {
		all := m.judgedDocs()
		doc = struct {
			Report        string      `json:"report"`
			Pulls         []judgedDoc `json:"pulls"`
			LegalForTrade bool        `json:"legal_for_trade"`
		}{"pulls against what was expected", all, false}
		rows = append(rows, []string{"start", "yard", "flow_l_per_min", "expected_l_per_min", "low_l_per_min", "high_l_per_min", "sum_slow", "sum_fast", "held_by_hand"})
		for _, d := range all {
			rows = append(rows, []string{d.Start, d.Yard, plain(d.FlowLPM), plain(d.ExpectedLPM), plain(d.LowLPM), plain(d.HighLPM), plain(d.Slow), plain(d.Fast), strconv.FormatBool(d.Held)})
		}
	} else {
		acts, err := s.spoken(r.Context())
		if err != nil {
			s.Log.Error("export", "what", r.URL.Path, "err", err)
			http.Error(w, "What was said cannot be read just now.", http.StatusServiceUnavailable)
			return
		}
		all := m.alarmDocs(m.season(acts))
		doc = struct {
			Report        string     `json:"report"`
			Alarms        []alarmDoc `json:"alarms"`
			LegalForTrade bool       `json:"legal_for_trade"`
		}{"alarms", all, false}
		rows = append(rows, []string{"raised", "kinds", "priority", "state", "yard", "channel", "since", "returned", "acked", "acked_by", "shelved_until", "pulls", "size", "chance", "text", "evidence", "key"})
		for _, d := range all {
			rows = append(rows, []string{d.Raised, strings.Join(d.Kinds, " or "), d.Priority, d.State, d.Yard, d.Channel, d.Since, d.Returned, d.Acked, d.AckedBy, d.Shelved,
				strconv.Itoa(d.Pulls), plain(d.Size), plain(d.Chance), d.Text, strings.Join(d.Evidence, " "), d.Key})
		}
	}
	s.take(w, r, doc, rows)
}

// take serves a document as JSON, or its rows as CSV, as the path asks for.
func (s *server) take(w http.ResponseWriter, r *http.Request, doc any, rows [][]string) {
	var b bytes.Buffer
	kind := "application/json"
	if strings.HasSuffix(r.URL.Path, ".csv") {
		kind = "text/csv; charset=utf-8; header=present"
		c := csv.NewWriter(&b)
		_ = c.WriteAll(rows) // a buffer takes all
	} else {
		enc := json.NewEncoder(&b)
		enc.SetIndent("", "  ")
		if err := enc.Encode(doc); err != nil {
			s.Log.Error("export", "what", r.URL.Path, "err", err)
			http.Error(w, "The table could not be written.", http.StatusInternalServerError)
			return
		}
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}
