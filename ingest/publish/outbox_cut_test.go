package publish

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"yardtally/ingest/sqlite"
	"yardtally/ingest/sqlite/faulty"
	"yardtally/meter/ledger"
)

// content is all that the outbox's file holds, as text.
func content(o *Outbox) (string, error) {
	var b strings.Builder
	for _, table := range []string{"state", "rigs", "points", "rejected"} {
		rows, err := o.db.Query("SELECT * FROM " + table + " ORDER BY 1")
		if err != nil {
			return "", err
		}
		cols, err := rows.Columns()
		if err != nil {
			return "", err
		}
		for rows.Next() {
			row, to := make([]any, len(cols)), make([]any, len(cols))
			for i := range row {
				to[i] = &row[i]
			}
			if err := rows.Scan(to...); err != nil {
				return "", err
			}
			fmt.Fprintln(&b, table, row)
		}
		if err := rows.Err(); err != nil {
			return "", err
		}
	}
	return b.String(), nil
}

// The power is cut at every write, sync, truncation, creation and deletion of
// an outbox at work. What is found after is exactly what it held after some
// Put or ack, and none that was acknowledged before the cut is missing.
// YARDTALLY_FULL=1 tries more of what a cut may leave.
func TestOutboxPowerCut(t *testing.T) {
	steps, losses, repeat := 40, []faulty.Loss{faulty.Some, faulty.Torn}, 1
	if os.Getenv("YARDTALLY_FULL") != "" {
		steps, losses, repeat = 60, []faulty.Loss{faulty.None, faulty.All, faulty.Some, faulty.Torn, faulty.Shorn}, 2
	}
	path := filepath.Join(t.TempDir(), "outbox.db")
	disk := faulty.NewDisk(map[string][]byte{path: {}})
	t.Cleanup(disk.Close)
	first := disk.Ops()
	var held []string // after each step
	var at []int      // on the disk's tape
	open := func() *Outbox {
		// A small log, so that it is moved into the file now and then.
		o, err := openWith(path, sqlite.Options{VFS: disk.Name(), Exclusive: true, Checkpoint: 40})
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	o := open()
	note := func() {
		op := disk.Ops()
		c, err := content(o)
		if err != nil {
			t.Fatal(err)
		}
		held, at = append(held, c), append(at, op)
	}
	note()
	rng := rand.New(rand.NewPCG(3, 3))
	told := 0
	for i := range steps {
		switch n := 1 + rng.IntN(12); {
		case i%10 == 9:
			o.Close()
			o = open()
		case i%4 == 3 && told > 5:
			from := rng.IntN(told)
			mustPut(t, o, append([]ledger.Event{rewound(stretch(from) + 1)}, tell(from, told-from, i)...)...)
		case i%3 == 2:
			rows, err := o.waiting(n)
			if err != nil {
				t.Fatal(err)
			}
			if len(rows) > 0 {
				last := rows[len(rows)-1].version
				if err := o.ack(last, []rejection{{last, "no room"}}); err != nil {
					t.Fatal(err)
				}
			}
		default:
			mustPut(t, o, tell(told, n, i)...)
			told += n
		}
		note()
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}

	tape := disk.Tape()
	seen := map[[32]byte]string{}
	images := 0
	for op := first; op <= disk.Ops(); op++ {
		tape.Forward(op)
		for _, loss := range losses {
			for k := range repeat {
				image := tape.Image(loss, rand.New(rand.NewPCG(uint64(op), uint64(k)<<8|uint64(loss))))
				images++
				h := sha256.New()
				for _, name := range slices.Sorted(maps.Keys(image)) {
					fmt.Fprintf(h, "%s %d\n", filepath.Base(name), len(image[name]))
					h.Write(image[name])
				}
				sum := [32]byte(h.Sum(nil))
				got, ok := seen[sum]
				if !ok {
					got = reopen(t, image)
					seen[sum] = got
				}
				acked, _ := slices.BinarySearch(at, op+1) // so many steps were acknowledged
				if acked == 0 && got == held[0] {
					continue // it was just made
				}
				if !slices.Contains(held[max(acked-1, 0):min(acked+1, len(held))], got) {
					t.Fatalf("cut at %d, of what was not synced %v is there (%d): not the state after step %d or %d:\n%s", op, loss, k, acked-1, acked, got)
				}
			}
		}
	}
	t.Logf("%d cuts, %d images (%d of them different), %d steps, %d results: 0 lost, 0 invented",
		disk.Ops()-first+1, images, len(seen), len(at), told)
}

func reopen(t *testing.T, image map[string][]byte) string {
	dir := t.TempDir()
	defer os.RemoveAll(dir)
	for name, b := range image {
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), b, 0o660); err != nil {
			t.Fatal(err)
		}
	}
	o, err := OpenOutbox(filepath.Join(dir, "outbox.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	got, err := content(o)
	if err != nil {
		t.Fatal(err)
	}
	var ok string
	if err := o.db.QueryRow("PRAGMA integrity_check").Scan(&ok); err != nil || ok != "ok" {
		t.Fatal(ok, err)
	}
	return got
}
