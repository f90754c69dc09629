package main

import (
	"bytes"
	"flag"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/guide"
	"lidded/driver/dialect"
)

var update = flag.Bool("update", false, "draw the guide's pictures anew")

var (
	fenced     = regexp.MustCompile("(?s)```([a-z]*)\n(.*?)```")
	inCode     = regexp.MustCompile("`([^`\n]+)`")
	chapterRef = regexp.MustCompile(`\]\(([a-z]+)\.md\)`)
	pictureRef = regexp.MustCompile(`\]\(\.\./pictures/([^)]+)\)`)
	ofRepo     = regexp.MustCompile("`((?:cmd|configs|deploy|driver|store|sweep)/[A-Za-z0-9_./-]+)`")
)

// commandsIn finds the command lines of this program in a text: in listings, and in
// code that is a command line.
func commandsIn(text string) []string {
	var out []string
	take := func(line string) {
		line = strings.TrimPrefix(strings.TrimSpace(line), "$ ")
		line, _, _ = strings.Cut(line, "  ") // what follows is a remark
		line, _, _ = strings.Cut(line, " #")
		if i := strings.Index(line, "&& lidded "); i >= 0 {
			line = strings.TrimRight(line[i+3:], `"`)
		}
		if strings.HasPrefix(line, "lidded ") {
			out = append(out, line)
		}
	}
	for _, m := range fenced.FindAllStringSubmatch(text, -1) {
		for _, line := range strings.Split(m[2], "\n") {
			take(line)
		}
	}
	for _, m := range inCode.FindAllStringSubmatch(fenced.ReplaceAllString(text, ""), -1) {
		take(m[1])
	}
	return out
}

var words = regexp.MustCompile(`'[^']*'|"[^"]*"|\S+`)

// isCommand says what is wrong with a command line of a text, "" if nothing is.
func isCommand(line string) string {
	var args []string
	for _, w := range words.FindAllString(line, -1)[1:] {
		w = strings.Trim(w, `'"`)
		if w != "…" && w != "" {
			args = append(args, w)
		}
	}
	if len(args) == 0 {
		return ""
	}
	c, rest, err := rootCommand().Find(args)
	if err != nil || c == c.Root() {
		return "no such command"
	}
	for i, w := range rest { // a flag without a value, as in a sentence, is known or not
		if name, ok := strings.CutPrefix(w, "--"); ok {
			name, _, _ = strings.Cut(name, "=")
			f := c.Flags().Lookup(name)
			if f == nil {
				f = c.InheritedFlags().Lookup(name)
			}
			if f == nil {
				return "no flag --" + name
			}
			if f.NoOptDefVal == "" && !strings.Contains(w, "=") && i == len(rest)-1 {
				rest = rest[:i]
			}
		}
	}
	if err := c.ParseFlags(rest); err != nil {
		return err.Error()
	}
	return ""
}

