package sound

import (
	"encoding/json"
	"strconv"
)

// AlarmsTopic is where the list of a rig's alarms is published, retained: it is
// true whenever it is read. AlarmTopic has each change as it is given out, not
// retained.
func AlarmsTopic(prefix, rig string) string { return prefix + "/" + rig + "/alarms" }

// AlarmTopic is AlarmsTopic's of changes.
func AlarmTopic(prefix, rig string) string { return prefix + "/" + rig + "/alarm" }

// Alarm is an alarm as it is published.
type Alarm struct {
	Key      string  // names it for its whole life
	What     string  // its kinds' names: "kink or throttle down"
	State    string  // "unacknowledged", "acknowledged", "returned" or "shelved"; of a change: "raised" or "returned"
	Priority string  // "now", "soon" or "note"
	Yard     string  // id; "": of no yard
	Chance   float64 // that it is real, 0 to 1
	Since    int64   // since when it is the matter, Unix ns
	Raised   int64   // when it was told, Unix ns
	Text     string  // the sentence for the keeper
}

// PackAlarms returns a list of alarms as a SenML pack (RFC 8428): how many there
// are, then the records of each, under the base name of its place in the list.
// Instants are Unix seconds:
//
//	[{"bn":"heron/","bt":1790000000.2,"n":"alarms","u":"count","v":1},
//	 {"bn":"heron/alarm/1/","n":"key","vs":"leak 1789999000"},{"n":"what","vs":"leak"},
//	 {"n":"state","vs":"unacknowledged"},{"n":"priority","vs":"now"},{"n":"chance","u":"/","v":0.99},
//	 {"n":"since","u":"s","v":1789999000.000},{"n":"raised","u":"s","v":1789999180.000},
//	 {"n":"text","vs":"Larch Bank, since 21:42: …"},{"n":"yard","vs":"larch"}]
//
// "yard" is left out where an alarm is of none.
func PackAlarms(rig string, at int64, alarms []Alarm) ([]byte, error) {
	out := []entry{{Base: rig + "/", Time: unix(at), Name: "alarms", Unit: "count", Value: json.Number(strconv.Itoa(len(alarms)))}}
	for i := range alarms {
		out = append(out, alarms[i].entries(rig+"/alarm/"+strconv.Itoa(i+1)+"/")...)
	}
	return json.Marshal(out)
}

// PackAlarm returns one change as a SenML pack: the records that an alarm has in
// PackAlarms, under the base name "heron/alarm/".
func PackAlarm(rig string, at int64, a *Alarm) ([]byte, error) {
	out := a.entries(rig + "/alarm/")
	out[0].Time = unix(at)
	return json.Marshal(out)
}

func (a *Alarm) entries(base string) []entry {
	out := []entry{
		{Base: base, Name: "key", String: a.Key},
		{Name: "what", String: a.What},
		{Name: "state", String: a.State},
		{Name: "priority", String: a.Priority},
		{Name: "chance", Unit: "/", Value: json.Number(strconv.FormatFloat(a.Chance, 'f', 3, 64))},
		{Name: "since", Unit: "s", Value: unix(a.Since)},
		{Name: "raised", Unit: "s", Value: unix(a.Raised)},
		{Name: "text", String: a.Text},
	}
	if a.Yard != "" {
		out = append(out, entry{Name: "yard", String: a.Yard})
	}
	return out
}

// unix prints Unix ns as Unix seconds, to the millisecond.
func unix(ns int64) json.Number {
	return json.Number(strconv.FormatFloat(float64(ns/1_000_000)/1000, 'f', 3, 64))
}
