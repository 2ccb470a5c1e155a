package reports

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"
)

const (
	// thinAbove is the number of points above which a line is thinned for the live chart: beyond it drawing takes seconds and
	// a screen has no room to show the difference.
	thinAbove = 3000
	// thinStill is the same for a still picture, which is never wider than a sheet of paper.
	thinStill = 1000
	// barFactor widens a standard uncertainty to a 90 % interval of a normal distribution, the same cover as the band's:
	// JCGM 100:2008 (GUM), table G.2, 90 %, infinitely many degrees of freedom (figure from memory; a test computes it).
	barFactor = 1.645
	// labelled is how many of the newest readings say what else was written down with them; the rest is the history's.
	labelled = 2000
	// tableRows is how many of the newest readings and marks stand in a panel's table; the rest is the history's.
	tableRows = 60
)

// pageClock maps instants to places on the time axis.
type pageClock struct {
	zone     *time.Location
	from, to time.Time
	at       time.Time // the moment that is told of; zero draws no line there
}

// now is the place of that moment between the edges; false where it is not between them or at the right one, where no line is needed.
func (c pageClock) now() (wall int64, ok bool) {
	if c.at.IsZero() || c.at.Before(c.from) || !c.at.Before(c.to) {
		return 0, false
	}
	return c.wall(c.at), true
}

// wall gives what the clock in the shop showed, as the milliseconds that UTC would have at that reading. The charts run on
// UTC, so every date on an axis is the bath's own, whatever zone the reader's machine is in. The hour that autumn repeats is
// drawn twice over the same place.
func (c pageClock) wall(t time.Time) int64 {
	_, offset := t.In(c.zone).Zone()
	return t.UnixMilli() + int64(offset)*1000
}

func (c pageClock) holds(t time.Time) bool { return !t.Before(c.from) && !t.After(c.to) }

// across is the place of a wall time between the left (0) and the right edge (1).
func (c pageClock) across(wall int64) float64 {
	left, right := c.wall(c.from), c.wall(c.to)
	return float64(wall-left) / float64(right-left)
}

// stamp is a moment as shown and as machines read it.
type stamp struct{ Text, Day, Clock, ISO string }

func stampOf(t time.Time, zone *time.Location) stamp {
	local := t.In(zone)
	return stamp{local.Format("2006-01-02 15:04"), local.Format(time.DateOnly), local.Format("15:04"), t.UTC().Format(time.RFC3339)}
}

// panelView is the one description of a panel's picture; the live chart, the still one, the tables and the sentence are all
// made from it.
type panelView struct {
	Panel
	ID                string
	clock             pageClock
	low, high, step   float64 // the vertical axis
	lane              float64 // where marks stand; NaN without marks
	decimals          int
	points            []viewPoint // the estimate, thinned for the live chart
	fan               []viewPoint
	readings          map[string][]placedReading
	marks             map[string][]placedMark
	facts             []viewFact // readings and marks in order of time
	Sentence          string
	NowText, BandText string
	WindowText        string
	Last              *factRow // the newest reading that was not voided
	Rows              []factRow
	RowsRest          int
	EstimateRows      []estimateRow
	FanRows           []estimateRow
	Still             stillPicture
	Data              scriptData
}

type viewPoint struct {
	wall             int64
	value, low, high float64
}

// placedReading is a reading with where it is drawn: one that lies off the picture is drawn at its edge and says so.
type placedReading struct {
	Reading
	wall            int64
	y, barLow, barH float64
	value, u, note  string // as shown; u and note may be empty
	text            string
}

type placedMark struct {
	Mark
	wall int64
	text string
}

type viewFact struct {
	wall int64
	text string
}

type factRow struct {
	When           stamp
	What, Value, U string
	Note, Shape    string
}

type estimateRow struct {
	When             stamp
	Value, Low, High string
}