// TestGuide: chapters are short, and what they say can be done.
func TestGuide(t *testing.T) {
	const screens = 3 * 200 // words
	known := map[string]bool{}
	for _, c := range guide.Chapters() {
		known[c.Name] = true
	}
	commands := 0
	for _, c := range guide.Chapters() {
		t.Run(c.Name, func(t *testing.T) {
			if n := len(strings.Fields(c.Text)); n > screens {
				t.Errorf("%d words, at most %d are three screens", n, screens)
			}
			for _, line := range commandsIn(c.Text) {
				commands++
				if why := isCommand(line); why != "" {
					t.Errorf("%s: %s", line, why)
				}
			}
			for _, m := range chapterRef.FindAllStringSubmatch(c.Text, -1) {
				if !known[m[1]] {
					t.Errorf("no chapter %s", m[1])
				}
			}
			for _, m := range pictureRef.FindAllStringSubmatch(c.Text, -1) {
				if _, err := guide.Picture(m[1]); err != nil {
					t.Error(err)
				}
			}
			for _, m := range ofRepo.FindAllStringSubmatch(c.Text, -1) {
				if _, err := os.Stat(filepath.Join("..", "..", m[1])); err != nil {
					t.Errorf("%s: %v", m[1], err)
				}
			}
			for _, m := range fenced.FindAllStringSubmatch(c.Text, -1) {
				switch text := m[2]; {
				case m[1] == "yaml" && strings.HasPrefix(text, "role:"):
					if _, err := dialect.Load("guide.yaml", []byte(text)); err != nil {
						t.Error(err)
					}
				case m[1] == "yaml" && strings.Contains(text, "benches:"):
					if _, err := config.Parse("guide.yaml", []byte(text), nil); err != nil {
						t.Error(err)
					}
				}
			}
			out := prints(t, exitOK, "guide", c.Name)
			if !strings.HasPrefix(out, "# "+c.Title) || strings.Contains(out, "](") {
				t.Errorf("printed as\n%s", out)
			}
		})
	}
	if commands < 30 {
		t.Errorf("only %d commands found", commands)
	}
	if out := prints(t, exitUsage, "guide", "nothing"); !strings.Contains(out, "known are measuring") {
		t.Errorf("an unknown chapter: %s", out)
	}
	if out := prints(t, exitOK, "guide"); strings.Count(out, "\n") != len(guide.Chapters())+1 {
		t.Errorf("the list:\n%s", out)
	}
}

// TestGuidePages: every page of the guide is there with its links and pictures.
func TestGuidePages(t *testing.T) {
	h, err := guide.Handler()
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(h)
	defer s.Close()
	get := func(path string) string {
		t.Helper()
		resp, err := http.Get(s.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		data, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: %s %v", path, resp.Status, err)
		}
		return string(data)
	}
	refs := regexp.MustCompile(`(?:href|src)="(/guide[^"]*)"`)
	seen := map[string]bool{"/guide": true}
	for queue := []string{"/guide"}; len(queue) > 0; queue = queue[1:] {
		page := get(queue[0])
		if strings.Contains(page, "<script") {
			t.Errorf("%s has a script", queue[0])
		}
		for _, m := range refs.FindAllStringSubmatch(page, -1) {
			if !seen[m[1]] {
				seen[m[1]] = true
				queue = append(queue, m[1])
			}
		}
	}
	if want := len(guide.Chapters()) + 4; len(seen) < want { // and the list, the sheet, two pictures
		t.Errorf("%d pages found, want %d at least", len(seen), want)
	}
}

