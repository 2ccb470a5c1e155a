//go:build browser

package reports

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// These tests open the page in Chromium, over the pipe that `--remote-debugging-pipe` offers: messages of the DevTools
// protocol as JSON, each ended by a zero byte. `make browser` runs them; STEADYBATH_SHOTS=folder keeps what they saw.

type browser struct {
	t       testing.TB
	in      *os.File
	session string
	dir     string

	mu      sync.Mutex
	next    int
	waiting map[int]chan message
	events  []message
}

type message struct {
	ID        int             `json:"id,omitempty"`
	Method    string          `json:"method,omitempty"`
	SessionID string          `json:"sessionId,omitempty"`
	Params    json.RawMessage `json:"params,omitempty"`
	Result    json.RawMessage `json:"result,omitempty"`
	Error     json.RawMessage `json:"error,omitempty"`
}

func chromium(t testing.TB) string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	t.Fatal("no chromium found: install the package chromium, or leave this test out by not asking for the tag browser")
	return ""
}

func openBrowser(t testing.TB) *browser {
	dir := t.TempDir()
	toBrowser, in, err := os.Pipe()
	require.NoError(t, err)
	out, fromBrowser, err := os.Pipe()
	require.NoError(t, err)
	cmd := exec.Command(chromium(t), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars", "--remote-debugging-pipe",
		"--user-data-dir="+filepath.Join(dir, "profile"), "about:blank")
	cmd.ExtraFiles = []*os.File{toBrowser, fromBrowser}
	require.NoError(t, cmd.Start())
	toBrowser.Close()
	fromBrowser.Close()
	b := &browser{t: t, in: in, dir: dir, waiting: map[int]chan message{}}
	go b.listen(out)
	t.Cleanup(func() {
		b.send("Browser.close", nil)
		done := make(chan struct{})
		go func() { cmd.Wait(); close(done) }()
		select {
		case <-done:
		case <-time.After(10 * time.Second):
			cmd.Process.Kill()
			<-done
		}
		in.Close()
	})
	var target struct{ TargetID string }
	b.call("Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var attached struct{ SessionID string }
	b.call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &attached)
	b.session = attached.SessionID
	for _, domain := range []string{"Page", "Runtime", "Log", "Network", "Audits"} {
		b.call(domain+".enable", nil, nil)
	}
	return b
}

func (b *browser) listen(out *os.File) {
	r := bufio.NewReaderSize(out, 1<<20)
	for {
		text, err := r.ReadBytes(0)
		if err != nil {
			return
		}
		var m message
		if json.Unmarshal(bytes.TrimSuffix(text, []byte{0}), &m) != nil {
			continue
		}
		b.mu.Lock()
		if wait, ok := b.waiting[m.ID]; ok && m.ID != 0 {
			delete(b.waiting, m.ID)
			wait <- m
		} else {
			b.events = append(b.events, m)
		}
		b.mu.Unlock()
	}
}

func (b *browser) send(method string, params any) chan message {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.next++
	wait := make(chan message, 1)
	b.waiting[b.next] = wait
	raw, _ := json.Marshal(params)
	if params == nil {
		raw = []byte("{}")
	}
	text, _ := json.Marshal(message{ID: b.next, Method: method, SessionID: b.session, Params: raw})
	b.in.Write(append(text, 0))
	return wait
}

func (b *browser) call(method string, params, result any) {
	b.t.Helper()
	select {
	case m := <-b.send(method, params):
		require.Empty(b.t, string(m.Error), method)
		if result != nil {
			require.NoError(b.t, json.Unmarshal(m.Result, result))
		}
	case <-time.After(60 * time.Second):
		b.t.Fatalf("the browser did not answer %s within a minute", method)
	}
}