func viewPanel(p Panel, index int, clock pageClock) (*panelView, error) {
	v := &panelView{Panel: p, ID: "panel-" + strconv.Itoa(index), clock: clock,
		readings: map[string][]placedReading{}, marks: map[string][]placedMark{}}
	if v.Noun == "" {
		v.Noun = "titration"
	}
	v.Estimate, v.Fan, v.Readings, v.Marks = nil, nil, nil, nil
	for _, e := range p.Estimate {
		if clock.holds(e.Time) {
			v.Estimate = append(v.Estimate, e)
		}
	}
	for _, e := range p.Fan {
		if clock.holds(e.Time) {
			v.Fan = append(v.Fan, e)
		}
	}
	for _, r := range p.Readings {
		if clock.holds(r.Time) {
			v.Readings = append(v.Readings, r)
		}
	}
	for _, m := range p.Marks {
		if clock.holds(m.Time) {
			v.Marks = append(v.Marks, m)
		}
	}
	sort.SliceStable(v.Readings, func(i, j int) bool { return v.Readings[i].Time.Before(v.Readings[j].Time) })
	sort.SliceStable(v.Marks, func(i, j int) bool { return v.Marks[i].Time.Before(v.Marks[j].Time) })

	v.scale()
	v.points, v.fan = v.place(thinPoints(v.Estimate, thinAbove)), v.place(thinPoints(v.Fan, thinStill))
	v.placeFacts()
	v.say()
	v.Still = still(v)
	data, err := panelData(v)
	v.Data = data
	return v, err
}

// scale chooses the vertical axis. What must be seen whole: the estimate, the window, and the readings in use with their bars.
// The band may be as wide as any bath could be before the first reading, a mistyped reading may be ten times off, and a bath that
// is left alone for months runs dry of brightener: none of them may press everything else into a line.
func (v *panelView) scale() {
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(values ...float64) {
		for _, x := range values {
			if finite(x) {
				lo, hi = min(lo, x), max(hi, x)
			}
		}
	}
	see(v.Low, v.Target, v.High)
	for _, e := range v.Estimate {
		see(e.Value)
	}
	for _, r := range v.Readings {
		if r.State == ReadingUsed {
			see(r.Value-barHalf(r), r.Value+barHalf(r))
		}
	}
	if lo > hi {
		for _, r := range v.Readings {
			see(r.Value-barHalf(r), r.Value+barHalf(r))
		}
	}
	if lo > hi {
		lo, hi = 0, 1
	}
	if lo == hi {
		pad := max(math.Abs(lo)*0.05, 1e-9)
		lo, hi = lo-pad, hi+pad
	}
	room := hi - lo
	bottom, top := lo, hi
	for _, points := range [][]Point{v.Estimate, v.Fan} {
		for _, e := range points {
			bottom, top = min(bottom, e.Low90), max(top, e.High90)
		}
	}
	for _, r := range v.Readings {
		bottom, top = min(bottom, r.Value), max(top, r.Value)
	}
	v.low, v.high, v.step = niceScale(max(bottom, lo-room/2), min(top, hi+room/2), 5)
	v.decimals = decimalsFor(v.step)
	v.lane = math.NaN()
	if len(v.Marks) > 0 {
		v.low -= v.step
		v.lane = v.low + v.step/2
	}
}

// floor is the lowest value that the picture shows; below it lies the lane of the marks.
func (v *panelView) floor() float64 {
	if math.IsNaN(v.lane) {
		return v.low
	}
	return v.low + v.step
}

func (v *panelView) down(y float64) float64 { return (v.high - y) / (v.high - v.low) }

func (v *panelView) onPicture(y float64) float64 { return min(max(y, v.floor()), v.high) }

func barHalf(r Reading) float64 {
	if math.IsNaN(r.U) {
		return 0
	}
	return barFactor * r.U
}

func (v *panelView) place(points []Point) []viewPoint {
	out := make([]viewPoint, len(points))
	for i, e := range points {
		out[i] = viewPoint{v.clock.wall(e.Time), e.Value, e.Low90, e.High90}
		// A line that runs back in the hour that autumn repeats could not be searched by time.
		if i > 0 && out[i].wall < out[i-1].wall {
			out[i].wall = out[i-1].wall
		}
	}
	return out
}

var stateWords = map[string]string{
	ReadingUsed: "used", ReadingHeld: "held back", ReadingDropped: "left out", ReadingVoid: "voided",
}

var markWords = map[string]string{MarkAdd: "addition", MarkBail: "bail-out", MarkTreat: "treatment"}

// markShape gives every mark one of the known shapes.
func markShape(kind string) string {
	if _, known := markWords[kind]; known {
		return kind
	}
	return "other"
}

func markWord(kind string) string {
	if w, known := markWords[kind]; known {
		return w
	}
	if kind == "" {
		return "mark"
	}
	return kind
}