// TestGuidePictures: the pictures of the guide are of the demonstration as it runs
// today. To draw them anew: go test ./cmd/lidded -run TestGuidePictures -update.
func TestGuidePictures(t *testing.T) {
	store := filepath.Join(t.TempDir(), "demo.db")
	prints(t, exitOK, "demo", "--once", "--listen", "127.0.0.1:0", "--store", store)
	// What the lockers are made of is in the run, whoever asks and from where.
	if said := prints(t, exitOK, "explain", "latest", "--store", store); strings.Contains(said, "nothing is known") || strings.Count(said, "what the wall should do") < 3 {
		t.Errorf("explain says\n%s", said)
	}
	if said := prints(t, exitOK, "show", "latest", "--store", store); !strings.Contains(said, "heron: meets") || !strings.Contains(said, "At its weakest frequency, 1 GHz, about 1/37 of the field, 1/1,400 of the power gets in; the requirement allows 1/1,000 of the field") {
		t.Errorf("show says\n%s", said)
	}
	report := prints(t, exitOK, "report", "latest", "--store", store, "--format", "html", "-o", "-")
	figure := regexp.MustCompile(`(?s)<svg.*?</svg>`).FindString(report)
	colours := regexp.MustCompile(`(?s):root\{[^}]*\}`).FindString(report)
	if figure == "" || colours == "" {
		t.Fatal("no figure in the report")
	}
	figure = strings.Replace(figure, "<svg ", `<svg xmlns="http://www.w3.org/2000/svg" `, 1)
	head := strings.Index(figure, ">") + 1
	figure = figure[:head] + "<style>" + colours + `text{font-family:"Liberation Sans",Arial,Helvetica,sans-serif}</style>` + figure[head:] + "\n"
	plot := filepath.Join(t.TempDir(), "expectation.svg")
	prints(t, exitOK, "expect", "otter", "--plot", plot)
	expectation, err := os.ReadFile(plot)
	if err != nil {
		t.Fatal(err)
	}
	for name, drawn := range map[string][]byte{"result.svg": []byte(figure), "expectation.svg": expectation} {
		if *update {
			if err := os.WriteFile(filepath.Join("internal", "guide", "pictures", name), drawn, 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		kept, err := guide.Picture(name)
		if err != nil {
			t.Fatal(err)
		}
		// Noise moves a mark by less than a line is wide: what is written is compared.
		if a, b := textsOf(kept), textsOf(drawn); !slices.Equal(a, b) {
			t.Errorf("%s is stale; if that is meant, run this test with -update and look at it\nkept  %q\ndrawn %q", name, a, b)
		}
	}
}

func textsOf(svg []byte) []string {
	var out []string
	for _, m := range regexp.MustCompile(`(?s)<(?:text|desc)[^>]*>([^<]*)<`).FindAllSubmatch(svg, -1) {
		out = append(out, html.UnescapeString(string(m[1])))
	}
	return out
}

// TestDocuments: the first page and the contributors' guide stay short; a promise
// names tests that are there; decisions are numbered without a gap.
func TestDocuments(t *testing.T) {
	for file, most := range map[string]int{"README.md": 900, "DEVELOPERS.md": 2500} {
		text, err := os.ReadFile(filepath.Join("..", "..", file))
		if err != nil {
			t.Fatal(err)
		}
		if n := len(strings.Fields(string(text))); n > most {
			t.Errorf("%s has %d words, at most %d", file, n, most)
		}
		for _, line := range commandsIn(string(text)) {
			if why := isCommand(line); why != "" {
				t.Errorf("%s: %s: %s", file, line, why)
			}
		}
		for _, m := range regexp.MustCompile(`\]\(([A-Za-z0-9_./-]+)\)`).FindAllStringSubmatch(string(text), -1) {
			if _, err := os.Stat(filepath.Join("..", "..", m[1])); err != nil {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
	list, err := exec.CommandContext(t.Context(), "grep", "-rhoE", `^func (Test|Benchmark|Fuzz)[A-Za-z0-9_]+`, "../..", "--include=*_test.go").Output()
	if err != nil {
		t.Fatal(err)
	}
	suites, err := exec.CommandContext(t.Context(), "grep", "-rhoE", `^func (Test|Benchmark)[A-Za-z0-9_]+`, "../../driver/drivertest", "../../store/storetest", "--include=*.go").Output()
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, line := range bytes.Fields(append(list, suites...)) {
		have[string(line)] = true
	}
	promises, err := os.ReadFile("PROMISES.md")
	if err != nil {
		t.Fatal(err)
	}
	named := 0
	for _, m := range regexp.MustCompile(`\b(?:Test|Benchmark)[A-Z][A-Za-z0-9_]*`).FindAllString(string(promises), -1) {
		named++
		if !have[m] {
			t.Errorf("PROMISES.md names %s, which is not there", m)
		}
	}
	if named < 100 {
		t.Errorf("only %d tests named", named)
	}
	decisions, err := filepath.Glob("decisions/*.md")
	if err != nil {
		t.Fatal(err)
	}
	for i, file := range decisions {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if want := fmt.Sprintf("# %d. ", i+1); !strings.HasPrefix(string(text), want) || !strings.HasPrefix(filepath.Base(file), fmt.Sprintf("%04d-", i+1)) {
			t.Errorf("%s should begin with %q: decisions are numbered without a gap", file, want)
		}
	}
	if len(decisions) < 47 {
		t.Errorf("%d decisions", len(decisions))
	}
}
