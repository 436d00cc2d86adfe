package act

import (
	"math/rand/v2"
	"testing"
)

func TestConflicts(t *testing.T) {
	yard := func(id string, when int64, enter float64, over ...string) Act {
		return Act{ID: id, Rig: "heron", When: when, Body: Yard{ID: "mill", EnterM: enter, LeaveM: 200}, Replaces: over}
	}
	give := func(id string, when int64, first, last uint64, to string, over ...string) Act {
		return Act{ID: id, Rig: "heron", When: when, Body: Assign{Session: 7, First: first, Last: last, Yard: to}, Replaces: over}
	}
	for _, c := range []struct {
		name string
		acts []Act
		want [][2]string // the act that counts, and the other
	}{
		{"one replaces the other", []Act{yard("a", 1, 60), yard("b", 2, 70, "a")}, nil},
		{"through a third", []Act{yard("a", 1, 60), yard("b", 2, 70, "a"), yard("c", 3, 80, "b")}, nil},
		{"two copies differ", []Act{yard("a", 1, 60), yard("b", 3, 70, "a"), yard("c", 2, 80, "a")}, [][2]string{{"b", "c"}}},
		{"two copies say the same", []Act{yard("a", 1, 60), yard("b", 3, 70, "a"), yard("c", 2, 70, "a")}, nil},
		{"settled by one who knew both", []Act{yard("b", 3, 70), yard("c", 2, 80), yard("d", 4, 75, "b", "c")}, nil},
		{"one who knew one only settles nothing", []Act{yard("b", 3, 70), yard("c", 2, 80), yard("d", 4, 75, "b")}, [][2]string{{"b", "c"}, {"d", "c"}}},
		{"another yard", []Act{yard("a", 1, 60), {ID: "b", When: 2, Body: Yard{ID: "larch", EnterM: 60, LeaveM: 90}}}, nil},
		{"from another time", []Act{yard("a", 1, 60), {ID: "b", When: 2, From: 5, Body: Yard{ID: "mill", EnterM: 90, LeaveM: 200}}}, nil},
		{"the same counts to two yards", []Act{give("a", 1, 10, 20, "mill"), give("b", 2, 15, 30, "larch")}, [][2]string{{"b", "a"}}},
		{"counts side by side", []Act{give("a", 1, 10, 20, "mill"), give("b", 2, 20, 30, "larch")}, nil},
		{"moved again knowingly", []Act{give("a", 1, 10, 20, "mill"), give("b", 2, 10, 20, "larch", "a")}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for range 4 {
				got := Conflicts(Standing(c.acts))
				if len(got) != len(c.want) {
					t.Fatalf("got %+v, want %v", got, c.want)
				}
				for i, w := range c.want {
					if got[i].Counts.ID != w[0] || got[i].Other.ID != w[1] {
						t.Errorf("conflict %d: %s counts over %s, want %v", i, got[i].Counts.ID, got[i].Other.ID, w)
					}
				}
				rand.Shuffle(len(c.acts), func(i, j int) { c.acts[i], c.acts[j] = c.acts[j], c.acts[i] })
			}
		})
	}
}
