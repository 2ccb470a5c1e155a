package main

import (
	"math"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// oneSentence asserts what every refusal is: one line of text, of fair length,
// without anything that a terminal would obey, and with an exit status.
func oneSentence(t *testing.T, err error) {
	t.Helper()
	status, hint := classify(err)
	require.Contains(t, []int{statusRefused, statusWords}, status)
	for _, text := range []string{oneLine(err.Error()), oneLine(hint)} {
		require.True(t, utf8.ValidString(text))
		require.LessOrEqual(t, utf8.RuneCountInString(text), longestMessage+1)
		require.False(t, strings.ContainsFunc(text, unicode.IsControl), "%q", text)
	}
	require.NotEmpty(t, oneLine(err.Error()))
}

// Every message goes through oneLine, whatever it quotes.
func FuzzOneLine(f *testing.F) {
	for _, s := range []string{"", "level: 58.2 l is not a volume", "a\nb\r\n\tc", "\x1b[31mred\x1b]0;title\x07", "\u009b31m", strings.Repeat("Ah", 600),
		strings.Repeat("ü ", 1200), "\xff\xfe", "a\u2028b\u0085c", "\u202eLm 2.85"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		out := oneLine(s)
		require.True(t, utf8.ValidString(out))
		require.LessOrEqual(t, utf8.RuneCountInString(out), longestMessage+1)
		for _, r := range out {
			require.False(t, unicode.IsControl(r) || r == '\u2028' || r == '\u2029', "%U in %q", r, out)
		}
		for _, word := range strings.Fields(out) {
			require.LessOrEqual(t, utf8.RuneCountInString(word), longestWord)
		}
		require.Equal(t, out, oneLine(out), "what is one line stays as it is")
	})
}

// Words typed behind a command: parted into a name and quantities, nothing is
// lost, and a quantity that is taken is a number that can be written down.
func FuzzWords(f *testing.F) {
	for _, s := range []string{"sulfuric acid 58.2 mL", "copper 16.35mL 16.40mL", "copper 0.10 .. 13.20mL", "copper 51.8 +- 0.4 g/L", "58,2 L", "brightener 12 mL lot B7",
		"tank-1 1.25kg", "−3 L", "temperature 74 °F", "sulfuric acid 35 % 2 L", "+ - . ,", "22.5Ah 4h", "½ gal", "1e400 L", "level\t58\t59"} {
		f.Add(s, uint8(0))
	}
	dims := []chem.Dimension{chem.DimVolume, chem.DimMass, chem.DimCharge, chem.DimMassConc, chem.DimTemperature, chem.DimLength, chem.DimArea, chem.DimPH}
	names := []string{"copper", "sulfuric acid", "sulfuric acid 35 %", "chloride"}
	f.Fuzz(func(t *testing.T, line string, dim uint8) {
		words := strings.Fields(line)
		squeeze := func(s string) string { return strings.Join(strings.Fields(s), "") }
		for _, split := range []func() (string, []string){
			func() (string, []string) { return splitWords(words) },
			func() (string, []string) { return splitNamed(words, names) },
		} {
			name, quantities := split()
			require.Equal(t, squeeze(line), squeeze(name+strings.Join(quantities, "")), "something was lost")
			for _, q := range quantities {
				require.NotEmpty(t, strings.TrimSpace(q))
			}
		}
		name, err := pick("constituent", line, names)
		if err != nil {
			oneSentence(t, err)
		} else {
			require.Contains(t, names, name)
			require.Contains(t, strings.ToLower(name), strings.ToLower(line))
		}
		d := dims[int(dim)%len(dims)]
		m, err := quantity("the level", joinUnits(words), d)
		if err != nil {
			oneSentence(t, err)
			return
		}
		require.Equal(t, d, m.Unit.Dimension())
		require.False(t, math.IsNaN(m.Number.Float()) || math.IsInf(m.Number.Float(), 0))
		require.True(t, d == chem.DimTemperature || d == chem.DimPH || !(m.Number.Float() < 0), "%s is below zero", m)
		again, err := quantity("the level", []string{m.String()}, d)
		require.NoError(t, err)
		require.Equal(t, m, again, "as it is shown it can be typed again")
		_, err = something("the level", joinUnits(words), d)
		require.Equal(t, m.Number.Float() == 0, err != nil)
	})
}

