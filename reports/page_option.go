package reports

import (
	"cmp"
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
//
// The series in Option are empty: the script fills them, by their names, from the columns below, which are a tenth as long as what
// the chart library wants. A column is one string, its cells parted by spaces; times are seconds, the first since 1970 on the bath's
// clock, each other one since the one before it.
type liveChart struct {
	Name     string           `json:"name"`
	Unit     string           `json:"unit"`
	Noun     string           `json:"noun,omitempty"`
	Decimals int              `json:"decimals"`
	Option   map[string]any   `json:"option"`
	Now      int64            `json:"now,omitempty"` // wall time of the moment that is told of, where something is drawn after it
	Past     *lineColumns     `json:"past,omitempty"`
	Ahead    *lineColumns     `json:"ahead,omitempty"`
	Readings []readingColumns `json:"readings,omitempty"`
	Marks    []markColumns    `json:"marks,omitempty"`
	Bars     *barColumns      `json:"bars,omitempty"`
	Floor    float64          `json:"floor"` // what lies below is drawn here, and what lies above Top there
	Top      float64          `json:"top"`
	Lane     float64          `json:"lane"`   // where marks stand
	Factor   float64          `json:"factor"` // of u, to either side: the bar of a reading
}

// lineColumns is an estimate: value, lower end of its interval, width of its interval.
type lineColumns struct {
	T     column `json:"t"`
	Value column `json:"value"`
	Low   column `json:"low"`
	Width column `json:"width"`
}

// readingColumns are the readings of one state. Value and U are as they are shown; U is "-" where there is none.
type readingColumns struct {
	State string            `json:"state"`
	T     column            `json:"t"`
	Value column            `json:"value"`
	U     column            `json:"u"`
	Notes map[string]string `json:"notes"` // by place, for those that have one
}

// markColumns are the marks of one shape; Text is a place in Texts.
type markColumns struct {
	Shape string   `json:"shape"`
	T     column   `json:"t"`
	Text  column   `json:"text"`
	Texts []string `json:"texts"`
}

// barColumns are the bars of the charge, each the day that it begins with and its ampere-hours.
type barColumns struct {
	T    column `json:"t"`
	Ah   column `json:"ah"`
	Days int    `json:"days"` // that a bar is for
}

// column is a list of cells in one string.
type column string

// columnWriter writes a column.
type columnWriter struct {
	b    []byte
	last int64
}

func (w *columnWriter) next() {
	if len(w.b) > 0 {
		w.b = append(w.b, ' ')
	}
}

func (w *columnWriter) text(s string) {
	w.next()
	w.b = append(w.b, s...)
}

// time adds a wall time in milliseconds.
func (w *columnWriter) time(wall int64) {
	w.next()
	t := floorDiv(wall, 1000)
	w.b = strconv.AppendInt(w.b, t-w.last, 10)
	w.last = t
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// number adds a value with six digits, more than any screen or balance resolves.
func (w *columnWriter) number(x float64) {
	w.next()
	w.b = strconv.AppendFloat(w.b, x, 'g', 6, 64)
}

func (w *columnWriter) column() column { return column(w.b) }

func columnsOf(points []viewPoint) *lineColumns {
	if len(points) == 0 {
		return nil
	}
	var t, value, low, width columnWriter
	for _, p := range points {
		t.time(p.wall)
		value.number(p.value)
		low.number(p.low)
		width.number(p.high - p.low)
	}
	return &lineColumns{t.column(), value.column(), low.column(), width.column()}
}

func toScript(c liveChart) (scriptData, error) {
	text, err := json.Marshal(c)
	return scriptData(text), err
}

// spot is a place in a picture: wall time and value.
type spot struct {
	wall  int64
	value float64
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
	chart := liveChart{Name: v.Name, Unit: v.Unit, Noun: v.Noun, Decimals: v.decimals, Past: columnsOf(v.points), Ahead: columnsOf(v.fan),
		Floor: v.floor(), Top: v.high, Factor: barFactor}
	if !math.IsNaN(v.lane) {
		chart.Lane = v.lane
	}
	for i := len(readingStates) - 1; i >= 0; i-- {
		if list := v.readings[readingStates[i]]; len(list) > 0 {
			chart.Readings = append(chart.Readings, readingsInColumns(readingStates[i], list))
			series = append(series, readingSeries(readingStates[i])...)
		}
	}
	for _, kind := range markShapes {
		if list := v.marks[kind]; len(list) > 0 {
			chart.Marks = append(chart.Marks, marksInColumns(kind, list))
			series = append(series, signSeries(kind))
		}
	}
	axis := wideYAxis{YAxis: opts.YAxis{Min: v.low, Max: v.high, AxisLabel: &opts.AxisLabel{
		Color: paint("soft"), FontSize: 12, ShowMinLabel: opts.Bool(math.IsNaN(v.lane)), ShowMaxLabel: opts.Bool(true)}}, Interval: v.step}
	chart.Option = liveOption(v.clock, series, axis)
	if wall, ok := v.clock.now(); ok {
		chart.Now = wall
	}
	return toScript(chart)
}

func readingsInColumns(state string, list []placedReading) readingColumns {
	var t, value, spread columnWriter
	out := readingColumns{State: state, Notes: map[string]string{}}
	for i, r := range list {
		t.time(r.wall)
		value.text(r.value)
		spread.text(cmp.Or(r.u, "-"))
		if r.note != "" {
			out.Notes[strconv.Itoa(i)] = r.note
		}
	}
	out.T, out.Value, out.U = t.column(), value.column(), spread.column()
	return out
}

func marksInColumns(shape string, list []placedMark) markColumns {
	var t, text columnWriter
	out := markColumns{Shape: shape, Texts: []string{}}
	places := map[string]int{}
	for _, m := range list {
		place, known := places[m.text]
		if !known {
			place = len(out.Texts)
			places[m.text] = place
			out.Texts = append(out.Texts, m.text)
		}
		t.time(m.wall)
		text.text(strconv.Itoa(place))
	}
	out.T, out.Text = t.column(), text.column()
	return out
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
func readingSeries(state string) []wideSeries {
	return []wideSeries{{SingleSeries: charts.SingleSeries{Name: state + barsOf, Type: types.ChartLine, ShowSymbol: opts.Bool(false),
		Symbol: "none", LineStyle: &opts.LineStyle{Color: paint(shapes[state].ink), Width: 1.25}}, Silent: true, Z: 5}, signSeries(state)}
}

// barsOf ends the name of a series of error bars.
const barsOf = ", 90 %"

func signSeries(name string) wideSeries {
	s := shapes[name]
	style := &opts.ItemStyle{Color: paint(s.ink), BorderColor: paint("card"), BorderWidth: 1, Opacity: opts.Float(1)}
	if s.hollow {
		style = &opts.ItemStyle{Color: paint("card"), BorderColor: paint(s.ink), BorderWidth: 1.75, Opacity: opts.Float(1)}
	}
	return wideSeries{SingleSeries: charts.SingleSeries{Name: name, Type: types.ChartScatter, Symbol: "path://" + s.path,
		SymbolKeepAspect: opts.Bool(true), SymbolSize: s.size, ItemStyle: style}, Z: 6}
}

func chargeData(c *chargeView) (scriptData, error) {
	chart := liveChart{Name: "charge per " + c.Per, Unit: "Ah", Decimals: 1, Top: c.high}
	if len(c.bars) > 0 {
		var t, ah columnWriter
		for _, b := range c.bars {
			t.time(b.start)
			ah.text(strconv.FormatFloat(math.Round(b.ah*1000)/1000, 'f', -1, 64))
		}
		chart.Bars = &barColumns{t.column(), ah.column(), int(c.width.Hours() / 24)}
	}
	series := []wideSeries{{SingleSeries: charts.SingleSeries{Name: "charge", Type: types.ChartBar, BarMaxWidth: "18",
		ItemStyle: &opts.ItemStyle{Color: paint("bar")}}, BarMinWidthPx: 1}}
	nowLine(&series[0], c.clock)
	series = append(series, wideSeries{SingleSeries: charts.SingleSeries{Name: "sum", Type: types.ChartLine, YAxisIndex: 1,
		ShowSymbol: opts.Bool(false), Symbol: "none", LineStyle: &opts.LineStyle{Color: paint("line"), Width: 2}}, Silent: true, Z: 4})
	axis := func(top, step float64) wideYAxis {
		return wideYAxis{YAxis: opts.YAxis{Min: 0, Max: top, AxisLabel: &opts.AxisLabel{
			Color: paint("soft"), FontSize: 12, ShowMinLabel: opts.Bool(true), ShowMaxLabel: opts.Bool(true)}}, Interval: step}
	}
	chart.Option = liveOption(c.clock, series, axis(c.high, c.step), axis(c.top, c.rise))
	if wall, ok := c.clock.now(); ok {
		chart.Now = wall
	}
	return toScript(chart)
}
