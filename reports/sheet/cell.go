package sheet

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"steadybath/chem"
)

// Mark is the decimal mark of a sheet.
type Mark uint8

// The decimal marks.
const (
	MarkUnsaid Mark = iota // read what can mean one thing only
	MarkPoint
	MarkComma
)

// ParseMark reads what --decimal says.
func ParseMark(s string) (Mark, error) {
	switch strings.ToLower(s) {
	case "":
		return MarkUnsaid, nil
	case "point":
		return MarkPoint, nil
	case "comma":
		return MarkComma, nil
	}
	return MarkUnsaid, fmt.Errorf("%q is no decimal mark; point or comma would fit", s)
}

var (
	digitGroups = regexp.MustCompile(`^[0-9]{1,3}(?:[ \x{00a0}\x{2009}\x{202f}'’][0-9]{3})+(?:[.,][0-9]+)?$`)
	pointGroups = regexp.MustCompile(`^[0-9]{1,3}(?:\.[0-9]{3})+(?:,[0-9]+)?$`)
	commaGroups = regexp.MustCompile(`^[0-9]{1,3}(?:,[0-9]{3})+(?:\.[0-9]+)?$`)
	groupMarks  = strings.NewReplacer(" ", "", "\u00a0", "", "\u2009", "", "\u202f", "", "'", "", "’", "")
)

// ParseNumber reads a number as a person typed it into a sheet. With MarkUnsaid
// it takes what can mean one thing only.
func ParseNumber(s string, mark Mark) (chem.Decimal, error) {
	text := strings.ReplaceAll(strings.TrimSpace(s), "−", "-")
	sign := ""
	if strings.HasPrefix(text, "-") || strings.HasPrefix(text, "+") {
		sign, text = text[:1], text[1:]
	}
	if digitGroups.MatchString(text) {
		text = groupMarks.Replace(text)
	}
	switch mark {
	case MarkComma:
		if pointGroups.MatchString(text) {
			text = strings.ReplaceAll(text, ".", "")
		} else if strings.Contains(text, ".") {
			return "", fmt.Errorf("%q has a point, and the sheet's decimal mark is said to be the comma", s)
		}
		text = strings.Replace(text, ",", ".", 1)
	case MarkPoint:
		if commaGroups.MatchString(text) {
			text = strings.ReplaceAll(text, ",", "")
		} else if strings.Contains(text, ",") {
			return "", fmt.Errorf("%q has a comma, and the sheet's decimal mark is said to be the point", s)
		}
	default:
		if strings.Contains(text, ",") && strings.Contains(text, ".") || strings.Count(text, ".") > 1 && pointGroups.MatchString(text) || strings.Count(text, ",") > 1 && commaGroups.MatchString(text) {
			return "", fmt.Errorf("%q has thousands marks; say which mark is the decimal one: --decimal comma or --decimal point", s)
		}
	}
	d, err := chem.ParseDecimal(sign + text)
	if err != nil {
		if mark == MarkUnsaid && strings.Contains(err.Error(), "can mean") {
			whole, frac, _ := strings.Cut(text, ",")
			return "", fmt.Errorf("%q can mean %s.%s or %s%s; say which: --decimal comma or --decimal point", s, whole, frac, whole, frac)
		}
		return "", fmt.Errorf("%q is not a number such as 18.4", s)
	}
	return d, nil
}

// Order is the order in which a sheet writes the parts of a date.
type Order uint8

// The orders of dates.
const (
	OrderUnsaid Order = iota // read what can mean one thing only
	DayFirst
	MonthFirst
	ISOOnly
	Serials // days counted from the end of 1899, as bare numbers
)

var orders = map[string]Order{"": OrderUnsaid, "day-first": DayFirst, "month-first": MonthFirst, "iso": ISOOnly, "serial": Serials}

// ParseOrder reads what --dates says.
func ParseOrder(s string) (Order, error) {
	o, ok := orders[strings.ToLower(s)]
	if !ok {
		return OrderUnsaid, fmt.Errorf("%q is no order of dates; day-first, month-first, iso or serial would fit", s)
	}
	return o, nil
}

// Moment is a date, a time of day or both, as a cell says it.
type Moment struct {
	Year, Day int
	Month     time.Month // 0: the cell has no date
	HasClock  bool
	Seconds   int       // since midnight, where there is a time of day
	Exact     time.Time // where the cell has an offset of its own; the rest is then empty
}

// HasDay tells whether the cell has a date.
func (m Moment) HasDay() bool { return m.Month != 0 || !m.Exact.IsZero() }