// Words that part "240 mL lot B7", "carbon 120 g at yesterday", "ring no. 2 3.2
// dm2" and a line with quotation marks lose nothing.
func FuzzPartingWords(f *testing.F) {
	for _, s := range []string{"240 mL lot B7", "lot lot lot", "carbon 120 g at yesterday 18:00", "at at", "ring no. 2 3.2 dm2", `16.35 --note "read twice" --lot "N 7"`, `a"b`, ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		fields := strings.Fields(s)
		whole := strings.Join(fields, " ")
		if what, lot := splitLot(s); lot == "" {
			require.Equal(t, whole, what)
		} else {
			require.True(t, strings.EqualFold(whole, strings.TrimSpace(what+" lot "+lot)), "%q: %q, %q", s, what, lot)
		}
		if what, when := splitWhen(s); when == "" {
			require.Equal(t, strings.TrimSuffix(whole, " at "), strings.TrimSpace(what))
		} else {
			require.Equal(t, whole, strings.TrimSpace(what+" at "+when))
		}
		if name, area := splitPart(s); area != "" {
			require.Equal(t, whole, strings.TrimSpace(name+" "+area))
			require.True(t, startsNumber(area))
		} else {
			require.Equal(t, s, name)
		}
		words, err := splitLine(s)
		if err != nil {
			oneSentence(t, err)
			require.Equal(t, 1, strings.Count(s, `"`)%2)
			return
		}
		require.Equal(t, strings.Join(strings.Fields(strings.ReplaceAll(s, `"`, " ")), ""), strings.Join(strings.Fields(strings.Join(words, " ")), ""))
	})
}

// Planned plating: whatever is typed, each load lies ahead, within the horizon,
// and passes an amount that plating can pass; case and blanks say nothing.
func FuzzJob(f *testing.F) {
	for _, s := range []string{"40Ah tomorrow", "2 x 40Ah on 2026-12-01", "3 x 40Ah next week", "3x40Ah next fri 9:00", "40 Ah in 2 weeks", "1.5 kAh today", "2 times 900Amin tonight",
		"40Ah tomorrow 7:00", "x 40Ah today", "1000 × 1Ah each mon", "0Ah tomorrow", "-1Ah tomorrow", "1001 x 1Ah today", "40Ah yesterday", "40Ah on 2027-02-29", "1e6Ah in 7300 days",
		"40Ah 3 days ago", "40Ah 9999-12-31 23:59"} {
		f.Add(s, int64(1773000000), uint16(180))
	}
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, s string, unix int64, days uint16) {
		now := time.Unix(unix, 0).UTC()
		if now.Year() < 1970 || now.Year() > 2200 {
			return
		}
		jobs, err := parseJob(s, now, zone, float64(days))
		if err != nil {
			oneSentence(t, err)
			require.Nil(t, jobs)
			return
		}
		require.NotEmpty(t, jobs)
		require.LessOrEqual(t, len(jobs), mostLoads)
		for i, j := range jobs {
			require.True(t, j.At.After(now), j.At)
			require.LessOrEqual(t, j.At.Sub(now).Hours()/24, float64(days))
			require.True(t, j.Ah > 0 && j.Ah <= 1e6, j.Ah)
			require.Equal(t, jobs[0].Ah, j.Ah)
			require.False(t, i > 0 && j.At.Before(jobs[i-1].At), "loads come in order")
		}
		loud := strings.ToUpper(s)
		again, err := parseJob("  "+strings.ReplaceAll(loud, " ", "  ")+" ", now, zone, float64(days))
		quiet := strings.ToLower(loud)
		if utf8.ValidString(s) && quiet == strings.ToLower(s) {
			require.NoError(t, err)
			require.Equal(t, jobs, again)
		}
	})
}
