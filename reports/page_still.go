package reports

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"
)

// stillPicture is an inline SVG: what stands where scripts do not run, and on paper.
type stillPicture = template.HTML

// The pictures have no viewBox: places are percentages of whatever room there is and letters keep their size, so that the same
// picture can be read on a phone and on a wall. Only lines and areas, which cannot be given in percentages, lie in an inner
// picture that is stretched; its strokes do not stretch.
const (
	stillWide = 4000
	stillTall = 1000
	// denseSigns is the number of signs of a kind above which they are drawn as dots.
	denseSigns = 1000
	// titledFacts is the number of signs up to which each carries its text for the pointer; the tables have them all anyway.
	titledFacts = 300
)

func percent(fraction float64) string {
	return strconv.FormatFloat(math.Round(fraction*1e4)/100, 'f', -1, 64) + "%"
}

func inner(across, down float64) string {
	return strconv.Itoa(int(math.Round(across*stillWide))) + " " + strconv.Itoa(int(math.Round(down*stillTall)))
}

func openStill(b *strings.Builder, id, class string) {
	fmt.Fprintf(b, `<svg class="picture %s" width="100%%" height="240" role="img" aria-labelledby="%s-name" aria-describedby="%s-text">`, class, id, id)
}

func drawTicks(b *strings.Builder, c pageClock) {
	b.WriteString(`<g class="across">`)
	for _, t := range timeTicks(c) {
		class := ""
		if t.spare {
			class = ` class="spare"`
		}
		x := percent(t.across)
		fmt.Fprintf(b, `<line x1="%s" x2="%s" y1="0" y2="100%%"/><text%s x="%s" y="100%%" dy="17">%s</text>`, x, x, class, x, t.label)
	}
	b.WriteString(`</g>`)
}

func drawGrid(b *strings.Builder, from, to, step float64, down func(float64) float64, label func(float64) string) {
	b.WriteString(`<g class="up">`)
	for i := 0; i <= int(math.Round((to-from)/step)); i++ {
		y := from + float64(i)*step
		at := percent(down(y))
		fmt.Fprintf(b, `<line x1="0" x2="100%%" y1="%s" y2="%s"/><text x="-7" y="%s" dy="4">%s</text>`, at, at, at, label(y))
	}
	b.WriteString(`</g>`)
}

func still(v *panelView) stillPicture {
	var b strings.Builder
	openStill(&b, v.ID, "panel-picture")
	drawTicks(&b, v.clock)
	drawGrid(&b, v.floor(), v.high, v.step, v.down, v.tickLabel)
	fmt.Fprintf(&b, `<svg viewBox="0 0 %d %d" preserveAspectRatio="none" width="100%%" height="100%%">`, stillWide, stillTall)
	if finite(v.Low) && finite(v.High) {
		top, bottom := v.down(v.High), v.down(v.Low)
		fmt.Fprintf(&b, `<path class="window" d="M%sH%dV%dH0z"/>`, inner(0, top), stillWide, int(math.Round(bottom*stillTall)))
	}
	v.drawBand(&b, "", v.place(thinPoints(v.Estimate, thinStill)))
	v.drawBand(&b, " fan", v.fan)
	v.drawDense(&b)
	b.WriteString(`</svg>`)
	drawNow(&b, v.clock)
	for _, l := range v.limits() {
		at := percent(v.down(l.y))
		fmt.Fprintf(&b, `<line class="limit %s" x1="0" x2="100%%" y1="%s" y2="%s"/><text class="limit-name" x="100%%" y="%s" dx="5" dy="4">%s</text>`,
			l.name, at, at, at, l.text)
	}
	titled := len(v.facts) <= titledFacts
	for i := len(readingStates) - 1; i >= 0; i-- {
		state := readingStates[i]
		list := v.readings[state]
		if len(list) == 0 || len(list) > denseSigns {
			continue
		}
		fmt.Fprintf(&b, `<g class="reading %s">`, state)
		for _, r := range list {
			if r.barH > r.barLow {
				x := percent(v.clock.across(r.wall))
				fmt.Fprintf(&b, `<line x1="%s" x2="%s" y1="%s" y2="%s"/>`, x, x, percent(v.down(r.barLow)), percent(v.down(r.barH)))
			}
		}
		for _, r := range list {
			drawSign(&b, state, v.clock.across(r.wall), v.down(r.y), r.text, titled)
		}
		b.WriteString(`</g>`)
	}
	for _, kind := range markShapes {
		if list := v.marks[kind]; len(list) > 0 && len(list) <= denseSigns {
			fmt.Fprintf(&b, `<g class="mark %s">`, kind)
			for _, m := range list {
				drawSign(&b, kind, v.clock.across(m.wall), v.down(v.lane), m.text, titled)
			}
			b.WriteString(`</g>`)
		}
	}
	b.WriteString(`</svg>`)
	return stillPicture(b.String())
}

