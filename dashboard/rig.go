package dashboard

import (
	"fmt"
	"net/http"
	"sort"
	"strconv"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/clock"
)

const rigPath = "/rig"

// About is what is known of the daemon and of where it keeps things.
type About struct {
	Started  time.Time          // of the daemon, by this machine's clock
	Messages map[string]uint64  // taken in since, by source
	PerMin   map[string]float64 // in the mean since then, of real minutes

	Bytes    int64         // of the journal's file and its log
	Records  int64         // kept in it
	Readings int64         // kept in it
	Waiting  int           // records that are not kept yet
	Commit   time.Duration // what the newest commit took
	Failures int64         // commits that failed since the daemon started
	Damage   int           // parts of the journal that cannot be read
	Schema   int           // of the journal
	Boots    int           // of the board, that the journal knows

	Room, Disk int64 // bytes that are left, and in all, where the journal lies; 0: not known
	Go         string
}

// rigModel is the page of the rig itself.
type rigModel struct {
	shell
	Loud     []line
	Sources  *report.Figures
	Drops    []string
	Lag      []string
	ByClock  []string
	Kept     []string
	Versions []string
	Settings []string
	Yards    *report.Figures // in use; nil: none
	Told     bool            // the daemon tells of itself
}

// When the disk is said to be nearly full. Judgement: a season writes less.
const (
	leastRoom = 200 << 20
	leastDays = 30.0
)

func (s *server) rig(w http.ResponseWriter, r *http.Request) {
	f := s.frames.fresh(r)
	m := newModel(s.Feed.Snapshot())
	p := rigModel{shell: s.shell(r), Told: s.About != nil}
	p.Demo, p.Clock, p.Part = f.demo, f.clock, map[string]template.HTML{}
	for _, x := range f.parts {
		p.Part[x.ID] = template.HTML(x.HTML) // made by html/template in render
	}
	var a About
	if s.About != nil {
		a = s.About()
	}
	p.Sources, p.Drops = m.sourceTable(&a)
	p.ByClock, p.Loud = m.sayPlaced(&a)
	p.Lag = m.sayLag(&a, p.Told)
	if p.Told {
		kept, loud := m.sayKept(&a)
		p.Kept, p.Loud = kept, append(p.Loud, loud...)
		p.Versions = []string{"Yardtally " + s.Version + ".", fmt.Sprintf("The journal’s schema %d.", a.Schema), a.Go + "."}
	}
	p.Settings, p.Yards = m.saySettings(), m.yardTable()
	s.answer(w, r, http.StatusOK, "rig.html", p)
}

// rigDoc is the page's figures to take away.
type rigDoc struct {
	Report   string      `json:"report"` // "rig"
	Rig      string      `json:"rig"`
	Version  string      `json:"version"`
	Go       string      `json:"go"`
	Schema   int         `json:"journal_schema"`
	Boots    int         `json:"boots"`
	Bytes    int64       `json:"journal_bytes"`
	Records  int64       `json:"records"`
	Readings int64       `json:"readings"`
	Room     int64       `json:"disk_room_bytes"`
	Disk     int64       `json:"disk_bytes"`
	Clock    string      `json:"clock_by"`
	Unsure   int         `json:"clock_unsure_epochs"`
	Steps    int         `json:"clock_steps"`
	Newest   string      `json:"newest_reading"`
	Sources  []sourceDoc `json:"sources"`
}

type sourceDoc struct {
	Name    string            `json:"name"`
	Phase   string            `json:"phase"`
	Last    string            `json:"last"`
	PerMin  float64           `json:"messages_per_min"`
	Dropped map[string]uint64 `json:"dropped"`
	Err     string            `json:"error"`
}