// ErrOrder is returned for a date that can mean two days.
var ErrOrder = errors.New("can mean two days")

var (
	isoDay    = regexp.MustCompile(`^(\d{4})[-./](\d{1,2})[-./](\d{1,2})(?:(?:[T,]| )\s*(.+))?$`)
	mixedDay  = regexp.MustCompile(`^(\d{1,2})\s*([-./])\s*(\d{1,2})\s*([-./])\s*(\d{4}|\d{2})(?:(?:,| )\s*(.+))?$`)
	noYear    = regexp.MustCompile(`^\d{1,2}\s*[-./]\s*\d{1,2}\.?$`)
	dayMonth  = regexp.MustCompile(`^(\d{1,2})[. -]+([A-Za-zä]+)[., -]+(\d{4}|\d{2})(?:(?:,| )\s*(.+))?$`)
	monthDay  = regexp.MustCompile(`^([A-Za-z]+)[. ]+(\d{1,2})(?:st|nd|rd|th)?,? +(\d{4})(?:(?:,| )\s*(.+))?$`)
	clockText = regexp.MustCompile(`^(\d{1,2})(?:[:.h](\d{2})(?:[:.](\d{2})(?:[.,]\d+)?)?)?\s*([A-Za-z.]*)$`)
	weekday   = regexp.MustCompile(`^(?i:mon?|di|tue?|mi|wed?|do|thu?|fr|fri|sa|sat|so|sun|su|montag|dienstag|mittwoch|donnerstag|freitag|samstag|sonntag|monday|tuesday|wednesday|thursday|friday|saturday|sunday)\.?,?\s+(.+)$`)
)

// months are the beginnings of their names in English and German.
var months = []struct {
	name  string
	month time.Month
}{{"jan", 1}, {"jän", 1}, {"feb", 2}, {"mar", 3}, {"mär", 3}, {"mrz", 3}, {"apr", 4}, {"may", 5}, {"mai", 5}, {"jun", 6}, {"jul", 7}, {"aug", 8},
	{"sep", 9}, {"oct", 10}, {"okt", 10}, {"nov", 11}, {"dec", 12}, {"dez", 12}}

func monthOf(word string) time.Month {
	for _, m := range months {
		if strings.HasPrefix(strings.ToLower(word), m.name) {
			return m.month
		}
	}
	return 0
}

// ParseMoment reads a date, a time of day or both. A date whose day and month can
// be told apart by neither the order nor its figures is [ErrOrder].
func ParseMoment(s string, order Order) (Moment, error) {
	text := strings.Join(strings.Fields(strings.ReplaceAll(s, "\u00a0", " ")), " ")
	if m := weekday.FindStringSubmatch(text); m != nil {
		text = m[1]
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		if t.UTC().Year() < 1900 || t.UTC().Year() > 9999 {
			return Moment{}, fmt.Errorf("%q is in no year of a bath", s)
		}
		return Moment{Exact: t.UTC().Truncate(time.Microsecond)}, nil
	}
	if m := isoDay.FindStringSubmatch(text); m != nil {
		return dated(s, m[1], m[2], m[3], m[4])
	}
	if m := mixedDay.FindStringSubmatch(text); m != nil && m[2] == m[4] {
		return mixed(s, order, m[1], m[3], m[5], m[6])
	}
	if m := dayMonth.FindStringSubmatch(text); m != nil && monthOf(m[2]) != 0 && order != ISOOnly {
		return dated(s, m[3], strconv.Itoa(int(monthOf(m[2]))), m[1], m[4])
	}
	if m := monthDay.FindStringSubmatch(text); m != nil && monthOf(m[1]) != 0 && order != ISOOnly {
		return dated(s, m[3], strconv.Itoa(int(monthOf(m[1]))), m[2], m[4])
	}
	if strings.ContainsAny(text, ":hH") || clockWord(text) {
		if seconds, err := parseClock(text); err == nil {
			return Moment{HasClock: true, Seconds: seconds}, nil
		}
	}
	if noYear.MatchString(text) {
		return Moment{}, fmt.Errorf("%q has no year", s)
	}
	return Moment{}, fmt.Errorf("%q is no date such as 2026-03-12 or 12.3.2026, and no time such as 18:30", s)
}

func clockWord(text string) bool {
	m := clockText.FindStringSubmatch(text)
	return m != nil && m[4] != ""
}

