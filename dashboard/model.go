package dashboard

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// How old a value may be and still be shown as current. The counter board
// speaks 5 times a second, a level sensor once a second, a thermometer every 5 s.
const (
	flowAge  = 10 * time.Second
	toteAge  = 15 * time.Second
	syrupAge = time.Minute
	quietAge = time.Minute // an open source that says nothing for so long needs a look
)

// value is one live figure: either current, or old and then shown by its age.
type value struct {
	Name         string // its name in beats: "flow", "tote", "syrup"
	Number, Unit string
	Has, Old     bool
	Ago          string // how old, when Old
}

type runModel struct {
	Picture           template.HTML
	Tote, Flow, Syrup value
	High              bool // the level stands high: the figure goes below it
	Flowing           bool
	Where             string // the level in words
	Why               string // why the tote is not known
	Pull              string // the fill that is growing
	Signal            string // what the keeper was told just now
	Bad               bool   // and that it needs him
	Proving           bool   // no proving yet
}

// kept are the parts that a view, and what the watch makes of it, alone decide,
// drawn once for them: flow and level change five times a second, a view once.
type kept struct {
	view  *ledger.View
	watch *Watch
	units quantity.System
	zone  *time.Location
	hour  int64 // by the rig's clock; night and dates follow it
	over  bool
	parts []part
}

// render draws every part of the page from one snapshot. It may use again what
// is in k, and leaves there what the next one may use.
func (s *server) render(snap *Snapshot, k *kept) *frame {
	m := newModel(snap)
	f := &frame{clock: m.clock(snap.Now), demo: snap.Demo, ask: s.Said != nil && m.wantsTime(), left: m.left, age: m.age}
	add := func(id string, v any) {
		var b strings.Builder
		if err := pages.ExecuteTemplate(&b, id, v); err != nil {
			s.Log.Error("page", "part", id, "err", err)
			b.Reset()
			b.WriteString("<p>This part could not be drawn.</p>")
		}
		f.parts = append(f.parts, part{id, b.String()})
	}
	add("notices", snap.Notices)
	add("empty", m.empty())
	add("news", m.news())
	add("watch", m.watched(false))
	add("watch-tap", m.watched(true))
	add("aside-head", m.aside(false).Head)
	add("aside", m.aside(false))
	add("aside-tap", m.aside(true))
	add("run", m.run())
	add("cold", m.cold())
	add("left", m.leftLines())
	now := kept{view: snap.View, watch: snap.Watch, units: snap.Units, zone: m.zone, hour: snap.Now / int64(time.Hour), over: m.over}
	if snap.View != nil && k.view == now.view && k.watch == now.watch && k.units == now.units && k.zone == now.zone && k.hour == now.hour && k.over == now.over {
		f.parts = append(f.parts, k.parts...)
	} else {
		first := len(f.parts)
		here, fills := m.here()
		add("here", here)
		add("fills-head", fills)
		add("fills", fills)
		add("growing", fills)
		add("loose", fills)
		add("next", m.next())
		add("stands", m.stands())
		add("ask", m.ask())
		add("sofar", m.soFar())
		add("pull", m.pull())
		add("yards", m.yards())
		add("when", m.when())
		loud, quiet := m.records()
		add("alarms", loud)
		add("records", quiet)
		now.parts = f.parts[first:len(f.parts):len(f.parts)]
		*k = now
	}
	add("unseen", m.unseen())
	add("doubt", m.doubt())
	add("sources", m.sources())
	return f
}

// model is a snapshot with what is worked out from it once.
type model struct {
	*Snapshot
	zone   *time.Location
	view   *ledger.View
	night  ledger.Night       // of the stretch on the page
	legs   []leg              // its outings, in order; one where there is none
	over   bool               // the last of them is: the next has not begun
	first  int                // its first visit
	begins int64              // what was said before is not of tonight
	groups []group            // what the table of yards tells apart, in order
	sum    int64              // hundredths that everything is shown with
	left   map[string]float64 // s of real time until a value is too old to show
	age    map[string]float64 // s of real time since it was heard
	speed  float64
}

func zoneOf(s *Snapshot) *time.Location {
	if s.Zone != nil {
		return s.Zone
	}
	if s.View != nil {
		if z, err := time.LoadLocation(s.View.Zone); err == nil {
			return z
		}
	}
	return time.UTC
}

