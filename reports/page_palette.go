package reports

import (
	"html/template"
	"sort"
	"strings"
)

// ink is one colour of the page on a light and on a dark ground, as #rrggbb. The names say what a colour is for; page.css, the
// still pictures and the live charts all refer to them, so that a colour is decided here and nowhere else.
type ink struct{ light, dark string }

// palette is warm paper and copper by day, a lamp-lit shop by night. A test computes the contrast of every pair that meets
// (WCAG 2.2: text 4.5, parts of a picture 3).
var palette = map[string]ink{
	"page":   {"#f5eee3", "#1a1613"}, // behind everything
	"card":   {"#fffdf8", "#26211d"}, // behind a panel
	"ink":    {"#2d251e", "#f3eade"}, // text
	"soft":   {"#65574a", "#c2b3a2"}, // lesser text, scales
	"rule":   {"#d9ccbb", "#4d4239"}, // decorative lines
	"grid":   {"#ebe2d5", "#3a322b"}, // lines behind a picture
	"line":   {"#175a61", "#7fc8c9"}, // the estimate and its band
	"edge":   {"#55702f", "#a6bf83"}, // the window's limits
	"window": {"#b9cc94", "#7d9a58"}, // the window's ground, laid on thinly
	"read":   {"#2d251e", "#f3eade"}, // a reading in use
	"off":    {"#7d4f79", "#d4a9cf"}, // a reading that is not in use
	"add":    {"#a5430c", "#f2a26c"}, // an addition
	"bail":   {"#2a5aa0", "#a0bdf2"}, // a bail-out
	"treat":  {"#66489b", "#c6adf2"}, // a treatment
	"other":  {"#5f5a2a", "#d0c778"}, // any other mark
	"bar":    {"#8d6a2f", "#d3ae6a"}, // charge
	"now":    {"#9b2717", "#ffa290"}, // due now
	"soon":   {"#7d5200", "#efc46e"}, // due soon
	"later":  {"#46583b", "#b8caa8"}, // worth knowing
}

const (
	bandOpacity   = 0.22 // of "line" over what lies below it
	fanOpacity    = 0.12 // the same of what is to come
	windowOpacity = 0.30 // of "window" over "card"
)

// paletteCSS declares the colours for light, for dark, and for paper, which is always light.
func paletteCSS() string {
	names := make([]string, 0, len(palette))
	for name := range palette {
		names = append(names, name)
	}
	sort.Strings(names)
	var light, dark strings.Builder
	for _, name := range names {
		light.WriteString("--" + name + ":" + palette[name].light + ";")
		dark.WriteString("--" + name + ":" + palette[name].dark + ";")
	}
	return ":root{color-scheme:light dark;" + light.String() + "}\n" +
		"@media (prefers-color-scheme:dark){:root{" + dark.String() + "}}\n" +
		"@media print{:root{color-scheme:light;" + light.String() + "}}\n"
}

// shape is the outline of a mark around its middle, in an area of 12 by 12 pixels; hollow ones are filled with the ground.
type shape struct {
	path, ink string
	hollow    bool
	size      int
	words     string
}

var (
	readingStates = []string{ReadingUsed, ReadingHeld, ReadingDropped, ReadingVoid}
	markShapes    = []string{MarkAdd, MarkBail, MarkTreat, "other"}
)

// shapes differ in outline and not in colour alone.
var shapes = map[string]shape{
	ReadingUsed:    {"M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z", "read", false, 8, "reading in use"},
	ReadingHeld:    {"M0-6L6 0L0 6L-6 0z", "off", true, 12, "held back until another reading bears it out"},
	ReadingDropped: {"M-4.5-4.5H4.5V4.5H-4.5z", "off", true, 9, "left out: another reading spoke against it"},
	ReadingVoid:    {"M-5-3.5L-3.5-5L0-1.5L3.5-5L5-3.5L1.5 0L5 3.5L3.5 5L0 1.5L-3.5 5L-5 3.5L-1.5 0z", "off", false, 10, "voided"},
	MarkAdd:        {"M0-5.5L5.5 4.5H-5.5z", "add", false, 11, "addition"},
	MarkBail:       {"M0 5.5L5.5-4.5H-5.5z", "bail", false, 11, "bail-out"},
	MarkTreat:      {"M-1.7-5.5H1.7V-1.7H5.5V1.7H1.7V5.5H-1.7V1.7H-5.5V-1.7H-1.7z", "treat", false, 11, "treatment"},
	"other":        {"M-5-3H5V3H-5z", "other", false, 10, "other mark"},
}

// shapeDefs declares the shapes once for all still pictures and for the key.
func shapeDefs() template.HTML {
	var b strings.Builder
	b.WriteString(`<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>`)
	for _, name := range append(append([]string(nil), readingStates...), markShapes...) {
		s := shapes[name]
		fill, stroke := "var(--"+s.ink+")", "var(--card)"
		width := "1"
		if s.hollow {
			fill, stroke, width = "var(--card)", "var(--"+s.ink+")", "1.75"
		}
		b.WriteString(`<path id="s-` + name + `" d="` + s.path + `" style="fill:` + fill + `;stroke:` + stroke + `;stroke-width:` + width + `"/>`)
	}
	b.WriteString(`</defs></svg>`)
	return template.HTML(b.String())
}

// keyEntry explains one sign of the pictures.
type keyEntry struct{ Sign, Words string }

// keyOf lists the signs that occur on this page.
func keyOf(views []*panelView, charge *chargeView) []keyEntry {
	var key []keyEntry
	var estimate, fan, window, target, bars bool
	seen := map[string]bool{}
	for _, v := range views {
		estimate = estimate || len(v.Estimate) > 0
		fan = fan || len(v.Fan) > 1
		window = window || finite(v.Low) || finite(v.High)
		target = target || finite(v.Target)
		for state, list := range v.readings {
			seen[state] = true
			for _, r := range list {
				bars = bars || barHalf(r.Reading) > 0
			}
		}
		for kind := range v.marks {
			seen[kind] = true
		}
	}
	add := func(yes bool, sign, words string) {
		if yes {
			key = append(key, keyEntry{sign, words})
		}
	}
	add(estimate, "estimate", "estimate, in its band of 90 %")
	add(fan, "fan", "to come if nothing but water is added: as likely above as below, in its band of 90 %")
	add(window, "window", "window")
	add(target, "target", "target")
	add(bars, "bar", "bar of a reading: 90 %, that is 1.645 u to either side")
	for _, name := range append(append([]string(nil), readingStates...), markShapes...) {
		add(seen[name], name, shapes[name].words)
	}
	add(len(charge.bars) > 0, "passed", "charge per "+charge.Per+", scale at the left")
	add(len(charge.bars) > 0, "sum", "charge passed since the left edge, scale at the right")
	return key
}
