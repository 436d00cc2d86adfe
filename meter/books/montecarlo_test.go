package books

import (
	"fmt"
	"math"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
)

// tally is what came of simulated seasons of one setting.
type tally struct {
	n, holds, rejects, named, alone, cleared int
	width, chi2                              float64
	candidates                               int
	wrong                                    []string
}

func (c *tally) add(set setting, seed uint64) error {
	s, tr := simulate(seed, set)
	b, err := s.Balance()
	if err != nil {
		return err
	}
	if !b.MissingKnown || len(b.Review) > 0 {
		return fmt.Errorf("seed %d: missing is known: %v; %v", seed, b.MissingKnown, b.Review)
	}
	c.n++
	c.width += b.MissingWithin
	c.chi2 += b.Global.Chi2 / float64(b.Global.DOF)
	if math.Abs(b.Missing-tr.lost) <= b.MissingWithin {
		c.holds++
	}
	if !b.Global.Rejects {
		if len(b.Culprits) > 0 {
			return fmt.Errorf("seed %d: %s, without reason", seed, b.Culprits[0].Say())
		}
		return nil
	}
	c.rejects++
	if b.Cleared {
		c.cleared++
	}
	if len(b.Culprits) == 0 {
		return nil
	}
	first := b.Culprits[0]
	c.candidates += 1 + len(first.With)
	switch ok := tr.found(set.fault, &first, b.Pools); {
	case ok && len(first.With) == 0:
		c.alone++
		c.named++
	case ok:
		c.named++
	default:
		c.wrong = append(c.wrong, fmt.Sprintf("seed %d, %+v: %s", seed, tr, first.Say()))
	}
	return nil
}

// found tells whether the fault, with its entry and about its size, is among those named.
func (tr truth) found(fault string, c *Culprit, pools []Pool) bool {
	for _, x := range append([]Culprit{*c}, c.With...) {
		switch fault {
		case "loss":
			if x.Kind == Unbooked && pools[x.Pool].Store == tr.from && pools[x.Pool].From <= tr.at && tr.at < pools[x.Pool].To &&
				math.Abs(x.Size-tr.lost) < max(5, 3*x.U) {
				return true
			}
		case "bag in a mix", "bag bought":
			if x.Kind == OfBags && x.Act == tr.act && x.Size == tr.size {
				return true
			}
		case "meter 4 % off":
			if x.Kind == OfMeter && math.Abs(x.Size-tr.meter) < 1.5 {
				return true
			}
		case "Brix 2 off":
			if x.Kind == OfBrix && x.Act == tr.act && math.Abs(x.Size-tr.size) < 1 {
				return true
			}
		}
	}
	return false
}

func run(t *testing.T, set setting, n int) *tally {
	t.Helper()
	workers := runtime.GOMAXPROCS(0)
	parts := make([]tally, workers)
	errs := make([]error, workers)
	var wg sync.WaitGroup
	for k := range workers {
		wg.Go(func() {
			for i := k; i < n && errs[k] == nil; i += workers {
				errs[k] = parts[k].add(set, uint64(i))
			}
		})
	}
	wg.Wait()
	var all tally
	for k, p := range parts {
		if errs[k] != nil {
			t.Fatal(errs[k])
		}
		all.n += p.n
		all.holds += p.holds
		all.rejects += p.rejects
		all.named += p.named
		all.alone += p.alone
		all.cleared += p.cleared
		all.width += p.width
		all.chi2 += p.chi2
		all.candidates += p.candidates
		all.wrong = append(all.wrong, p.wrong...)
	}
	return &all
}

