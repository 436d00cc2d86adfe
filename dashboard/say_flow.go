package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// Pages of yards and of what was fed there.
const (
	yardsPath = "/yards"
	visitPath = "/visit"
	fillPath  = "/fill"
)

// backTo is the page that a form says it stands on; nil: the page itself.
func backTo(said string) *url.URL {
	u, err := url.Parse(said)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || u.Path != path.Clean(u.Path) || strings.Contains(said, `\`) {
		return nil
	}
	switch {
	case u.Path == yardsPath, strings.HasPrefix(u.Path, yardsPath+"/"), u.Path == visitPath, u.Path == fillPath, u.Path == watchPath:
		return &url.URL{Path: u.Path, RawQuery: u.RawQuery}
	}
	return nil
}

// drawAt draws one of those pages, with what became of a form on it.
func (s *server) drawAt(w http.ResponseWriter, r *http.Request, u *url.URL, status int, told note) {
	switch {
	case u.Path == watchPath:
		s.drawAlarms(w, r, status, told)
	case u.Path == fillPath:
		s.drawFill(w, r, u, status, told)
	case u.Path == visitPath:
		s.drawVisit(w, r, u, status, told)
	case u.Path == yardsPath:
		s.drawYards(w, r, u, status, told)
	default:
		s.drawYard(w, r, u, status, told)
	}
}

// dated are sayings of what holds from an instant on.
var dated = map[string]func(*server, url.Values) (from int64, body act.Body, err error){
	"colonies": (*server).sayColonies,
	"target":   (*server).sayTarget,
}

// keepDated keeps what a form says to hold from an instant on.
func (s *server) keepDated(ctx context.Context, t tap, who, what string, f url.Values) (id string, again bool, err error) {
	return s.keepOnce(ctx, t, func(ctx context.Context, _ act.Moment, _ *tap) ([]act.Act, error) {
		from, body, err := dated[what](s, f)
		if err == nil {
			err = body.Check()
		}
		if err != nil {
			return nil, err
		}
		a, err := s.Books.Book(ctx, who, "", from, body, nil)
		if a.ID == "" {
			return nil, err
		}
		return []act.Act{a}, err
	})
}

// flowing refuses what is said of a flow before it has ended.
func (s *server) flowing(p *stretch) error {
	if snap := s.Feed.Snapshot(); p.open && snap.Live.Flow > 0 && snap.Now-snap.Live.FlowAt < int64(flowAge) {
		return &act.FieldError{Field: "pull", Rule: "must have ended before it is said what it was", Value: "still flowing"}
	}
	return nil
}

// named returns the flow that a form names, if it has ended.
func (s *server) named(f url.Values) (stretch, error) {
	p, ok := s.pullOf(f.Get("pull"))
	if !ok {
		return p, &act.FieldError{Field: "pull", Rule: "must be a flow that the rig still knows", Value: strconv.Quote(clip(f.Get("pull")))}
	}
	return p, s.flowing(&p)
}

// sayMove gives a flow, or all of its visit, to a yard or to none.
func (s *server) sayMove(_ context.Context, _ act.Moment, f url.Values) ([]act.Body, error) {
	p, err := s.named(f)
	if err != nil {
		return nil, err
	}
	id := f.Get("yard")
	if !f.Has("yard") || id != "" && !s.known(id) {
		return nil, &act.FieldError{Field: "yard", Rule: "must be a yard of this rig", Value: strconv.Quote(clip(id))}
	}
	if f.Get("whole") == "" {
		return []act.Body{act.Assign{Session: p.session, First: p.first, Last: p.last, Yard: id}}, nil
	}
	counts, _ := report.CountsOf(s.Feed.Snapshot().View, p.visit)
	var out []act.Body
	for _, c := range counts {
		out = append(out, act.Assign{Session: c.Session, First: c.First, Last: c.Last, Yard: id})
	}
	if len(out) == 0 {
		return nil, &act.FieldError{Field: "pull", Rule: "must be of a visit", Value: strconv.Quote(f.Get("pull"))}
	}
	return out, nil
}

// sayCut cuts a flow in two where it had given so much, or at a time.
func (s *server) sayCut(_ context.Context, _ act.Moment, f url.Values) (act.Body, error) {
	p, err := s.named(f)
	if err != nil {
		return nil, err
	}
	m := newModel(s.Feed.Snapshot())
	where := strings.TrimSpace(f.Get("where"))
	_, unit := m.Units.VolumeParts(0)
	rule := "must be a volume with its unit, like 0.5 gal, or a time like 21:04:30"
	share := 0.0
	switch at, isTime := clockIn(where, &p, m.zone); {
	case isTime:
		rule = fmt.Sprintf("must be between %s and %s, when it flowed", m.clock(p.start), m.clock(p.end))
		share = float64(at-p.start) / float64(p.end-p.start)
	default:
		v, err := typed("where", where, unit, rule, quantity.ParseVolume)
		if err != nil {
			return nil, err
		}
		rule = "must be more than nothing and less than all of its " + m.hundredths(p.volume)
		share = float64(v) / float64(p.volume)
	}
	at, ok := outing.CutAt(p.first, p.last, share)
	if !ok {
		return nil, &act.FieldError{Field: "where", Rule: rule, Value: strconv.Quote(where)}
	}
	return act.Cut{Session: p.session, At: at}, nil
}

// clockIn reads a time of the day that a flow was at, and reports whether the
// text is one at all. A time that was not in the flow comes out before it.
func clockIn(text string, p *stretch, zone *time.Location) (at int64, isTime bool) {
	low := strings.ToLower(strings.ReplaceAll(text, " ", ""))
	for _, layout := range []string{"15:04:05", "15:04", "3:04:05pm", "3:04pm"} {
		t, err := time.Parse(layout, low)
		if err != nil {
			continue
		}
		day := time.Unix(0, p.start).In(zone)
		for d := range 2 { // past midnight
			at := time.Date(day.Year(), day.Month(), day.Day()+d, t.Hour(), t.Minute(), t.Second(), 0, zone)
			for _, x := range []time.Time{at, at.Add(time.Hour), at.Add(-time.Hour)} { // of an hour that the clocks showed twice
				if ns := x.UnixNano(); x.Hour() == t.Hour() && x.Minute() == t.Minute() && ns >= p.start && ns <= p.end {
					return ns, true
				}
			}
		}
		return p.start, true
	}
	return 0, false
}

// beside returns the fills before and after the one that a flow is, in its visit.
func beside(v *ledger.View, p *stretch) (before, after *ledger.Fill) {
	if !p.fill || p.visit < 0 {
		return nil, nil
	}
	for i := range v.Fills {
		switch f := &v.Fills[i]; {
		case f.Visit != p.visit || f.Session == p.session && f.First == p.first:
		case f.Start <= p.start:
			before = f
		case after == nil:
			after = f
		}
	}
	return before, after
}

// sayJoin makes one feed of a fill and the one before or after it.
func (s *server) sayJoin(_ context.Context, _ act.Moment, f url.Values) (act.Body, error) {
	p, err := s.named(f)
	if err != nil {
		return nil, err
	}
	before, after := beside(s.Feed.Snapshot().View, &p)
	switch with := f.Get("with"); with {
	case "before":
		if before != nil {
			return act.Deem{Session: p.session, First: p.first, Last: p.last, As: act.AsTopUp}, nil
		}
	case "after":
		if after != nil {
			next := ofFill(after)
			if err := s.flowing(&next); err != nil {
				return nil, err
			}
			return act.Deem{Session: after.Session, First: after.First, Last: after.Last, As: act.AsTopUp}, nil
		}
	default:
		return nil, &act.FieldError{Field: "with", Rule: "must be before or after", Value: strconv.Quote(clip(with))}
	}
	return nil, &act.FieldError{Field: "with", Rule: "must be a fill of the same visit beside this one, and there is none " + f.Get("with"), Value: strconv.Quote(f.Get("pull"))}
}

// earlier returns the visit that one would go on with: the newest before it of
// the same yard on the same outing; -1 for none.
func earlier(v *ledger.View, k int) int {
	x := &v.Visits[k]
	for i := k - 1; i >= 0 && x.Yard != ""; i-- {
		if y := &v.Visits[i]; y.Yard == x.Yard && slices.ContainsFunc(v.Outings, func(o ledger.Outing) bool { return o.From <= y.From && x.From <= o.To }) {
			return i
		}
	}
	return -1
}

// sayVisit says that a visit begins with a flow, or that the one of a flow goes
// on with the one before.
func (s *server) sayVisitOf(_ context.Context, _ act.Moment, f url.Values) (act.Body, error) {
	p, ok := s.pullOf(f.Get("pull"))
	v := s.Feed.Snapshot().View
	if !ok || p.visit < 0 || p.visit >= len(v.Visits) {
		return nil, &act.FieldError{Field: "pull", Rule: "must be a flow of a visit that the rig still knows", Value: strconv.Quote(clip(f.Get("pull")))}
	}
	x := &v.Visits[p.visit]
	switch what := f.Get("what"); what {
	case "begins":
		if p.start <= x.From {
			return nil, &act.FieldError{Field: "pull", Rule: "must not be what the visit begins with already", Value: strconv.Quote(f.Get("pull"))}
		}
		return act.Visit{At: act.Moment{NS: p.start}}, nil
	case "goes on":
		if earlier(v, p.visit) < 0 {
			return nil, &act.FieldError{Field: "pull", Rule: "must be of a visit of a yard that was visited before on this outing", Value: strconv.Quote(f.Get("pull"))}
		}
		return act.Visit{At: act.Moment{NS: x.From}, Goes: true}, nil
	default:
		return nil, &act.FieldError{Field: "what", Rule: "must be begins or goes on", Value: strconv.Quote(clip(what))}
	}
}

// yardOf returns the yard that a form names; none is "".
func (s *server) yardOf(f url.Values) (string, error) {
	id := f.Get("yard")
	if !s.known(id) {
		return "", &act.FieldError{Field: "yard", Rule: "must be a yard of this rig", Value: strconv.Quote(clip(id))}
	}
	return id, nil
}

// since is from when something holds: the night that goes on or is the newest,
// or ever.
func (s *server) since(f url.Values) (int64, error) {
	switch f.Get("since") {
	case "", "night":
		return newModel(s.Feed.Snapshot()).begins, nil
	case "ever":
		return 0, nil
	}
	return 0, &act.FieldError{Field: "since", Rule: "must be night or ever", Value: strconv.Quote(clip(f.Get("since")))}
}

// sayColonies says how many colonies stand in a yard, and what each gets.
func (s *server) sayColonies(f url.Values) (from int64, body act.Body, err error) {
	id, err := s.yardOf(f)
	if err != nil {
		return 0, nil, err
	}
	if from, err = s.since(f); err != nil {
		return 0, nil, err
	}
	c := act.Colonies{Yard: id}
	text := strings.TrimSpace(f.Get("count"))
	if c.Count, err = strconv.Atoi(text); err != nil || c.Count < 0 || c.Count > 100000 {
		return 0, nil, &act.FieldError{Field: "colonies", Rule: "must be a whole number between 0 and 100000", Value: strconv.Quote(clip(text))}
	}
	if text := strings.TrimSpace(f.Get("each")); text != "" {
		_, unit := s.Feed.Snapshot().Units.VolumeParts(0)
		v, err := typed("each", text, unit, "must be a volume with its unit, like 1 gal or 4 L", quantity.ParseVolume)
		if err != nil {
			return 0, nil, err
		}
		if v <= 0 || v > 100*quantity.Litre {
			return 0, nil, &act.FieldError{Field: "each", Rule: "must be above 0 and at most 100 L", Value: strconv.Quote(text)}
		}
		c.FillL = v.Litres()
	}
	return from, c, nil
}

// sayTarget says what each colony of a yard, or of all that have no target of
// their own, is meant to get in a season.
func (s *server) sayTarget(f url.Values) (from int64, body act.Body, err error) {
	id := ""
	if f.Get("yard") != "" || !f.Has("yard") {
		if id, err = s.yardOf(f); err != nil {
			return 0, nil, err
		}
	}
	from = s.Feed.Snapshot().Now
	text := strings.TrimSpace(f.Get("season"))
	if f.Get("none") != "" {
		return from, act.Target{Yard: id}, nil
	}
	if len(text) > longestAsk {
		return 0, nil, &act.FieldError{Field: "season", Rule: fmt.Sprintf("must have %d letters at most", longestAsk), Value: len(text)}
	}
	t, err := act.ParseTarget(id, text)
	return from, t, err
}
