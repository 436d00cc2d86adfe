package main

import (
	"runtime"
	"time"

	"yardtally/dashboard"
	"yardtally/ingest/journal"
)

// started is when this process began.
var started = time.Now()

// about tells the page of the daemon and of its journal.
func (r *oneRig) about() dashboard.About {
	j := r.d.journal
	st := j.Stats()
	a := dashboard.About{Started: started, Messages: map[string]uint64{}, PerMin: map[string]float64{}, Bytes: st.Bytes, Records: st.Records, Readings: st.Readings,
		Waiting: st.Pending, Commit: st.LastCommit, Failures: st.Failures, Damage: len(j.Damage()), Schema: journal.Schema(), Boots: j.Boots(), Go: runtime.Version()}
	minutes := max(1.0/60, time.Since(started).Minutes())
	for _, s := range r.sources() {
		n := s.State().Messages
		a.Messages[s.Name()], a.PerMin[s.Name()] = n, float64(n)/minutes
	}
	a.Room, a.Disk = j.Room()
	return a
}
