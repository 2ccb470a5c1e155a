//go:build browser

package reports

import (
	"encoding/json"
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"steadybath/reports/browser"
)

// axe-core judges the page by the Web Content Accessibility Guidelines 2.2, levels A and AA, as far as a program can
// (https://www.w3.org/TR/WCAG22/). It is put in by the test and is no part of the page.
func keepsAccessibilityGuidelines(t *testing.T, b *browser.Tab) {
	axe, err := os.ReadFile("echarts/node_modules/axe-core/axe.min.js")
	require.NoError(t, err, "axe-core is absent: run make test, where npm fetches it")
	file := pageFile(t, examplePage(180, 1))
	for _, scheme := range []string{"light", "dark"} {
		b.Scheme(scheme)
		for _, width := range []int{360, 1100} {
			t.Run(fmt.Sprintf("%s %d", scheme, width), func(t *testing.T) {
				b.Size(width, 900)
				b.Open(file, true)
				b.Eval(string(axe)+";0", nil)
				var found struct {
					Version    string
					Passes     int
					Violations []struct {
						ID, Help string
						Nodes    []struct {
							Target         json.RawMessage
							FailureSummary string
						}
					}
				}
				b.Eval(`axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}).then(r =>
					({Version: r.testEngine.version, Passes: r.passes.length, Violations: r.violations}))`, &found)
				require.Greater(t, found.Passes, 10, "axe-core looked at next to nothing")
				for _, v := range found.Violations {
					for _, n := range v.Nodes {
						t.Errorf("%s (%s) at %s: %s", v.ID, v.Help, n.Target, n.FailureSummary)
					}
				}
			})
		}
	}
}
