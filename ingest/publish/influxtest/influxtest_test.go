package influxtest

import "testing"

func TestStopAndRestartKeepsData(t *testing.T) {
	s := Start(t, Auth("wren", "not a secret"))
	s.Write("kept v=1i 1790000000000000001\n")
	for _, end := range []func(){s.Stop, s.Kill} {
		end()
		s.Restart()
		got := s.Query("SELECT v FROM kept")
		if len(got) != 1 || len(got[0].Values) != 1 {
			t.Fatalf("after a restart the server holds %+v, want one point", got)
		}
	}
}