// stretchOf returns the stretch that the page is of: the night of the newest
// outing, as reports have it, from its first outing to the pause after its
// last, or tonight where there is none yet. An outing that runs past noon is
// not cut. over says that the next has not begun since.
func stretchOf(s *Snapshot, zone *time.Location) (from, to int64, outings []ledger.Outing, over bool) {
	from, to = ledger.NightOf(s.Now, zone)
	if s.View == nil || len(s.View.Outings) == 0 {
		return from, to, nil, false
	}
	all := s.View.Outings
	last := all[len(all)-1]
	began, _ := s.View.NightAt(last.From, zone)
	i := sort.Search(len(all), func(i int) bool { return all[i].From >= began })
	return all[i].From, last.To + outing.Pause + 1, all[i:], s.Now-last.To > outing.Pause
}

func newModel(s *Snapshot) *model {
	m := &model{Snapshot: s, zone: zoneOf(s), view: s.View,
		left: map[string]float64{}, age: map[string]float64{}, speed: max(s.Speed, 1)}
	if m.view == nil {
		m.view = &ledger.View{}
	}
	from, to, outings, over := stretchOf(s, m.zone)
	m.over = over
	m.night = ledger.Tally(m.view, from, to)
	if m.begins, _ = ledger.NightOf(s.Now, m.zone); !over {
		m.begins = min(m.begins, from)
	}
	m.part(outings)
	m.group()
	return m
}

func clockTime(t time.Time) string { return t.Format("15:04:05") }

func (m *model) clock(at int64) string { return clockTime(time.Unix(0, at).In(m.zone)) }

// minute is an instant without its seconds, with the day where it is not near.
func (m *model) minute(at int64) string {
	form := "15:04"
	if d := m.Now - at; d > int64(18*time.Hour) || d < -int64(18*time.Hour) {
		form = "2 Jan 15:04"
	}
	return time.Unix(0, at).In(m.zone).Format(form)
}

// fresh notes how long a value may still be shown, and returns what it is to show.
func (m *model) fresh(name string, at int64, limit time.Duration, number, unit string) value {
	v := value{Name: name, Number: number, Unit: unit, Has: at != 0}
	if !v.Has {
		return v
	}
	age := m.Now - at
	full := float64(limit) * m.speed
	if v.Old = float64(age) > full; v.Old {
		v.Ago = ago(time.Duration(age))
	} else {
		m.left[name] = math.Round((full-float64(age))/m.speed/1e8) / 10
		m.age[name] = math.Round(float64(age)/m.speed/1e8) / 10
	}
	return v
}

// ago says an age the way a person would.
func ago(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d\u00a0s", int(d/time.Second))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d\u00a0min", int(d/time.Minute))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d\u00a0h", int(d/time.Hour))
	}
	return fmt.Sprintf("%d\u00a0days", int(d/(24*time.Hour)))
}

// heard reports whether anything was ever heard.
func (m *model) heard() bool {
	return m.view.Records > 0 || m.Live.FlowAt != 0 || m.Live.ToteAt != 0 || m.Live.SyrupAt != 0
}

// empty returns what to say while nothing was heard yet, and nothing after.
func (m *model) empty() []string {
	if m.heard() {
		return nil
	}
	if len(m.Sources) == 0 {
		return []string{"No source of readings is set: name a serial port, a broker or a recording in the settings."}
	}
	var out []string
	for i := range m.Sources {
		out = append(out, "Nothing heard yet from "+m.Sources[i].Name+": "+m.saySource(&m.Sources[i])+".")
	}
	return out
}

// tote returns the newest that is known of the tote.
func (m *model) tote() (at int64, volume, usable quantity.Volume, level quantity.Length) {
	t := &m.view.Tote
	if t.Known {
		at, volume, usable, level = t.At, t.Volume, t.Usable, t.Level
	}
	if m.Live.ToteAt > at {
		below := volume - usable // stays under the outlet
		at, volume, level = m.Live.ToteAt, m.Live.Tote, m.Live.Level
		usable = max(volume-below, 0)
	}
	return at, volume, usable, level
}

