package dashboard

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	rig "yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

// Watch is what the watch says of the rig.
type Watch struct {
	Alarms []alarm.Alarm // as alarm.Life has them, the gone among them
	Shelf  []alarm.Shelving
	Log    watch.Log   // of the newest outing
	Learnt *rig.Learnt // nil: nothing is learnt of the rig yet
}

// quietFor is for how long a tap keeps a kind quiet. Judgement: a yard or two.
const quietFor = 2 * time.Hour

// matters are short names of kinds, for a glance; the sentence on an alarm says
// more. part is where on the run it is looked for first.
var matters = map[watch.Kind]struct {
	name string
	part draw.Part
}{
	watch.Clog:         {"clog", draw.Nozzle},
	watch.Kink:         {"kink", draw.Hose},
	watch.Suction:      {"blocked before the pump", draw.Suction},
	watch.Vent:         {"tote’s vent shut", draw.Tote},
	watch.ThrottleDown: {"throttle lowered", draw.Pump},
	watch.ThrottleUp:   {"throttle raised", draw.Pump},
	watch.Thinner:      {"thinner syrup", draw.Tote},
	watch.Thicker:      {"thicker syrup", draw.Tote},
	watch.Air:          {"air in the line", draw.Suction},
	watch.Empty:        {"tote empty", draw.Tote},
	watch.Leak:         {"leak", draw.Tote},
	watch.Transfer:     {"syrup taken past the meter", draw.Tote},
	watch.Deadhead:     {"pump against a shut trigger", draw.Pump},
	watch.Phantom:      {"pulses without syrup", draw.Meter},
	watch.Hot:          {"syrup too hot", draw.Tote},
	watch.Old:          {"old syrup", draw.Tote},
	watch.Drift:        {"meter and tote disagree", draw.Meter},
	watch.Sensor:       {"sensor", draw.None},
}

// sensorParts are where sensors sit on the run.
var sensorParts = map[string]draw.Part{
	meter.Headspace.String(): draw.Tote, meter.Head.String(): draw.Tote, meter.Line.String(): draw.Pump, meter.Pump.String(): draw.Pump,
	meter.Pulses.String(): draw.Meter, meter.Syrup.String(): draw.Meter,
}

// matter names kinds: "kink, or throttle lowered".
func matter(kinds []watch.Kind) string {
	var names []string
	for _, k := range kinds {
		names = append(names, matters[k].name)
	}
	return strings.Join(names, ", or ")
}

// matterOf names what an alarm is of.
func matterOf(v *watch.Verdict) string {
	if v.Channel != "" && v.Has(watch.Sensor) {
		return matter(v.Kinds) + " " + v.Channel
	}
	return matter(v.Kinds)
}

// alarms returns those that are not gone, nil where nobody watches.
func (m *model) alarms() (out []*alarm.Alarm) {
	if m.Watch == nil {
		return nil
	}
	for i := range m.Watch.Alarms {
		if a := &m.Watch.Alarms[i]; a.State != alarm.Gone {
			out = append(out, a)
		}
	}
	return out
}

// loudly reports whether an alarm stands where the eye is.
func loudly(a *alarm.Alarm) bool {
	return a.State == alarm.Unacknowledged || a.State == alarm.Acknowledged
}

// alarmModel is an alarm on the page.
type alarmModel struct {
	Class  string // "now", "soon" or "note"
	Known  bool   // somebody has seen it
	Level  string // its priority in words
	Matter string
	Text   string
	State  string // "" while it stands and nobody has seen it
	Figure string // what was expected, and what was measured
	Why    []string

	// What the buttons say; "": no button.
	Seen, Quiet, Off string
}

var levels = map[alarm.Priority]struct{ class, words string }{
	alarm.Now: {"now", "Now"}, alarm.Soon: {"soon", "At the next stop"}, alarm.Note: {"note", "To know"},
}

