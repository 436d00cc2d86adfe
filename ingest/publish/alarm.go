package publish

import (
	"database/sql"
)

// Alarm is a change of an alarm that was given out. All of it is in the journal,
// so that it can be put again after a loss.
type Alarm struct {
	At       int64  // when it was given out, Unix ns by the rig's clock
	Key      string // of the alarm
	Change   string // "raised" or "returned"
	What     string // its kinds
	Priority string
	Yard     string // id; "": of no yard
}

func (a *Alarm) point() *point {
	p := &point{at: a.At, t: a.At, kind: alarmKind, id: a.Key + " " + a.Change, data: make([]byte, 0, 96)}
	k := packer{p: p}
	k.text(a.Key)
	k.text(a.Change)
	k.text(a.What)
	k.text(a.Priority)
	k.text(a.Yard)
	return p
}

// PutAlarms takes changes of alarms, all or none; on return they are on disk.
// Those that are there already change nothing, and no later word of the ledger
// makes them void.
func (o *Outbox) PutAlarms(rig string, alarms []Alarm) error {
	return o.put(rig, len(alarms), func(p *put, _ *sql.Tx) error {
		for i := range alarms {
			if err := p.point(alarms[i].point()); err != nil {
				return err
			}
		}
		return nil
	})
}
