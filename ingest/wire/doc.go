// Package wire turns what a rig says into readings, and readings into what a
// rig says. It is pure: no clock, no files, no network.
//
// NMEA 0183, over a serial line. A sentence is at most 82 characters with its
// $ and CR LF, and ends in * and two hexadecimal digits in capitals: the XOR
// of all bytes between $ and *.
//
//	$YXXDR,G,184223,,PULSES,G,93812400,,UPTIME*58            184,223 pulses at 93,812.4 s (ms on this wire)
//	$YXXDR,D,0.412,M,HEADSPACE,C,11.6,C,SYRUP,C,6.2,C,AIR*16 0.412 m; 11.6 and 6.2 °C
//	$YXXDR,P,10234,P,HEAD,P,1.86,B,LINE,T,1650,R,PUMP,G,3,,MARK*03
//	                                                         10,234 Pa; 1.86 bar is 186,000 Pa; 1,650 a minute is 27.5 1/s; 3 presses
//	$GPRMC,213000.25,A,4717.11437,N,00833.91522,E,,,091026,,,A*55
//	                                                         47.2852395°, 8.565253666…°, 9 October 2026 21:30:00.25 UTC
//	$GPGGA,213000,4717.11399,N,00833.91590,E,1,08,1.01,499.6,M,48.0,M,,*7E
//	                                                         a position and its dilution, 1.01
//
// SenML (RFC 8428, JSON), over MQTT. Times are Unix seconds, or seconds
// relative to arrival where they are below 2^28.
//
//	[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223},{"n":"uptime","u":"s","v":93812.4}]
//	[{"bn":"heron/","n":"syrup","u":"Cel","v":11.6},{"n":"headspace","u":"m","v":0.412}]
//
// A recording, one entry a line: a pack with absolute times; a record as a
// journal kept it (the same, and what is needed to rebuild it exactly, in
// labels that SenML readers ignore); an act; a comment.
//
//	# heron, first night
//	[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223}]
//	[{"x-seq":"7","x-boot":"b1","x-mono":"93812400000000","x-wall":"1790000000300000000","x-sent":"1790000000200000000","x-src":"mqtt","bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223}]
//	{"act":{"id":"a1","rig":"heron","who":"wren","when":"2026-09-21T21:33:20Z","kind":"batch","body":{"syrup":"sucrose","brix":66.7}}}
//
// Results, as brokers keep them for whoever asks: numbers in units of RFC 8428
// (m3, kg, count, Cel, s, /) and texts; see AppendResults.
//
//	[{"bn":"heron/fill/","bt":1790000000.2,"n":"volume","u":"m3","v":0.00412},{"n":"yard","vs":"larch"}]
//
// Whatever is not taken in is told as a Drop: its reason, to be counted, and a
// detail that names field, rule and value, to be shown. Reason lists them all.
//
// The XOR of NMEA 0183 finds every single flipped bit, but not two flips of
// the same bit in two bytes (a 1 read as 0 here and a 0 as 1 there). What such
// a line says is then held only by the channel's limits here, and by what the
// ledger finds possible. A long cable wants a better line, not a better parser.
package wire