func (m *model) run() runModel {
	u := m.Units
	at, volume, usable, level := m.tote()
	num, unit := u.VolumeParts(volume)
	r := runModel{Tote: m.fresh("tote", at, toteAge, num, unit), Why: m.view.Tote.Why}
	flow, flowAt := m.view.Flow, m.view.FlowAt
	if m.Live.FlowAt > flowAt {
		flow, flowAt = m.Live.Flow, m.Live.FlowAt
	}
	num, unit = u.FlowParts(flow)
	r.Flow = m.fresh("flow", flowAt, flowAge, num, unit)
	syrup, syrupAt := quantity.Temperature(m.view.Syrup.Value), int64(0)
	if m.view.Syrup.Has {
		syrupAt = m.view.Syrup.At
	}
	if m.Live.SyrupAt > syrupAt {
		syrup, syrupAt = m.Live.Syrup, m.Live.SyrupAt
	}
	num, unit = u.TemperatureParts(syrup)
	r.Syrup = m.fresh("syrup", syrupAt, syrupAge, num, unit)
	r.Flowing = r.Flow.Has && !r.Flow.Old && flow > 0

	pic := draw.Run{Share: math.NaN(), Flowing: r.Flowing}
	capacity := m.view.Tote.Capacity
	if r.Tote.Has && !r.Tote.Old && capacity > 0 {
		pic.Share = float64(volume) / float64(capacity)
		r.High = pic.Share > 0.5
	}
	pic.Marks = m.marks()
	_, resting := m.view.OnBreak()
	switch {
	case resting: // what is old is switched off
	case r.Flow.Has && r.Flow.Old:
		pic.Marks = append(pic.Marks, draw.Meter)
	case r.Tote.Has && r.Tote.Old:
		pic.Marks = append(pic.Marks, draw.Tote)
	}
	r.Picture = template.HTML(pic.Draw()) // numbers and fixed words only
	if r.Tote.Has && !r.Tote.Old {
		r.Where = "Level " + u.Length(level) + " above the floor"
		if capacity > 0 {
			r.Where += " of a tote of " + u.Volume(capacity)
		}
		if usable != volume && !m.view.Left.Known {
			r.Where += "; " + u.Volume(usable) + " can be drawn"
		}
		// What is left, where that is known, has its own.
		if t := &m.view.Tote; t.Within > 0 && m.Live.ToteAt <= t.At && !m.view.Left.Known {
			r.Where += ", ±" + u.Volume(t.Within)
			if t.Unsettled != "" {
				r.Where += " while " + t.Unsettled
			}
		}
		r.Where += "."
	}
	if k := len(m.view.Fills); k > 0 && m.view.Fills[k-1].Open {
		f := &m.view.Fills[k-1]
		what := "This fill so far: "
		if r.Flow.Old {
			what = "The fill when last heard: "
		}
		r.Pull = what + m.hundredths(f.Volume) + ", " + fmt.Sprintf("%.0f\u00a0s", float64(f.End-f.Start)/1e9)
	}
	r.Signal, r.Bad = m.signal()
	r.Proving = m.view.Records > 0 && m.view.PulseVolume == 0
	return r
}

// hundredths prints one volume to 0.01 of its unit.
func (m *model) hundredths(v quantity.Volume) string {
	c, _ := report.Closing(m.Units, 100, []quantity.Volume{v})
	_, unit := m.Units.VolumeParts(0)
	return report.Fixed(c[0], 100) + " " + unit
}

// within is a volume with half its 95 % interval, where that is known: "3.41
// ±0.01 gal".
func (m *model) within(v, within quantity.Volume) string {
	c, _ := report.Closing(m.Units, 100, []quantity.Volume{v})
	_, unit := m.Units.VolumeParts(0)
	return withIn(report.Fixed(c[0], 100), report.Within(m.Units, within), within > 0) + " " + unit
}

// withIn puts a figure's uncertainty behind it.
func withIn(n, within string, known bool) string {
	if !known {
		return n
	}
	return n + " ±" + within
}

// oneMass is a mass in the person's unit.
func (m *model) oneMass(x quantity.Mass) float64 {
	if m.Units == quantity.US {
		return float64(x / quantity.Pound)
	}
	return float64(x)
}

// yard returns a yard by its id.
func (m *model) yard(id string) (y ledger.YardInfo) {
	for i := range m.view.Yards {
		if m.view.Yards[i].ID == id && id != "" {
			y = m.view.Yards[i]
			break
		}
	}
	switch {
	case id == "":
		y.Name = report.NoYard
	case y.Name == "":
		y.Name = id
	}
	return y
}