func (v *panelView) placeFacts() {
	var rows []factRow
	var times []time.Time
	for i, r := range v.Readings {
		d := min(max(v.decimals, decimalsOfU(r.U)), v.decimals+2)
		pr := placedReading{Reading: r, wall: v.clock.wall(r.Time), y: v.onPicture(r.Value)}
		half := barHalf(r)
		pr.barLow, pr.barH = v.onPicture(r.Value-half), v.onPicture(r.Value+half)
		row := factRow{When: stampOf(r.Time, v.clock.zone), What: v.Noun, Value: number(r.Value, d), Shape: r.State}
		pr.text = v.Noun + " " + number(r.Value, d) + " " + v.Unit
		if half > 0 {
			row.U = number(r.U, decimalsOfU(r.U))
			pr.text += ", u " + row.U
		}
		notes := []string{}
		if r.State != ReadingUsed {
			notes = append(notes, stateWords[r.State])
		}
		if pr.y != r.Value {
			notes = append(notes, "off the picture, drawn at its edge")
		}
		if r.Label != "" && (r.State != ReadingUsed || i >= len(v.Readings)-labelled) {
			notes = append(notes, r.Label)
		}
		row.Note = strings.Join(notes, "; ")
		pr.value, pr.u, pr.note = row.Value, row.U, row.Note
		if row.Note != "" {
			pr.text += " (" + row.Note + ")"
		}
		v.readings[r.State] = append(v.readings[r.State], pr)
		v.facts = append(v.facts, viewFact{pr.wall, pr.text})
		rows, times = append(rows, row), append(times, r.Time)
	}
	for _, m := range v.Marks {
		shape := markShape(m.Kind)
		pm := placedMark{Mark: m, wall: v.clock.wall(m.Time), text: markWord(m.Kind)}
		if m.Text != "" {
			pm.text += ": " + m.Text
		}
		v.marks[shape] = append(v.marks[shape], pm)
		v.facts = append(v.facts, viewFact{pm.wall, pm.text})
		rows = append(rows, factRow{When: stampOf(m.Time, v.clock.zone), What: markWord(m.Kind), Note: m.Text, Shape: shape})
		times = append(times, m.Time)
	}
	sort.SliceStable(v.facts, func(i, j int) bool { return v.facts[i].wall < v.facts[j].wall })

	order := make([]int, len(rows))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(i, j int) bool { return times[order[i]].After(times[order[j]]) })
	for _, i := range order[:min(len(order), tableRows)] {
		v.Rows = append(v.Rows, rows[i])
	}
	v.RowsRest = len(rows) - len(v.Rows)
}

// say puts into words and tables what the picture shows, for those who cannot see it or have it on paper.
func (v *panelView) say() {
	withUnit := func(x float64) string { return number(x, v.decimals) + "\u00a0" + v.Unit }
	var s []string
	low, target, high := finite(v.Low), finite(v.Target), finite(v.High)
	switch {
	case low && high:
		v.WindowText = shortest(v.Low) + " to " + shortest(v.High) + " " + v.Unit
	case high:
		v.WindowText = "at most " + shortest(v.High) + " " + v.Unit
	case low:
		v.WindowText = "at least " + shortest(v.Low) + " " + v.Unit
	}
	if n := len(v.Estimate); n > 0 {
		last := v.Estimate[n-1]
		v.NowText = withUnit(last.Value)
		v.BandText = number(last.Low90, v.decimals) + " to " + number(last.High90, v.decimals)
		line := fmt.Sprintf("On %s the estimate is %s (90 %%: %s)", stampOf(last.Time, v.clock.zone).Text, v.NowText, v.BandText)
		if v.WindowText != "" {
			line += "; the window is " + v.WindowText
			if target {
				line += ", target " + shortest(v.Target)
			}
		}
		s = append(s, line+".")
		least, most := v.Estimate[0], v.Estimate[0]
		outside := 0
		for _, e := range v.Estimate {
			if e.Value < least.Value {
				least = e
			}
			if e.Value > most.Value {
				most = e
			}
			if low && e.Value < v.Low || high && e.Value > v.High {
				outside++
			}
		}
		line = fmt.Sprintf("In the span shown it was lowest on %s with %s and highest on %s with %s",
			least.Time.In(v.clock.zone).Format(time.DateOnly), withUnit(least.Value),
			most.Time.In(v.clock.zone).Format(time.DateOnly), withUnit(most.Value))
		if v.WindowText != "" {
			if outside == 0 {
				line += ", never outside the window"
			} else {
				line += ", at times outside the window"
			}
		}
		s = append(s, line+".")
		for _, i := range evenly(v.Estimate, 13) {
			v.EstimateRows = append(v.EstimateRows, v.estimateRow(v.Estimate[i]))
		}
	} else {
		s = append(s, "There is no estimate in the span shown.")
	}
	if n := len(v.Fan); n > 1 {
		last := v.Fan[n-1]
		s = append(s, fmt.Sprintf("If nothing but water is added, it will be %s by %s (90 %%: %s to %s).", withUnit(last.Value),
			last.Time.In(v.clock.zone).Format(time.DateOnly), number(last.Low90, v.decimals), number(last.High90, v.decimals)))
		for _, i := range evenly(v.Fan, 5)[1:] {
			v.FanRows = append(v.FanRows, v.estimateRow(v.Fan[i]))
		}
	}
	s = append(s, v.countReadings(), v.countMarks())
	v.Sentence = strings.Join(strings.Fields(strings.Join(s, " ")), " ")
	for i := len(v.Readings) - 1; i >= 0; i-- {
		if r := v.Readings[i]; r.State != ReadingVoid {
			v.Last = &factRow{When: stampOf(r.Time, v.clock.zone), Value: withUnit(r.Value)}
			if r.State != ReadingUsed {
				v.Last.Note = stateWords[r.State]
			}
			break
		}
	}
}

