//go:build browser

package browser

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/audits"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// patience is how long a page may take for one thing; a machine under load is slow, and only a broken page takes this long.
const patience = time.Minute

func path(t testing.TB) string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	t.Fatal("no chromium found: install the package chromium, or leave this test out by not asking for the tag browser")
	return ""
}

// Browser is a running Chromium.
type Browser struct{ ctx context.Context }

// Start starts Chromium; it ends with the test.
func Start(t testing.TB) *Browser {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path(t)), chromedp.UserDataDir(filepath.Join(t.TempDir(), "profile")),
		// The sandbox cannot be had as root or in most containers, and the pages are the tests' own.
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WSURLReadTimeout(patience))
	allocated, release := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, stop := chromedp.NewContext(allocated)
	t.Cleanup(func() {
		assert.NoError(t, chromedp.Cancel(ctx))
		stop()
		release()
	})
	require.NoError(t, chromedp.Do(ctx))
	return &Browser{ctx}
}

// Tab is a page of a profile of its own. What fails in it ends the test.
type Tab struct {
	t   testing.TB
	ctx context.Context

	mu     sync.Mutex
	events []any
}

// Tab opens an empty tab; it closes with the test.
func (b *Browser) Tab(t testing.TB) *Tab {
	t.Helper()
	tab := &Tab{t: t}
	ctx, stop := chromedp.NewContext(b.ctx, chromedp.WithNewBrowserContext(), chromedp.WithListener(func(event any) {
		tab.mu.Lock()
		defer tab.mu.Unlock()
		tab.events = append(tab.events, event)
	}))
	t.Cleanup(stop)
	tab.ctx = ctx
	// The first call makes the tab, which lives as long as that call's context: no deadline here.
	_, err := chromedp.Call(ctx, runtime.Enable, cdp.Empty{})
	require.NoError(t, err)
	Do(tab, log.Enable, cdp.Empty{})
	Do(tab, page.Enable, page.EnableParams{})
	Do(tab, network.Enable, network.EnableParams{})
	Do(tab, audits.Enable, cdp.Empty{})
	return tab
}

// Do sends a command of the DevTools protocol.
func Do[P, R any](b *Tab, command cdp.Command[P, R], params P) R {
	b.t.Helper()
	return run(b, command.Method, func(ctx context.Context) (R, error) { return chromedp.Call(ctx, command, params) })
}

func run[R any](b *Tab, what string, do func(context.Context) (R, error)) R {
	b.t.Helper()
	ctx, stop := context.WithTimeout(b.ctx, patience)
	defer stop()
	result, err := do(ctx)
	if err != nil {
		b.t.Fatalf("%s: %v; the page: %s", what, err, strings.Join(b.Complaints(), "\n"))
	}
	return result
}

// Eval runs an expression in the page, waits for it if it is a promise, and decodes its value.
func (b *Tab) Eval(expression string, value any) {
	b.t.Helper()
	text := run(b, expression, func(ctx context.Context) ([]byte, error) {
		return chromedp.Run(ctx, chromedp.Evaluate[[]byte](expression, chromedp.EvalAwaitPromise))
	})
	if value != nil {
		require.NoError(b.t, json.Unmarshal(text, value), expression)
	}
}

// Size is that of the window, in CSS pixels.
func (b *Tab) Size(width, height int) {
	b.t.Helper()
	Do(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: int64(width), Height: int64(height), DeviceScaleFactor: 1})
}

// Scheme is light or dark.
func (b *Tab) Scheme(name string) {
	b.t.Helper()
	Do(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
}

// Open shows a file and, where scripts run, waits until every chart is drawn. Complaints are counted from here.
func (b *Tab) Open(file string, scripts bool) {
	b.t.Helper()
	b.mu.Lock()
	b.events = nil
	b.mu.Unlock()
	address := url.URL{Scheme: "file", Path: file}
	run(b, "navigate", func(ctx context.Context) (chromedp.Void, error) {
		return chromedp.Run(ctx, chromedp.Navigate(address.String()))
	})
	if !scripts {
		return
	}
	// The library's own polling makes functions from text, which the page's policy forbids.
	b.Eval(`new Promise(done => (function look() {
		document.documentElement.hasAttribute("data-drawn") ? done(1) : setTimeout(look, 10);
	})())`, nil)
}

// Complaints are console messages, exceptions, violations of the policy, dialogs, and requests for anything but the file.
func (b *Tab) Complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []string
	for _, event := range b.events {
		switch e := event.(type) {
		case *runtime.EventExceptionThrown, *runtime.EventConsoleAPICalled, *log.EventEntryAdded, *audits.EventIssueAdded, *page.EventJavascriptDialogOpening:
			text, err := json.Marshal(e)
			out = append(out, strings.TrimSpace(fmt.Sprintf("%T %s", e, text)))
			require.NoError(b.t, err)
		case *network.EventRequestWillBeSent:
			// The browser draws the sign in its own date fields from a data: address, which is no request to anyone.
			if at := e.Request.URL; !strings.HasPrefix(at, "file://") && !strings.HasPrefix(at, "data:image/svg+xml;") {
				out = append(out, "request "+at)
			}
		}
	}
	return out
}

// Keys presses keys by their names.
func (b *Tab) Keys(names ...string) {
	b.t.Helper()
	for _, name := range names {
		text := ""
		if len(name) == 1 {
			text = name
		}
		Do(b, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyDown, Key: name, Text: text})
		Do(b, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyUp, Key: name})
	}
	b.Settle()
}

// Point moves the pointer.
func (b *Tab) Point(x, y float64) {
	b.t.Helper()
	Do(b, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: input.DispatchMouseEventTypeMouseMoved, X: x, Y: y})
}

// Settle waits for two frames, after which the chart library has drawn what it was told.
func (b *Tab) Settle() {
	b.t.Helper()
	b.Eval(`new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(() => r(1), 120))))`, nil)
}

// Tip is the text beside the pointer, empty where there is none.
func (b *Tab) Tip() string {
	b.t.Helper()
	b.Settle()
	var text string
	b.Eval(`(document.querySelector(".live .tip") || {innerText: ""}).innerText`, &text)
	return text
}

// Shoot takes a picture of the whole page for Keep.
func (b *Tab) Shoot(name string) {
	b.t.Helper()
	if os.Getenv(shots) == "" {
		return
	}
	beyond := true
	Keep(b.t, name, Do(b, page.CaptureScreenshot, page.CaptureScreenshotParams{CaptureBeyondViewport: &beyond}).Data)
}

// Print prints the page as a PDF on the sheet that its style asks for.
func (b *Tab) Print(name string) []byte {
	b.t.Helper()
	data := run(b, "print", func(ctx context.Context) ([]byte, error) {
		return chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize()))
	})
	Keep(b.t, name, data)
	return data
}

// shots names the folder of Keep.
const shots = "STEADYBATH_SHOTS"

// Keep writes what was seen to the folder that STEADYBATH_SHOTS names.
func Keep(t testing.TB, name string, data []byte) {
	if dir := os.Getenv(shots); dir != "" {
		require.NoError(t, os.MkdirAll(dir, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o644))
	}
}
