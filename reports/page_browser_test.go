//go:build browser

package reports

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/stretchr/testify/require"

	"steadybath/reports/browser"
)

// These tests open the page in Chromium. `make test` runs them, `make browser` runs them alone; STEADYBATH_SHOTS=folder keeps
// what they saw.
func TestBrowser(t *testing.T) {
	chromium := browser.Start(t)
	for name, test := range map[string]func(*testing.T, *browser.Tab){
		"DrawsWithoutComplaint":           drawsWithoutComplaint,
		"DrawsVeryManySigns":              drawsVeryManySigns,
		"KeepsAccessibilityGuidelines":    keepsAccessibilityGuidelines,
		"WithoutScripts":                  withoutScripts,
		"PrintsEveryPanelWhole":           printsEveryPanelWhole,
		"ShowsHostileTextAsText":          showsHostileTextAsText,
		"TellsTheEstimateUnderThePointer": tellsTheEstimateUnderThePointer,
		"ZoomsAllPanelsByKeyboard":        zoomsAllPanelsByKeyboard,
	} {
		t.Run(name, func(t *testing.T) { test(t, chromium.Tab(t)) })
	}
}

func pageFile(t testing.TB, p Page) string {
	file := filepath.Join(t.TempDir(), "a page.html")
	var page bytes.Buffer
	require.NoError(t, WritePage(&page, p))
	require.NoError(t, os.WriteFile(file, page.Bytes(), 0o644))
	return file
}

func drawsWithoutComplaint(t *testing.T, b *browser.Tab) {
	p := examplePage(180, 1)
	file := pageFile(t, p)
	for _, scheme := range []string{"light", "dark"} {
		b.Scheme(scheme)
		for _, width := range []int{360, 1100, 1920} {
			t.Run(fmt.Sprintf("%s %d", scheme, width), func(t *testing.T) {
				b.Size(width, 900)
				b.Open(file, true)
				require.Empty(t, b.Complaints())
				var wide, charts int
				b.Eval(`document.documentElement.scrollWidth`, &wide)
				require.LessOrEqual(t, wide, width, "the page scrolls sideways")
				b.Eval(`document.querySelectorAll(".drawn canvas").length`, &charts)
				require.Equal(t, len(p.Panels)+1, charts)
				b.Shoot(fmt.Sprintf("%s-%d.png", scheme, width))
			})
		}
	}
}