func (m *model) alarm(a *alarm.Alarm, taps bool) alarmModel {
	level := levels[a.Priority]
	x := alarmModel{Class: level.class, Known: a.State == alarm.Acknowledged, Level: level.words, Matter: matterOf(&a.Verdict), Why: a.Evidence,
		Text:  report.SayVerdict(&a.Verdict, m.Units, m.minute, func(id string) string { return m.yard(id).Name }),
		State: m.sayLife(a)}
	if loudly(a) {
		x.Figure = m.sayJudged(a)
	}
	if !taps {
		return x
	}
	switch {
	case a.State == alarm.Shelved:
		x.Off = alarm.Matter(&a.Verdict)
	case a.Stands():
		x.Quiet = alarm.Matter(&a.Verdict)
	}
	if a.State != alarm.Shelved && waits(a) {
		x.Seen = a.Key
	}
	return x
}

// waits reports whether an alarm waits for somebody to have seen it.
func waits(a *alarm.Alarm) bool {
	return a.Acked == 0 && a.Priority != alarm.Note && a.State != alarm.Gone
}

// sayLife says where an alarm is in its life.
func (m *model) sayLife(a *alarm.Alarm) string {
	over := ""
	if !a.Stands() {
		over = "Over since " + m.minute(a.Back)
	}
	switch a.State {
	case alarm.Acknowledged:
		if a.AckedBy != "" {
			return "Seen by " + a.AckedBy + " at " + m.minute(a.Acked) + "; it goes on."
		}
	case alarm.Returned:
		return over + ", and nobody has seen it."
	case alarm.Shelved:
		if over != "" {
			over += ". "
		}
		return over + "Quiet until " + m.minute(a.ShelvedUntil) + "."
	}
	return ""
}

// sayJudged says what was expected of the newest pull that belongs to an alarm
// of flow, and what was measured.
func (m *model) sayJudged(a *alarm.Alarm) string {
	if a.Last == 0 || a.Pulls == 0 || a.Size == 0 {
		return ""
	}
	fills := m.Watch.Log.Fills
	for i := len(fills) - 1; i >= 0; i-- {
		j := &fills[i]
		if j.Session != a.Session || j.First < a.First {
			break
		}
		if j.Expected <= 0 {
			continue
		}
		lo, unit := m.Units.FlowParts(j.Lo)
		hi, _ := m.Units.FlowParts(j.Hi)
		expected, _ := m.Units.FlowParts(j.Expected)
		measured, _ := m.Units.FlowParts(j.Expected * quantity.Flow(math.Exp(j.Off)))
		return fmt.Sprintf("The last fill: %s %s expected, %s to %s in 19 of 20; %s measured.", expected, unit, lo, hi, measured)
	}
	return ""
}

// watchModel is what stands at the top of the page.
type watchModel struct {
	Alarms []alarmModel
	Quiet  string // said instead, where there is none
	Modest string
}

func (m *model) watched(taps bool) watchModel {
	var w watchModel
	if m.Watch == nil || !m.heard() {
		return w // nobody looks, or there is nothing to look at
	}
	for _, a := range m.alarms() {
		if loudly(a) {
			w.Alarms = append(w.Alarms, m.alarm(a, taps))
		}
	}
	if len(w.Alarms) == 0 {
		w.Quiet = "Nothing is wrong that the rig can see."
		if slices.ContainsFunc(m.alarms(), func(a *alarm.Alarm) bool { return a.Stands() }) {
			w.Quiet = "Nothing is wrong that the rig can see, but for what is on the shelf."
		}
	}
	if m.Watch.Log.Learning {
		w.Modest = "This rig’s flow is not learnt yet: until good nights are over to learn it from, only what is far off is told."
	}
	return w
}

// news is what a screen reader says when it changes: what is new, and nothing
// of how it goes on.
func (m *model) news() string {
	var out []string
	for _, a := range m.alarms() {
		if a.State == alarm.Unacknowledged {
			out = append(out, levels[a.Priority].words+": "+matterOf(&a.Verdict)+".")
		}
	}
	return strings.Join(out, " ")
}

// asideModel is what is over and not seen, and what is on the shelf.
type asideModel struct {
	Head   string
	Alarms []alarmModel
	Shelf  []shelfModel // what is on the shelf besides them
}

type shelfModel struct{ Text, Off string }