// eval runs an expression in the page and decodes its value.
func (b *browser) eval(expression string, value any) {
	b.t.Helper()
	var r struct {
		Result           struct{ Value json.RawMessage }
		ExceptionDetails json.RawMessage
	}
	b.call("Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true}, &r)
	require.Empty(b.t, string(r.ExceptionDetails), expression)
	if value != nil {
		require.NoError(b.t, json.Unmarshal(r.Result.Value, value), expression)
	}
}

func (b *browser) size(width, height int) {
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}, nil)
}

func (b *browser) media(scheme string) {
	b.call("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}}, nil)
}

// open shows a file and, where scripts run, waits until every chart is drawn.
func (b *browser) open(file string, live bool) {
	b.t.Helper()
	b.mu.Lock()
	b.events = nil
	b.mu.Unlock()
	address := url.URL{Scheme: "file", Path: file}
	b.call("Page.navigate", map[string]any{"url": address.String()}, nil)
	b.until("Page.loadEventFired")
	if !live {
		return
	}
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		var drawn bool
		b.eval(`document.documentElement.hasAttribute("data-drawn")`, &drawn)
		if drawn {
			return
		}
		if time.Now().After(end) {
			b.t.Fatal("the charts were not drawn within a minute: " + strings.Join(b.complaints(), "\n"))
		}
	}
}

func (b *browser) until(method string) {
	b.t.Helper()
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		b.mu.Lock()
		for _, e := range b.events {
			if e.Method == method {
				b.mu.Unlock()
				return
			}
		}
		b.mu.Unlock()
	}
	b.t.Fatalf("the browser never sent %s", method)
}

// complaints are console messages, exceptions, violations of the policy, dialogs, and requests for anything but the file.
func (b *browser) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []string
	for _, e := range b.events {
		switch e.Method {
		case "Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded", "Audits.issueAdded", "Page.javascriptDialogOpening":
			out = append(out, e.Method+" "+string(e.Params))
		case "Network.requestWillBeSent":
			var p struct{ Request struct{ URL string } }
			json.Unmarshal(e.Params, &p)
			// The browser draws the sign in its own date fields from a data: address, which is no request to anyone.
			if !strings.HasPrefix(p.Request.URL, "file://") && !strings.HasPrefix(p.Request.URL, "data:image/svg+xml;") {
				out = append(out, "request "+p.Request.URL)
			}
		}
	}
	return out
}

// keep writes what was seen to the folder that STEADYBATH_SHOTS names.
func keep(t testing.TB, name string, data []byte) {
	if dir := os.Getenv("STEADYBATH_SHOTS"); dir != "" {
		require.NoError(t, os.MkdirAll(dir, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o644))
	}
}

func (b *browser) shoot(name string) {
	var shot struct{ Data []byte }
	b.call("Page.captureScreenshot", map[string]any{"captureBeyondViewport": true, "format": "png"}, &shot)
	keep(b.t, name, shot.Data)
}

func (b *browser) print(name string) []byte {
	var pdf struct{ Data string }
	b.call("Page.printToPDF", map[string]any{"preferCSSPageSize": true, "printBackground": false}, &pdf)
	data, err := base64.StdEncoding.DecodeString(pdf.Data)
	require.NoError(b.t, err)
	keep(b.t, name, data)
	return data
}

func pageFile(t testing.TB, p Page) string {
	file := filepath.Join(t.TempDir(), "a page.html")
	var page bytes.Buffer
	require.NoError(t, WritePage(&page, p))
	require.NoError(t, os.WriteFile(file, page.Bytes(), 0o644))
	return file
}

func TestBrowserDrawsWithoutComplaint(t *testing.T) {
	b := openBrowser(t)
	p := examplePage(180, 1)
	file := pageFile(t, p)
	for _, scheme := range []string{"light", "dark"} {
		b.media(scheme)
		for _, width := range []int{360, 1100, 1920} {
			t.Run(fmt.Sprintf("%s %d", scheme, width), func(t *testing.T) {
				b.size(width, 900)
				b.open(file, true)
				require.Empty(t, b.complaints())
				var wide, charts int
				b.eval(`document.documentElement.scrollWidth`, &wide)
				require.LessOrEqual(t, wide, width, "the page scrolls sideways")
				b.eval(`document.querySelectorAll(".drawn canvas").length`, &charts)
				require.Equal(t, len(p.Panels)+1, charts)
				b.shoot(fmt.Sprintf("%s-%d.png", scheme, width))
			})
		}
	}
}