// TestSeasons simulates seasons and holds the balance to what it states. The
// table is printed: how often the interval of what is missing holds the truth
// and half its width; how often the global test rejects and the mean of its
// chi-square by its degrees of freedom; of those rejected, how often the fault
// is among those named, and is named alone; how many are named; and how often the
// test is content with them. That the interval misses a fault is as it should
// be: a bag too few in the books is missing. Bounds are those asked for, widened by three standard
// deviations of what so many seasons give where they are fewer than 2,000.
func TestSeasons(t *testing.T) {
	clean, most, others := 40, 40, 8
	switch {
	case raced:
		clean, most, others = 4, 4, 2
	case os.Getenv("YARDTALLY_FULL") == "long":
		clean, most, others = 2000, 2000, 200
	case os.Getenv("YARDTALLY_FULL") != "":
		clean, most, others = 2000, 400, 100
	}
	for i, set := range []setting{{sensor: true, water: true}, {water: true}, {sensor: true}, {}, {sensor: true, water: true, uncounted: true}, {uncounted: true}} {
		var table strings.Builder
		fmt.Fprintf(&table, "%-7s %-8s %-8s %-14s seasons   holds   ± kg  rejects  chi2/dof    named    alone candidates cleared\n", "level", "water", "stock", "fault")
		for _, what := range []string{"", "loss", "bag in a mix", "bag bought", "meter 4 % off", "Brix 2 off"} {
			set.fault, set.loss = what, what == "loss"
			n := others
			switch {
			case i == 0 && what == "":
				n = clean
			case i == 0:
				n = most
			}
			c := run(t, set, n)
			of := func(k, of int) float64 { return 100 * float64(k) / float64(max(1, of)) }
			level, water, stock := "by eye", "unknown", "counted"
			if set.sensor {
				level = "sensor"
			}
			if set.water {
				water = "weighed"
			}
			if set.uncounted {
				stock = "not"
			}
			name := what
			if name == "" {
				name = "none"
			}
			fmt.Fprintf(&table, "%-7s %-8s %-8s %-14s %7d %5.1f %%  %5.1f  %5.1f %%   %7.2f", level, water, stock, name, n, of(c.holds, n), c.width/float64(n), of(c.rejects, n), c.chi2/float64(n))
			if set.fault != "" {
				fmt.Fprintf(&table, "  %5.1f %%  %5.1f %%     %4.1f    %5.1f %%", of(c.named, c.rejects), of(c.alone, c.rejects), float64(c.candidates)/float64(max(1, c.rejects)), of(c.cleared, c.rejects))
			}
			table.WriteString("\n")
			between := func(what string, k int, lo, hi float64) {
				t.Helper()
				slack := 0.0
				if n < 2000 {
					slack = 300 * math.Sqrt((lo+hi)/200*(1-(lo+hi)/200)/float64(n))
				}
				if p := of(k, n); p < lo-slack || p > hi+slack {
					t.Errorf("level %s, water %s, stock %s, %s: %s in %.1f %%, want %g to %g", level, water, stock, name, what, p, lo, hi)
					for i, w := range c.wrong {
						if i == 3 {
							break
						}
						t.Log(w)
					}
				}
			}
			switch what {
			case "":
				between("interval holds", c.holds, 93, 97)
				between("rejected", c.rejects, 3, 7)
			case "loss":
				between("interval holds", c.holds, 93, 97)
			case "Brix 2 off":
				if set.water { // else nothing but the tote's level, good to 3 L, tells: the row is for the table
					between("named", c.named, 80, 100)
				}
			case "bag bought":
				if !set.uncounted { // else nothing tells: what was bought is in no balance
					between("named", c.named, 80, 100)
				}
			default:
				between("named", c.named, 80, 100)
			}
		}
		t.Log("\n" + table.String())
	}
}

// Two faults at once, a bag and the meter, are both found, one after the other.
func TestTwoFaults(t *testing.T) {
	n := 30
	switch {
	case raced:
		n = 2
	case os.Getenv("YARDTALLY_FULL") == "long":
		n = 500
	case os.Getenv("YARDTALLY_FULL") != "":
		n = 120
	}
	both := 0
	for seed := range uint64(n) {
		s, tr := simulate(seed, setting{sensor: true, water: true, fault: "bag in a mix", both: true})
		b := balanceOf(t, s)
		bag, meter := false, false
		for i := range b.Culprits {
			bag = bag || tr.found("bag in a mix", &b.Culprits[i], b.Pools)
			meter = meter || tr.found("meter 4 % off", &b.Culprits[i], b.Pools)
		}
		if bag && meter && b.Cleared {
			both++
		}
	}
	t.Logf("both named in %d of %d", both, n)
	if both < n*8/10 {
		t.Errorf("both are named in %d of %d seasons, want 80 %%", both, n)
	}
}