func (v *panelView) estimateRow(e Point) estimateRow {
	return estimateRow{stampOf(e.Time, v.clock.zone), number(e.Value, v.decimals), number(e.Low90, v.decimals), number(e.High90, v.decimals)}
}

func (v *panelView) countReadings() string {
	if len(v.Readings) == 0 {
		return "No " + v.Noun + " yet."
	}
	var parts []string
	for _, state := range readingStates {
		if n := len(v.readings[state]); n > 0 && !(state == ReadingUsed && n == len(v.Readings)) {
			parts = append(parts, fmt.Sprintf("%d %s", n, stateWords[state]))
		}
	}
	line := countOf(len(v.Readings), v.Noun)
	if len(parts) > 0 {
		line += ": " + strings.Join(parts, ", ")
	}
	return line + "."
}

func (v *panelView) countMarks() string {
	var parts []string
	for _, shape := range markShapes {
		if n := len(v.marks[shape]); n > 0 {
			word := markWords[shape]
			if word == "" {
				word = "other mark"
			}
			parts = append(parts, countOf(n, word))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, ", ") + "."
}

func countOf(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}

// evenly picks at most n places spread evenly over the points' time, the first and the last among them.
func evenly(points []Point, n int) []int {
	if len(points) <= n {
		all := make([]int, len(points))
		for i := range all {
			all[i] = i
		}
		return all
	}
	first, last := points[0].Time, points[len(points)-1].Time
	var picked []int
	for k := 0; k < n; k++ {
		at := first.Add(time.Duration(float64(last.Sub(first)) * float64(k) / float64(n-1)))
		i := sort.Search(len(points), func(i int) bool { return !points[i].Time.Before(at) })
		i = min(i, len(points)-1)
		if len(picked) == 0 || picked[len(picked)-1] != i {
			picked = append(picked, i)
		}
	}
	return picked
}

// thinPoints keeps at most limit points such that nothing that can be seen is lost: of every equal stretch of points the
// first, and those where the estimate and both ends of its interval are lowest and highest. So every excursion keeps its
// height and, to within a stretch, its time.
func thinPoints(points []Point, limit int) []Point {
	if len(points) <= limit {
		return points
	}
	const perBucket = 7
	buckets := max(1, (limit-1)/perBucket)
	kept := make([]Point, 0, limit)
	for b := 0; b < buckets; b++ {
		start, end := b*len(points)/buckets, (b+1)*len(points)/buckets
		pick := [perBucket]int{start, start, start, start, start, start, start}
		for i := start; i < end; i++ {
			e := points[i]
			for k, better := range [...]bool{
				e.Value < points[pick[1]].Value, e.Value > points[pick[2]].Value,
				e.Low90 < points[pick[3]].Low90, e.Low90 > points[pick[4]].Low90,
				e.High90 < points[pick[5]].High90, e.High90 > points[pick[6]].High90,
			} {
				if better {
					pick[k+1] = i
				}
			}
		}
		sort.Ints(pick[:])
		for k, i := range pick {
			if k == 0 || i != pick[k-1] {
				kept = append(kept, points[i])
			}
		}
	}
	if last := points[len(points)-1]; kept[len(kept)-1] != last {
		kept = append(kept, last)
	}
	return kept
}

// niceScale widens a range to whole steps of 1, 2 or 5 times a power of ten, about n of them.
func niceScale(lo, hi float64, n int) (from, to, step float64) {
	raw := (hi - lo) / float64(n)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step = 10 * power
	for _, m := range []float64{1, 2, 5} {
		if m*power >= raw*0.999 {
			step = m * power
			break
		}
	}
	// A hair of slack keeps a range that ends on a step from gaining an empty one by rounding.
	return math.Floor(lo/step+1e-9) * step, math.Ceil(hi/step-1e-9) * step, step
}

// alongside is a scale from nothing to at least high in exactly n steps that can be read.
func alongside(high, n float64) (top, step float64) {
	raw := high / n
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10} {
		if step = m * power; step >= raw*0.999 {
			break
		}
	}
	return n * step, step
}

