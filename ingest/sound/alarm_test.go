package sound

import (
	"math"
	"strings"
	"testing"

	"yardtally/ingest/wire"
)

// RFC 8428: a record has a name, base name and name together of its alphabet
// (section 4.5.1), and exactly one value.
func TestPackAlarms(t *testing.T) {
	kink := Alarm{Key: "kink+throttle down @7/1200", What: "kink or throttle down", State: "unacknowledged", Priority: "soon", Yard: "larch",
		Chance: 0.987654, Since: 1_790_000_000_123_456_789, Raised: 1_790_000_060_000_000_000, Text: `Larch Bank, "since" 21:42.`}
	leak := Alarm{Key: "leak 5", What: "leak", State: "shelved", Priority: "now", Chance: 1, Since: 1, Raised: 2, Text: "Leak."}
	for _, c := range []struct {
		name string
		pack func() ([]byte, error)
		want string
	}{
		{"none", func() ([]byte, error) { return PackAlarms("heron", 1_790_000_100_000_000_000, nil) },
			`[{"bn":"heron/","bt":1790000100.000,"n":"alarms","u":"count","v":0}]`},
		{"two", func() ([]byte, error) { return PackAlarms("heron", 1_790_000_100_000_000_000, []Alarm{kink, leak}) },
			`[{"bn":"heron/","bt":1790000100.000,"n":"alarms","u":"count","v":2},` +
				`{"bn":"heron/alarm/1/","n":"key","vs":"kink+throttle down @7/1200"},{"n":"what","vs":"kink or throttle down"},` +
				`{"n":"state","vs":"unacknowledged"},{"n":"priority","vs":"soon"},{"n":"chance","u":"/","v":0.988},` +
				`{"n":"since","u":"s","v":1790000000.123},{"n":"raised","u":"s","v":1790000060.000},{"n":"text","vs":"Larch Bank, \"since\" 21:42."},{"n":"yard","vs":"larch"},` +
				`{"bn":"heron/alarm/2/","n":"key","vs":"leak 5"},{"n":"what","vs":"leak"},{"n":"state","vs":"shelved"},{"n":"priority","vs":"now"},` +
				`{"n":"chance","u":"/","v":1.000},{"n":"since","u":"s","v":0.000},{"n":"raised","u":"s","v":0.000},{"n":"text","vs":"Leak."}]`},
		{"a change", func() ([]byte, error) { return PackAlarm("heron", 1_790_000_100_000_000_000, &leak) },
			`[{"bn":"heron/alarm/","bt":1790000100.000,"n":"key","vs":"leak 5"},{"n":"what","vs":"leak"},{"n":"state","vs":"shelved"},{"n":"priority","vs":"now"},` +
				`{"n":"chance","u":"/","v":1.000},{"n":"since","u":"s","v":0.000},{"n":"raised","u":"s","v":0.000},{"n":"text","vs":"Leak."}]`},
	} {
		got, err := c.pack()
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %v\n%s\nwant\n%s", c.name, err, got, c.want)
		}
		// Our own reader of packs takes it for one, and nothing in it for a reading.
		msgs, drops := wire.ParsePack(got, "heron")
		for _, m := range msgs {
			if len(m.Readings) > 0 {
				t.Errorf("%s: readings %+v", c.name, m.Readings)
			}
		}
		for _, d := range drops {
			if !strings.Contains(string(d.Reason), "channel") && !strings.Contains(string(d.Reason), "name") && !strings.Contains(string(d.Reason), "rig") {
				t.Errorf("%s: dropped because of %s", c.name, d.Reason)
			}
		}
	}
	if _, err := PackAlarm("heron", 0, &Alarm{Chance: math.NaN()}); err == nil {
		t.Error("a number that is none was packed")
	}
	if AlarmsTopic("yard", "heron") != "yard/heron/alarms" || AlarmTopic("yard", "heron") != "yard/heron/alarm" {
		t.Error("topics")
	}
}