// drawDense draws the signs of a kind that are so many that their outlines could not be told apart: as dots, one for all that lie
// within a tenth of a millimetre of each other on a sheet, with one bar for all bars of such a breadth.
func (v *panelView) drawDense(b *strings.Builder) {
	const fine = 2 // of the inner picture's units
	type dot struct{ x, y int }
	dots := func(class string, n int, at func(i int) (wall int64, y float64)) {
		seen := map[dot]bool{}
		fmt.Fprintf(b, `<path class="dots %s" d="`, class)
		last := dot{}
		for i := range n {
			wall, y := at(i)
			d := dot{int(math.Round(v.clock.across(wall)*stillWide)) / fine * fine, int(math.Round(v.down(y)*stillTall)) / fine * fine}
			if seen[d] {
				continue
			}
			seen[d] = true
			fmt.Fprintf(b, "m%d %dh0", d.x-last.x, d.y-last.y)
			last = d
		}
		b.WriteString(`"/>`)
	}
	for i := len(readingStates) - 1; i >= 0; i-- {
		state := readingStates[i]
		list := v.readings[state]
		if len(list) <= denseSigns {
			continue
		}
		fmt.Fprintf(b, `<g class="reading %s"><path d="`, state)
		for k := 0; k < len(list); {
			x := int(math.Round(v.clock.across(list[k].wall)*stillWide)) / fine * fine
			low, high, any := math.Inf(1), math.Inf(-1), false
			for ; k < len(list) && int(math.Round(v.clock.across(list[k].wall)*stillWide))/fine*fine == x; k++ {
				if r := list[k]; r.barH > r.barLow {
					low, high, any = min(low, r.barLow), max(high, r.barH), true
				}
			}
			if any {
				fmt.Fprintf(b, "M%d %dV%d", x, int(math.Round(v.down(high)*stillTall)), int(math.Round(v.down(low)*stillTall)))
			}
		}
		b.WriteString(`"/></g>`)
		dots(state, len(list), func(i int) (int64, float64) { return list[i].wall, list[i].y })
	}
	for _, kind := range markShapes {
		if list := v.marks[kind]; len(list) > denseSigns {
			dots(kind, len(list), func(i int) (int64, float64) { return list[i].wall, v.lane })
		}
	}
}

// drawBand draws a line in its band. A line that leaves the picture ends where it does.
func (v *panelView) drawBand(b *strings.Builder, class string, points []viewPoint) {
	if len(points) == 0 {
		return
	}
	var there, back, line strings.Builder
	drawn := 0
	for i, e := range points {
		x := v.clock.across(e.wall)
		there.WriteString(pathStep(i) + inner(x, v.down(v.onPicture(e.high))))
		if e.value >= v.floor() && e.value <= v.high {
			line.WriteString(pathStep(drawn) + inner(x, v.down(e.value)))
			drawn++
		}
	}
	for i := len(points) - 1; i >= 0; i-- {
		e := points[i]
		back.WriteString(pathStep(len(points)-1-i) + inner(v.clock.across(e.wall), v.down(v.onPicture(e.low))))
	}
	fmt.Fprintf(b, `<path class="band%s" d="%sL%sz"/><path class="band-edge%s" d="%s%s"/><path class="estimate%s" d="%s"/>`,
		class, there.String(), strings.TrimPrefix(back.String(), "M"), class, there.String(), back.String(), class, line.String())
}

