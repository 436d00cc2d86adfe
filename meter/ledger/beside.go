package ledger

import (
	"math"

	"yardtally/meter/fill"
	"yardtally/meter/outing"
)

// fix is a position as the receiver gave it.
type fix struct {
	At       int64 // 0: none
	Lat, Lon float64
}

// beside is what was seen of pump and place while the open piece's pulses came:
// the newest of each at every step of the count.
type beside struct {
	PumpAt       int64 // newest reading of the shaft that counts
	Turns, Rests int   // readings of a shaft that turns, and of one that does not

	Fixes      int
	Kept       [besideKept]fix // every Every-th of them, from the first on
	N, Every   int
	Prev, Last fix
}

const besideKept = 8

// What shows a shaft at rest, and a rig that drives. Judgement: no engine turns
// so slowly; nobody feeds at the pace of a run; single positions may be far off.
const (
	restBelow  = 2.0  // 1/s
	restLeast  = 2    // readings
	driveLeast = 20.0 // m
	drivePace  = 4.0  // m/s
	driveFixes = 5
	driveAge   = int64(5_000_000_000)
)

// pulsed takes in what is newest of pump and place at a step of the open piece.
func (s *State) pulsed() {
	b, from, to := &s.Beside, s.Fill.Now.Start, s.Fill.Now.End
	if p := &s.Idling.Pump; p.Has && p.At >= from && p.At > b.PumpAt {
		b.PumpAt = p.At
		if p.Value < restBelow {
			b.Rests++
		} else {
			b.Turns++
		}
	}
	f := s.Fix
	if f.At < from || f.At <= b.Last.At || to-f.At > driveAge {
		return
	}
	b.Prev, b.Last = b.Last, f
	if b.Every == 0 {
		b.Every = 1
	}
	if b.Fixes%b.Every == 0 {
		if b.N == besideKept {
			for i := range besideKept / 2 {
				b.Kept[i] = b.Kept[2*i]
			}
			b.N, b.Every = besideKept/2, 2*b.Every
		}
		if b.Fixes%b.Every == 0 {
			b.Kept[b.N] = f
			b.N++
		}
	}
	b.Fixes++
}

// tell puts on a flow what was seen beside it.
func (b *beside) tell(f *outing.Flow) {
	f.Rest = b.Turns == 0 && b.Rests >= restLeast
	f.Moving = b.drove()
}

// drove reports whether the rig went on in both halves of the time, fast, and
// not by its first and last position alone.
func (b *beside) drove() bool {
	if b.Fixes < driveFixes {
		return false
	}
	first, second, middle := b.Kept[0], b.Kept[1], b.Kept[1]
	half := first.At + (b.Last.At-first.At)/2
	for _, k := range b.Kept[2:b.N] {
		if max(k.At-half, half-k.At) < max(middle.At-half, half-middle.At) {
			middle = k
		}
	}
	least := max(driveLeast, drivePace*float64(b.Last.At-first.At)/1e9)
	return first.far(b.Last) > least && first.far(middle) > least/4 && middle.far(b.Last) > least/4 && second.far(b.Prev) > least/2
}

// far is how far two positions are from each other, m, as on a plane: they are
// of one drive.
func (f fix) far(g fix) float64 {
	const degree = 111195.08 // m, of latitude: a mean sphere's
	x := g.Lon - f.Lon
	if x > 180 { // the short way round
		x -= 360
	} else if x < -180 {
		x += 360
	}
	return degree * math.Hypot(g.Lat-f.Lat, x*math.Cos(f.Lat*math.Pi/180))
}

// ofPulses reports whether a piece is of the steps that pulsed was told of.
func ofPulses(p *fill.Piece) bool { return p.Kind == fill.Pull || p.Kind == fill.Dribble }
