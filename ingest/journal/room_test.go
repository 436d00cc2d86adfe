package journal

import (
	"path/filepath"
	"testing"
)

func TestRoomAndBoots(t *testing.T) {
	j, err := Open(filepath.Join(t.TempDir(), "j.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if left, all := j.Room(); left <= 0 || all < left {
		t.Errorf("%d of %d bytes left", left, all)
	}
	for _, id := range []string{"a", "b", "a"} {
		if _, err := j.Boot(id); err != nil {
			t.Fatal(err)
		}
	}
	if n := j.Boots(); n != 2 {
		t.Errorf("%d boots, want 2", n)
	}
	if n := Schema(); n != len(steps) {
		t.Errorf("schema %d", n)
	}
}
