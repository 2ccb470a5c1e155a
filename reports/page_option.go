package reports

import (
	"encoding/json"
	"html/template"
	"math"
	"strconv"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"
	"github.com/go-echarts/go-echarts/v2/types"
)

// scriptData is JSON that encoding/json has made safe inside a script element: <, >, & and the two line separators that
// JavaScript once stumbled over are escaped, so that no text can end the element.
type scriptData = template.JS

// liveChart is what page.js reads. Colours in Option are "@" and a name of the palette: the script looks them up in the style
// sheet, so that a chart follows the reader's change from light to dark. Nothing in it is code, and nothing is ever read as HTML.
type liveChart struct {
	Name     string         `json:"name"`
	Unit     string         `json:"unit"`
	Decimals int            `json:"decimals"`
	Option   map[string]any `json:"option"`
	Facts    [][2]any       `json:"facts"`
	Now      int64          `json:"now,omitempty"` // wall time of the moment that is told of, where something is drawn after it
}

func toScript(c liveChart) (scriptData, error) {
	text, err := json.Marshal(c)
	return scriptData(text), err
}

// estimateRows is the chart's dataset: wall time, estimate, lower end of the interval, width of the interval. Six digits are
// more than any screen or balance resolves and keep ten years small.
type estimateRows []viewPoint

// MarshalJSON writes an array of arrays. It is here because a []any a point costs several times the time.
func (rows estimateRows) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 48*len(rows)+2)
	b = append(b, '[')
	for i, r := range rows {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, '[')
		b = strconv.AppendInt(b, r.wall, 10)
		for _, x := range [...]float64{r.value, r.low, r.high - r.low} {
			b = append(b, ',')
			b = strconv.AppendFloat(b, x, 'g', 6, 64)
		}
		b = append(b, ']')
	}
	return append(b, ']'), nil
}

// spot is a place in a chart: wall time and value, the value NaN where a line has a gap. A plain pair of numbers is a third
// the length of go-echarts' data types, of which a chart holds thousands.
type spot struct {
	wall  int64
	value float64
}

// MarshalJSON writes an array of two.
func (s spot) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 32)
	b = append(b, '[')
	b = strconv.AppendInt(b, s.wall, 10)
	b = append(b, ',')
	if math.IsNaN(s.value) {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendFloat(b, s.value, 'g', 6, 64)
	}
	return append(b, ']'), nil
}

// wideSeries adds what go-echarts' series lack.
type wideSeries struct {
	charts.SingleSeries
	Z             int    `json:"z,omitempty"`
	Silent        bool   `json:"silent,omitempty"`
	StackStrategy string `json:"stackStrategy,omitempty"`
	DatasetIndex  int    `json:"datasetIndex,omitempty"`
	BarMinWidthPx int    `json:"barMinWidth,omitempty"`
}

type wideYAxis struct {
	opts.YAxis
	Interval float64 `json:"interval"`
}

type wideZoom struct {
	opts.DataZoom
	ZoomOnMouseWheel        string `json:"zoomOnMouseWheel"`
	MoveOnMouseWheel        bool   `json:"moveOnMouseWheel"`
	PreventDefaultMouseMove bool   `json:"preventDefaultMouseMove"`
}

func paint(name string) string { return "@" + name }

// liveOption is what panels and charge have in common; series and vertical axis differ.
func liveOption(c pageClock, series []wideSeries, axes ...wideYAxis) map[string]any {
	chart := charts.NewLine()
	chart.Colors = []string{paint("line")}
	chart.SetGlobalOptions(
		charts.WithAnimation(false),
		charts.WithLegendOpts(opts.Legend{Show: opts.Bool(false)}),
		charts.WithTooltipOpts(opts.Tooltip{
			Show: opts.Bool(true), Trigger: "axis", BackgroundColor: paint("card"), BorderColor: paint("rule"),
			AxisPointer: &opts.AxisPointer{Type: "line"},
		}),
		charts.WithGridOpts(opts.Grid{Left: "46", Right: "40", Top: "18", Bottom: "28"}),
		charts.WithXAxisOpts(opts.XAxis{
			Type: "time", Min: c.wall(c.from), Max: c.wall(c.to),
			AxisLine:  &opts.AxisLine{Show: opts.Bool(true), LineStyle: &opts.LineStyle{Color: paint("rule")}},
			AxisTick:  &opts.AxisTick{Show: opts.Bool(false)},
			AxisLabel: &opts.AxisLabel{Color: paint("soft"), FontSize: 12, HideOverlap: opts.Bool(true)},
			SplitLine: &opts.SplitLine{Show: opts.Bool(true), LineStyle: &opts.LineStyle{Color: paint("grid")}},
		}),
	)
	option := chart.JSON()
	for i := range axes {
		axes[i].Type = "value"
		axes[i].SplitLine = &opts.SplitLine{Show: opts.Bool(i == 0), LineStyle: &opts.LineStyle{Color: paint("grid")}}
	}
	option["yAxis"] = axes
	option["series"] = series
	// The wheel alone scrolls the page, and a finger drags it; only with ctrl, or with two fingers, does a chart zoom.
	option["dataZoom"] = []wideZoom{{
		DataZoom:         opts.DataZoom{Type: "inside", XAxisIndex: 0, FilterMode: "none"},
		ZoomOnMouseWheel: "ctrl",
	}}
	option["useUTC"] = true
	return option
}

