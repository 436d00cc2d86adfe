package sound

import (
	"context"
	"encoding/json"
	"strconv"
)

// Topic returns where a rig's signals are published.
func Topic(prefix, rig string) string { return prefix + "/" + rig + "/signal" }

// Publisher publishes signals as SenML packs (RFC 8428), QoS 1, not retained:
//
//	[{"bn":"heron/","bt":1790000000.2,"n":"signal","vs":"full"},{"n":"fill","u":"m3","v":0.00378}]
type Publisher struct {
	To    string // in notices: "the MQTT broker trailer"
	Rig   string
	Topic string
	Send  func(ctx context.Context, topic string, pack []byte) error
}

// Name implements Outlet.
func (p *Publisher) Name() string { return p.To }

// Give implements Outlet.
func (p *Publisher) Give(ctx context.Context, s Signal) error {
	pack, err := Pack(p.Rig, s)
	if err != nil {
		return err
	}
	ctx, done := context.WithTimeout(ctx, staleAfter)
	defer done()
	return p.Send(ctx, p.Topic, pack)
}

// entry is a SenML record of a signal, in the labels of RFC 8428, section 5.
type entry struct {
	Base   string      `json:"bn,omitempty"`
	Time   json.Number `json:"bt,omitempty"`
	Name   string      `json:"n"`
	Unit   string      `json:"u,omitempty"`
	Value  json.Number `json:"v,omitempty"`
	String string      `json:"vs,omitempty"`
}

// Pack returns a signal as a SenML pack of two records: "signal", its name, and
// "fill", what the fill had by then, m³.
func Pack(rig string, s Signal) ([]byte, error) {
	number := func(v float64, digits int) json.Number {
		return json.Number(strconv.FormatFloat(v, 'f', digits, 64))
	}
	return json.Marshal([]entry{
		{Base: rig + "/", Time: number(float64(s.At/1_000_000)/1000, 3), Name: "signal", String: s.Kind.String()},
		{Name: "fill", Unit: "m3", Value: number(s.Fill.CubicMetres(), -1)},
	})
}
