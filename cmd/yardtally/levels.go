package main

import (
	"encoding/json"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/tote"
	"yardtally/meter/watch"
)

// levels watches the tote's level fall while the rig stands, sooner than the
// account tells of a change. What it saw is kept as a cache beside the ledger's
// state, so that a restart goes on with it; without the cache the change is
// told once the level has settled.
type levels struct {
	Still watch.Still
	Falls []watch.Fall // in order of From
}

const (
	levelEvery  = int64(10e9)            // between levels that are looked at
	levelLags   = int64(40e9)            // after flow: the level is a mean, and comes after what was metered
	fallsKept   = int64(24 * 3600 * 1e9) // ns
	levelsCache = "watch"                // its name in the journal
)

// offer takes in the newest level, and reports whether a fall was told.
func (l *levels) offer(v *ledger.View, acts []act.Act) bool {
	t := &v.Tote
	if !t.Known || t.At < l.Still.Last.At+levelEvery && t.At >= l.Still.Last.At {
		return false
	}
	if t.At-flowed(v) < levelLags {
		return false
	}
	p := tote.Point{At: t.At, Volume: t.Volume, Rest: t.Settled, Metered: v.Total, Tote: t.Name,
		U: quantity.VolumeOf(planOf(acts) * float64(t.LevelU))}
	f, ok := l.Still.Offer(p)
	if !ok {
		return false
	}
	if n := len(l.Falls) - 1; n >= 0 && l.Falls[n].From == f.From {
		l.Falls[n] = f
	} else {
		l.Falls = append(l.Falls, f)
	}
	for len(l.Falls) > 0 && l.Falls[0].At < t.At-fallsKept {
		l.Falls = l.Falls[1:]
	}
	return true
}

// flowed is when the newest flow ended.
func flowed(v *ledger.View) (at int64) {
	if n := len(v.Fills); n > 0 {
		at = v.Fills[n-1].End
	}
	if n := len(v.Loose); n > 0 {
		at = max(at, v.Loose[n-1].End)
	}
	return at
}

// planOf is the tote's plan in the mean of its height, m²; 1 where it is not said.
func planOf(acts []act.Act) float64 {
	plan := 1.0
	for _, a := range act.Standing(acts) {
		t, ok := a.Body.(act.Tote)
		if !ok {
			continue
		}
		switch n := len(t.Straps) - 1; {
		case n > 0 && t.Straps[n].LevelM > t.Straps[0].LevelM:
			plan = (t.Straps[n].VolumeL - t.Straps[0].VolumeL) / 1000 / (t.Straps[n].LevelM - t.Straps[0].LevelM)
		case t.LengthM > 0 && t.WidthM > 0:
			plan = t.LengthM * t.WidthM
		}
	}
	return plan
}

// cache and resume are of what a restart goes on with.
func (l *levels) cache() ([]byte, error) { return json.Marshal(l) }

func (l *levels) resume(data []byte) error {
	var was levels
	if err := json.Unmarshal(data, &was); err != nil {
		return err
	}
	*l = was
	return nil
}
