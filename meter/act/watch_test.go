package act

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"
)

func TestOfAlarms(t *testing.T) {
	at := Moment{NS: 1_791_588_000_000_000_001, Boot: "b", MonoNS: 7}
	for _, b := range []Body{Announced{Key: "kink 7 100", What: Raised, At: at}, Announced{Key: "leak", What: Returned, At: at}, Announced{Key: "sensor air 5", What: Raised, At: at, Kinds: []string{"sensor"}, Channel: "air"},
		Ack{Key: "kink 7 100"}, Shelve{What: "kink", Until: at}, Shelve{What: "kink"}} {
		a := Act{ID: "x1", Rig: "heron", Who: "rig", When: 1_791_588_000_123_456_789, Body: b}
		if err := a.Check(); err != nil {
			t.Errorf("%#v: %v", b, err)
		}
		data, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		var back Act
		if err := json.Unmarshal(data, &back); err != nil || !reflect.DeepEqual(a, back) {
			t.Errorf("%+v became %+v (%v) by way of %s", a, back, err, data)
		}
		if !OfAlarms(back.Body) {
			t.Errorf("%s: not taken for an act of alarms", data)
		}
	}
	for _, b := range bodies {
		if OfAlarms(b) {
			t.Errorf("%s: taken for an act of alarms", b.Kind())
		}
	}
	for _, c := range []struct {
		b     Body
		field string
		text  string
	}{
		{Announced{What: Raised, At: at}, "key", `must name an alarm, is ""`},
		{Announced{Key: "k", What: "told", At: at}, "what", `must be "raised" or "returned", is "told"`},
		{Announced{Key: "k", What: Raised}, "at", "must be an instant, is 0"},
		{Ack{}, "key", `must name an alarm, is ""`},
		{Shelve{}, "what", `must be a kind of alarm, is ""`},
		{Shelve{What: "kink", Until: Moment{MonoNS: 5}}, "until", "must be an instant, is 0"},
	} {
		var fe *FieldError
		if err := c.b.Check(); !errors.As(err, &fe) || fe.Field != c.field || !strings.HasSuffix(err.Error(), c.text) {
			t.Errorf("%#v: %v, want %s: %s", c.b, err, c.field, c.text)
		}
	}
}
