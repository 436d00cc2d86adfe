package dashboard

import (
	"bytes"
	stdtemplate "html/template"
	"io/fs"
	"regexp"
	"strings"
	"testing"

	template "github.com/DataDog/datadog-agent/pkg/template/html"
)

// The templates are the standard library's but for calls of methods, without
// which the linker may leave out what nobody calls. What they escape is held
// against the standard library's own, in every place where a page puts a value.
func TestTemplatesEscapeAsTheStandardLibrary(t *testing.T) {
	hostile := []any{
		"Orchard End", "", `"><script>alert(1)</script>`, `' onmouseover='x`, "`${x}`", "javascript:alert(1)", "JaVaScRiPt:alert(1)",
		"data:text/html,<b>", "//wren.example/x", "/fills?night=1&x=<y>", "</style><script>", "expression(1)", "url(x)", "</textarea>", "<!--", "]]>",
		"a b\tc\nd\x00e", "\u2028\u2029\ufeff", "\xff\xfe", "+ADw-script+AD4-", `\u003cscript`, 12.5, -3, true, nil,
		[]string{"<", "'"}, map[string]string{"</script>": `"`}, struct{ A, B string }{"<!--", "</script>"},
		stdtemplate.HTML("<b>made</b>"), stdtemplate.URL("javascript:x"), stdtemplate.CSS("a: b"), stdtemplate.JS("x()"),
	}
	places := []string{
		`<p>{{.}}</p>`, `<p title="{{.}}">`, `<p title='{{.}}'>`, `<p title={{.}}>`, `<a href="{{.}}">`, `<a href="/x?y={{.}}">`, `<a href=/x/{{.}}>`,
		`<input value="{{.}}">`, `<textarea>{{.}}</textarea>`, `<title>{{.}}</title>`, `<p style="width: {{.}}">`, `<style>p { color: {{.}} }</style>`,
		`<script>let x = {{.}}</script>`, `<script>let x = "{{.}}"</script>`, `<script type="application/json">{{.}}</script>`,
		`<button onclick="f({{.}})">`, `<img srcset="{{.}}">`, `<svg><path d="{{.}}"/></svg>`, `<meta http-equiv="refresh" content="0; url={{.}}">`,
		`<form action="{{.}}" method="post">`, `<!-- {{.}} --><i>{{. | printf "%v"}}</i>`, `<p {{if .}}class="{{.}}"{{end}}>{{with .}}{{.}}{{else}}none{{end}}</p>`,
	}
	tried := 0
	for _, place := range places {
		ours, err := template.New("").Parse(place)
		if err != nil {
			t.Fatal(err)
		}
		std := stdtemplate.Must(stdtemplate.New("").Parse(place))
		for _, v := range hostile {
			var got, want bytes.Buffer
			gotErr, wantErr := ours.Execute(&got, v), std.Execute(&want, v)
			if got.String() != want.String() || (gotErr == nil) != (wantErr == nil) {
				t.Errorf("%s of %q: %q, %v; the standard library %q, %v", place, v, got.String(), gotErr, want.String(), wantErr)
			}
			if gotErr == nil {
				tried++
			}
		}
	}
	if tried < len(places)*len(hostile)*9/10 {
		t.Errorf("only %d of %d were drawn", tried, len(places)*len(hostile))
	}
}

// A method that a template calls is an error only when that part is drawn: so no
// template names one. What they call is in the functions of pages.
func TestTemplatesCallNoMethod(t *testing.T) {
	files, err := fs.Glob(static, "static/*.html")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d templates, %v", len(files), err)
	}
	// A field takes no arguments: a name with something after it, within one
	// action and not after a function's name, would be a method.
	called := regexp.MustCompile(`^(?:if |with |range |else if |\$\w+ :?= )?[$\w]*(?:\.[A-Z]\w*)+ +[.$"\w]`)
	for _, name := range files {
		text, err := fs.ReadFile(static, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, part := range strings.Split(string(text), "{{")[1:] {
			action, _, _ := strings.Cut(part, "}}")
			if called.MatchString(strings.Trim(action, "- ")) {
				t.Errorf("%s: {{%s}} calls a method", name, action)
			}
		}
	}
}
