package dashboard

import (
	"math"

	rig "yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

// ailing is the sample with what the watch makes of verdicts and of what was
// said; the verdicts are told of the sample's last fills.
func ailing(acts []act.Act, verdicts ...watch.Verdict) *Snapshot {
	s := sample()
	said(s, acts, verdicts...)
	return s
}

func said(s *Snapshot, acts []act.Act, verdicts ...watch.Verdict) {
	s.Watch = &Watch{Alarms: alarm.Life(verdicts, acts, s.Now), Shelf: alarm.Shelf(acts, s.Now),
		Log: watch.Log{Verdicts: verdicts, Outlook: &watch.Outlook{
			Now:  rig.Outlook{Temp: 8, Flow: quantity.USGallonPerMinute * 60 / 80, PerGallon: 80e9},
			Hour: rig.Outlook{Temp: 7.7, Flow: quantity.USGallonPerMinute * 60 / 92, PerGallon: 92e9},
			Air:  5, AirHour: 3.2, Slower: 0.87, SinceStart: 0.95, Temperature: true}}}
	for i := range s.View.Fills {
		f := &s.View.Fills[i]
		j := watch.Judged{Session: f.Session, First: f.First, Expected: quantity.USGallonPerMinute * 60 / 40, Off: math.Log(0.98)}
		for k := range verdicts {
			if v := &verdicts[k]; v.Last > 0 && f.First >= v.First {
				j.Off = v.Size
			}
		}
		j.Lo, j.Hi = j.Expected*0.88, j.Expected*1.14
		s.Watch.Log.Fills = append(s.Watch.Log.Fills, j)
	}
}

// of is a verdict of the sample's third last fill, told with its last.
func of(kinds ...watch.Kind) watch.Verdict {
	s := sample()
	fills := s.View.Fills
	first, last := &fills[len(fills)-4], &fills[len(fills)-2]
	return watch.Verdict{Kinds: kinds, From: first.Start, Told: last.End, Session: 1, First: first.First, Last: first.Last, Yard: first.Yard,
		Pulls: 3, Size: math.Log(0.5), Chance: 0.993, Sudden: true}
}

// still is a verdict that is of no pull.
func still(size float64, kinds ...watch.Kind) watch.Verdict {
	s := sample()
	return watch.Verdict{Kinds: kinds, From: s.Now - 7*60e9, Told: s.Now - 3*60e9, Size: size, Chance: 0.97}
}

// seen and shelved are acts on alarms of the sample, said a minute ago.
func seen(key string) act.Act {
	return act.Act{ID: "seen " + key, Rig: "heron", Who: "wren", When: sample().Now - 60e9, Body: act.Ack{Key: key}}
}

func shelved(kinds ...watch.Kind) (out []act.Act) {
	now := sample().Now
	for i, k := range kinds {
		out = append(out, act.Act{ID: "shelved " + k.String(), Rig: "heron", Who: "wren", When: now - 60e9 + int64(i),
			Body: act.Shelve{What: k.String(), Until: act.Moment{NS: now - 60e9 + int64(quietFor)}}})
	}
	return out
}