func panelData(v *panelView) (scriptData, error) {
	dim := func(y int) *opts.Encode { return &opts.Encode{X: 0, Y: y} }
	var series []wideSeries
	band := func(name, line string, dataset int, opacity float32) {
		for i, of := range []string{"lower end of 90 %", "band of 90 %"} {
			s := wideSeries{
				SingleSeries: charts.SingleSeries{Name: of + name, Type: types.ChartLine, ShowSymbol: opts.Bool(false), Symbol: "none", Encode: dim(2 + i),
					Stack: "band" + name, LineStyle: &opts.LineStyle{Color: paint("line"), Width: 1, Opacity: opts.Float(0.75), Type: line}},
				Silent: true, Z: 3, StackStrategy: "all", DatasetIndex: dataset}
			if i == 1 {
				s.AreaStyle = &opts.AreaStyle{Color: paint("line"), Opacity: opts.Float(opacity)}
			}
			series = append(series, s)
		}
	}
	if len(v.points) > 0 {
		band("", "", 0, bandOpacity)
	}
	if len(v.fan) > 0 {
		band(", to come", "dashed", 1, fanOpacity)
		series = append(series, wideSeries{SingleSeries: charts.SingleSeries{Name: "to come", Type: types.ChartLine, ShowSymbol: opts.Bool(false),
			Symbol: "none", Encode: dim(1), LineStyle: &opts.LineStyle{Color: paint("line"), Width: 2, Type: "dashed"}}, Z: 4, DatasetIndex: 1})
	}
	estimate := wideSeries{SingleSeries: charts.SingleSeries{Name: "estimate", Type: types.ChartLine,
		ShowSymbol: opts.Bool(false), Symbol: "none", Encode: dim(1), LineStyle: &opts.LineStyle{Color: paint("line"), Width: 2.5}}, Z: 4}
	estimate.MarkLines = &opts.MarkLines{MarkLineStyle: opts.MarkLineStyle{Symbol: []string{"none", "none"}}}
	for _, l := range v.limits() {
		kind := "dashed"
		if l.name == "target" {
			kind = "dotted"
		}
		estimate.MarkLines.Data = append(estimate.MarkLines.Data, map[string]any{
			"yAxis":     l.y,
			"lineStyle": opts.LineStyle{Color: paint("edge"), Type: kind, Width: 1.25},
			"label":     opts.Label{Show: opts.Bool(l.text != ""), Color: paint("edge"), Position: "end", Formatter: l.text, FontSize: 12},
		})
	}
	nowLine(&estimate, v.clock)
	if finite(v.Low) && finite(v.High) {
		estimate.MarkAreas = &opts.MarkAreas{
			Data:          []any{[]any{map[string]any{"yAxis": v.Low}, map[string]any{"yAxis": v.High}}},
			MarkAreaStyle: opts.MarkAreaStyle{ItemStyle: &opts.ItemStyle{Color: paint("window"), Opacity: opts.Float(windowOpacity)}},
		}
	}
	series = append(series, estimate)
	for i := len(readingStates) - 1; i >= 0; i-- {
		series = append(series, readingSeries(readingStates[i], v.readings[readingStates[i]])...)
	}
	for _, kind := range markShapes {
		if list := v.marks[kind]; len(list) > 0 {
			data := make([]spot, len(list))
			for i, m := range list {
				data[i] = spot{m.wall, v.lane}
			}
			series = append(series, signSeries(kind, data))
		}
	}
	axis := wideYAxis{YAxis: opts.YAxis{Min: v.low, Max: v.high, AxisLabel: &opts.AxisLabel{
		Color: paint("soft"), FontSize: 12, ShowMinLabel: opts.Bool(math.IsNaN(v.lane)), ShowMaxLabel: opts.Bool(true)}}, Interval: v.step}
	option := liveOption(v.clock, series, axis)
	option["dataset"] = []opts.Dataset{{Source: estimateRows(v.points)}, {Source: estimateRows(v.fan)}}
	chart := liveChart{Name: v.Name, Unit: v.Unit, Decimals: v.decimals, Option: option, Facts: [][2]any{}}
	if wall, ok := v.clock.now(); ok {
		chart.Now = wall
	}
	for _, f := range v.facts {
		chart.Facts = append(chart.Facts, [2]any{f.wall, f.text})
	}
	return toScript(chart)
}

