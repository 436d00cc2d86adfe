package journal

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"yardtally/meter"
)

const childEnv = "JOURNAL_TEST_CHILD"

func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		if err := killedChild(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// nth is the record of that sequence: made from it alone, so that an invented
// one shows.
func nth(seq uint64, boot uint32) meter.Record {
	rng := rand.New(rand.NewPCG(seq, 9))
	r := wild(rng, boot)
	r.Seq, r.Mono = seq, int64(seq)*200*ms
	return r
}

// killedChild appends, commits and says each sequence that is kept, and each
// act, until it is killed.
func killedChild(path string) error {
	j, err := Open(path, Options{SealAfter: 40})
	if err != nil {
		return err
	}
	b, err := j.Boot("a")
	if err != nil {
		return err
	}
	last, err := j.LastSeq("heron")
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(last, uint64(os.Getpid())))
	for round := 0; ; round++ {
		for range 1 + rng.IntN(20) {
			last++
			r := nth(last, b)
			if err := j.Append("heron", &r); err != nil {
				return err
			}
			if r.Seq != last {
				return fmt.Errorf("seq %d, want %d", r.Seq, last)
			}
		}
		if err := j.Commit(); err != nil {
			return err
		}
		fmt.Println("kept", last)
		if round%5 == 0 {
			if _, err := j.AddAct(yard(fmt.Sprint("a", last), int(last%1000))); err != nil {
				return err
			}
			fmt.Println("act", last)
		}
	}
}

// Twenty times a process that records is killed at some moment. Every record
// and act that it said was kept is there after, and none that it did not make.
func TestKilled(t *testing.T) {
	path := newPath(t)
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	var kept uint64
	acts := map[uint64]bool{}
	const rounds = 20
	for round := range rounds {
		c := exec.Command(exe)
		c.Env = append(os.Environ(), childEnv+"="+path)
		c.Stderr = os.Stderr
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		kill := 1 + rand.IntN(60) // lines until the kill; then what is in the pipe
		in := bufio.NewScanner(out)
		lines := 0
		for in.Scan() {
			var what string
			var n uint64
			if _, err := fmt.Sscan(in.Text(), &what, &n); err != nil {
				break // the last line, cut short
			}
			if what == "act" {
				acts[n] = true
			} else {
				kept = n
			}
			if lines++; lines == kill {
				if err := c.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		c.Wait()
		if lines < kill {
			t.Fatalf("round %d: the child ended by itself after %d lines", round, lines)
		}

		j := open(t, path, Options{SealAfter: 40})
		got := replay(t, j, "heron", 0)
		if uint64(len(got)) < kept {
			t.Fatalf("round %d: %d records, %d were acknowledged", round, len(got), kept)
		}
		b := boot(t, j, "a")
		for i := range got {
			if want := nth(uint64(i+1), b); !same(&got[i], &want) {
				t.Fatalf("round %d: record %d invented:\n got %+v\nwant %+v", round, i+1, got[i], want)
			}
		}
		all, err := j.Acts("heron")
		if err != nil {
			t.Fatal(err)
		}
		there := map[string]bool{}
		for _, a := range all {
			there[a.ID] = true
		}
		for n := range acts {
			if !there[fmt.Sprint("a", n)] {
				t.Fatalf("round %d: act a%d was acknowledged and is gone", round, n)
			}
		}
		for _, d := range j.Damage() {
			t.Logf("round %d: %v", round, d)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d kills, %d records and %d acts acknowledged, none lost, none invented", rounds, kept, len(acts))
}
