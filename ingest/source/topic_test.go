package source

import "testing"

func TestTopic(t *testing.T) {
	if got, err := Topic("yard/tally", "heron"); err != nil || got != "yard/tally/heron/readings" {
		t.Errorf("got %q, %v", got, err)
	}
	for _, c := range []struct{ prefix, rig string }{
		{"", "heron"}, {"a/", "heron"}, {"/a", "heron"}, {"$SYS", "heron"}, {"a/+", "heron"}, {"#", "heron"},
		{"a b", "heron"}, {"a\x00", "heron"}, {"a\xff", "heron"},
		{"a", ""}, {"a", "x/y"}, {"a", "+"}, {"a", "#"},
	} {
		if got, err := Topic(c.prefix, c.rig); err == nil {
			t.Errorf("%q, %q: got %q, want an error", c.prefix, c.rig, got)
		}
	}
}