func TestBrowserWithoutScripts(t *testing.T) {
	b := openBrowser(t)
	p := examplePage(180, 1)
	b.call("Emulation.setScriptExecutionDisabled", map[string]any{"value": true}, nil)
	file := pageFile(t, p)
	for _, width := range []int{360, 1100} {
		b.size(width, 900)
		b.open(file, false)
		require.Empty(t, b.complaints())
		b.shoot(fmt.Sprintf("no-script-%d.png", width))
		var wide, pictures int
		b.eval(`document.documentElement.scrollWidth`, &wide)
		require.LessOrEqual(t, wide, width, "the page scrolls sideways")
		b.eval(`Array.from(document.querySelectorAll("svg.picture")).filter(s => s.getBoundingClientRect().height > 100).length`, &pictures)
		require.Equal(t, len(p.Panels)+1, pictures)
	}
}

func TestBrowserPrintsEveryPanelWhole(t *testing.T) {
	b := openBrowser(t)
	b.size(1100, 900)
	b.media("dark")
	p := examplePage(180, 1)
	b.open(pageFile(t, p), true)
	require.True(t, bytes.HasPrefix(b.print("print.pdf"), []byte("%PDF-")))
	// Laid out for the screen of a sheet's width, every panel must fit on one sheet: A4 less the margins is 271 mm high.
	b.call("Emulation.setEmulatedMedia", map[string]any{"media": "print"}, nil)
	b.size(703, 1000)
	var tallest float64
	b.eval(`dispatchEvent(new Event("beforeprint")); Math.max(...Array.from(document.querySelectorAll("figure.panel")).map(f => f.getBoundingClientRect().height)) / 96 * 25.4`, &tallest)
	require.Less(t, tallest, 271.0, "a panel is taller than a sheet, in mm")
	var shown int
	b.eval(`Array.from(document.querySelectorAll(".live")).filter(e => e.getBoundingClientRect().height > 0).length`, &shown)
	require.Zero(t, shown, "live charts on paper")
}

func TestBrowserShowsHostileTextAsText(t *testing.T) {
	b := openBrowser(t)
	b.size(1100, 900)
	b.open(pageFile(t, hostilePage()), true)
	var name string
	b.eval(`document.querySelector("h1").textContent`, &name)
	require.Equal(t, hostile, name)
	b.eval(`document.querySelector("figure").scrollIntoView(); document.querySelector(".live").focus()`, nil)
	b.key("ArrowRight", "ArrowRight", "ArrowRight")
	require.Contains(t, b.tip(), "<img src=x onerror=alert(2)>")
	require.Empty(t, b.complaints())
	var images int
	b.eval(`document.images.length`, &images)
	require.Zero(t, images)
	b.shoot("hostile.png")
	var wide int
	b.eval(`document.documentElement.scrollWidth`, &wide)
	var widest []string
	b.eval(`Array.from(document.querySelectorAll("body *")).filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest("svg")).slice(0, 8).map(e => e.tagName + "." + e.className + " " + Math.round(e.getBoundingClientRect().right))`, &widest)
	require.LessOrEqual(t, wide, 1100, "the page scrolls sideways: %v", widest)
}

func (b *browser) key(names ...string) {
	for _, name := range names {
		text := ""
		if len(name) == 1 {
			text = name
		}
		b.call("Input.dispatchKeyEvent", map[string]any{"type": "keyDown", "key": name, "text": text}, nil)
		b.call("Input.dispatchKeyEvent", map[string]any{"type": "keyUp", "key": name}, nil)
	}
	b.settle()
}

