package publish

import (
	"bytes"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
)

// answers is a store that gives the same answer to everything.
type answers struct {
	status int
	kind   string
	header string
	body   []byte
}

func (a *answers) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Body != nil {
		_, _ = io.Copy(io.Discard, r.Body)
		r.Body.Close()
	}
	h := http.Header{"Content-Type": {a.kind}, "Retry-After": {a.header}, "X-Influxdb-Error": {a.header}}
	return &http.Response{StatusCode: a.status, Status: http.StatusText(a.status), Header: h, Body: io.NopCloser(bytes.NewReader(a.body)), Request: r, ProtoMajor: 1, ProtoMinor: 1}, nil
}

const flux = "#datatype,string,long,string,string,double\r\n#group,false,false,true,true,false\r\n#default,volume,,,,\r\n,result,table,rig,yard,volume_l\r\n,,0,heron,larch,12.5\r\n\r\n" +
	"#datatype,string,long,string,dateTime:RFC3339\r\n#group,false,false,true,false\r\n#default,sampled,,,\r\n,result,table,rig,_time\r\n,,0,heron,2026-10-09T21:40:00Z\r\n"

// Whatever a store answers the question after a fleet with, each rig has a name
// and stands once, or the error says that the store is at fault, without its token.
func FuzzFleetAnswer(f *testing.F) {
	f.Add(uint16(200), []byte(flux))
	f.Add(uint16(200), []byte(strings.ReplaceAll(flux, "heron", "")))
	f.Add(uint16(200), []byte("#datatype,string,long\r\n#group,false\r\n"))
	f.Add(uint16(200), []byte("error,reference\r\nwren:s3cret,897\r\n"))
	f.Add(uint16(200), []byte(strings.Replace(flux, "12.5", "NaN", 1)))
	f.Add(uint16(401), []byte(`{"code":"unauthorized","message":"wren:s3cret is unknown"}`))
	f.Add(uint16(500), []byte("<html>"))
	from := time.Unix(1790000000, 0)
	f.Fuzz(func(t *testing.T, status uint16, body []byte) {
		a := &answers{status: 200 + int(status)%400, kind: "text/csv", body: body}
		rigs, err := Fleet(t.Context(), Options{URL: "http://store.example:8086", Token: "wren:s3cret", Bucket: "yards", Transport: a}, from, from.Add(time.Hour))
		if err != nil {
			if !strings.HasPrefix(err.Error(), "the store") || strings.Contains(err.Error(), "s3cret") {
				t.Errorf("%d %q: %v", a.status, body, err)
			}
			return
		}
		seen := map[string]bool{}
		for _, r := range rigs {
			if r.Rig == "" || seen[r.Rig] {
				t.Errorf("%q: rigs %+v", body, rigs)
			}
			seen[r.Rig] = true
			for _, y := range r.Yards {
				if y.Pulls < 0 || y.Volume < 0 || !(y.Solids >= 0) || float64(y.Solids) > 1e300 {
					t.Errorf("%q: %s gave %+v", body, r.Rig, y)
				}
			}
		}
	})
}

// Whatever a store says against points, it is judged: a line is blamed only for
// what a store says of lines, the wait is bounded below, and words have an end.
func FuzzRefusal(f *testing.F) {
	f.Add(uint16(400), "", "partial write: field type conflict dropped=3")
	f.Add(uint16(429), "99999999999999999999", "")
	f.Add(uint16(503), "Fri, 09 Oct 2026 21:40:00 GMT", strings.Repeat("é", 400))
	f.Add(uint16(413), "-1", "dropped=99999999999999999999")
	f.Add(uint16(0), "\xff", "")
	f.Fuzz(func(t *testing.T, status uint16, header, message string) {
		e := &influxhttp.Error{StatusCode: int(status) % 600, Message: message, Code: "x", Header: http.Header{"Retry-After": {header}}}
		got := failureOf(e)
		switch {
		case got == nil:
			t.Fatalf("%d is no failure", e.StatusCode)
		case got.after < 0 || got.dropped < 0 || len(got.words) > 600:
			t.Errorf("%+v", got)
		case got.verdict == badLine && e.StatusCode != 400 && e.StatusCode != 413 && e.StatusCode != 422:
			t.Errorf("status %d blames the lines: %+v", e.StatusCode, got)
		}
	})
}
