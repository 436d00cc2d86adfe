package journal

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"yardtally/ingest/sqlite"
	"yardtally/meter"
)

var update = flag.Bool("update", false, "write the fixture of the present schema, if there is none")

// fixture is what every fixture holds, whatever its schema: two boots, two
// rigs, a block and rows of each, an act.
func fixture(t *testing.T, j *Journal) (heron, teal []meter.Record) {
	t.Helper()
	demos := []*demo{newDemo(11), newDemo(12)}
	for i, id := range []string{"boot-one", "boot-two"} {
		b := boot(t, j, id)
		for n := range 200 {
			h, l := demos[0].next(b), demos[1].next(b)
			if n%10 == 0 {
				h.Sent, l.Rel = 1790000000e9+int64(n), -int64(n)
			}
			for _, x := range []struct {
				rig string
				r   *meter.Record
				to  *[]meter.Record
			}{{"heron", &h, &heron}, {"teal", &l, &teal}} {
				if err := j.Append(x.rig, x.r); err != nil {
					t.Fatal(err)
				}
				*x.to = append(*x.to, clone(x.r))
			}
			if n%40 == 39 && (i == 1 || n > 100) {
				if err := j.Commit(); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if _, err := j.AddAct(yard("act-one", 20)); err != nil {
		t.Fatal(err)
	}
	return heron, teal
}

func fixtureName(schema int) string {
	return filepath.Join("testdata", fmt.Sprintf("schema%d.sql", schema))
}

// Every schema that was ever released opens, is brought up to date, and gives
// back what it held. A new schema needs a new fixture: go test -run Schema -update.
func TestEveryEarlierSchemaOpens(t *testing.T) {
	if _, err := os.Stat(fixtureName(len(steps))); err != nil && *update {
		path := newPath(t)
		j := open(t, path, Options{SealAfter: 100})
		fixture(t, j)
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		dump(t, path, fixtureName(len(steps)))
	}
	for schema := 1; schema <= len(steps); schema++ {
		t.Run(fmt.Sprint(schema), func(t *testing.T) {
			path := newPath(t)
			fromFixture(t, path, schema)
			j := open(t, path, Options{SealAfter: 100})
			heron, teal := fixture(t, open(t, newPath(t), Options{SealAfter: 100}))
			mustSame(t, replay(t, j, "heron", 0), heron)
			mustSame(t, replay(t, j, "teal", 0), teal)
			if s := j.Stats(); s.Blocks == 0 || s.Blocks >= 8 {
				t.Errorf("the fixture has %d blocks: it should have blocks and rows", s.Blocks)
			}
			acts, err := j.Acts("heron")
			if err != nil || len(acts) != 1 || !reflect.DeepEqual(acts[0].Body, yard("act-one", 20).Body) {
				t.Errorf("acts: %v, %v", acts, err)
			}
			if id, ok := j.BootID(2); !ok || id != "boot-two" {
				t.Errorf("boot 2: %q, %v", id, ok)
			}
			if d := j.Damage(); len(d) != 0 {
				t.Errorf("damage: %v", d)
			}
			r := newDemo(1).next(boot(t, j, "boot-three"))
			if err := j.Append("heron", &r); err != nil || r.Seq != 401 {
				t.Errorf("next record: %d, %v", r.Seq, err)
			}
			var version int
			if err := j.db.QueryRow(`PRAGMA user_version`).Scan(&version); err != nil || version != len(steps) {
				t.Errorf("schema %d after opening, want %d: %v", version, len(steps), err)
			}
		})
	}
}

// dump writes the file as SQL that makes it again.
func dump(t *testing.T, path, to string) {
	db, err := sqlite.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var out strings.Builder
	fmt.Fprintf(&out, "-- A journal of schema %d as TestEveryEarlierSchemaOpens made it. Never change it.\nBEGIN;\n", len(steps))
	rows := query(t, db, `SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL`)
	for _, r := range rows {
		fmt.Fprintf(&out, "%s;\n", r[0])
	}
	for _, table := range query(t, db, `SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY rowid`) {
		for _, row := range query(t, db, fmt.Sprintf(`SELECT * FROM %s`, table[0])) {
			var vs []string
			for _, v := range row {
				switch v := v.(type) {
				case []byte:
					vs = append(vs, "x'"+hex.EncodeToString(v)+"'")
				case string:
					vs = append(vs, "'"+strings.ReplaceAll(v, "'", "''")+"'")
				default:
					vs = append(vs, fmt.Sprint(v))
				}
			}
			fmt.Fprintf(&out, "INSERT INTO %s VALUES (%s);\n", table[0], strings.Join(vs, ", "))
		}
	}
	fmt.Fprintf(&out, "PRAGMA application_id=%d;\nPRAGMA user_version=%d;\nCOMMIT;\n", applicationID, len(steps))
	if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, []byte(out.String()), 0o666); err != nil {
		t.Fatal(err)
	}
}

func query(t *testing.T, db *sql.DB, q string) (out [][]any) {
	t.Helper()
	rows, err := db.Query(q)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	cols, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		row, to := make([]any, len(cols)), make([]any, len(cols))
		for i := range row {
			to[i] = &row[i]
		}
		if err := rows.Scan(to...); err != nil {
			t.Fatal(err)
		}
		out = append(out, row)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestForeignAndNewerFilesAreRefused(t *testing.T) {
	for _, c := range []struct{ sql, want string }{
		{fmt.Sprintf(`CREATE TABLE x (a); PRAGMA application_id=%d; PRAGMA user_version=%d`, applicationID, len(steps)+1),
			fmt.Sprintf("has schema %d, this program knows up to %d", len(steps)+1, len(steps))},
		{`CREATE TABLE bees (a)`, "is an SQLite file, but not a journal"},
		{`PRAGMA application_id=77`, "is an SQLite file, but not a journal"},
	} {
		path := newPath(t)
		db, err := sqlite.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.Exec(c.sql); err != nil {
			t.Fatal(err)
		}
		db.Close()
		if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want one with %q", err, c.want)
		}
	}
}

// pinned is the format as it was released: a hash of each step of the schema,
// and of each encoding of blocks, on the fixture's records. A line here is never
// changed. Whoever changes the format adds a step or an encoding version, its
// line, and the fixture that today's code makes (-update), before anything else.
var pinned = []string{
	"schema 1: c1133d3b34c97eca",
	"schema 2: 7ae23096bfcc8f99",
	"encoding 1: c4b9a1fede7b9055",
}

func TestFormatIsPinned(t *testing.T) {
	var now []string
	for i, s := range steps {
		now = append(now, fmt.Sprintf("schema %d: %.8x", i+1, sha256.Sum256([]byte(s))))
		if _, err := os.Stat(fixtureName(i + 1)); err != nil {
			t.Errorf("schema %d has no fixture: go test -run Schema -update makes it", i+1)
		}
	}
	heron, teal := fixture(t, open(t, newPath(t), Options{SealAfter: 100}))
	rng := rand.New(rand.NewPCG(1, 1))
	h := sha256.New()
	var e encoder
	for _, recs := range [][]meter.Record{heron[:200], heron[200:], teal[:7], {wild(rng, 1), wild(rng, 1)}} {
		h.Write(e.encode(recs))
	}
	now = append(now, fmt.Sprintf("encoding %d: %.8x", blockVersion, h.Sum(nil)))
	if !slices.Equal(now, pinned) {
		t.Errorf("the format changed without a new version and a new fixture:\n now  %q\n was  %q", now, pinned)
	}
	if len(marks) != len(steps) {
		t.Errorf("%d marks for %d schemas", len(marks), len(steps))
	}
}
