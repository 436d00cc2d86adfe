package places

import (
	"encoding/xml"
	"fmt"
	"slices"
	"strings"
	"testing"

	"yardtally/meter/act"
)

func gpx(inside string) string {
	return `<?xml version="1.0" encoding="UTF-8"?><gpx version="1.1" creator="wren" xmlns="http://www.topografix.com/GPX/1/1">` + inside + `</gpx>`
}

func waypoint(inside string) string {
	return gpx(`<wpt lat="43.22" lon="-91.88">` + inside + `</wpt>`)
}

func ours11(attributes, corners string) string {
	return waypoint(`<name>Orchard End</name><extensions><o:b xmlns:o="urn:other">1</o:b><y:yard xmlns:y="urn:yardtally:gpx:1" ` + attributes + `>` + corners + `</y:yard></extensions>`)
}

// track goes through corners that are given in steps of 0.0001 degrees, 11.1 m
// to the north and 8.1 m to the east (computed).
func track(name string, steps ...[2]int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "<trk><name>%s</name><trkseg>", name)
	for _, s := range steps {
		fmt.Fprintf(&b, `<trkpt lat="%.4f" lon="%.4f"><ele>300</ele></trkpt>`, 43.22+float64(s[0])/1e4, -91.88+float64(s[1])/1e4)
	}
	b.WriteString("</trkseg></trk>")
	return b.String()
}

