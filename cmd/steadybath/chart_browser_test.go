//go:build browser

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"steadybath/reports/browser"
)

// shopOnPage is the program with a database of its own.
type shopOnPage struct {
	t   *testing.T
	env map[string]string
}

func (bed *scriptBed) shopOnPage(t *testing.T) shopOnPage {
	database, err := bed.create()
	require.NoError(t, err)
	return shopOnPage{t, map[string]string{
		"STEADYBATH_DATABASE": bed.dsn(database, bed.server.Person()),
		"STEADYBATH_HOME":     filepath.Join(t.TempDir(), "no private database here"),
		"STEADYBATH_CLOCK":    "2026-11-22T09:00:00Z",
		"TZ":                  "Pacific/Chatham",
	}}
}

func (s shopOnPage) run(args ...string) string {
	s.t.Helper()
	var out, bad bytes.Buffer
	status := run(s.t.Context(), args, strings.NewReader(""), &out, &bad, func(k string) string { return s.env[k] })
	require.Zero(s.t, status, "%q: %s", args, bad.String())
	return out.String()
}

// page writes the bath's page and gives its place.
func (s shopOnPage) page() string {
	file := filepath.Join(s.t.TempDir(), "the page.html")
	s.run("chart", "--output", file)
	return file
}

func TestBrowserOpensTheToolsOwnPage(t *testing.T) {
	bed, chromium := newScriptBed(t), browser.Start(t)
	t.Run("TellsWhatStateTells", func(t *testing.T) { tellsWhatStateTells(t, bed.shopOnPage(t), chromium.Tab(t)) })
	t.Run("HostileBath", func(t *testing.T) { opensHostileBath(t, bed.shopOnPage(t), chromium.Tab(t)) })
}

var tipLines = regexp.MustCompile(`(?s)^(\d{4}-\d\d-\d\d \d\d:\d\d)\s+copper ([\d.]+) g/L\s+90 %: ([\d.]+) to ([\d.]+)`)

// What stands under the pointer and under the keyboard's place is what state --smoothed says of that time.
func tellsWhatStateTells(t *testing.T, shop shopOnPage, b *browser.Tab) {
	shop.run("import", "../../testdata/demo/half-year.csv")
	b.Size(1100, 900)
	b.Open(shop.page(), true)
	b.Eval(`document.querySelector("figure.panel").scrollIntoView()`, nil)
	var box struct{ X, Y, Width, Height float64 }
	b.Eval(`(r => ({X: r.x, Y: r.y, Width: r.width, Height: r.height}))(document.querySelector(".live").getBoundingClientRect())`, &box)
	seen := map[string]bool{}
	compare := func(told string) {
		t.Helper()
		part := tipLines.FindStringSubmatch(told)
		require.NotNil(t, part, "%q", told)
		seen[part[1]] = true
		var state struct {
			Constituents []struct {
				Name                 string
				Value, Low90, High90 float64
			}
		}
		require.NoError(t, json.Unmarshal([]byte(shop.run("state", "--smoothed", "--at", part[1], "--json")), &state))
		require.Equal(t, "copper", state.Constituents[0].Name)
		c := state.Constituents[0]
		for i, value := range []float64{c.Value, c.Low90, c.High90} {
			_, digits, _ := strings.Cut(part[2+i], ".")
			require.Equal(t, fmt.Sprintf("%.*f", len(digits), value), part[2+i], "at %s: %q", part[1], told)
		}
	}
	for _, across := range []float64{0.1, 0.16, 0.25, 0.35, 0.4, 0.5, 0.58, 0.65, 0.72, 0.76} {
		b.Point(box.X+across*box.Width, box.Y+box.Height/2)
		compare(b.Tip())
	}
	require.Len(t, seen, 10, "as many places as the pointer was at")
	b.Point(box.X+0.95*box.Width, box.Y+box.Height/2)
	require.Regexp(t, `^2026-12-\d\d \d\d:\d\d\s+copper [\d.]+ g/L\s+to come if nothing but water is added; 90 %: `, b.Tip())
	b.Point(0, 0)
	b.Eval(`document.querySelector(".live").focus()`, nil)
	for range 6 {
		b.Keys("ArrowLeft")
		compare(b.Tip())
	}
	require.Empty(t, b.Complaints())
}

// What people and suppliers wrote is text on the page, whatever it looks like.
func opensHostileBath(t *testing.T, shop shopOnPage, b *browser.Tab) {
	const hostile = "</script><script>alert(1)</script> <img src=x onerror=alert(2)> __f__ {{.}} \u2028 \u202e!"
	text := func(what string) string { return what + " " + hostile }
	shipped, err := os.ReadFile("../../chem/recipe/copper-electroforming.toml")
	require.NoError(t, err)
	// A recipe takes no signs that cannot be printed. Such a JSON string is a TOML string too.
	salt, _, _ := strings.Cut(text("salt"), " \u2028")
	quoted, err := json.Marshal(salt)
	require.NoError(t, err)
	recipe := strings.ReplaceAll(string(shipped), `"sodium chloride"`, string(quoted))
	require.NotEqual(t, string(shipped), recipe)
	file := filepath.Join(t.TempDir(), "recipe.toml")
	require.NoError(t, os.WriteFile(file, []byte(recipe), 0o600))
	shop.run("bath", "new", text("bath"), "--recipe", file, "--volume", "60L", "--at", "2026-10-01", "--note", text("begun"))
	shop.run("fill", "58L", "--origin", "make-up", "--with", "copper 50+-0.5 g/L", "--with", "sulfuric acid 60+-1 g/L",
		"--with", "chloride 60+-3 mg/L", "--with", "brightener 4+-0.2 mL/L", "--at", "2026-10-01")
	shop.run("material", salt, "5kg", "--lot", text("lot"), "--at", "2026-10-02", "--note", text("bought"))
	shop.run("add", salt, "5g", "--at", "2026-10-03", "--force", text("because"))
	shop.run("assay", "copper", "50.2g/L", "--method", text("by"), "--at", "2026-10-05")
	shop.run("add", "brightener", "12mL", "--at", "2026-10-06", "--note", text("added"))
	shop.run("note", text("written"), "--at", "2026-10-20")
	b.Size(1100, 900)
	b.Open(shop.page(), true)
	var heading, all, title string
	b.Eval(`document.querySelector("h1").textContent`, &heading)
	require.Contains(t, heading, text("bath"))
	b.Eval(`document.title`, &title)
	require.Contains(t, title, "<script>alert(1)</script>")
	b.Eval(`document.body.textContent`, &all)
	for _, what := range []string{text("written"), text("added"), text("because"), salt} {
		require.Contains(t, all, what)
	}
	var panels int
	b.Eval(`document.querySelectorAll(".live").length`, &panels)
	tips := ""
	for i := range panels {
		b.Eval(fmt.Sprintf(`document.querySelectorAll(".live")[%d].focus()`, i), nil)
		b.Keys("ArrowRight", "ArrowRight")
		var told string
		b.Eval(`Array.from(document.querySelectorAll(".tip")).map(e => e.textContent).join("\n")`, &told)
		tips += told
	}
	require.Contains(t, tips, "<img src=x onerror=alert(2)>")
	require.Empty(t, b.Complaints())
	var elements int
	b.Eval(`document.images.length + document.querySelectorAll("[onerror]").length`, &elements)
	require.Zero(t, elements)
	var wide int
	b.Eval(`document.documentElement.scrollWidth`, &wide)
	require.LessOrEqual(t, wide, 1100, "the page scrolls sideways")
}