// decimalsFor shows one digit more than the scale's steps have.
func decimalsFor(step float64) int { return min(9, max(0, 1-int(math.Floor(math.Log10(step)+1e-9)))) }

// decimalsOfU shows two digits of an uncertainty, as JCGM 100:2008 7.2.6 advises.
func decimalsOfU(u float64) int {
	if !(u > 0) {
		return 0
	}
	return min(9, max(0, 1-int(math.Floor(math.Log10(u)))))
}

// number writes a value without an exponent and without a negative zero.
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// shortest writes a limit as it was set.
func shortest(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// tickLabel writes a value of the scale with the digits that its steps need and no more.
func (v *panelView) tickLabel(y float64) string { return number(y, stepDecimals(v.step)) }

func stepDecimals(step float64) int { return min(9, max(0, -int(math.Floor(math.Log10(step)+1e-9)))) }

// timeTick is a line across the picture at a round date. Every second label may be left out where room is short.
type timeTick struct {
	across float64
	label  string
	spare  bool
}

// timeTicks puts at most about nine ticks on round dates of the bath's calendar.
func timeTicks(c pageClock) []timeTick {
	// Wall times run on UTC, where every day has 24 hours.
	left, right := time.UnixMilli(c.wall(c.from)).UTC(), time.UnixMilli(c.wall(c.to)).UTC()
	span := right.Sub(left)
	var ticks []timeTick
	add := func(t time.Time, label string) {
		if !t.Before(left) && !t.After(right) {
			ticks = append(ticks, timeTick{across: c.across(t.UnixMilli()), label: label})
		}
	}
	const day = 24 * time.Hour
	switch {
	case span <= 3*day:
		step := time.Hour
		for _, s := range []time.Duration{2, 3, 6, 12} {
			if span > 9*step {
				step = s * time.Hour
			}
		}
		for t := left.Truncate(step); !t.After(right); t = t.Add(step) {
			label := t.Format("15:04")
			if t.Hour() == 0 {
				label = t.Format("2 Jan")
			}
			add(t, label)
		}
	case span <= 70*day:
		step := day
		for _, s := range []time.Duration{2, 7, 14} {
			if span > 9*step {
				step = s * day
			}
		}
		// A fixed Monday, so that a span that moves by a day keeps its ticks.
		monday := time.Date(1970, 1, 5, 0, 0, 0, 0, time.UTC)
		t := monday.Add(left.Sub(monday) / step * step)
		for ; !t.After(right); t = t.Add(step) {
			add(t, t.Format("2 Jan"))
		}
	default:
		months := 1
		for _, s := range []int{2, 3, 6, 12, 24, 60, 120} {
			if span > time.Duration(9*months)*30*day {
				months = s
			}
		}
		index := left.Year()*12 + int(left.Month()) - 1
		index -= index % months
		for ; ; index += months {
			t := time.Date(index/12, time.Month(index%12+1), 1, 0, 0, 0, 0, time.UTC)
			if t.After(right) {
				break
			}
			label := t.Format("Jan")
			if t.Month() == time.January {
				label = t.Format("2006")
			}
			add(t, label)
		}
	}
	for i := range ticks {
		ticks[i].spare = i%2 == 1
	}
	return ticks
}

// chargeView is the picture of the charge passed, per day, or per week where a bath is so old that days are too many.
type chargeView struct {
	clock      pageClock
	Per        string
	width      time.Duration
	bars       []chargeBar
	high, step float64
	sums       []spot // charge passed since the left edge, at the end of each bar's day
	top, rise  float64
	Sentence   string
	Months     []chargeRow
	Recent     []chargeRow
	MonthsRest bool
	Still      stillPicture
	Data       scriptData
	Total      string
	ID         string
}

type chargeBar struct {
	start int64 // wall time at which the day or week begins
	wall  int64 // its middle
	ah    float64
}

type chargeRow struct{ When, Ah string }

func viewCharge(days []DayCharge, clock pageClock) (*chargeView, error) {
	const day = 24 * time.Hour
	c := &chargeView{clock: clock, Per: "day", width: day, ID: "charge"}
	left, right := clock.wall(clock.from), clock.wall(clock.to)
	type dated struct {
		start time.Time
		ah    float64
	}
	var kept []dated
	for _, d := range days {
		y, m, dd := d.Date.Date()
		start := time.Date(y, m, dd, 0, 0, 0, 0, time.UTC)
		if start.Add(day).UnixMilli() > left && start.UnixMilli() <= right {
			kept = append(kept, dated{start, d.Ah})
		}
	}
	sort.SliceStable(kept, func(i, j int) bool { return kept[i].start.Before(kept[j].start) })
	sum, most, mostAt := 0.0, 0.0, ""
	months := map[string]float64{}
	for _, d := range kept {
		sum += d.ah
		months[d.start.Format("2006-01")] += d.ah
	}
	for i := len(kept) - 1; i >= 0 && len(c.Recent) < 30; i-- {
		if kept[i].ah > 0 {
			c.Recent = append(c.Recent, chargeRow{kept[i].start.Format(time.DateOnly), number(kept[i].ah, 1)})
		}
	}
	var names []string
	for name := range months {
		names = append(names, name)
	}
	sort.Sort(sort.Reverse(sort.StringSlice(names)))
	for i, name := range names {
		if i == 24 {
			c.MonthsRest = true
			break
		}
		c.Months = append(c.Months, chargeRow{name, number(months[name], 1)})
	}
	if len(kept) > thinAbove {
		c.Per, c.width = "week", 7*day
		monday := time.Date(1970, 1, 5, 0, 0, 0, 0, time.UTC)
		var weeks []dated
		for _, d := range kept {
			start := monday.Add(d.start.Sub(monday) / c.width * c.width)
			if n := len(weeks); n > 0 && weeks[n-1].start.Equal(start) {
				weeks[n-1].ah += d.ah
			} else {
				weeks = append(weeks, dated{start, d.ah})
			}
		}
		kept = weeks
	}
	c.sums, sum = []spot{{left, 0}}, 0
	for _, d := range kept {
		text := d.start.Format(time.DateOnly)
		if c.Per == "week" {
			text = "week of " + text
		}
		begins, ends := max(left, d.start.UnixMilli()), min(right, d.start.Add(c.width).UnixMilli())
		c.sums = append(c.sums, spot{begins, sum})
		sum += d.ah
		c.sums = append(c.sums, spot{ends, sum})
		c.bars = append(c.bars, chargeBar{d.start.UnixMilli(), d.start.Add(c.width / 2).UnixMilli(), d.ah})
		if d.ah > most {
			most, mostAt = d.ah, text
		}
	}
	if at, ok := clock.now(); ok && len(kept) > 0 {
		c.sums = append(c.sums, spot{max(at, c.sums[len(c.sums)-1].wall), sum})
	}
	_, c.high, c.step = niceScale(0, max(most, 1), 4)
	// Both scales have the same lines.
	c.top, c.rise = c.high, c.step
	if sum > 0 {
		c.top, c.rise = alongside(sum, math.Round(c.high/c.step))
	}
	c.Total = number(sum, 0) + " Ah"
	if sum == 0 {
		c.Sentence = "No charge passed in the span shown."
	} else {
		until := clock.to
		if _, ok := clock.now(); ok {
			until = clock.at
		}
		weeks := until.Sub(clock.from).Hours() / (7 * 24)
		c.Sentence = fmt.Sprintf("%s passed in the span shown, %s Ah per week on average; the most was %s Ah (%s).",
			c.Total, number(sum/max(weeks, 1.0/7), 1), number(most, 1), mostAt)
	}
	c.Still = stillCharge(c)
	data, err := chargeData(c)
	c.Data = data
	return c, err
}