func mixed(s string, order Order, a, b, year, clock string) (Moment, error) {
	first, err1 := strconv.Atoi(a)
	second, err2 := strconv.Atoi(b)
	if err1 != nil || err2 != nil {
		return Moment{}, fmt.Errorf("%q is no date", s)
	}
	switch order {
	case ISOOnly:
		return Moment{}, fmt.Errorf("%q is not written as 2026-03-12, and --dates says iso", s)
	case DayFirst:
		return dated(s, year, b, a, clock)
	case MonthFirst:
		return dated(s, year, a, b, clock)
	}
	switch {
	case first == second || first > 12 && second <= 12:
		return dated(s, year, b, a, clock)
	case second > 12 && first <= 12:
		return dated(s, year, a, b, clock)
	}
	if first > 12 {
		return Moment{}, fmt.Errorf("%q is no date: neither %d nor %d is a month", s, first, second)
	}
	return Moment{}, fmt.Errorf("%q %w; say which number is the day: --dates day-first or --dates month-first", s, ErrOrder)
}

// dated checks a date against the calendar. Two digits of a year are of this
// century: no bath's log in a spreadsheet is older.
func dated(s, year, month, day, clock string) (Moment, error) {
	y, err1 := strconv.Atoi(year)
	mo, err2 := strconv.Atoi(month)
	d, err3 := strconv.Atoi(day)
	if err := errors.Join(err1, err2, err3); err != nil {
		return Moment{}, fmt.Errorf("%q is no date", s)
	}
	if len(year) == 2 {
		y += 2000
	}
	if mo < 1 || mo > 12 {
		return Moment{}, fmt.Errorf("%q: there is no month %d; --dates day-first and --dates month-first say which number is which", s, mo)
	}
	if t := time.Date(y, time.Month(mo), d, 0, 0, 0, 0, time.UTC); d < 1 || t.Day() != d || y < 1900 {
		return Moment{}, fmt.Errorf("%q: there is no day %d in %s %d", s, d, time.Month(mo), y)
	}
	m := Moment{Year: y, Month: time.Month(mo), Day: d}
	if clock = strings.TrimSpace(clock); clock != "" {
		seconds, err := parseClock(clock)
		if err != nil {
			return Moment{}, fmt.Errorf("%q: %w", s, err)
		}
		m.HasClock, m.Seconds = true, seconds
	}
	return m, nil
}

// parseClock reads 18:30, 18:30:15, 18.30, 6:30 pm, 18h30 and 18 Uhr.
func parseClock(text string) (int, error) {
	m := clockText.FindStringSubmatch(strings.TrimSpace(text))
	bad := fmt.Errorf("%q is no time of day such as 18:30", text)
	if m == nil {
		return 0, bad
	}
	hour, _ := strconv.Atoi(m[1]) // two digits at most
	minute, _ := strconv.Atoi("0" + m[2])
	second, _ := strconv.Atoi("0" + m[3])
	switch word := strings.ReplaceAll(strings.ToLower(m[4]), ".", ""); word {
	case "am", "pm":
		if hour < 1 || hour > 12 {
			return 0, bad
		}
		hour %= 12
		if word == "pm" {
			hour += 12
		}
	case "uhr", "h":
	case "":
		if m[2] == "" {
			return 0, bad
		}
	default:
		return 0, bad
	}
	if hour > 23 || minute > 59 || second > 59 {
		return 0, bad
	}
	return hour*3600 + minute*60 + second, nil
}

// serialMoment reads a day as spreadsheets count them: ECMA-376 part 1, 18.17.4.1,
// from memory: days since 31 December 1899 with a 29 February 1900 that never was,
// or since 1 January 1904. To the second.
func serialMoment(x float64, date1904 bool) (Moment, error) {
	if x >= 0 && x < 1 {
		seconds := int(math.Round(x * 86400))
		if seconds == 86400 {
			seconds--
		}
		return Moment{HasClock: true, Seconds: seconds}, nil
	}
	start := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	low := 61.0 // 1 March 1900: what lies before is counted in two ways
	if date1904 {
		start, low = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC), 1
	}
	if !(x >= low && x < 2_950_000) {
		return Moment{}, fmt.Errorf("the number %s is no day of a bath", plain(x))
	}
	whole := math.Floor(x)
	seconds := int(math.Round((x - whole) * 86400))
	t := start.AddDate(0, 0, int(whole)).Add(time.Duration(seconds) * time.Second)
	m := Moment{Year: t.Year(), Month: t.Month(), Day: t.Day()}
	if seconds != 0 {
		m.HasClock, m.Seconds = true, t.Hour()*3600+t.Minute()*60+t.Second()
	}
	return m, nil
}

