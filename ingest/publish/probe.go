package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// Probed says why an InfluxDB would take no points.
type Probed struct {
	What string // "url", "token" or "bucket", as in the settings; "": something else
	Err  error
}

// Error implements error.
func (p *Probed) Error() string { return p.Err.Error() }

// Unwrap returns Err.
func (p *Probed) Unwrap() error { return p.Err }

// probeLimit is how long the server has to answer.
const probeLimit = 5 * time.Second

// Probe asks an InfluxDB whether it would take our points, without giving it
// one: it writes a comment, which line protocol allows, so that the server
// judges token and bucket and keeps nothing. The error is a *Probed.
func Probe(ctx context.Context, o Options) error {
	ctx, done := context.WithTimeout(ctx, probeLimit)
	defer done()
	u := strings.TrimRight(o.URL, "/") + "/api/v2/write?" + url.Values{"org": {o.Org}, "bucket": {o.Bucket}, "precision": {"ns"}}.Encode()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, u, strings.NewReader("# yardtally check\n"))
	if err != nil {
		return &Probed{"url", err}
	}
	if o.Token != "" {
		req.Header.Set("Authorization", "Token "+o.Token)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		if ue, ok := err.(*url.Error); ok {
			err = ue.Err
		}
		return &Probed{"url", fmt.Errorf("nobody answers at %s: %w", o.URL, err)}
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, 4096))
	var said struct{ Error, Message string }
	_ = json.Unmarshal(text, &said)
	words := said.Message
	if words == "" {
		words = said.Error
	}
	if words == "" {
		words = resp.Status
	}
	switch {
	case resp.StatusCode < 300:
		return nil
	case resp.StatusCode == http.StatusUnauthorized, resp.StatusCode == http.StatusForbidden:
		return &Probed{"token", fmt.Errorf("the InfluxDB refuses the token: %s", words)}
	case resp.StatusCode == http.StatusNotFound && resp.Header.Get("X-Influxdb-Version") == "" && words == resp.Status:
		return &Probed{"url", fmt.Errorf("what answers at %s is no InfluxDB: %s", o.URL, resp.Status)}
	case resp.StatusCode == http.StatusNotFound:
		return &Probed{"bucket", fmt.Errorf("the InfluxDB has no bucket %q: %s", o.Bucket, words)}
	case resp.StatusCode == http.StatusBadRequest:
		return nil // it looked into the body: token and bucket are right
	}
	return &Probed{"", fmt.Errorf("the InfluxDB answers %s: %s", resp.Status, words)}
}