func (s *server) takeRig(w http.ResponseWriter, r *http.Request) {
	m := newModel(s.Feed.Snapshot())
	var a About
	if s.About != nil {
		a = s.About()
	}
	d := rigDoc{"rig", s.Rig, s.Version, a.Go, a.Schema, a.Boots, a.Bytes, a.Records, a.Readings, a.Room, a.Disk,
		m.view.Placed.By, m.view.Placed.Unsure, m.view.Placed.Steps, stampOf(m.view.At), []sourceDoc{}}
	rows := [][]string{{"source", "phase", "last", "messages_per_min", "dropped", "error"}}
	for i := range m.Sources {
		x := &m.Sources[i]
		last := ""
		if !x.LastAt.IsZero() {
			last = stampOf(x.LastAt.UnixNano())
		}
		d.Sources = append(d.Sources, sourceDoc{x.Name, x.Phase, last, a.PerMin[x.Name], x.Why, x.Err})
		rows = append(rows, []string{x.Name, x.Phase, last, fmt.Sprintf("%.1f", a.PerMin[x.Name]), fmt.Sprint(x.Dropped), x.Err})
	}
	s.take(w, r, d, rows)
}

func (m *model) sourceTable(a *About) (*report.Figures, []string) {
	if len(m.Sources) == 0 {
		return nil, nil
	}
	t := &report.Figures{Columns: []report.Column{{Name: "source"}, {Name: "state"}, {Name: "last heard"}, {Name: "a minute", Right: true}, {Name: "dropped", Right: true}}}
	var drops []string
	for i := range m.Sources {
		s := &m.Sources[i]
		last := "never"
		if !s.LastAt.IsZero() {
			last = ago(time.Duration(max(0, m.Now-s.LastAt.UnixNano()))) + " ago"
		}
		state := s.Phase
		if s.Phase == "waiting" {
			state = "not open"
		}
		t.Rows = append(t.Rows, []string{s.Name, state, last, fmt.Sprintf("%.0f", a.PerMin[s.Name]), fmt.Sprint(s.Dropped)})
		var why []string
		for k, n := range s.Why {
			why = append(why, fmt.Sprintf("%d %s", n, k))
		}
		sort.Strings(why)
		if len(why) > 0 {
			drops = append(drops, s.Name+" dropped: "+strings.Join(why, ", ")+".")
		}
		if s.Err != "" {
			drops = append(drops, s.Name+": "+strings.TrimRight(s.Err, ". ")+".")
		}
	}
	return t, drops
}

// sayPlaced says by what the time is known, and how well.
func (m *model) sayPlaced(a *About) (out []string, loud []line) {
	p := &m.view.Placed
	out = append(out, "The rig’s time: "+m.sayClock()+".")
	if p.By == clock.ByNeighbours || m.timeless() {
		loud = append(loud, line{true, "Time not known", "The rig has nothing to tell the time by. Sign in on a phone and open Tonight: the phone tells it. A satellite receiver or a network does so for good."})
	}
	if p.Unsure > 0 {
		out = append(out, "No clock was heard for "+plural(p.Unsure, "stretch", "stretches")+" of readings: their times are estimates between their neighbours’.")
	} else {
		out = append(out, "Every stretch of readings has its time.")
	}
	if p.Steps > 0 {
		out = append(out, plural(p.Steps, "step of a clock was seen and undone.", "steps of clocks were seen and undone."))
	}
	if a.Boots > 0 {
		out = append(out, "The journal knows "+plural(a.Boots, "boot.", "boots."))
	}
	return out, loud
}

func (m *model) sayLag(a *About, told bool) (out []string) {
	if m.view.At > 0 {
		when, age := m.clock(m.view.At), time.Duration(max(0, m.Now-m.view.At))
		if age > 12*time.Hour {
			when = m.minute(m.view.At) // which names the day
		}
		out = append(out, "The newest reading that is kept is from "+when+", "+ago(age)+" ago.")
	} else {
		out = append(out, "No reading is kept yet.")
	}
	if told {
		took := "under 1 ms"
		if a.Commit >= time.Millisecond {
			took = fmt.Sprintf("%.0f ms", float64(a.Commit)/1e6)
		}
		text := "To keep readings took " + took + " the last time"
		if a.Waiting > 0 {
			text += "; " + plural(a.Waiting, "record waits", "records wait")
		}
		out = append(out, text+".")
	}
	if m.Store != nil {
		out = append(out, m.sayStore(m.Store))
	}
	return out
}

