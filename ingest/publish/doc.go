// Package publish passes the ledger's results on to an InfluxDB, through an
// outbox that survives the power going and a forwarder that survives the
// server going.
//
// # Points
//
// Every point bears the instant of its result, to the nanosecond, never the
// time of writing. The only tag is rig. Whatever a restatement may change is a
// field.
//
//	measurement  instant              fields
//	fill         start of the fill    volume_l, within_l, duration_s, flow_l_per_min, session, first, last, syrup_c, yard, reason, top_up, short, colony, solids_kg, brix, or, void
//	loose        start of the flow    volume_l, within_l, duration_s, session, first, last, why, note, or, yard, reason, void
//	gap          start of the gap     duration_s, known_l, hidden_l, why, void
//	sample       its instant          total_l, flow_l_per_min, tote_l, syrup_c, air_c, void
//	alarm        when it was given    key, change, what, priority, yard, void
//	             out
//
// volume_l, known_l, hidden_l, total_l and tote_l are litres, duration_s
// seconds, flow_l_per_min litres a minute, syrup_c and air_c degrees Celsius
// (all floats); session, first and last are the counter's session and the
// counts before and at the end of the fill (integers); within_l is half the 95 %
// interval of volume_l; top_up is 1 for a pull that goes to the colony of the
// fill before it, short 1 for one whose colony still had syrup, colony the
// colony's number where it is sure, else 0; solids_kg is the sugar in what left
// the nozzle and brix its mean Brix; yard, reason, why and note are strings, and
// so is or: what else the pull may have been, "" where that is sure; void is a
// boolean. Of an alarm, key names it for its whole life, change is "raised" or
// "returned", what its kinds, priority "now" or "soon", yard the yard's id or
// "". within_l, solids_kg, brix, syrup_c, tote_l and air_c are left out where they
// are not known, and so is any number that is not finite.
//
// # Void points
//
// Nothing is deleted. A result that the ledger took back is written again at
// its place with void=true, and with the numbers that people add up (volume_l,
// solids_kg, duration_s, known_l, hidden_l) at zero, so that a sum that forgets to look at
// void is still right; a count or a mean is not. The usual query asks for what
// holds:
//
//	SELECT sum(volume_l) FROM fill WHERE rig = 'heron' AND yard = 'mill' AND void = false AND time > now() - 12h
//
// # One place, one point
//
// InfluxDB merges what has the same series and instant, and cannot take a field
// away. So a point stands one or more nanoseconds later than its result where
// its own place is taken by another result of that instant, or holds a field
// that the restated point no longer has (that place is then void).
package publish
