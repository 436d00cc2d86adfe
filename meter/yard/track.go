package yard

import (
	"math"

	"yardtally/calibrate/quantity"
)

// What tells standing from driving (common practice, no source).
const (
	// reach is how far a position may be from the mean of a stay, m: a receiver
	// at rest wanders by some metres. reachDOP is the same for a dilution of 1.
	reach, reachDOP = 10.0, 4.0
	// apart is the least time between two positions that are used, ns: what one
	// fix says twice (RMC and GGA) must not count as two.
	apart = int64(400_000_000)
	// slow is the greatest speed of a rig that creeps, m/s.
	slow = 2.0
	// window is how many positions the mean follows.
	window = 30.0
	// stray is how far that mean may come from the mean of the whole stay, m,
	// and strayDOP the same for a dilution of 1; beyond, the rig crept on.
	stray, strayDOP = 20.0, 10.0
	// lull is the longest silence between two positions that follow each other,
	// ns, of a receiver that says one a second; of a slower one it is missed of
	// its usual intervals, up to FixAge. After a longer one the rig may have been
	// elsewhere.
	lull   = int64(20_000_000_000)
	missed = 3
	// errorDOP is the standard uncertainty of a position, in one direction, for
	// a dilution of 1, m; unknownDOP stands for a dilution that is not told.
	errorDOP, unknownDOP = 2.5, 2.0
)

// MaxSilence is the longest silence in which the rig is taken to stand where it
// stood before and after, ns (common practice, no source).
const MaxSilence = int64(1_800_000_000_000)

// Stay is a stretch in which the rig stood, or crept. Instants are Unix ns.
type Stay struct {
	From, To int64 // first and last position of it
	// LeftAt is the first of the positions that show that it left; 0: it still
	// stands, or was silent for more than 20 s before it was heard elsewhere.
	LeftAt int64
	// Since is the first of the positions that led up to From without a silence
	// of more than 20 s and are in no stay; From if there are none. Since == LeftAt of the stay before:
	// all the way was heard.
	Since    int64
	Lat, Lon float64 // mean of its positions, degrees
	// U is the standard uncertainty of one of its positions in one direction, m:
	// the spread or what the dilution says, whichever is more.
	U quantity.Length
	// N is how many positions it rests on: at least Steady, but for a piece that
	// was cut off a stay because the rig crept on.
	N int
	// Gap is its longest silence, ns, at most MaxSilence, and GapFrom the start.
	Gap, GapFrom int64
}

// Track gathers positions into stays. It is a value, a copy is independent.
//
// A stay begins with Steady positions in a row within reach of their mean (10 m,
// or 4 m for each of dilution) that are no faster than 2 m/s; its From is the
// first of them. It ends with Steady in a row out of reach of its mean; LeftAt is
// the first of them. Fewer in a row are outliers and count for nothing. The mean
// follows the last 30 positions, because a receiver's error wanders; when that
// has come 20 m from the mean of the whole stay the rig crept, and the stay is
// cut in two. After a silence of more than 20 s the stay goes on if the next
// Steady positions would begin a stay within its reach and the silence was at
// most MaxSilence; else it closes with LeftAt 0.
type Track struct {
	At    int64 // newest position used
	Every int64 // usual interval between positions, ns
	Since int64 // Stay.Since of the next stay
	In    bool  // Stay goes on
	Back  bool  // there was a silence, and whether Stay goes on is open yet
	Stay  Stay  // without Lat, Lon, U
	// The plane: Lat, Lon is its origin, Scale the cosine of Lat. In it, metres
	// east and north, the mean of the whole stay and the one that follows.
	Lat, Lon, Scale    float64
	X, Y, NearX, NearY float64
	Squares            float64          // of deviations from X, Y, m²
	DOP                float64          // mean dilution
	Weight             float64          // positions that NearX, NearY, DOP follow
	Wait               [Steady]Position // newest positions in no stay
	Waits              int
}

// Next takes in a position, in order of At, and returns the stay that it closes.
// Not used are positions diluted beyond MaxHDOP, less than 0.4 s after the last,
// late, before 1970 or not on Earth.
func (t *Track) Next(p Position) (closed Stay, ok bool) {
	if p.At <= 0 || !(p.HDOP <= MaxHDOP) || !valid(p.Lat, p.Lon) || t.At != 0 && p.At-t.At < apart {
		return Stay{}, false
	}
	gap := p.At - t.At
	broken := t.At != 0 && t.silent(gap)
	t.At = p.At
	if broken {
		if gap > FixAge || t.In && !t.Back {
			t.Waits = 0 // they were outliers, or are too old
		}
		t.Back, t.Since = t.In, p.At
	}
	if t.In && (!t.Back || p.At-t.Stay.To <= FixAge) {
		if at := plane(t.Lat, t.Lon, t.Scale, p.Lat, p.Lon); t.within(at, p.HDOP) {
			return t.take(p, at)
		}
	}
	if t.Waits == 0 {
		t.Since = p.At
	}
	if t.Waits == Steady {
		copy(t.Wait[:], t.Wait[1:])
		t.Waits--
	}
	t.Wait[t.Waits] = p
	t.Waits++
	if t.Waits < Steady {
		return Stay{}, false
	}
	stands := t.stands()
	if t.In {
		if t.Back && stands && t.again() {
			for _, p := range t.Wait {
				t.add(p, plane(t.Lat, t.Lon, t.Scale, p.Lat, p.Lon))
			}
			t.Waits, t.Back = 0, false
			return Stay{}, false
		}
		closed, ok = t.stay(), true
		if !t.Back {
			closed.LeftAt = t.Wait[0].At
		}
		t.In, t.Back = false, false
	}
	if stands {
		t.begin(t.Wait[0])
		for _, p := range t.Wait {
			t.add(p, plane(t.Lat, t.Lon, t.Scale, p.Lat, p.Lon))
		}
		t.Waits = 0
	}
	return closed, ok
}

