package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"yardtally/ingest/journal"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// remote is a running daemon, behind its socket.
type remote struct {
	client *http.Client
	rig    string   // "" where there are several and none is chosen
	rigs   []string // that the daemon has
	done   func()
}

// dialDaemon returns the daemon that serves a data folder. It gives up on one
// that does not answer.
func dialDaemon(ctx context.Context, data string) (*remote, error) {
	path, done, err := socketPath(data)
	if err != nil {
		return nil, err
	}
	b := &remote{done: done, client: &http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			d := net.Dialer{Timeout: patience}
			return d.DialContext(ctx, "unix", path)
		},
	}}}
	ctx, stop := context.WithTimeout(ctx, 2*patience)
	defer stop()
	if err := b.get(ctx, "rigs", &b.rigs); err != nil {
		b.Close()
		return nil, err
	}
	if len(b.rigs) == 1 {
		b.rig = b.rigs[0]
	}
	return b, nil
}

// choose settles which of the daemon's rigs is meant; "" is the only one.
func (b *remote) choose(rig string) error {
	many := strings.Join(b.rigs, ", ")
	switch {
	case rig == "" && b.rig != "":
		return nil
	case rig == "":
		return fmt.Errorf("rig: must be named with -rig, as the running daemon has %d: %s", len(b.rigs), many)
	case !slices.Contains(b.rigs, rig) && len(b.rigs) == 1:
		return fmt.Errorf("rig: must be the running daemon's, %q, is %q", b.rig, rig)
	case !slices.Contains(b.rigs, rig):
		return fmt.Errorf("rig: must be one of the running daemon's (%s), is %q", many, rig)
	}
	b.rig = rig
	return nil
}

func (b *remote) Rig() string { return b.rig }

func (b *remote) Close() error {
	b.client.CloseIdleConnections()
	b.done()
	return nil
}

func (b *remote) call(ctx context.Context, method, path string, body io.Reader) (*http.Response, error) {
	u := url.URL{Scheme: "http", Host: "daemon", Path: path}
	q := url.Values{"rig": {b.rig}}
	if path, query, ok := strings.Cut(path, "?"); ok {
		more, err := url.ParseQuery(query)
		if err != nil {
			return nil, err
		}
		u.Path = path
		maps.Copy(q, more)
	}
	u.RawQuery = q.Encode()
	req, err := http.NewRequestWithContext(ctx, method, u.String(), body)
	if err != nil {
		return nil, err
	}
	resp, err := b.client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("the running daemon: %w", err)
	}
	if resp.StatusCode != http.StatusOK {
		defer resp.Body.Close()
		text, _ := io.ReadAll(io.LimitReader(resp.Body, 4096))
		return nil, fmt.Errorf("the running daemon: %s", strings.TrimSpace(string(text)))
	}
	return resp, nil
}

func (b *remote) get(ctx context.Context, path string, into any) error {
	resp, err := b.call(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	return json.NewDecoder(resp.Body).Decode(into)
}

func (b *remote) View(ctx context.Context) (*ledger.View, error) {
	v := new(ledger.View)
	if err := b.get(ctx, "view", v); err != nil {
		return v, err
	}
	acts, err := b.AllActs(ctx)
	v.Restore(acts)
	return v, err
}

func (b *remote) AllActs(ctx context.Context) (acts []act.Act, err error) {
	return acts, b.get(ctx, "acts/all", &acts)
}

func (b *remote) Acts(ctx context.Context) (acts []act.Act, err error) {
	return acts, b.get(ctx, "acts", &acts)
}

func (b *remote) Watch(ctx context.Context) (*findings, error) {
	w := new(findings)
	return w, b.get(ctx, "watch", w)
}

func (b *remote) AddActs(ctx context.Context, acts ...act.Act) (n int, err error) {
	data, err := json.Marshal(acts)
	if err != nil {
		return 0, err
	}
	resp, err := b.call(ctx, http.MethodPost, "acts", bytes.NewReader(data))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	return n, json.NewDecoder(resp.Body).Decode(&n)
}

// Import implements backend. Where it breaks off it returns what was told last.
func (b *remote) Import(ctx context.Context, r io.Reader, progress func(imported)) (imported, error) {
	body := &cutReader{r: r}
	defer body.cut.Store(true)
	resp, err := b.call(ctx, http.MethodPost, "import", body)
	if err != nil {
		return imported{}, err
	}
	defer resp.Body.Close()
	var last importLine
	for dec := json.NewDecoder(resp.Body); ; {
		var l importLine
		if err := dec.Decode(&l); err != nil {
			return last.imported, fmt.Errorf("the running daemon broke off: %w", err)
		}
		last = l
		if !l.Done {
			progress(l.imported)
			continue
		}
		// Let the daemon, which reads on to the end, see one.
		body.cut.Store(true)
		_, _ = io.Copy(io.Discard, resp.Body)
		if l.Err != "" {
			err = errors.New(l.Err)
		}
		return l.imported, err
	}
}

// cutReader ends early once it is cut.
type cutReader struct {
	r   io.Reader
	cut atomic.Bool
}

func (c *cutReader) Read(p []byte) (int, error) {
	if c.cut.Load() {
		return 0, io.EOF
	}
	return c.r.Read(p)
}

func (b *remote) Backup(ctx context.Context, path string) (r journal.Report, err error) {
	resp, err := b.call(ctx, http.MethodPost, "backup?path="+url.QueryEscape(path), nil)
	if err != nil {
		return r, err
	}
	defer resp.Body.Close()
	return r, json.NewDecoder(resp.Body).Decode(&r)
}

func (b *remote) Export(ctx context.Context, w io.Writer) error {
	resp, err := b.call(ctx, http.MethodGet, "export", nil)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	_, err = io.Copy(w, resp.Body)
	return err
}

// patience bounds each step of stopping, and of finding out who is there.
const patience = 5 * time.Second
