// Package guide is what people read: chapters in Markdown, embedded, with their
// pictures. It owns the texts and how they become pages; it knows nothing of
// daemons, and its pictures are drawn by a test from what the demonstration gives.
package guide

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"regexp"
	"strings"
	"sync"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/parser"
)

//go:embed chapters pictures page.css
var files embed.FS

// names are the chapters, in the order in which they are read.
var names = []string{"measuring", "results", "reach", "reference", "months", "scripts", "security", "keeping", "benches", "lab", "dialects", "administrators"}

// Chapter is one chapter of the guide.
type Chapter struct {
	Name  string // as in its address, such as "measuring"
	Title string
	Text  string // Markdown, the title included
}

// Chapters are all chapters, in the order in which they are read.
func Chapters() []Chapter {
	out := make([]Chapter, len(names))
	for i, name := range names {
		text, err := files.ReadFile("chapters/" + name + ".md")
		if err != nil {
			panic(err) // it is embedded
		}
		title, _, _ := strings.Cut(strings.TrimPrefix(string(text), "# "), "\n")
		out[i] = Chapter{name, title, string(text)}
	}
	return out
}

// Find is a chapter by its name, or by the beginning of it where only one begins
// so. Unknown names give an error that lists the known ones.
func Find(name string) (Chapter, error) {
	var found []Chapter
	for _, c := range Chapters() {
		if c.Name == name {
			return c, nil
		}
		if strings.HasPrefix(c.Name, name) {
			found = append(found, c)
		}
	}
	if len(found) == 1 && name != "" {
		return found[0], nil
	}
	return Chapter{}, fmt.Errorf("no chapter %q: known are %s", name, strings.Join(names, ", "))
}

// Picture is one of the pictures, by its file name, as SVG.
func Picture(name string) ([]byte, error) { return files.ReadFile("pictures/" + name) }

var (
	picture = regexp.MustCompile(`(?m)^!\[([^\]]*)\]\(../pictures/[^)]*\)\n?`)
	link    = regexp.MustCompile(`\[([^\]]+)\]\([a-z]+\.md\)`)
)

// Plain is the text for a terminal: pictures are told, links are their words.
func (c Chapter) Plain() string {
	return link.ReplaceAllString(picture.ReplaceAllString(c.Text, "(picture on the page: $1)\n"), "$1")
}

// Handler serves the guide below /guide: a list of chapters, each chapter, the
// pictures. It has no script.
func Handler() (http.Handler, error) {
	pictures, err := fs.Sub(files, "pictures")
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /guide/pictures/", http.StripPrefix("/guide/pictures/", http.FileServerFS(pictures)))
	mux.HandleFunc("GET /guide/page.css", func(w http.ResponseWriter, _ *http.Request) {
		style, _ := files.ReadFile("page.css") // embedded
		w.Header().Set("Content-Type", "text/css; charset=utf-8")
		_, _ = w.Write(style)
	})
	for _, c := range Chapters() {
		serve(mux, "/guide/"+c.Name, func() ([]byte, error) { return page(c.Title, c.Name, c.Text) })
	}
	serve(mux, "/guide", func() ([]byte, error) { return page("Guide", "", contents()) })
	return mux, nil
}

func serve(mux *http.ServeMux, path string, write func() ([]byte, error)) {
	once := sync.OnceValues(write)
	mux.HandleFunc("GET "+path, func(w http.ResponseWriter, _ *http.Request) {
		data, err := once()
		if err != nil {
			http.Error(w, "this chapter cannot be shown: "+err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write(data)
	})
}

// contents is the list of chapters as Markdown.
func contents() string {
	var b strings.Builder
	b.WriteString("# Guide\n\n")
	for _, c := range Chapters() {
		fmt.Fprintf(&b, "- [%s](%s.md)\n", c.Title, c.Name)
	}
	return b.String()
}

var frame = template.Must(template.New("page").Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{{.Title}} – guide of lidded</title>
<link rel="stylesheet" href="/guide/page.css">
<link rel="icon" href="/static/icon.svg" type="image/svg+xml">
</head>
<body>
<a class="skip" href="#content">Skip to the text</a>
<nav aria-label="Guide">
<a href="/guide"{{if not .Name}} aria-current="page"{{end}}>Guide</a>
<ul>{{range .Chapters}}<li><a href="/guide/{{.Name}}"{{if eq .Name $.Name}} aria-current="page"{{end}}>{{.Title}}</a></li>{{end}}</ul>
<a href="/">The bench's page</a>
</nav>
<main id="content" tabindex="-1">
{{.Body}}
</main>
</body>
</html>
`))

// page is one page of the guide.
func page(title, name, text string) ([]byte, error) {
	text = regexp.MustCompile(`\]\(([a-z]+)\.md\)`).ReplaceAllString(text, "](/guide/$1)")
	text = strings.ReplaceAll(text, "](../pictures/", "](/guide/pictures/")
	var body bytes.Buffer
	md := goldmark.New(goldmark.WithExtensions(extension.Table), goldmark.WithParserOptions(parser.WithAutoHeadingID()))
	if err := md.Convert([]byte(text), &body); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	err := frame.Execute(&out, struct {
		Title, Name string
		Chapters    []Chapter
		Body        template.HTML
	}{title, name, Chapters(), template.HTML(scrollable(body.String()))}) // our own text, raw HTML in it is left out
	return out.Bytes(), err
}

// scrollable lets wide tables and listings be scrolled, by key too.
func scrollable(html string) string {
	html = strings.ReplaceAll(html, "<pre>", `<pre tabindex="0">`)
	html = strings.ReplaceAll(html, "<table>", `<div class="wide" tabindex="0" role="group" aria-label="Table"><table>`)
	return strings.ReplaceAll(html, "</table>", "</table></div>")
}