// sayBytes is a size as people say it.
func sayBytes(n int64) string {
	switch x := float64(n); {
	case x >= 1e9:
		return fmt.Sprintf("%.1f GB", x/1e9)
	case x >= 1e6:
		return fmt.Sprintf("%.1f MB", x/1e6)
	}
	return fmt.Sprintf("%.0f kB", float64(n)/1e3)
}

// daysLeft is for how many days there is room if the journal grows as it did
// since its first outing; false: that is not long enough ago to tell.
func (m *model) daysLeft(a *About) (float64, bool) {
	if len(m.view.Outings) == 0 || a.Room <= 0 || a.Bytes <= 0 {
		return 0, false
	}
	days := float64(m.Now-m.view.Outings[0].From) / float64(24*time.Hour)
	if days < 1 {
		return 0, false
	}
	return float64(a.Room) / (float64(a.Bytes) / days), true
}

func (m *model) sayKept(a *About) (out []string, loud []line) {
	out = append(out, fmt.Sprintf("The journal has %s in %s, %s of disk.", plural(int(a.Readings), "reading", "readings"), plural(int(a.Records), "record", "records"), sayBytes(a.Bytes)))
	days, known := m.daysLeft(a)
	if a.Disk > 0 {
		text := fmt.Sprintf("%s of %s are free there", sayBytes(a.Room), sayBytes(a.Disk))
		switch {
		case known && days > 3650:
			text += ": at this rate it lasts for more than ten years"
		case known:
			text += fmt.Sprintf(": at this rate it lasts for %s", plural(int(days), "day", "days"))
		}
		out = append(out, text+".")
		if a.Room < leastRoom || known && days < leastDays {
			loud = append(loud, line{true, "Disk nearly full", sayBytes(a.Room) + " are left. Copy the journal elsewhere (yardtally backup), then delete what is not Yardtally’s. Once it is full, nothing more is kept."})
		}
	}
	if a.Damage > 0 {
		loud = append(loud, line{true, "Damaged", plural(a.Damage, "part", "parts") + " of the journal cannot be read. Copy it elsewhere (yardtally backup), and change the card or disk that it lies on."})
	}
	if a.Failures > 0 {
		out = append(out, plural(int(a.Failures), "commit", "commits")+" failed since the daemon started.")
	}
	return out, loud
}

// saySettings says what holds now, in words.
func (m *model) saySettings() (out []string) {
	u := m.Units
	if m.view.PulseVolume > 0 {
		out = append(out, fmt.Sprintf("Counter: %.1f pulses to the %s.", 1/perPulse(u, m.view.PulseVolume), unitWord(u)))
	} else {
		out = append(out, "Counter: no proving yet, so pulses are no volume.")
	}
	if t := m.view.Stand; t != nil {
		out = append(out, "Tote: "+t.Name+", of "+u.Volume(quantity.VolumeOf(t.CapacityL/1000))+".")
	} else {
		out = append(out, "Tote: none is described.")
	}
	sheet := SheetOf(m.view)
	said := ""
	if !sheet.Said {
		said = " Nobody described it: it is a usual one."
	}
	out = append(out, "Line: "+report.SayLine(u, &sheet.Line, sheet.Line.Pump.Idle)+"."+said)
	return append(out, "Times are of "+m.zone.String()+".")
}

// yardTable lists the yards in use, nil where there is none.
func (m *model) yardTable() *report.Figures {
	vol, _, _ := units(m.Units)
	t := &report.Figures{Columns: columns("yard", ">colonies", ">a visit each, "+vol)}
	for i := range m.view.Yards {
		y := &m.view.Yards[i]
		if y.Closed {
			continue
		}
		row := []string{m.yard(y.ID).Name, "not said", "not said"}
		if y.Colonies > 0 {
			row[1] = strconv.Itoa(y.Colonies)
		}
		if y.Fill > 0 {
			row[2] = m.plain(y.Fill)
		}
		t.Rows = append(t.Rows, row)
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

func perPulse(u quantity.System, v quantity.Volume) float64 {
	if u == quantity.US {
		return float64(v) / float64(quantity.USGallon)
	}
	return v.Litres()
}

func unitWord(u quantity.System) string {
	if u == quantity.US {
		return "gallon"
	}
	return "litre"
}
