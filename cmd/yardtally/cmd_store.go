package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"yardtally/dashboard/report"
	"yardtally/ingest/publish"
)

const storeUsage = `
Without more it says what the InfluxDB of [influxdb] still lacks of this rig's
results, and what it will not take. With retry, what it rejected is sent again,
for when somebody has mended it. The daemon must run: it is the one that sends.
`

// storeState is what the daemon says of its store.
type storeState struct {
	Phase       publish.Phase `json:"phase"`
	Why         string        `json:"why,omitempty"`
	Next        time.Time     `json:"next_try,omitzero"`
	Waiting     int64         `json:"waiting"`
	Oldest      time.Time     `json:"oldest,omitzero"`
	LagS        float64       `json:"lag_s"`
	LastAck     time.Time     `json:"last_ack,omitzero"`
	RejectedAll int           `json:"rejected"`
	Rejected    []rejected    `json:"rejected_newest,omitempty"`
}

type rejected struct {
	Measurement string    `json:"measurement"`
	At          time.Time `json:"at"`
	Words       string    `json:"words"`
}

// mostRejected is how many rejected points are listed.
const mostRejected = 10

var errNoStore = errors.New("no [influxdb] is set, so results stay here")

func (b *local) store() (*storeState, error) {
	if b.daemon == nil || b.daemon.forward == nil {
		return nil, errNoStore
	}
	st := b.daemon.forward.State()
	now := b.daemon.clock.Now().Mono + b.desk.Snapshot().Offset
	list, all, err := b.daemon.outbox.Rejected(mostRejected)
	out := &storeState{Phase: st.Phase, Why: st.Err, Next: st.NextTry, Waiting: st.Backlog, Oldest: st.Oldest,
		LagS: st.Lag(now).Seconds(), LastAck: st.LastAck, RejectedAll: all}
	for _, r := range list {
		out.Rejected = append(out.Rejected, rejected{r.Measurement, r.At, r.Words})
	}
	return out, err
}

func (b *local) retryStore() (int, error) {
	if b.daemon == nil || b.daemon.outbox == nil {
		return 0, errNoStore
	}
	return b.daemon.outbox.RetryRejected()
}

func runStore(ctx context.Context, e *env, args []string) error {
	fs := flags("store")
	also(fs, storeUsage)
	w := where{house: true}
	w.flags(fs)
	asJSON := fs.Bool("json", false, "as JSON")
	if err := parse(e, fs, args, 1); err != nil {
		return err
	}
	if a := fs.Arg(0); a != "" && a != "retry" {
		return usageError{fmt.Errorf("argument %q: must be retry, or nothing", a)}
	}
	if err := w.find(); err != nil {
		return err
	}
	b, err := dialDaemon(ctx, w.data)
	if err != nil {
		return fmt.Errorf("the daemon must run, and does not answer: %w", err)
	}
	defer b.Close()
	if b.rig == "" {
		b.rig = b.rigs[0] // any of them: they have one store
	}
	if fs.Arg(0) == "retry" {
		resp, err := b.call(ctx, http.MethodPost, "store", nil)
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		var n int
		if err := json.NewDecoder(resp.Body).Decode(&n); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "%d points are sent again.\n", n)
		return nil
	}
	var st storeState
	if err := b.get(ctx, "store", &st); err != nil {
		return err
	}
	if *asJSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		return enc.Encode(&st)
	}
	st.print(e)
	return nil
}

func (st *storeState) print(e *env) {
	switch {
	case st.Waiting == 0:
		fmt.Fprintln(e.out, "The InfluxDB has everything.")
	default:
		fmt.Fprintf(e.out, "%d points wait, the oldest of %s, %s ago.\n", st.Waiting, st.Oldest.UTC().Format(time.RFC3339),
			(time.Duration(st.LagS) * time.Second).String())
	}
	if st.Why != "" {
		fmt.Fprintf(e.out, "It takes none: %s.\n", st.Why)
		if !st.Next.IsZero() {
			fmt.Fprintf(e.out, "Tried again at %s.\n", st.Next.UTC().Format(time.RFC3339))
		}
	}
	if st.RejectedAll == 0 {
		return
	}
	fmt.Fprintf(e.out, "It rejected %d points; \"yardtally store retry\" sends them again. The newest:\n", st.RejectedAll)
	for _, r := range st.Rejected {
		fmt.Fprint(e.out, report.Wrapped("  ", fmt.Sprintf("%s of %s: %s", r.Measurement, r.At.UTC().Format(time.RFC3339), r.Words)))
	}
}
