package main

import (
	"runtime/debug"
	"testing"
)

func TestVersion(t *testing.T) {
	defer func(was string) { release = was }(release)
	of := func(v string) *debug.BuildInfo { return &debug.BuildInfo{Main: debug.Module{Version: v}} }
	for _, c := range []struct {
		release string
		info    *debug.BuildInfo
		ok      bool
		want    string
	}{
		{"0.1.0+git20261201", of("v0.0.0-20261201-abc"), true, "0.1.0+git20261201"},
		{"", of("v0.0.0-20261201-abc"), true, "v0.0.0-20261201-abc"},
		{"", of("(devel)"), true, "(devel)"},
		{"", of(""), true, "(unversioned)"},
		{"", nil, false, "(unversioned)"},
	} {
		release = c.release
		if got := versionOf(c.info, c.ok); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
}