// settle waits for two frames, after which the library has drawn what it was told.
func (b *browser) settle() {
	b.eval(`new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(() => r(1), 120))))`, nil)
}

func (b *browser) tip() string {
	b.settle()
	var text string
	b.eval(`(document.querySelector(".live .tip") || {innerText: ""}).innerText`, &text)
	return text
}

// The numbers under the pointer are those of the estimate at the time that stands beside them.
func TestBrowserTellsTheEstimateUnderThePointer(t *testing.T) {
	b := openBrowser(t)
	b.size(1100, 900)
	p := examplePage(180, 1)
	b.open(pageFile(t, p), true)
	b.eval(`document.querySelector("figure").scrollIntoView()`, nil)
	var box struct{ X, Y, Width, Height float64 }
	b.eval(`(r => ({X: r.x, Y: r.y, Width: r.width, Height: r.height}))(document.querySelector(".live").getBoundingClientRect())`, &box)
	found := 0
	for _, across := range []float64{0.2, 0.37, 0.5, 0.81} {
		b.call("Input.dispatchMouseEvent", map[string]any{"type": "mouseMoved", "x": box.X + across*box.Width, "y": box.Y + box.Height/2}, nil)
		told := b.tip()
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
	b.call("Input.dispatchMouseEvent", map[string]any{"type": "mouseMoved", "x": box.X + 0.6*box.Width, "y": box.Y + box.Height/2}, nil)
	b.settle()
	b.shoot("tip.png")
}

func TestBrowserZoomsAllPanelsTogetherByKeyboard(t *testing.T) {
	b := openBrowser(t)
	b.size(1100, 900)
	p := examplePage(180, 1)
	b.open(pageFile(t, p), true)
	spans := func() (out [][2]float64) {
		b.settle()
		b.eval(`Array.from(document.querySelectorAll(".live")).map(e => { const z = echarts.getInstanceByDom(e).getOption().dataZoom[0]; return [z.start, z.end]; })`, &out)
		require.Len(t, out, len(p.Panels)+1)
		for _, s := range out {
			require.InDelta(t, out[0][0], s[0], 0.01)
			require.InDelta(t, out[0][1], s[1], 0.01)
		}
		return out
	}
	b.eval(`document.querySelectorAll(".live")[2].focus()`, nil)
	b.key("+")
	s := spans()
	require.InDelta(t, 25, s[0][0], 0.01)
	require.InDelta(t, 75, s[0][1], 0.01)
	b.shoot("zoomed.png")
	b.key("0")
	s = spans()
	require.InDelta(t, 100, s[0][1]-s[0][0], 0.01)
	b.eval(`document.querySelector("button[data-days='28']").click()`, nil)
	s = spans()
	// Four weeks before now, and what is to come with them.
	require.InDelta(t, 100*(180-28.0)/200, s[0][0], 0.1)
	require.InDelta(t, 100, s[0][1], 0.01)
	var from string
	b.eval(`document.getElementById("span-from").value`, &from)
	require.Equal(t, p.Made.AddDate(0, 0, -28).In(p.Zone).Format(time.DateOnly), from)
	require.Empty(t, b.complaints())
}

// BenchmarkBrowserTenYears says how long a ten-year bath takes from the beginning of its loading until its charts are drawn, as
// the page itself counts it.
func BenchmarkBrowserTenYears(bench *testing.B) {
	b := openBrowser(bench)
	b.size(1100, 900)
	file := pageFile(bench, examplePage(3650, 4))
	sum := 0.0
	bench.ResetTimer()
	for i := 0; i < bench.N; i++ {
		b.open(file, true)
		var drawn string
		b.eval(`document.documentElement.getAttribute("data-drawn")`, &drawn)
		ms, err := strconv.ParseFloat(drawn, 64)
		require.NoError(bench, err)
		sum += ms
	}
	bench.ReportMetric(sum/float64(bench.N), "ms/drawn")
}
