package desk_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"yardtally/ingest/desk"
	"yardtally/ingest/journal"
	"yardtally/ingest/source"
	"yardtally/meter/act"
)

// A desk owns a rig's ledger: what is said to it is in the journal before it tells.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "desk")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	j, err := journal.Open(filepath.Join(dir, "journal.db"), journal.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer j.Close()
	d, err := desk.Open(desk.Options{Rig: "heron", Journal: j, Clock: source.SystemClock{}, BootID: source.BootID()})
	if err != nil {
		fmt.Println(err)
		return
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- d.Run(ctx) }()
	n, err := d.AddActs(ctx, act.Act{ID: "a", Rig: "heron", Who: "wren", When: 1, Body: act.Batch{Syrup: "sucrose", Brix: 64}})
	fmt.Println(n, err)
	stop()
	fmt.Println(<-ended)
	// Output:
	// 1 <nil>
	// <nil>
}
