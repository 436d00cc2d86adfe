package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"yardtally/ingest/publish"
)

// checkStore says what the InfluxDB lacks: as the daemon has it, or, where none
// runs, as it left it.
func checkStore(ctx context.Context, c *checker, data string, daemon *remote) {
	if daemon != nil {
		var st storeState
		if daemon.rig == "" {
			daemon.rig = daemon.rigs[0] // any of them: they have one store
		}
		if err := daemon.get(ctx, "store", &st); err != nil {
			c.note("store", "what the InfluxDB lacks is not known: %v", err)
			return
		}
		text := sayLacks(publish.Lacks{Waiting: st.Waiting, Oldest: st.Oldest, Rejected: st.RejectedAll})
		if st.Waiting > 0 {
			text += fmt.Sprintf(", %s ago", (time.Duration(st.LagS) * time.Second).String())
		}
		if st.Why != "" {
			text += ". It takes none: " + st.Why
		}
		c.note("store", "%s", text)
		return
	}
	lacks, err := publish.LacksOf(filepath.Join(data, outboxFile))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		c.note("store", "nothing has been told to the InfluxDB yet")
	case errors.Is(err, publish.ErrUnsettled):
		c.note("store", "what the InfluxDB lacks shows when the daemon runs: it was not ended in order")
	case err != nil:
		c.say("store", fmt.Errorf("must be an outbox that can be read: %w", err), "")
	default:
		c.note("store", "%s", sayLacks(lacks))
	}
}

func sayLacks(l publish.Lacks) string {
	text := "the InfluxDB has everything"
	if l.Waiting > 0 {
		text = fmt.Sprintf("%s for the InfluxDB, the oldest of %s", points(l.Waiting, "waits", "wait"), l.Oldest.UTC().Format(time.RFC3339))
	}
	if l.Rejected > 0 {
		if l.Waiting == 0 {
			text += " else"
		}
		text = fmt.Sprintf("the InfluxDB rejected %s; %s", points(int64(l.Rejected), "", ""), text)
	}
	return text
}

// points says how many there are, and what they do.
func points(n int64, one, more string) string {
	switch {
	case n == 1 && one == "":
		return "1 point"
	case n == 1:
		return "1 point " + one
	case more == "":
		return fmt.Sprintf("%d points", n)
	}
	return fmt.Sprintf("%d points %s", n, more)
}
