package journal

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"yardtally/ingest/sqlite"
)

// tree finds the pages of a table or index ("Database File Format", section
// 1.6): inner ones, leaves, and the first overflow page of each leaf's cells.
func tree(b []byte, root int) (inner, leaves, overflow []int) {
	p := b[(root-1)*pageSize:][:pageSize]
	n := int(binary.BigEndian.Uint16(p[3:]))
	switch p[0] {
	case 5, 2:
		inner = append(inner, root)
		kids := []int{int(binary.BigEndian.Uint32(p[8:]))}
		for i := range n {
			kids = append(kids, int(binary.BigEndian.Uint32(p[binary.BigEndian.Uint16(p[12+2*i:]):])))
		}
		slices.Sort(kids)
		for _, k := range kids {
			i, l, o := tree(b, k)
			inner, leaves, overflow = append(inner, i...), append(leaves, l...), append(overflow, o...)
		}
	case 13, 10:
		leaves = append(leaves, root)
		for i := range n {
			c := p[binary.BigEndian.Uint16(p[8+2*i:]):]
			size, w := sqliteVarint(c)
			_, w2 := sqliteVarint(c[w:])
			if p[0] == 13 && size > pageSize-35 {
				local := (pageSize-12)*32/255 - 23
				if k := local + (int(size)-local)%(pageSize-4); k <= pageSize-35 {
					local = k
				}
				overflow = append(overflow, int(binary.BigEndian.Uint32(c[w+w2+local:])))
			}
		}
	}
	return inner, leaves, overflow
}

func rootsOf(t *testing.T, b []byte) map[string]int {
	path := newPath(t)
	write(t, path, b)
	db, err := sqlite.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	out := map[string]int{}
	for _, r := range query(t, db, `SELECT name, rootpage FROM sqlite_schema`) {
		out[r[0].(string)] = int(r[1].(int64))
	}
	return out
}

// The ways a page is spoilt.
var spoils = []struct {
	name string
	do   func(page []byte, rng *rand.Rand)
}{
	{"a byte", func(p []byte, rng *rand.Rand) { p[len(p)-1-rng.IntN(400)] ^= 0x41 }},
	{"its first sector", func(p []byte, _ *rand.Rand) { clear(p[:512]) }},
	{"its last sector", func(p []byte, _ *rand.Rand) { clear(p[len(p)-512:]) }},
	{"torn", func(p []byte, rng *rand.Rand) {
		for i := range p[2048:] {
			p[2048+i] = byte(rng.Uint32())
		}
	}},
	{"all of it", func(p []byte, _ *rand.Rand) { clear(p) }},
}

// Every kind of page, spoilt in every way: what is left. The table is in
// FORMAT.md; -update writes it.
func TestDamagedPages(t *testing.T) {
	w := newWhole(t)
	root := rootsOf(t, w.closed)
	part := func(table string) (inner, leaves, overflow []int) { return tree(w.closed, root[table]) }
	blockInner, blockLeaves, blockOver := part("block")
	_, recent, _ := part("recent")
	_, acts, _ := part("act")
	free := int(binary.BigEndian.Uint32(w.closed[32:]))
	if len(blockInner) == 0 || len(blockLeaves) < 2 || free == 0 || len(blockOver) == 0 {
		t.Fatalf("the journal has too few kinds of pages: %v %v %v, free %d", blockInner, blockLeaves, blockOver, free)
	}
	var out strings.Builder
	out.WriteString("| page |")
	for _, s := range spoils {
		fmt.Fprintf(&out, " %s |", s.name)
	}
	out.WriteString("\n|---|" + strings.Repeat("---|", len(spoils)) + "\n")
	tried := 0
	for _, c := range []struct {
		name string
		page int
		lost int // records that may be lost: those of the page
	}{
		{"the first page", 1, 0},
		{"root of the blocks", blockInner[0], 0},
		{"first leaf of the blocks", blockLeaves[0], 3600},
		{"last leaf of the blocks", blockLeaves[len(blockLeaves)-1], 3600},
		{"second page of a block", blockOver[len(blockOver)/2], 600},
		{"leaf of the recent rows", recent[0], 700},
		{"leaf of the acts", acts[0], 0},
		{"index of the acts", root["sqlite_autoindex_act_1"], 0},
		{"the boots", root["boot"], 0},
		{"index of the boots", root["sqlite_autoindex_boot_1"], 0},
		{"the checkpoints", root["checkpoint"], 0},
		{"the generations", root["generation"], 0},
		{"list of free pages", free, 0},
	} {
		fmt.Fprintf(&out, "| %s |", c.name)
		for i, s := range spoils {
			path := newPath(t)
			b := bytes.Clone(w.closed)
			s.do(b[(c.page-1)*pageSize:][:pageSize], rand.New(rand.NewPCG(uint64(c.page), uint64(i))))
			write(t, path, b)
			o := w.try(t, path)
			tried++
			text := fmt.Sprintf("%d, %d", o.records, o.acts)
			switch {
			case o.refused != "":
				t.Errorf("%s, %s: refused: %s", c.name, s.name, o.refused)
			case o.aside:
				text += ", aside"
			case len(o.said) > 0:
				text += ", said"
			}
			if o.records < allRecords-c.lost || o.acts < allActs && c.name != "leaf of the acts" {
				t.Errorf("%s, %s: %s", c.name, s.name, text)
			}
			if (o.records < allRecords || o.acts < allActs) && len(o.said) == 0 {
				t.Errorf("%s, %s: %s, and nothing said", c.name, s.name, text)
			}
			fmt.Fprintf(&out, " %s |", text)
		}
		out.WriteString("\n")
	}
	t.Logf("%d damages: 0 invented, recording went on after each", tried)
	inFormat(t, "pages", out.String())
}
