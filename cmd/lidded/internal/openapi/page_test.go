package openapi_test

import (
	"bytes"
	"regexp"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/openapi"
)

// TestPage: what the document says stands on the page, links lead somewhere, and
// nothing that it says can become markup.
func TestPage(t *testing.T) {
	hostile := strings.Replace(lockers, `"title": "lockers"`, `"title": "<script>alert(1)</script>"`, 1)
	hostile = strings.Replace(hostile, `"operationId": "list"`, `"operationId": "list", "summary": "List lockers", "tags": ["lockers"], "description": "a \"quoted\" <b>word</b>"`, 1)
	hostile = strings.Replace(hostile, `"operationId": "add"`, `"operationId": "add", "summary": "Add one", "tags": ["lockers"]`, 1)
	page, err := openapi.Page(parse(t, hostile), "/sheet.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`<link rel="stylesheet" href="/sheet.css">`, "&lt;script&gt;alert(1)", `&#34;quoted&#34; &lt;b&gt;word&lt;/b&gt;`,
		`one of: shut, open`, `at least 1; at most 500`, `at most 100 characters`, `at most 10 entries`, `string or null`, `object of name to number`,
		`<a href="#schema-Locker">Locker</a>`, `array of <a href="#schema-Locker">Locker</a>`, `<p class="role">Role: read</p>`, "Errors 404: ",
		`curl -H &#34;Authorization: Bearer $LIDDED_TOKEN&#34; &#34;$LIDDED/lockers&#34;`,
		`--json &#39;{&#34;about&#34;: &#34;…&#34;, &#34;kind&#34;: &#34;steel&#34;, &#34;many&#34;: …, &#34;name&#34;: &#34;…&#34;, &#34;tags&#34;: [&#34;…&#34;]}&#39;`,
	} {
		if !bytes.Contains(page, []byte(want)) {
			t.Errorf("the page lacks %s", want)
		}
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(`id="([^"]+)"`).FindAllStringSubmatch(string(page), -1) {
		if ids[m[1]] {
			t.Errorf("id %s stands twice", m[1])
		}
		ids[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(string(page), -1) {
		if !ids[m[1]] && m[1] != "schema-Problem" { // errors of the daemon are of that schema, the example has none
			t.Errorf("a link leads to %s, which is not there", m[1])
		}
	}
	again, err := openapi.Page(parse(t, hostile), "/sheet.css")
	if err != nil || !bytes.Equal(page, again) {
		t.Errorf("the page differs from one making to the next, %v", err)
	}
}
