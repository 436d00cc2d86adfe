package publish

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
)

// verdict is whose fault it is that points were not taken.
type verdict uint8

const (
	passing verdict = iota // the network or the server, for now: try again
	refusal                // a setting: a person must mend it
	badLine                // at least one of the lines
)

// failure is why points were not taken.
type failure struct {
	verdict verdict
	words   string
	after   time.Duration // how long the server asks to wait
	dropped int           // how many lines the server says it dropped; 0: not said
	blames  bool          // the words blame a line, not the request
	heavy   bool          // a smaller batch may do better
}

func (e *failure) Error() string { return e.words }

// What InfluxDB 1.8 and 2 say about lines (HTTP 400 and 422; seen in answers
// of 1.8.10, and in the write API's reference for 2). A server that words it
// otherwise is believed once it has taken another line of the same batch.
var (
	blame = regexp.MustCompile(`(?i)partial write|unable to parse|type conflict|beyond retention|outside (the )?retention|max-values-per-tag`)
	drops = regexp.MustCompile(`dropped=(\d+)`)
)

// failureOf judges an error of the client library; nil for none.
func failureOf(err error) *failure {
	if err == nil {
		return nil
	}
	var he *influxhttp.Error
	if !errors.As(err, &he) {
		// The library could not write it as line protocol.
		return &failure{verdict: badLine, blames: true, words: err.Error()}
	}
	if he.StatusCode == 0 {
		var ue *url.Error
		if errors.As(he.Err, &ue) { // its text repeats the whole address
			if ue.Timeout() {
				return &failure{words: "no answer in time", heavy: true}
			}
			return &failure{words: ue.Err.Error()}
		}
		return &failure{words: he.Error()}
	}
	said := he.Header.Get("X-Influxdb-Error")
	if said == "" {
		said = strings.TrimSpace(he.Message)
	}
	if said == "" {
		said = he.Code
	}
	if len(said) > 500 {
		said = strings.ToValidUTF8(said[:500], "") + "…"
	}
	f := &failure{words: fmt.Sprintf("HTTP %d: %s", he.StatusCode, said), after: retryAfter(he.Header, time.Now())}
	switch s := he.StatusCode; {
	case s == http.StatusBadRequest || s == http.StatusUnprocessableEntity || s == http.StatusRequestEntityTooLarge:
		f.verdict = badLine
		f.blames = blame.MatchString(said)
		if m := drops.FindStringSubmatch(said); m != nil {
			f.dropped, _ = strconv.Atoi(m[1])
		}
	case s == http.StatusRequestTimeout || s == http.StatusTooManyRequests || s >= 500:
		f.heavy = s >= 500
	default:
		f.verdict = refusal
	}
	return f
}

// retryAfter reads the header in either of its forms (RFC 9110 section 10.2.3).
func retryAfter(h http.Header, now time.Time) time.Duration {
	v := h.Get("Retry-After")
	if s, err := strconv.ParseUint(v, 10, 32); err == nil {
		return time.Duration(s) * time.Second
	}
	if t, err := http.ParseTime(v); err == nil {
		return max(0, t.Sub(now))
	}
	return 0
}

// guard holds a server to what the write API promises. Only 204 acknowledges:
// the login page of a public network answers 200 to anything. An error's text
// is cut, so that no server can fill the memory with it.
type guard struct{ http.RoundTripper }

const maxAnswer = 64 << 10

func (g guard) RoundTrip(r *http.Request) (*http.Response, error) {
	a, err := g.RoundTripper.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	if a.StatusCode < 300 && a.StatusCode != http.StatusNoContent {
		a.Body.Close()
		return nil, fmt.Errorf("answered %d where InfluxDB answers 204: is it an InfluxDB?", a.StatusCode)
	}
	a.Body = cut{io.LimitReader(a.Body, maxAnswer), a.Body}
	return a, nil
}

type cut struct {
	io.Reader
	io.Closer
}