// drawNow draws the line at the moment that is told of.
func drawNow(b *strings.Builder, c pageClock) {
	if wall, ok := c.now(); ok {
		x := percent(c.across(wall))
		fmt.Fprintf(b, `<line class="now-line" x1="%s" x2="%s" y1="0" y2="100%%"/><text class="now-word" x="%s" y="-3">%s</text>`, x, x, x, nowWord)
	}
}

func pathStep(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

func drawSign(b *strings.Builder, name string, across, down float64, text string, titled bool) {
	fmt.Fprintf(b, `<use href="#s-%s" x="%s" y="%s"`, name, percent(across), percent(down))
	if titled {
		b.WriteString(`><title>` + html.EscapeString(text) + `</title></use>`)
		return
	}
	b.WriteString(`/>`)
}

// limit is one line of the window. Its text stands at the right edge, outside the picture, where nothing can cover it.
type limit struct {
	name, text string
	y          float64
}

func (v *panelView) limits() []limit {
	var out []limit
	for _, l := range []limit{{"low", "", v.Low}, {"target", "", v.Target}, {"high", "", v.High}} {
		if !finite(l.y) {
			continue
		}
		l.text = shortest(l.y)
		// Two names within a line's height of each other cannot both be read; the window's matter more than the target's.
		if l.name == "target" && (math.Abs(v.down(v.Low)-v.down(l.y)) < 0.06 || math.Abs(v.down(v.High)-v.down(l.y)) < 0.06) {
			l.text = ""
		}
		out = append(out, l)
	}
	return out
}

func stillCharge(c *chargeView) stillPicture {
	var b strings.Builder
	openStill(&b, c.ID, "charge-picture")
	drawTicks(&b, c.clock)
	down := func(y float64) float64 { return 1 - y/c.high }
	drawGrid(&b, 0, c.high, c.step, down, func(y float64) string { return number(y, stepDecimals(c.step)) })
	fmt.Fprintf(&b, `<svg viewBox="0 0 %d %d" preserveAspectRatio="none" width="100%%" height="100%%"><path class="bars" d="`, stillWide, stillTall)
	half := c.width.Milliseconds() * 2 / 5
	for _, bar := range c.bars {
		if bar.ah > 0 {
			left, right := c.clock.across(bar.wall-half), c.clock.across(bar.wall+half)
			fmt.Fprintf(&b, "M%sV%dH%dV%dz", inner(left, 1), int(math.Round(down(bar.ah)*stillTall)), int(math.Round(right*stillWide)), stillTall)
		}
	}
	b.WriteString(`"/>`)
	if len(c.bars) > 0 {
		b.WriteString(`<path class="estimate sum" d="`)
		for i, s := range c.sums {
			b.WriteString(pathStep(i) + inner(c.clock.across(s.wall), 1-s.value/c.top))
		}
		b.WriteString(`"/>`)
	}
	b.WriteString(`</svg>`)
	drawNow(&b, c.clock)
	if len(c.bars) > 0 {
		b.WriteString(`<g class="right">`)
		for i := 0; i <= int(math.Round(c.top/c.rise)); i++ {
			y := float64(i) * c.rise
			fmt.Fprintf(&b, `<text x="100%%" dx="7" y="%s" dy="4">%s</text>`, percent(1-y/c.top), number(y, stepDecimals(c.rise)))
		}
		b.WriteString(`</g>`)
	}
	b.WriteString(`</svg>`)
	return stillPicture(b.String())
}