func TestGPX(t *testing.T) {
	at := func(p Place) Place {
		p.Lat, p.Lon = 43.22, -91.88
		return p
	}
	box := []act.Corner{{Lat: 43.219, Lon: -91.881}, {Lat: 43.219, Lon: -91.879}, {Lat: 43.222, Lon: -91.879}}
	const boxed = `<y:corner lat="43.219" lon="-91.881"/><y:corner lat="43.219" lon="-91.879"/><y:corner lat="43.222" lon="-91.879"/>`
	for _, c := range []struct {
		name, text string
		want       Place
		notes      []string
		skipped    string
		err        string
	}{
		{name: "a waypoint", text: waypoint(`<ele>300</ele><time>2026-08-01T15:00:00Z</time><name>
			Orchard End
		</name><sym>Flag</sym><type>yard</type>`), want: at(Place{Name: "Orchard End"})},
		{name: "GPX 1.0", text: `<gpx version="1.0" xmlns="http://www.topografix.com/GPX/1/0"><wpt lat="43.22" lon="-91.88"><name>Orchard End</name>
			<y:yard xmlns:y="urn:yardtally:gpx:1" id="orchard"/></wpt></gpx>`, want: at(Place{ID: "orchard", Name: "Orchard End"})},
		{name: "no namespace", text: `<gpx><wpt lat="43.22" lon="-91.88"><name>Orchard End</name></wpt></gpx>`, want: at(Place{Name: "Orchard End"})},
		{name: "all of ours", text: ours11(`id="orchard" enter_m="70" leave_m="120.5" colonies="14" fill_l="3.5" closed="1" numbered="false"`, ""),
			want: at(Place{ID: "orchard", Name: "Orchard End", EnterM: new(70.0), LeaveM: new(120.5), Colonies: 14, FillL: 3.5, Closed: new(true), Numbered: new(false)})},
		{name: "an outline of ours", text: ours11("", boxed), want: at(Place{Name: "Orchard End", Ring: box})},
		{name: "an outline elsewhere", text: strings.Replace(ours11("", boxed), `lat="43.22" lon="-91.88"`, `lat="43.2" lon="-91.8"`, 1),
			want: Place{Name: "Orchard End", Lat: 43.22, Lon: -91.8796666667, Ring: box}, notes: []string{"its position is not within its outline, whose middle is taken"}},
		{name: "another's yard", text: waypoint(`<name>Orchard End</name><extensions><yard xmlns="urn:other" id="7"/></extensions>`), want: at(Place{Name: "Orchard End"})},
		{name: "a track round it", text: gpx(track("Orchard End", [2]int{0, 0}, [2]int{0, 10}, [2]int{10, 10}, [2]int{10, 0}, [2]int{0, 0})),
			want: Place{Name: "Orchard End", Lat: 43.2205, Lon: -91.8795, Ring: []act.Corner{{Lat: 43.22, Lon: -91.88}, {Lat: 43.22, Lon: -91.879}, {Lat: 43.221, Lon: -91.879}, {Lat: 43.221, Lon: -91.88}}}},
		{name: "nearly back, 22 m apart", text: gpx(track("Orchard End", [2]int{0, 0}, [2]int{0, 10}, [2]int{10, 10}, [2]int{2, 0})),
			want: Place{Name: "Orchard End", Lat: 43.22 + 1240.0/360/1e4, Lon: -91.88 + 2200.0/360/1e4, Ring: []act.Corner{{Lat: 43.22, Lon: -91.88}, {Lat: 43.22, Lon: -91.879}, {Lat: 43.221, Lon: -91.879}, {Lat: 43.2202, Lon: -91.88}}}},
		{name: "a route", text: gpx(`<rte><name>Orchard End</name><rtept lat="43.22" lon="-91.88"/><rtept lat="43.22" lon="-91.879"/><rtept lat="43.223" lon="-91.88"/></rte>`),
			skipped: "it is not closed: its ends are 334 m apart, and an outline's must be at most 30 m"},
		{name: "no name", text: gpx(track(" ", [2]int{0, 0}, [2]int{0, 10}, [2]int{10, 10}, [2]int{0, 0})), skipped: "a track without a name is no outline"},
		{name: "two segments", text: gpx(`<trk><name>x</name><trkseg><trkpt lat="1" lon="1"/></trkseg><trkseg/><trkseg><trkpt lat="1" lon="1"/></trkseg></trk>`),
			skipped: "a track of 2 segments is no outline"},
		{name: "a spot", text: gpx(track("x", [2]int{0, 0}, [2]int{0, 1}, [2]int{1, 1}, [2]int{0, 0})), skipped: "it goes round 45 m², and an outline must go round more than 50 m²"},
		{name: "there and back", text: gpx(track("x", [2]int{0, 0}, [2]int{0, 10}, [2]int{0, 0})), skipped: "a track with fewer than 3 points apart is no outline"},
		{name: "a trip", text: gpx(track("x", [2]int{0, 0}, [2]int{0, 300}, [2]int{300, 300}, [2]int{0, 0})), skipped: "it is 4127 m across, and an outline must be at most 2000 m"},

		{name: "no longitude", text: gpx(`<wpt lat="43"><name>x</name></wpt>`), err: "lon: must be given, is nothing"},
		{name: "too far north", text: gpx(`<wpt lat="91" lon="0"><name>x</name></wpt>`), err: "lat: must be between -90 and 90, is 91"},
		{name: "no number", text: gpx(`<wpt lat="NaN" lon="0"><name>x</name></wpt>`), err: `lat: must be a number, is "NaN"`},
		{name: "a bad point", text: gpx(`<trk><name>x</name><trkseg><trkpt lat="1" lon="1"/><trkpt lat="1" lon="x"/></trkseg></trk>`), err: `point 2: lon: must be a number, is "x"`},
		{name: "a bad word of ours", text: ours11(`closed="yes"`, ""), err: `closed: must be true or false, is "yes"`},
		{name: "a bad count of ours", text: ours11(`colonies="1.5"`, ""), err: "colonies: must be a whole number, is 1.5"},
		{name: "a bad radius of ours", text: ours11(`enter_m="1"`, ""), err: "enter_m: must be between 5 and 5000, is 1"},
		{name: "half an outline", text: ours11("", `<y:corner lat="43" lon="-91"/>`), err: "outline: must have between 3 and 1000 corners, is 1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			it := only(t, c.text)
			same(t, it, c.want, c.notes, c.skipped, c.err)
		})
	}
	if it := only(t, "<?xml version=\"1.0\"?>\n<gpx>\n<wpt lat=\"1\" lon=\"2\"><name>Mill Bottom</name></wpt></gpx>"); it.Where != `line 3: waypoint 1 "Mill Bottom"` {
		t.Errorf("%q", it.Where)
	}
}

func TestWholeGPX(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"Latin-1", `<?xml version="1.0" encoding="ISO-8859-1"?><gpx/>`, `encoding: must be UTF-8, is "ISO-8859-1"`},
		{"said to be UTF-8", "<gpx><wpt lat='1' lon='1'><name>\xe9</name></wpt></gpx>", "not XML: XML syntax error on line 1: invalid UTF-8"},
		{"another map", `<kml xmlns="http://www.opengis.net/kml/2.2"/>`, "file: must be GPX, whose first element is <gpx>, is <kml>"},
		{"another namespace", `<gpx xmlns="urn:other"/>`, `namespace: must be that of GPX 1.0 or 1.1, is "urn:other"`},
		{"a later version", `<gpx version="2.0"/>`, `version: must be 1.0 or 1.1, is "2.0"`},
		{"half a file", `<gpx><wpt lat="1"`, "not XML: XML syntax error on line 1: unexpected EOF"},
		{"two in one", `<gpx/><gpx/>`, "not XML: something stands after </gpx>"},
		{"nothing", `<!-- nothing -->`, "not XML: EOF"},
		// Entities of one's own could grow without bound; none is known here.
		{"an entity", `<!DOCTYPE gpx [<!ENTITY a "aaaa">]><gpx><wpt lat="1" lon="1"><name>&a;</name></wpt></gpx>`, "not XML: XML syntax error on line 1: invalid character entity &a;"},
		{"too many", "<gpx>" + strings.Repeat(`<wpt/>`, MostPlaces+1) + "</gpx>", "waypoints, tracks and routes: must be at most 10000, are more"},
	} {
		if _, _, err := Read([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.name, err, c.want)
		}
	}
	format, items, err := Read([]byte("\ufeff<?xml version=\"1.0\" encoding=\"utf-8\"?>\n<gpx><metadata><wpt/></metadata></gpx>"))
	if format != GPX || len(items) != 0 || err != nil {
		t.Error(format, items, err)
	}
}

