//go:build race

package main

// raced: the race detector watches. It looks for races, not for shares: simulations
// in one goroutine are then of a few cases, which only shows that they run.
const raced = true