// silent reports whether an interval between two positions is a silence, and
// takes it in.
func (t *Track) silent(gap int64) bool {
	long := gap > min(FixAge, max(lull, missed*t.Every))
	switch {
	case gap > FixAge:
	case t.Every == 0:
		t.Every, long = gap, false
	default:
		t.Every += (min(gap, 4*lull) - t.Every) / 8
	}
	return long
}

// Open returns the stay that goes on, if the rig is in one.
func (t *Track) Open() (Stay, bool) {
	if !t.In {
		return Stay{}, false
	}
	return t.stay(), true
}

// Fix returns the newest position used, 0 for none.
func (t *Track) Fix() (at int64) { return t.At }

// Moving returns since when the positions, without a silence of more than 20 s,
// show the rig in no stay; 0 if it is in one or they are too few to say.
func (t *Track) Moving() (since int64) {
	if t.In || t.Waits < Steady {
		return 0
	}
	return t.Since
}

// within tells whether a place in the plane is in reach of the mean.
func (t *Track) within(at xy, dop float64) bool {
	x, y := at.x-t.NearX, at.y-t.NearY
	r := max(reach, reachDOP*dop, reachDOP*t.DOP)
	return float64(x*x)+float64(y*y) <= r*r
}

// stands tells whether the positions that wait begin a stay.
func (t *Track) stands() bool {
	first, last := &t.Wait[0], &t.Wait[Steady-1]
	scale := cosine(first.Lat)
	end := plane(first.Lat, first.Lon, scale, last.Lat, last.Lon)
	far := slow * float64(last.At-first.At) / 1e9
	if float64(end.x*end.x)+float64(end.y*end.y) > far*far {
		return false
	}
	var at [Steady]xy
	var mean xy
	r := reach
	for i := range t.Wait {
		p := &t.Wait[i]
		at[i] = plane(first.Lat, first.Lon, scale, p.Lat, p.Lon)
		mean.x += at[i].x / Steady
		mean.y += at[i].y / Steady
		r = max(r, reachDOP*p.HDOP)
	}
	for _, a := range at {
		x, y := a.x-mean.x, a.y-mean.y
		if float64(x*x)+float64(y*y) > r*r {
			return false
		}
	}
	return true
}

// again tells whether those that wait are within reach of the stay before the
// silence, and that was not too long.
func (t *Track) again() bool {
	if t.Wait[0].At-t.Stay.To > MaxSilence {
		return false
	}
	var mean xy
	dop := 0.0
	for i := range t.Wait {
		p := &t.Wait[i]
		at := plane(t.Lat, t.Lon, t.Scale, p.Lat, p.Lon)
		mean.x += at.x / Steady
		mean.y += at.y / Steady
		dop = max(dop, p.HDOP)
	}
	return t.within(mean, dop)
}

// begin begins a stay with a position, which is not yet taken in.
func (t *Track) begin(p Position) {
	t.In = true
	t.Stay = Stay{From: p.At, To: p.At, Since: min(t.Since, p.At)}
	t.Lat, t.Lon, t.Scale = p.Lat, p.Lon, cosine(p.Lat)
	t.X, t.Y, t.NearX, t.NearY = 0, 0, 0, 0
	t.Squares, t.DOP, t.Weight = 0, 0, 0
}

// take takes a position within reach into the stay, which it cuts first if the
// rig crept on.
func (t *Track) take(p Position, at xy) (closed Stay, ok bool) {
	t.Waits, t.Back = 0, false
	x, y := t.NearX-t.X, t.NearY-t.Y
	if r := max(stray, strayDOP*t.DOP); float64(x*x)+float64(y*y) > r*r {
		closed, ok = t.stay(), true
		closed.LeftAt, t.Since = p.At, p.At
		t.begin(p)
		at = xy{}
	}
	t.add(p, at)
	return closed, ok
}

// add adds a position to the stay's means.
func (t *Track) add(p Position, at xy) {
	s := &t.Stay
	if gap := p.At - s.To; gap > s.Gap {
		s.Gap, s.GapFrom = gap, s.To
	}
	s.To = p.At
	s.N++
	n := float64(s.N)
	dx, dy := at.x-t.X, at.y-t.Y
	t.X += dx / n
	t.Y += dy / n
	t.Squares += float64(dx*(at.x-t.X)) + float64(dy*(at.y-t.Y))
	dop := p.HDOP
	if !(dop > 0) {
		dop = unknownDOP
	}
	t.Weight = min(t.Weight+1, window)
	t.DOP += (dop - t.DOP) / t.Weight
	t.NearX += (at.x - t.NearX) / t.Weight
	t.NearY += (at.y - t.NearY) / t.Weight
}

// stay returns the stay as it stands.
func (t *Track) stay() Stay {
	s := t.Stay
	s.Lat, s.Lon = unplane(t.Lat, t.Lon, t.Scale, xy{t.X, t.Y})
	u := errorDOP * t.DOP
	if s.N > 1 {
		u = max(u, math.Sqrt(t.Squares/float64(2*(s.N-1))))
	}
	s.U = quantity.Length(u)
	return s
}