func (m *model) aside(taps bool) asideModel {
	var out asideModel
	if m.Watch == nil {
		return out
	}
	over, shelved := 0, 0
	covered := map[string]bool{}
	for _, a := range m.alarms() {
		switch a.State {
		case alarm.Returned:
			over++
		case alarm.Shelved:
			shelved++
			for _, k := range a.Kinds {
				covered[k.String()] = true
			}
		default:
			continue
		}
		out.Alarms = append(out.Alarms, m.alarm(a, taps))
	}
	for _, s := range m.Watch.Shelf {
		if covered[s.Kind] {
			continue
		}
		name := s.Kind
		if k, ok := watch.ParseKind(s.Kind); ok {
			name = matters[k].name
		}
		x := shelfModel{Text: capital(name) + ": quiet until " + m.minute(s.To) + ", said by " + s.By + "."}
		if taps {
			x.Off = s.Kind
		}
		out.Shelf = append(out.Shelf, x)
	}
	var head []string
	if over > 0 {
		head = append(head, fmt.Sprint(over, " over and not seen"))
	}
	if n := shelved + len(out.Shelf); n > 0 {
		head = append(head, fmt.Sprint(n, " on the shelf"))
	}
	out.Head = capital(strings.Join(head, ", "))
	return out
}

// marks are the parts of the run that alarms point at.
func (m *model) marks() (out []draw.Part) {
	for _, a := range m.alarms() {
		if !loudly(a) || a.Priority == alarm.Note {
			continue
		}
		for _, k := range a.Kinds {
			p := matters[k].part
			switch {
			case k == watch.Sensor:
				p = sensorParts[a.Channel]
			case k == watch.Clog && a.Where == watch.Upstream:
				p = draw.Suction
			}
			if p != draw.None && !slices.Contains(out, p) {
				out = append(out, p)
			}
		}
	}
	return out
}

// told reports whether an alarm tells of what happened from one instant to
// another already, as one of some kinds.
func (m *model) told(from, to int64, kinds ...watch.Kind) bool {
	if m.Watch == nil {
		return false
	}
	for i := range m.Watch.Alarms {
		a := &m.Watch.Alarms[i]
		if a.From <= to && (a.Until == 0 || a.Until >= from) && slices.ContainsFunc(kinds, a.Has) {
			return true
		}
	}
	return false
}

// flowKinds are those that show in how fast pulls flow.
var flowKinds = []watch.Kind{watch.Clog, watch.Kink, watch.Suction, watch.Vent, watch.ThrottleDown, watch.Thicker}

// cold says what flow is to be expected by temperature alone, now and an hour
// from now, and whether tonight's slowing is the cold's; nothing once the
// outing is over, or where it is not known what is pumped.
func (m *model) cold() []string {
	if m.Watch == nil || m.Watch.Log.Outlook == nil || m.over {
		return nil
	}
	o := m.Watch.Log.Outlook
	slowed := slices.ContainsFunc(m.alarms(), func(a *alarm.Alarm) bool {
		return loudly(a) && a.Size < 0 && slices.ContainsFunc(flowKinds, a.Has)
	})
	at := m.Units.Temperature(o.Now.Temp)
	now, hour := m.pouring(o.Now.Flow), m.pouring(o.Hour.Flow)
	text := "Syrup at " + at + ": "
	if o.Explained && !slowed {
		text = "Slow because it is cold, syrup at " + at + ": "
	}
	if o.Now.Flow <= 0 {
		return []string{text + "no flow is to be expected."}
	}
	text += "expect " + now + " now"
	switch {
	case o.Hour.Flow <= 0:
		text += ", and nothing an hour from now"
	case hour == now:
		text += ", and the same an hour from now"
	default:
		text += ", " + hour + " an hour from now"
	}
	if o.Temperature && o.Air != o.AirHour {
		text += fmt.Sprintf(", as the air goes from %s to %s", m.Units.Temperature(o.Air), m.Units.Temperature(o.AirHour))
	}
	out := []string{text + "."}
	share := 1 - o.SinceStart
	switch {
	case slowed && share >= 0.02:
		out = append(out, "Cold has taken "+report.Percent(share)+" of the flow since the first fill. What is told above comes on top of it.")
	case slowed:
		out = append(out, "It has hardly got colder since the first fill: cold does not explain what is told above.")
	case o.Explained:
		out = append(out, "Cold has taken "+report.Percent(share)+" of the flow since the first fill; no other cause shows.")
	}
	if !o.Temperature {
		out = append(out, "No temperature of syrup is measured, so this is reckoned from the air’s.")
	}
	return out
}

