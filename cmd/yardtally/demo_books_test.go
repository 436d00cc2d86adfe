package main

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
)

// The demo's keeper keeps books: its statement closes, and adds up.
func TestDemoKeepsBooks(t *testing.T) {
	var out bytes.Buffer
	night := rigsim.SmallNight(3)
	night.Refills = []rigsim.Refill{{After: 2 * time.Minute, Volume: 60 * quantity.Litre, Rate: 40 * quantity.LitrePerMinute}}
	m := &demo{e: &env{strings.NewReader(""), &out, os.Stderr}, night: night, speed: 300, page: "127.0.0.1:0",
		data: t.TempDir(), units: quantity.US, exit: true, log: slog.New(slog.DiscardHandler)}
	if err := m.run(context.Background()); err != nil {
		t.Fatal(err)
	}
	_, text, ok := strings.Cut(out.String(), "Statement of the season\n")
	if !ok {
		t.Fatalf("no statement:\n%s", &out)
	}
	closes(t, text, "sugar lb")
	closes(t, text, "cost $")
	for _, want := range []string{"opening stock, sugar", "in tote mixing tank", "so it adds up as far as can be told"} {
		if !strings.Contains(text, want) {
			t.Errorf("the statement does not say %q:\n%s", want, text)
		}
	}
}