// nowLine draws a line at the moment that is told of, where what is to come lies beyond it.
func nowLine(s *wideSeries, c pageClock) {
	wall, ok := c.now()
	if !ok {
		return
	}
	if s.MarkLines == nil {
		s.MarkLines = &opts.MarkLines{MarkLineStyle: opts.MarkLineStyle{Symbol: []string{"none", "none"}}}
	}
	s.MarkLines.Data = append(s.MarkLines.Data, map[string]any{
		"xAxis":     wall,
		"lineStyle": opts.LineStyle{Color: paint("soft"), Type: "solid", Width: 1},
		"label":     opts.Label{Show: opts.Bool(true), Color: paint("soft"), Position: "end", Formatter: nowWord, FontSize: 12},
	})
}

// nowWord stands at that line.
const nowWord = "now"

// readingSeries draws the error bars of one kind of reading as a line with gaps, then the readings over them.
func readingSeries(state string, list []placedReading) []wideSeries {
	if len(list) == 0 {
		return nil
	}
	var bars []spot
	data := make([]spot, len(list))
	for i, r := range list {
		data[i] = spot{r.wall, r.y}
		if r.barH > r.barLow {
			bars = append(bars, spot{r.wall, r.barLow}, spot{r.wall, r.barH}, spot{r.wall, math.NaN()})
		}
	}
	signs := signSeries(state, data)
	if len(bars) == 0 {
		return []wideSeries{signs}
	}
	line := wideSeries{SingleSeries: charts.SingleSeries{Name: state + ", 90 %", Type: types.ChartLine, Data: bars, ShowSymbol: opts.Bool(false),
		Symbol: "none", LineStyle: &opts.LineStyle{Color: paint(shapes[state].ink), Width: 1.25}}, Silent: true, Z: 5}
	return []wideSeries{line, signs}
}

func signSeries(name string, data []spot) wideSeries {
	s := shapes[name]
	style := &opts.ItemStyle{Color: paint(s.ink), BorderColor: paint("card"), BorderWidth: 1, Opacity: opts.Float(1)}
	if s.hollow {
		style = &opts.ItemStyle{Color: paint("card"), BorderColor: paint(s.ink), BorderWidth: 1.75, Opacity: opts.Float(1)}
	}
	return wideSeries{SingleSeries: charts.SingleSeries{Name: name, Type: types.ChartScatter, Data: data, Symbol: "path://" + s.path,
		SymbolKeepAspect: opts.Bool(true), SymbolSize: s.size, ItemStyle: style}, Z: 6}
}

func chargeData(c *chargeView) (scriptData, error) {
	data := make([]spot, len(c.bars))
	chart := liveChart{Name: "charge per " + c.Per, Unit: "Ah", Decimals: 1, Facts: [][2]any{}}
	for i, b := range c.bars {
		data[i] = spot{b.wall, b.ah}
		chart.Facts = append(chart.Facts, [2]any{b.wall, b.text})
	}
	series := []wideSeries{{SingleSeries: charts.SingleSeries{Name: "charge", Type: types.ChartBar, Data: data, BarMaxWidth: "18",
		ItemStyle: &opts.ItemStyle{Color: paint("bar")}}, BarMinWidthPx: 1}}
	nowLine(&series[0], c.clock)
	series = append(series, wideSeries{SingleSeries: charts.SingleSeries{Name: "passed since the left edge", Type: types.ChartLine, Data: c.sums, YAxisIndex: 1,
		ShowSymbol: opts.Bool(false), Symbol: "none", LineStyle: &opts.LineStyle{Color: paint("line"), Width: 2}}, Silent: true, Z: 4})
	axis := func(top, step float64) wideYAxis {
		return wideYAxis{YAxis: opts.YAxis{Min: 0, Max: top, AxisLabel: &opts.AxisLabel{
			Color: paint("soft"), FontSize: 12, ShowMinLabel: opts.Bool(true), ShowMaxLabel: opts.Bool(true)}}, Interval: step}
	}
	chart.Option = liveOption(c.clock, series, axis(c.high, c.step), axis(c.top, c.rise))
	return toScript(chart)
}