// pouring is how long a gallon or a litre takes: "80 s a gallon".
func (m *model) pouring(q quantity.Flow) string {
	size, name := quantity.Litre, "a litre"
	if m.Units == quantity.US {
		size, name = quantity.USGallon, "a gallon"
	}
	return report.Pouring(size, q) + " " + name
}

// unseen is what the watch has to say besides, quietly.
func (m *model) unseen() (out []string) {
	if m.Watch == nil || m.over {
		return nil
	}
	for _, n := range m.Watch.Log.Notes {
		out = append(out, n.Text)
	}
	return append(out, m.Watch.Log.Blind...)
}

// matterOfKey names the alarm of a key.
func (m *model) matterOfKey(key string) string {
	if m.Watch != nil {
		for i := range m.Watch.Alarms {
			if a := &m.Watch.Alarms[i]; a.Key == key {
				return matterOf(&a.Verdict)
			}
		}
	}
	return "an alarm that is past"
}

// sayShelved says what one tap put on the shelf, or took off it.
func (m *model) sayShelved(tap []act.Shelve) string {
	var names []string
	for _, b := range tap {
		name := b.What
		if k, ok := watch.ParseKind(b.What); ok {
			name = matters[k].name
		}
		names = append(names, name)
	}
	if tap[0].Off() {
		return "Off the shelf: " + strings.Join(names, ", ")
	}
	return "Quiet until " + m.minute(tap[0].Until.NS) + ": " + strings.Join(names, ", ")
}

// sayAck says that a person has seen an alarm.
func (s *server) sayAck(_ context.Context, _ act.Moment, f url.Values) (act.Body, error) {
	key := f.Get("key")
	if w := s.Feed.Snapshot().Watch; w != nil {
		for i := range w.Alarms {
			if a := &w.Alarms[i]; a.Key == key && waits(a) {
				return act.Ack{Key: key}, nil
			}
		}
	}
	return nil, &act.FieldError{Field: "key", Rule: "must be of an alarm that nobody has seen yet", Value: strconv.Quote(key)}
}

// kindsOf reads kinds as alarm.Matter has them: "kink or throttle down".
func kindsOf(f url.Values) (out []watch.Kind, err error) {
	text := f.Get("kinds")
	for _, name := range strings.Split(text, " or ") {
		k, ok := watch.ParseKind(name)
		if !ok {
			return nil, &act.FieldError{Field: "kinds", Rule: "must be kinds of alarm, with \"or\" between", Value: strconv.Quote(text)}
		}
		out = append(out, k)
	}
	return out, nil
}

// sayShelve keeps the kinds of an alarm quiet for a while.
func (s *server) sayShelve(_ context.Context, now act.Moment, f url.Values) ([]act.Body, error) {
	kinds, err := kindsOf(f)
	if err != nil {
		return nil, err
	}
	until := now
	until.NS += int64(quietFor)
	until.MonoNS += int64(quietFor)
	var out []act.Body
	for _, k := range kinds {
		out = append(out, act.Shelve{What: k.String(), Until: until})
	}
	return out, nil
}

// sayUnshelve lets kinds be heard again.
func (s *server) sayUnshelve(_ context.Context, _ act.Moment, f url.Values) ([]act.Body, error) {
	kinds, err := kindsOf(f)
	if err != nil {
		return nil, err
	}
	var out []act.Body
	if w := s.Feed.Snapshot().Watch; w != nil {
		for _, k := range kinds {
			if slices.ContainsFunc(w.Shelf, func(x alarm.Shelving) bool { return x.Kind == k.String() }) {
				out = append(out, act.Shelve{What: k.String()})
			}
		}
	}
	if len(out) == 0 {
		return nil, &act.FieldError{Field: "kinds", Rule: "must be on the shelf", Value: strconv.Quote(f.Get("kinds"))}
	}
	return out, nil
}