func withoutScripts(t *testing.T, b *browser.Tab) {
	p := examplePage(180, 1)
	browser.Do(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	file := pageFile(t, p)
	for _, width := range []int{360, 1100} {
		b.Size(width, 900)
		b.Open(file, false)
		require.Empty(t, b.Complaints())
		b.Shoot(fmt.Sprintf("no-script-%d.png", width))
		var wide, pictures int
		b.Eval(`document.documentElement.scrollWidth`, &wide)
		require.LessOrEqual(t, wide, width, "the page scrolls sideways")
		b.Eval(`Array.from(document.querySelectorAll("svg.picture")).filter(s => s.getBoundingClientRect().height > 100).length`, &pictures)
		require.Equal(t, len(p.Panels)+1, pictures)
	}
}

func printsEveryPanelWhole(t *testing.T, b *browser.Tab) {
	b.Size(1100, 900)
	b.Scheme("dark")
	p := examplePage(180, 1)
	b.Open(pageFile(t, p), true)
	// A link without width in the first and in the last corner of each panel tells on which sheet the corner lies.
	var panels int
	b.Eval(`(() => {
		const panels = document.querySelectorAll("figure.panel");
		panels.forEach((panel, i) => {
			panel.style.position = "relative";
			for (const corner of ["top", "bottom"]) {
				const a = document.createElement("a");
				a.href = "mark:" + i + "-" + corner;
				a.textContent = ".";
				a.style.cssText = "position: absolute; left: 0; line-height: 1; font-size: 1px; " + corner + ": 0";
				panel.append(a);
			}
		});
		return panels.length;
	})()`, &panels)
	require.Equal(t, len(p.Panels)+1, panels)
	whole := func() (whole int) {
		sheets := cornerSheets(t, b.Print("print.pdf"))
		require.Len(t, sheets, 2*panels)
		for i := range panels {
			if sheets[fmt.Sprintf("mark:%d-top", i)] == sheets[fmt.Sprintf("mark:%d-bottom", i)] {
				whole++
			}
		}
		return whole
	}
	require.Equal(t, panels, whole(), "panels that lie on one sheet")
	b.Eval(`document.querySelectorAll("figure.panel").forEach(panel => { panel.style.breakInside = "auto"; panel.style.paddingBottom = "400mm"; })`, nil)
	require.Less(t, whole(), panels, "a cut panel is seen")
	b.Eval(`document.querySelectorAll("figure.panel").forEach(panel => { panel.style.breakInside = panel.style.paddingBottom = ""; })`, nil)
	// Laid out for the screen of a sheet's width, every panel must fit on one sheet: A4 less the margins is 271 mm high.
	browser.Do(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
	b.Size(703, 1000)
	var tallest float64
	b.Eval(`dispatchEvent(new Event("beforeprint")); Math.max(...Array.from(document.querySelectorAll("figure.panel")).map(f => f.getBoundingClientRect().height)) / 96 * 25.4`, &tallest)
	require.Less(t, tallest, 271.0, "a panel is taller than a sheet, in mm")
	var shown int
	b.Eval(`Array.from(document.querySelectorAll(".live")).filter(e => e.getBoundingClientRect().height > 0).length`, &shown)
	require.Zero(t, shown, "live charts on paper")
}

// cornerSheets reads from a PDF, whose pages and links Chromium leaves uncompressed, on which sheet each link lies.
func cornerSheets(t *testing.T, pdf []byte) map[string]int {
	require.True(t, bytes.HasPrefix(pdf, []byte("%PDF-")))
	links := map[string]string{}
	for _, o := range regexp.MustCompile(`(?s)\n(\d+) 0 obj\n<<(/Type /Annot\b.*?)>>\nendobj`).FindAllSubmatch(pdf, -1) {
		if uri := regexp.MustCompile(`/URI \((.*?)\)`).FindSubmatch(o[2]); uri != nil {
			links[string(o[1])] = string(uri[1])
		}
	}
	sheets := map[string]int{}
	for i, page := range regexp.MustCompile(`(?s)<</Type /Page\n.*?endobj`).FindAll(pdf, -1) {
		if annots := regexp.MustCompile(`/Annots \[(.*?)\]`).FindSubmatch(page); annots != nil {
			for _, a := range regexp.MustCompile(`(\d+) 0 R`).FindAllSubmatch(annots[1], -1) {
				if name := links[string(a[1])]; strings.HasPrefix(name, "mark:") {
					sheets[name] = i + 1
				}
			}
		}
	}
	return sheets
}

func showsHostileTextAsText(t *testing.T, b *browser.Tab) {
	b.Size(1100, 900)
	b.Open(pageFile(t, hostilePage()), true)
	var name string
	b.Eval(`document.querySelector("h1").textContent`, &name)
	require.Equal(t, hostile, name)
	b.Eval(`document.querySelector("figure").scrollIntoView(); document.querySelector(".live").focus()`, nil)
	b.Keys("ArrowRight", "ArrowRight", "ArrowRight")
	require.Contains(t, b.Tip(), "<img src=x onerror=alert(2)>")
	require.Empty(t, b.Complaints())
	var images int
	b.Eval(`document.images.length`, &images)
	require.Zero(t, images)
	b.Shoot("hostile.png")
	var wide int
	b.Eval(`document.documentElement.scrollWidth`, &wide)
	require.LessOrEqual(t, wide, 1100, "the page scrolls sideways")
}

// The numbers under the pointer are those of the estimate at the time that stands beside them.
func tellsTheEstimateUnderThePointer(t *testing.T, b *browser.Tab) {
	b.Size(1100, 900)
	p := examplePage(180, 1)
	b.Open(pageFile(t, p), true)
	b.Eval(`document.querySelector("figure").scrollIntoView()`, nil)
	var box struct{ X, Y, Width, Height float64 }
	b.Eval(`(r => ({X: r.x, Y: r.y, Width: r.width, Height: r.height}))(document.querySelector(".live").getBoundingClientRect())`, &box)
	found := 0
	for _, across := range []float64{0.2, 0.37, 0.5, 0.81} {
		b.Point(box.X+across*box.Width, box.Y+box.Height/2)
		told := b.Tip()
		for _, e := range p.Panels[0].Estimate {
			at := e.Time.In(p.Zone).Format("2006-01-02 15:04")
			if strings.HasPrefix(told, at) {
				found++
				require.Contains(t, told, fmt.Sprintf("copper %.1f g/L", e.Value))
				require.Contains(t, told, fmt.Sprintf("90 %%: %.1f to %.1f", e.Low90, e.High90))
			}
		}
	}
	require.Equal(t, 4, found)
	b.Point(box.X+0.6*box.Width, box.Y+box.Height/2)
	b.Settle()
	b.Shoot("tip.png")
}

func zoomsAllPanelsByKeyboard(t *testing.T, b *browser.Tab) {
	b.Size(1100, 900)
	p := examplePage(180, 1)
	b.Open(pageFile(t, p), true)
	spans := func() (out [][2]float64) {
		b.Settle()
		b.Eval(`Array.from(document.querySelectorAll(".live")).map(e => { const z = echarts.getInstanceByDom(e).getOption().dataZoom[0]; return [z.start, z.end]; })`, &out)
		require.Len(t, out, len(p.Panels)+1)
		for _, s := range out {
			require.InDelta(t, out[0][0], s[0], 0.01)
			require.InDelta(t, out[0][1], s[1], 0.01)
		}
		return out
	}
	b.Eval(`document.querySelectorAll(".live")[2].focus()`, nil)
	b.Keys("+")
	s := spans()
	require.InDelta(t, 25, s[0][0], 0.01)
	require.InDelta(t, 75, s[0][1], 0.01)
	b.Shoot("zoomed.png")
	b.Keys("0")
	s = spans()
	require.InDelta(t, 100, s[0][1]-s[0][0], 0.01)
	b.Eval(`document.querySelector("button[data-days='28']").click()`, nil)
	s = spans()
	// Four weeks before now, and what is to come with them.
	require.InDelta(t, 100*(180-28.0)/200, s[0][0], 0.1)
	require.InDelta(t, 100, s[0][1], 0.01)
	var from string
	b.Eval(`document.getElementById("span-from").value`, &from)
	require.Equal(t, p.Made.AddDate(0, 0, -28).In(p.Zone).Format(time.DateOnly), from)
	require.Empty(t, b.Complaints())
}

// Not one of very many readings is missing from its chart, nor from what is told under the pointer.
func drawsVeryManySigns(t *testing.T, b *browser.Tab) {
	p := densePage(1100)
	b.Size(1100, 900)
	b.Open(pageFile(t, p), true)
	require.Empty(t, b.Complaints())
	for i, panel := range p.Panels[:4] {
		var drawn struct{ Used, Add, Facts int }
		b.Eval(fmt.Sprintf(`(s => ({Used: s("used"), Add: s("add")}))(name => echarts.getInstanceByDom(document.querySelectorAll(".live")[%d]).getOption().series.find(s => s.name === name).data.length)`, i), &drawn)
		used, added := 0, 0
		for _, r := range panel.Readings {
			if r.State == ReadingUsed {
				used++
			}
		}
		for _, m := range panel.Marks {
			if m.Kind == MarkAdd {
				added++
			}
		}
		require.Equal(t, used, drawn.Used)
		require.Equal(t, added, drawn.Add)
		require.Greater(t, used, 2000)
	}
	b.Eval(`document.querySelector("figure.panel").scrollIntoView(); document.querySelector(".live").focus()`, nil)
	b.Keys("ArrowLeft")
	require.Contains(t, b.Tip(), "titration ")
	b.Shoot("dense.png")
}

// BenchmarkBrowserTenYears says how long a ten-year bath takes from the beginning of its loading until its charts are drawn, as
// the page itself counts it.
func BenchmarkBrowserTenYears(bench *testing.B) {
	b := browser.Start(bench).Tab(bench)
	b.Size(1100, 900)
	file := pageFile(bench, densePage(3650))
	sum := 0.0
	bench.ResetTimer()
	for i := 0; i < bench.N; i++ {
		b.Open(file, true)
		var drawn string
		b.Eval(`document.documentElement.getAttribute("data-drawn")`, &drawn)
		ms, err := strconv.ParseFloat(drawn, 64)
		require.NoError(bench, err)
		sum += ms
	}
	bench.ReportMetric(sum/float64(bench.N), "ms/drawn")
}
