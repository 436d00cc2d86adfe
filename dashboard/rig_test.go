package dashboard

import (
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"yardtally/meter/act"
	"yardtally/meter/clock"
	"yardtally/meter/ledger"
)

func ofRig(s *Snapshot, a *About) Options {
	return Options{Feed: newFeed(s), Rig: "heron", Version: "0.1.0", About: func() About { return *a }}
}

// The page tells of sources, lag, clock, disk and versions, and what holds now.
func TestRigPage(t *testing.T) {
	s := sample()
	s.View.Placed = ledger.Placing{By: clock.BySatellites, Epochs: 3, Unsure: 1, Steps: 2}
	s.View.Stand = &act.Tote{Name: "tote 1", CapacityL: 1041}
	s.Store = &StoreLine{Name: "InfluxDB"}
	a := About{PerMin: map[string]float64{"serial": 299.6, "mqtt": 60}, Bytes: 4_200_000, Records: 9000, Readings: 31_000, Commit: 12 * time.Millisecond, Schema: 2, Boots: 4,
		Room: 20e9, Disk: 32e9, Go: "go1.26"}
	h := New(ofRig(s, &a))
	page := get(t, h, "/rig").Body.String()
	got := words1(page)
	for _, want := range []string{"serial open 0 s ago 300 3", "serial dropped: 1 no checksum, 2 wrong checksum.", "The newest reading that is kept is from 21:26:35, 0 s ago.", "To keep readings took 12 ms the last time.",
		"The InfluxDB has everything.", "The rig’s time: by satellites.", "No clock was heard for 1 stretch of readings", "2 steps of clocks were seen and undone.", "The journal knows 4 boots.",
		"31,000 readings in 9,000 records, 4.2 MB of disk.", "20.0 GB of 32.0 GB are free there.", "Yardtally 0.1.0.", "The journal’s schema 2.", "go1.26.",
		"Counter: 1892.7 pulses to the gallon.", "Tote: tote 1, of 275.0 gal.", "Nobody described it", "Orchard End 24 1.00", "Times are of America/Chicago."} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %s", want, got)
		}
	}
	if strings.Contains(page, `class="loud"`) || strings.Contains(page, "style=") {
		t.Errorf("all is well, and it is loud: %s", page)
	}
	var d rigDoc
	if err := json.Unmarshal(get(t, h, "/rig.json").Body.Bytes(), &d); err != nil || d.Schema != 2 || d.Clock != clock.BySatellites || len(d.Sources) != 2 || d.Sources[0].Dropped["wrong checksum"] != 2 {
		t.Errorf("%+v, %v", d, err)
	}
	if rows, err := csv.NewReader(get(t, h, "/rig.csv").Body).ReadAll(); err != nil || len(rows) != 3 || rows[1][3] != "299.6" {
		t.Errorf("%v, %v", rows, err)
	}
}

// What needs a person is said loudly, with what to do.
func TestRigIsLoud(t *testing.T) {
	long := twice()
	long.View.Outings[0].From = long.Now - 10*86400e9 // 10 days
	for _, c := range []struct {
		name, want string // part of what is loud; "": nothing is
		s          *Snapshot
		a          About
	}{
		{"all is well", "", sample(), About{Room: 20e9, Disk: 32e9, Bytes: 1e6}},
		{"a disk that is nearly full", "Disk nearly full 150.0 MB are left. Copy the journal elsewhere (yardtally backup)", sample(), About{Room: 150e6, Disk: 32e9, Bytes: 1e6}},
		{"one that will be soon", "Disk nearly full 2.0 GB are left.", long, About{Room: 2e9, Disk: 32e9, Bytes: 1e9}}, // 0.1 GB a day: 20 days
		{"one that will not", "", long, About{Room: 20e9, Disk: 32e9, Bytes: 1e9}},
		{"no clock", "Time not known The rig has nothing to tell the time by. Sign in on a phone", &Snapshot{View: &ledger.View{Placed: ledger.Placing{By: clock.ByNeighbours}}, Zone: zone, Now: at(21, 0, 0)}, About{}},
		{"a damaged journal", "Damaged 2 parts of the journal cannot be read.", sample(), About{Room: 20e9, Disk: 32e9, Damage: 2}},
		{"nothing is known of the disk", "", sample(), About{}},
	} {
		page := get(t, New(ofRig(c.s, &c.a)), "/rig").Body.String()
		got := words1(page)
		loud := strings.Contains(page, `<p class="loud">`)
		if loud != (c.want != "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: loud %v, want %q in %s", c.name, loud, c.want, got)
		}
	}
	if got := words1(get(t, New(ofRig(long, &About{Room: 20e9, Disk: 32e9, Bytes: 1e9})), "/rig").Body.String()); !strings.Contains(got, "at this rate it lasts for 200 days") {
		t.Errorf("%s", got)
	}
	// Without a daemon that tells of itself, and with nothing heard.
	got := words1(get(t, handler(&Snapshot{Zone: zone, Now: at(21, 0, 0)}), "/rig").Body.String())
	for _, want := range []string{"No source of readings is set", "No reading is kept yet.", "no proving yet", "Tote: none is described."} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %s", want, got)
		}
	}
}
