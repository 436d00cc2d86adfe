package journal

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"yardtally/ingest/sqlite/faulty"
	"yardtally/meter"
)

func TestFullDisk(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(*faulty.Layer, bool)
	}{
		{"no room", (*faulty.Layer).SetFull},
		{"sync fails", (*faulty.Layer).SetNoSync},
	} {
		t.Run(c.name, func(t *testing.T) {
			layer := faulty.New()
			t.Cleanup(layer.Close)
			path := newPath(t)
			j := open(t, path, Options{VFS: layer.Name(), MaxPending: 100, SealAfter: 30})
			b := boot(t, j, "a")
			d := newDemo(1)
			var want []meter.Record
			put := func(n int) error {
				for range n {
					r := d.next(b)
					if err := j.Append("heron", &r); err != nil {
						return err
					}
					want = append(want, clone(&r))
				}
				return nil
			}
			if err := errors.Join(put(50), j.Commit()); err != nil {
				t.Fatal(err)
			}
			c.set(layer, true)
			for i := range 4 {
				if err := put(20); err != nil {
					t.Fatal(err)
				}
				if err := j.Commit(); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("keeping %d records", 20*(i+1))) {
					t.Fatalf("commit %d on a bad disk: %v", i, err)
				}
				mustSame(t, replay(t, j, "heron", 0), want[:50])
			}
			if _, err := j.AddAct(yard("a1", 1)); err == nil {
				t.Fatal("an act was acknowledged on a bad disk")
			}
			if err := put(20); err != nil {
				t.Fatal(err)
			}
			err := put(1)
			if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "100 records wait") {
				t.Fatalf("error %v", err)
			}
			if s := j.Stats(); s.Pending != 100 || s.Failures != 4 {
				t.Fatalf("stats %+v", s)
			}
			c.set(layer, false)
			if err := j.Commit(); err != nil {
				t.Fatal(err)
			}
			mustSame(t, replay(t, j, "heron", 0), want)
			if added, err := j.AddAct(yard("a1", 1)); !added || err != nil {
				t.Fatal(added, err)
			}
			for range 10 {
				if err := errors.Join(put(10), j.Commit()); err != nil {
					t.Fatal(err)
				}
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			j = open(t, path, Options{})
			mustSame(t, replay(t, j, "heron", 0), want)
			if acts, err := j.Acts("heron"); err != nil || len(acts) != 1 {
				t.Fatal(acts, err)
			}
		})
	}
}

func TestCloseOnAFullDiskSaysWhatIsLost(t *testing.T) {
	layer := faulty.New()
	t.Cleanup(layer.Close)
	j := open(t, newPath(t), Options{VFS: layer.Name()})
	r := newDemo(1).next(boot(t, j, "a"))
	if err := j.Append("heron", &r); err != nil {
		t.Fatal(err)
	}
	layer.SetFull(true)
	if err := j.Close(); err == nil || !strings.Contains(err.Error(), "1 records not kept") {
		t.Fatal(err)
	}
}

func TestIdleWritesNothing(t *testing.T) {
	layer := faulty.New()
	t.Cleanup(layer.Close)
	j := open(t, newPath(t), Options{VFS: layer.Name(), SealAfter: 20})
	d := newDemo(1)
	b := boot(t, j, "a")
	for range 100 {
		r := d.next(b)
		if err := j.Append("heron", &r); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Commit(); err != nil {
		t.Fatal(err)
	}
	if _, err := j.AddAct(yard("a1", 1)); err != nil {
		t.Fatal(err)
	}
	j.write.Lock()
	j.seal.stop() // let a block become ready, so that there would be something to write
	j.write.Unlock()
	w0, n0, s0 := layer.Writes()
	if w0 == 0 || s0 == 0 {
		t.Fatal("the layer counts nothing")
	}
	for range 50 {
		if err := j.Commit(); err != nil {
			t.Fatal(err)
		}
		boot(t, j, "a")
		if _, err := j.AddAct(yard("a1", 1)); err != nil {
			t.Fatal(err)
		}
		replay(t, j, "heron", 0)
		j.Stats()
	}
	if w, n, s := layer.Writes(); w != w0 || n != n0 || s != s0 {
		t.Errorf("idle, it made %d writes of %d bytes and %d syncs", w-w0, n-n0, s-s0)
	}
}

// What a second of logging costs: 7 records, a commit, its part of sealing and
// of moving the log into the file.
func BenchmarkWritten(b *testing.B) {
	layer := faulty.New()
	b.Cleanup(layer.Close)
	j := open(b, newPath(b), Options{VFS: layer.Name()})
	d := newDemo(1)
	boot := boot(b, j, "a")
	_, n0, s0 := layer.Writes()
	for b.Loop() {
		for range 7 {
			r := d.next(boot)
			if err := j.Append("heron", &r); err != nil {
				b.Fatal(err)
			}
		}
		if err := j.Commit(); err != nil {
			b.Fatal(err)
		}
	}
	_, n, s := layer.Writes()
	b.ReportMetric(float64(n-n0)/float64(b.N), "B/commit")
	b.ReportMetric(float64(s-s0)/float64(b.N), "syncs/commit")
}
