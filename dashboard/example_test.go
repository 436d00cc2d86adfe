package dashboard_test

import (
	"context"
	"fmt"
	"net/http/httptest"
	"strings"

	"yardtally/dashboard"
)

// still is a feed of one state, which never changes.
type still struct{ s dashboard.Snapshot }

func (f *still) Snapshot() *dashboard.Snapshot             { return &f.s }
func (f *still) Watch(ctx context.Context) <-chan struct{} { return nil }

// The pages are a handler that is given snapshots. Before anything was heard they
// are there, too.
func ExampleNew() {
	h := dashboard.New(dashboard.Options{Feed: new(still), Rig: "heron"})
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	fmt.Println(w.Code, w.Header().Get("Content-Type"), strings.Contains(w.Body.String(), "<h1"))
	// Output:
	// 200 text/html; charset=utf-8 true
}