// The published schema of GPX 1.1 (memory) has the elements of a wptType in
// this order, longitudes below 180, and no element of its own namespace among
// extensions.
func TestShapeOfGPX(t *testing.T) {
	order := []string{"ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix", "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions"}
	var out strings.Builder
	yards := randomYards(3, 200)
	if err := WriteGPX(&out, yards); err != nil {
		t.Fatal(err)
	}
	type any struct {
		XMLName xml.Name
		Attrs   []xml.Attr `xml:",any,attr"`
		Inside  []struct {
			XMLName xml.Name
			Inside  []struct{ XMLName xml.Name } `xml:",any"`
		} `xml:",any"`
	}
	var doc struct {
		XMLName xml.Name
		Version string `xml:"version,attr"`
		Creator string `xml:"creator,attr"`
		Inside  []any  `xml:",any"`
	}
	if err := xml.Unmarshal([]byte(out.String()), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.XMLName != (xml.Name{Space: gpx11, Local: "gpx"}) || doc.Version != "1.1" || doc.Creator == "" || len(doc.Inside) != len(yards) {
		t.Errorf("%v %q %q, %d", doc.XMLName, doc.Version, doc.Creator, len(doc.Inside))
	}
	for _, w := range doc.Inside {
		if w.XMLName != (xml.Name{Space: gpx11, Local: "wpt"}) || len(w.Attrs) != 2 {
			t.Fatalf("%v %v", w.XMLName, w.Attrs)
		}
		if w.Attrs[1].Name.Local != "lon" || w.Attrs[1].Value == "180" || strings.ContainsAny(w.Attrs[0].Value+w.Attrs[1].Value, "eE") {
			t.Errorf("%v", w.Attrs)
		}
		last := -1
		for _, e := range w.Inside {
			at := slices.Index(order, e.XMLName.Local)
			if e.XMLName.Space != gpx11 || at <= last {
				t.Errorf("%v stands after %d", e.XMLName, last)
			}
			last = at
			for _, x := range e.Inside {
				if e.XMLName.Local != "extensions" || x.XMLName.Space == gpx11 {
					t.Errorf("%v in %v", x.XMLName, e.XMLName)
				}
			}
		}
	}
}

func ExampleWriteGPX() {
	var out strings.Builder
	err := WriteGPX(&out, []act.Yard{
		{ID: "mill", Name: "Mill & Bottom", Lat: 43.235, Lon: -91.925, EnterM: 60, LeaveM: 96, Colonies: 11},
		{ID: "orchard", Name: "Orchard End", Lat: 43.221, Lon: -91.879, EnterM: 15, LeaveM: 40, Numbered: true,
			Ring: []act.Corner{{Lat: 43.22, Lon: -91.88}, {Lat: 43.222, Lon: -91.88}, {Lat: 43.222, Lon: -91.878}}},
	})
	fmt.Print(out.String(), err)
	// Output:
	// <?xml version="1.0" encoding="UTF-8"?>
	// <gpx version="1.1" creator="Yardtally" xmlns="http://www.topografix.com/GPX/1/1" xmlns:yt="urn:yardtally:gpx:1">
	//   <wpt lat="43.235" lon="-91.925">
	//     <name>Mill &amp; Bottom</name>
	//     <extensions>
	//       <yt:yard id="mill" enter_m="60" leave_m="96" colonies="11" closed="false" numbered="false"/>
	//     </extensions>
	//   </wpt>
	//   <wpt lat="43.221" lon="-91.879">
	//     <name>Orchard End</name>
	//     <extensions>
	//       <yt:yard id="orchard" enter_m="15" leave_m="40" closed="false" numbered="true">
	//         <yt:corner lat="43.22" lon="-91.88"/>
	//         <yt:corner lat="43.222" lon="-91.88"/>
	//         <yt:corner lat="43.222" lon="-91.878"/>
	//       </yt:yard>
	//     </extensions>
	//   </wpt>
	// </gpx>
	// <nil>
}
