package ledger

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/clock"
)

// saved is a checkpoint as it is kept in the journal, to start fast.
type saved struct {
	Version int
	Acts    []act.Act
	Clock   clock.Clock
	State   State
	KeyAt   int64
	Key     meter.Record
	LowSeq  uint64
	LastSeq uint64
}

// savedVersion changes whenever a change of the code could change a result.
const savedVersion = 16

// Save returns the newest checkpoint for Load, or nil if there is none. It is a
// cache: losing it loses nothing but time.
func (l *Ledger) Save() ([]byte, error) {
	if l.Stale() || len(l.cps) == 0 {
		return nil, nil
	}
	cp := &l.cps[len(l.cps)-1]
	return json.Marshal(saved{savedVersion, l.standing, l.clk, cp.st, cp.key.at, cp.key.rec, cp.lowSeq, l.lastSeq})
}

// Load starts from a saved state, if it was saved by this version under the
// acts that the ledger has now, and takes in the records after it. After an
// error the ledger is to be rebuilt.
func (l *Ledger) Load(data []byte, replay Replay) error {
	var s saved
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("checkpoint: %w", err)
	}
	if s.Version != savedVersion {
		return fmt.Errorf("checkpoint: version must be %d, is %d", savedVersion, s.Version)
	}
	if len(diff(s.Acts, l.standing)) > 0 {
		return errors.New("checkpoint: acts have changed since")
	}
	l.reset()
	l.clk, l.noted = s.Clock, s.LastSeq
	l.clk.SetFixes(l.cfg.fix)
	l.starts = l.clk.Starts()
	l.st, l.key, l.high, l.lastSeq = s.State, &item{at: s.KeyAt, rec: s.Key}, s.KeyAt, s.LowSeq-1
	l.cps = []checkpoint{{key: l.key, lowSeq: s.LowSeq, st: l.st.Clone()}}
	l.dirty = math.MaxInt64
	l.rewind()
	l.resumeTold()
	return replay(s.LowSeq-1, func(r *meter.Record) error {
		if r.Seq <= s.LastSeq {
			if order(&item{at: l.clk.Place(r), rec: *r}, l.key) <= 0 {
				return nil // was folded before the state was saved
			}
		}
		l.Add(r)
		return nil
	})
}
