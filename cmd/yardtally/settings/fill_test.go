package settings

import (
	"strings"
	"testing"

	"yardtally/meter/act"
)

// TestFill: of nothing, a file that says nothing; of some tables, those alone,
// read back by the parser as they were given, with every comment of the example.
func TestFill(t *testing.T) {
	empty, err := Fill(nil)
	if err != nil {
		t.Fatal(err)
	}
	if live := Live(empty); len(live) != 0 {
		t.Errorf("of nothing: %q", live)
	}
	text, err := Fill([]Table{
		{Values: []KeyValue{{"rig", Quote("wren")}, {"zone", Quote("Europe/Berlin")}}},
		{Name: "tote", Values: []KeyValue{{"capacity", Quote("1041 L")}, {"length", Quote("1.1 m")}, {"width", Quote("0.9 m")}, {"height", Quote("1 m")}}},
		{Name: "yards", Values: []KeyValue{{"id", Quote("mill")}, {"name", Quote(`Mill "Bottom" \ é # no comment`)}, {"position", "[43.2350, -91.9250]"}, {"colonies", "11"}}},
		{Name: "yards", Values: []KeyValue{{"id", Quote("larch")}, {"position", "[43.195, -91.88]"}, {"numbered", "true"}}},
		{Name: "yards", Aside: true, Values: []KeyValue{{"id", Quote("ferry")}, {"name", Quote("Ferry Lane")}}},
		{Name: "serial", Values: []KeyValue{{"port", Quote("/dev/ttyACM0")}, {"baud", "9600"}}},
		{Name: "broker", Values: []KeyValue{{"address", Quote(":1883")}}},
		{Name: "broker.users", Values: []KeyValue{{"name", Quote("wren")}, {"password", Quote("a b c")}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	s, err := Parse("x.toml", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if s.Rig != "wren" || s.Zone.String() != "Europe/Berlin" || len(s.Serial) != 1 || s.Serial[0].Port != "/dev/ttyACM0" || s.Serial[0].Baud != 9600 ||
		s.Broker == nil || s.Broker.Address != ":1883" || s.Broker.Users[0].Password != "a b c" || len(s.MQTT)+len(s.GPSD)+len(s.Modbus)+len(s.GPIO) != 0 || s.Signal != nil || s.Influx != nil {
		t.Errorf("%+v", s)
	}
	var yards []act.Yard
	for _, a := range s.Acts {
		if y, ok := a.Body.(act.Yard); ok {
			yards = append(yards, y)
		}
	}
	if len(yards) != 2 || yards[0].Name != `Mill "Bottom" \ é # no comment` || yards[0].Colonies != 11 || yards[1].ID != "larch" || !yards[1].Numbered {
		t.Errorf("yards: %+v", yards)
	}
	if !strings.Contains(text, "# id = \"ferry\"\n# name = \"Ferry Lane\"\n") {
		t.Error("a yard that is put aside is not there as a comment")
	}
	if strings.Contains(strings.Join(Live(text), "\n"), "a b c") {
		t.Error("a password is shown")
	}
	// Every comment of the example is in it still.
	for line := range strings.Lines(Example) {
		line = strings.TrimRight(line, "\n")
		if c := line[len(beforeComment(line)):]; c != "" && !strings.Contains(text, c) {
			t.Errorf("the comment %q is lost", c)
		}
	}
	for _, bad := range [][]Table{{{Name: "yard"}}, {{Name: "yards", Values: []KeyValue{{"colour", "1"}}}}} {
		if _, err := Fill(bad); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

// TestFillAll: every table and key of the example filled with its own value
// means what the example means.
func TestFillAll(t *testing.T) {
	var tables []Table
	for _, p := range partsOf(Example) {
		x := Table{Name: p.name}
		for _, k := range p.keys {
			if k.key == "" {
				continue
			}
			whole := ""
			for _, l := range k.lines {
				whole += strings.TrimSpace(beforeComment(l)) + " "
			}
			_, value, _ := strings.Cut(whole, "=")
			x.Values = append(x.Values, KeyValue{k.key, strings.TrimSpace(value)})
		}
		if strings.HasPrefix(p.name, "modbus") {
			continue // a list within a list: Fill has no place for its second
		}
		tables = append(tables, x)
	}
	text, err := Fill(tables)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Parse("x.toml", []byte(text)); err != nil {
		t.Fatalf("%v", err)
	}
	if got, want := len(Live(text)), 150; got < want {
		t.Errorf("%d lines are live, want %d and more", got, want)
	}
}
