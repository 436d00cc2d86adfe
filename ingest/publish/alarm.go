package publish

import (
	"database/sql"
	"fmt"
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
	if err := checkRig(rig); err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	if len(alarms) == 0 {
		return nil
	}
	o.order.Lock()
	defer o.order.Unlock()
	p := put{o: o, next: o.next}
	var oldest int64
	err := o.inTx(func(tx *sql.Tx) error {
		if err := p.begin(tx, rig); err != nil {
			return err
		}
		for i := range alarms {
			if err := p.point(alarms[i].point()); err != nil {
				return err
			}
		}
		var err error
		oldest, err = head(tx, o.acked)
		return err
	})
	if err != nil {
		return fmt.Errorf("outbox: rig %s: %w", rig, err)
	}
	p.done(oldest)
	return nil
}
