package main

import (
	"testing"
	"time"

	"yardtally/meter/act"
)

// Of an entry and its correction only the correction counts, until it is taken back.
func TestThatCountBooks(t *testing.T) {
	acts := []act.Act{
		{ID: "a", Rig: "heron", When: 1, From: 9, Body: act.Rinse{L: 5}},
		{ID: "b", Rig: "heron", When: 2, From: 9, Body: act.Rinse{L: 6}, Replaces: []string{"a"}},
	}
	if c := thatCount(acts); c["a"] || !c["b"] {
		t.Errorf("corrected: %v", c)
	}
	acts = append(acts, act.Act{ID: "u", Rig: "heron", When: 3, Body: act.Undo{Act: "b"}})
	if c := thatCount(acts); !c["a"] || c["b"] {
		t.Errorf("taken back: %v", c)
	}
	if got := holdsFrom(&acts[0], time.UTC); got != ", of 1970-01-01 00:00" {
		t.Errorf("%q", got)
	}
}