// moment reads the date or time in a cell.
func (c Cell) moment(order Order, book *Book) (Moment, error) {
	switch c.Kind {
	case Day:
		return serialMoment(c.Serial, book.Date1904)
	case Number:
		if order == Serials || c.Serial >= 20_000 && c.Serial < 80_000 {
			return serialMoment(c.Serial, book.Date1904)
		}
		return Moment{}, fmt.Errorf("%s is a plain number and no date", c.Text)
	case Unusable:
		return Moment{}, fmt.Errorf("holds %s", c.Text)
	}
	if x, err := strconv.ParseFloat(strings.TrimSpace(c.Text), 64); err == nil && x >= 0 && book.CSV {
		if order == Serials {
			return serialMoment(x, false)
		}
		if x >= 20_000 && x < 80_000 {
			return Moment{}, fmt.Errorf("%q may be the number that a spreadsheet gives a day; show the column as a date before saving, or say --dates serial", strings.TrimSpace(c.Text))
		}
	}
	return ParseMoment(c.Text, order)
}

// At is the instant of a moment in a zone; noon where it has a date alone.
func (m Moment) At(zone *time.Location) (time.Time, error) {
	if !m.Exact.IsZero() {
		return m.Exact, nil
	}
	text := fmt.Sprintf("%04d-%02d-%02d", m.Year, m.Month, m.Day)
	if m.HasClock {
		text += fmt.Sprintf(" %02d:%02d:%02d", m.Seconds/3600, m.Seconds/60%60, m.Seconds%60)
	}
	return chem.ParseTime(text, time.Time{}, zone, false)
}

// amountText parts a value as typed into number, uncertainty and unit.
var amountText = regexp.MustCompile(`^([+\-−]?[0-9][0-9.,'’ \x{00a0}\x{2009}\x{202f}]*?)\s*(?:(?:±|\+-|\+/-)\s*([0-9][0-9.,]*?)\s*)?([^0-9.,\s±+].*)?$`)

// vague are the beginnings of cells that say roughly or less than.
var vague = []struct{ mark, says string }{
	{"~", "about"}, {"≈", "about"}, {"ca", "about"}, {"approx", "about"}, {"about", "about"}, {"etwa", "about"},
	{"<", "a limit"}, {">", "a limit"}, {"≤", "a limit"}, {"≥", "a limit"},
}

// amount reads a value with the unit of its column or its own.
func (c Cell) amount(unit chem.Unit, mark Mark) (chem.Measured, error) {
	switch c.Kind {
	case Day:
		m, err := serialMoment(c.Serial, false)
		if err == nil && m.HasDay() {
			return chem.Measured{}, fmt.Errorf("holds the date %d.%d.%d; the spreadsheet may have made it of a number such as %d.%d", m.Day, m.Month, m.Year, m.Day, m.Month)
		}
		return chem.Measured{}, errors.New("holds a date or time and no number")
	case Unusable:
		return chem.Measured{}, fmt.Errorf("holds %s", c.Text)
	case Number:
		d, err := chem.ParseDecimal(c.Text)
		return chem.Measured{Number: d, Unit: unit}, err
	}
	text := strings.TrimSpace(strings.ReplaceAll(c.Text, "\u00a0", " "))
	for _, v := range vague {
		if strings.HasPrefix(strings.ToLower(text), v.mark) {
			if v.says == "about" {
				return chem.Measured{}, fmt.Errorf("%q says about how much; write how sure it is, such as 51 +- 2, or leave it out", text)
			}
			return chem.Measured{}, fmt.Errorf("%q is a limit and no reading; leave it out, or write what was read", text)
		}
	}
	m := amountText.FindStringSubmatch(text)
	if m == nil {
		return chem.Measured{}, fmt.Errorf("%q is no number", text)
	}
	number, err := ParseNumber(m[1], mark)
	if err != nil {
		return chem.Measured{}, err
	}
	out := chem.Measured{Number: number, Unit: unit}
	if m[2] != "" {
		if out.U, err = ParseNumber(m[2], mark); err != nil {
			return chem.Measured{}, err
		}
	}
	if m[3] != "" {
		if out.Unit, err = chem.ParseUnit(strings.TrimSpace(m[3])); err != nil {
			return chem.Measured{}, fmt.Errorf("%q is a number with something behind it: %w", text, err)
		}
	}
	return out, nil
}
