package entry_test

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
)

var now = time.Date(2026, 3, 7, 18, 0, 0, 0, time.UTC)

type tb interface {
	require.TestingT
	Helper()
}

// bath is a 60 L bath of the shipped recipe at its targets, read an hour ago,
// with a slab and a basket hung and a meter read.
func bath(t tb) *estimate.Bath {
	t.Helper()
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	return open(t, string(text), map[string]chem.Measured{
		"copper": chem.MeasuredOf(50, "g/L", 0.3), "sulfuric acid": chem.MeasuredOf(60, "g/L", 0.5),
		"chloride": chem.MeasuredOf(60, "mg/L", 2), "brightener": chem.MeasuredOf(4, "mL/L", 0.3)})
}

func open(t tb, text string, holds map[string]chem.Measured) *estimate.Bath {
	t.Helper()
	var facts []chem.Fact
	add := func(ago time.Duration, body chem.Body) {
		n := len(facts) + 1
		facts = append(facts, chem.Fact{Number: int64(n), ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte{byte(n)}), Time: now.Add(-ago), Entered: now.Add(-ago), Bath: "tank-1", Body: body})
	}
	day := 24 * time.Hour
	add(10*day, chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: text})
	add(10*day, chem.Fill{Volume: chem.MeasuredOf(60, "L", 0.2), Origin: chem.OriginMakeUp, Composition: holds})
	add(10*day, chem.Hang{Anode: "slab-a", Mass: chem.MeasuredOf(1.25, "kg", 0.002), Form: "slab"})
	add(10*day, chem.Hang{Anode: "basket", Mass: chem.MeasuredOf(3, "kg", 0.01), Form: "nuggets"})
	add(9*day, chem.Meter{Supply: "supply", Reading: chem.MeasuredOf(100, "Ah", 0)})
	add(time.Hour, chem.Level{Volume: chem.MeasuredOf(60, "L", 0.2)})
	for name, m := range holds {
		add(time.Hour, chem.Assay{Of: name, Value: m})
	}
	b, err := estimate.Open(facts)
	require.NoError(t, err)
	return b
}

func measured(t tb, s string) chem.Measured {
	t.Helper()
	m, err := chem.ParseMeasured(s)
	require.NoError(t, err)
	return m
}

// TestCheck: each fact is either taken without a word, asked about, or refused.
func TestCheck(t *testing.T) {
	m := func(s string) chem.Measured { return measured(t, s) }
	for name, c := range map[string]struct {
		body    chem.Body
		asks    string // what the doubt says
		slip    string
		refuses string
	}{
		"ReadingAsExpected":       {body: chem.Assay{Of: "copper", Value: m("50.4 g/L")}},
		"TenTimes":                {body: chem.Assay{Of: "copper", Value: m("500 g/L")}, asks: "standard deviations from the estimate", slip: "50.0 g/L"},
		"ATenth":                  {body: chem.Assay{Of: "copper", Value: m("5.02 g/L")}, asks: "standard deviations", slip: "50.2 g/L"},
		"SwappedDigits":           {body: chem.Assay{Of: "sulfuric acid", Value: m("16.0 g/L")}, asks: "standard deviations", slip: "61.0 g/L"},
		"SwappedAcrossThePoint":   {body: chem.Assay{Of: "chloride", Value: m("6.01 mg/L")}, asks: "standard deviations", slip: "60.1 mg/L"},
		"NoSlipFits":              {body: chem.Assay{Of: "copper", Value: m("33.3 g/L")}, asks: "standard deviations", slip: ""},
		"OtherUnitSameAmount":     {body: chem.Assay{Of: "copper", Value: m("6.68 oz/gal")}},
		"NegativeReading":         {body: chem.Assay{Of: "copper", Value: m("-3 g/L")}, refuses: "below zero"},
		"UnknownConstituent":      {body: chem.Assay{Of: "nickel", Value: m("50 g/L")}, refuses: "has no nickel; it has copper, sulfuric acid"},
		"UnitOfAnotherKind":       {body: chem.Assay{Of: "copper", Value: m("50 mL/L")}, refuses: "concentration"},
		"Temperature":             {body: chem.Assay{Of: "temperature", Value: m("21 degC")}},
		"TemperatureNoBathHas":    {body: chem.Assay{Of: "temperature", Value: m("210 degC")}, asks: "where baths are"},
		"PanelOfAMetal":           {body: chem.Panel{Of: "copper", Pattern: chem.PatternLow}, refuses: "titrated"},
		"PanelFarOff":             {body: chem.Panel{Of: "brightener", Value: m("40 mL/L")}, asks: "more than any bath", slip: "4.0 mL/L"},
		"Level":                   {body: chem.Level{Volume: m("59.4 L")}},
		"LevelAboveTheMark":       {body: chem.Level{Volume: m("66 L")}, asks: "above the tank's mark"},
		"LevelFarOff":             {body: chem.Level{Volume: m("50 L")}, asks: "standard deviations from the estimate"},
		"LevelImpossible":         {body: chem.Level{Volume: m("590 L")}, refuses: "cannot be"},
		"Bail":                    {body: chem.Bail{Volume: m("3 L")}},
		"BailMuch":                {body: chem.Bail{Volume: m("35 L")}, asks: "more than half", slip: "3.5 L"},
		"BailMoreThanTheBath":     {body: chem.Bail{Volume: m("80 L")}, refuses: "80 L cannot be bailed out of a bath of"},
		"NegativeBail":            {body: chem.Bail{Volume: m("-3 L")}, refuses: "below zero"},
		"Add":                     {body: chem.Add{Material: "brightener", Amount: m("12 mL")}},
		"AddUnknown":              {body: chem.Add{Material: "leveller", Amount: m("12 mL")}, refuses: `no material "leveller"; it has copper sulfate pentahydrate`},
		"AddLitresForMillilitres": {body: chem.Add{Material: "brightener", Amount: m("12 L")}, asks: "more than half of its target", slip: "12 mL"},
		"AddTenTimes":             {body: chem.Add{Material: "sodium chloride", Amount: m("18 g")}, asks: "raises chloride", slip: "1.8 g"},
		"AddAboveTheWindow":       {body: chem.Add{Material: "copper sulfate pentahydrate", Amount: m("2.5 kg")}, asks: "above its window", slip: "0.25 kg"},
		"AddWithoutADensity":      {body: chem.Add{Material: "brightener", Amount: m("12 g")}, refuses: "brightener"},
		"AddByDensity":            {body: chem.Add{Material: "sulfuric acid 35 %", Amount: m("126 g")}},
		"OverTheTank":             {body: chem.Add{Material: "deionised water", Amount: m("30 L")}, asks: "above the tank's mark", slip: "3.0 L"},
		"FillAgain":               {body: chem.Fill{Volume: m("60 L")}, asks: "a second filling begins it anew"},
		"FillUnknown":             {body: chem.Fill{Volume: m("60 L"), Composition: map[string]chem.Measured{"nickel": m("5 g/L")}}, refuses: "no nickel"},
		"Plate":                   {body: chem.Plate{Charge: m("22.5 Ah"), Hours: "4", Area: m("5.5 dm2"), Gain: m("26.4 g")}},
		// 22.5 Ah deposit at most 22.5·63.546/(2·26.8015) = 26.7 g (Faraday; IUPAC 2021, CODATA 2018).
		"HeavierThanTheCharge": {body: chem.Plate{Charge: m("22.5 Ah"), Gain: m("35 g")}, asks: "can deposit at most 26.7 g"},
		// At the recipe's 99.2 % 26.5 g, and 53.9 um on 5.5 dm2 at 8.92 g/cm3; 54.4 um at 100 %.
		"LighterThanTheCharge": {body: chem.Plate{Charge: m("22.5 Ah"), Gain: m("12 g")}, asks: "22.5 Ah deposit about 26.5 g of copper, and 12 g were gained"},
		"LighterByTheAmmeter":  {body: chem.Plate{Charge: m("22.5 Ah"), Gain: m("23 g")}},
		"ThickAsTheCharge":     {body: chem.Plate{Charge: m("22.5 Ah"), Area: m("5.5 dm2"), Thickness: m("55 um")}},
		"ThickInMils":          {body: chem.Plate{Charge: m("22.5 Ah"), Area: m("5.5 dm2"), Thickness: m("2.1 mil")}},
		"ThickerThanTheCharge": {body: chem.Plate{Charge: m("22.5 Ah"), Area: m("5.5 dm2"), Thickness: m("120 um")}, asks: "can deposit at most 54.4 um of copper on average, not 120 um"},
		"ThinnerThanTheCharge": {body: chem.Plate{Charge: m("22.5 Ah"), Area: m("5.5 dm2"), Thickness: m("5.4 um")}, asks: "deposit about 53.9 um of copper on average, and 5.4 um is stated"},
		"ThickOnNoArea":        {body: chem.Plate{Charge: m("22.5 Ah"), Thickness: m("120 um")}},
		"DenseCurrent":         {body: chem.Plate{Charge: m("225 Ah"), Hours: "4", Area: m("5.5 dm2")}, asks: "10.2 A/dm2"},
		"MuchAtOnce":           {body: chem.Plate{Charge: m("2250 Ah")}, asks: "very much"},
		"Meter":                {body: chem.Meter{Supply: "supply", Reading: m("122 Ah")}},
		"MeterWentBack":        {body: chem.Meter{Supply: "supply", Reading: m("12.2 Ah")}, asks: "it was reset, or a digit is wrong"},
		"MeterReset":           {body: chem.Meter{Supply: "supply", Reading: m("12.2 Ah"), Reset: true}},
		"MeterJumped":          {body: chem.Meter{Supply: "supply", Reading: m("12200 Ah")}, asks: "very much"},
		"HangNew":              {body: chem.Hang{Anode: "slab-b", Mass: m("1.3 kg"), Form: "slab"}},
		"HangTwice":            {body: chem.Hang{Anode: "Slab-A", Mass: m("1.3 kg"), Form: "slab"}, refuses: "already hangs"},
		"TopUpBasket":          {body: chem.Hang{Anode: "basket", Mass: m("3.5 kg"), Form: "nuggets"}},
		"HangInert":            {body: chem.Hang{Anode: "mesh", Form: "inert"}, asks: "counts on soluble anodes"},
		"TopUpTooMuch":         {body: chem.Hang{Anode: "basket", Mass: m("2 kg"), Form: "nuggets", TopUp: true}, asks: "never seen to hold more than 3.00 kg; it is about full, and 2 kg may be too much"},
		"TopUpFuller":          {body: chem.Hang{Anode: "basket", Mass: m("1 kg"), Form: "nuggets", TopUp: true}},
		"HangLess":             {body: chem.Hang{Anode: "basket", Mass: m("1 kg"), Form: "nuggets"}, refuses: "hung again, 1 kg is all that it holds, and that is less"},
		"WeighUnknown":         {body: chem.Weigh{Anode: "slab-x", Mass: m("1 kg")}, refuses: "no anode slab-x hangs"},
		"WeighGrown":           {body: chem.Weigh{Anode: "slab-a", Mass: m("1.52 kg")}, asks: "anodes do not grow: 1.52 kg; is it rinsed and dry, or is there salt on it?"},
		"WeighFarOff":          {body: chem.Weigh{Anode: "slab-a", Mass: m("0.99 kg")}, asks: "standard deviations from what the log leaves"},
		"Pull":                 {body: chem.Pull{Anode: "slab-a", Mass: m("1.24 kg")}},
		"PullAll":              {body: chem.Pull{Anode: "all"}},
		"Note":                 {body: chem.Remark{}},
	} {
		t.Run(name, func(t *testing.T) {
			doubts, err := entry.Check(bath(t), chem.Fact{Time: now, Bath: "tank-1", Body: c.body}, now)
			if c.refuses != "" {
				require.ErrorContains(t, err, c.refuses)
				return
			}
			require.NoError(t, err)
			if c.asks == "" {
				assert.Empty(t, doubts)
				return
			}
			require.NotEmpty(t, doubts)
			assert.Contains(t, doubts[0].Why, c.asks)
			assert.Equal(t, c.slip, doubts[0].Slip)
			assert.Equal(t, c.slip != "", strings.Contains(doubts[0].String(), "did you mean"))
		})
	}
}

func TestTimes(t *testing.T) {
	b := bath(t)
	_, err := entry.Check(b, chem.Fact{Time: now.Add(2 * time.Hour), Body: chem.Remark{}}, now)
	require.ErrorContains(t, err, "lies in the future")
	doubts, err := entry.Check(b, chem.Fact{Time: now.AddDate(0, -1, 0), Body: chem.Remark{}}, now)
	require.NoError(t, err)
	require.Len(t, doubts, 1)
	assert.Contains(t, doubts[0].Why, "before anything known of bath tank-1")
}

// Chloride is oxidised to chlorine at an anode that does not dissolve.
func TestInertAnodeInAChlorideBath(t *testing.T) {
	b := open(t, `
title = "Watts nickel"
metal = "nickel"
charge = 2
anodes = "soluble"
volume = 60
[prior]
anode_efficiency = [1, 0.01]
cathode_efficiency = [0.95, 0.01]
[[constituent]]
name = "nickel"
unit = "g/L"
low = 60
target = 75
high = 90
[[constituent]]
name = "nickel chloride"
unit = "g/L"
low = 30
target = 45
high = 60
`, map[string]chem.Measured{"nickel": chem.MeasuredOf(75, "g/L", 1), "nickel chloride": chem.MeasuredOf(45, "g/L", 1)})
	_, err := entry.Check(b, chem.Fact{Time: now, Body: chem.Hang{Anode: "mesh", Form: "inert"}}, now)
	require.ErrorContains(t, err, "chlorine gas")
}

// The invented half-year holds mistakes that were voided and a reading that was
// held; nearly everything in it must be taken without a question, and nothing of
// it refused.
func TestDemoIsTaken(t *testing.T) {
	file, err := os.Open("../../testdata/demo/half-year.csv")
	require.NoError(t, err)
	defer file.Close()
	var facts []chem.Fact
	asked, seen := 0, 0
	for e, err := range journal.NewReader(file, nil).All() {
		require.NoError(t, err)
		f, err := journal.Decode(e.Row)
		require.NoError(t, err)
		if f.Bath == "" {
			continue
		}
		f.Number = int64(len(facts) + 1)
		if len(facts) > 0 && len(facts)%3 == 0 && f.Kind() != chem.KindBath {
			b, err := estimate.Open(facts)
			require.NoError(t, err)
			doubts, err := entry.Check(b, f, f.Time.Add(time.Minute))
			require.NoError(t, err, "fact %d", f.Number)
			seen++
			if len(doubts) > 0 {
				asked++
				t.Log(f.Number, f.Kind(), doubts)
			}
		}
		facts = append(facts, f)
	}
	require.Greater(t, seen, 50)
	assert.Less(t, asked, seen/20)
}

// Whatever a row can say: no panic, an error or doubts in words.
func TestNoFactPanics(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kinds := chem.Kinds()
		kind := rapid.SampledFrom(kinds).Draw(t, "kind")
		subject := rapid.SampledFrom([]string{"", "copper", "Copper", "sulfuric acid", "chloride", "brightener", "pH", "temperature", "density", "nickel",
			"slab-a", "basket", "all", "supply", "deionised water", "sulfuric acid 96 %", "sodium chloride", "carbon", "peroxide", "dummy", "bags", "filter"}).Draw(t, "subject")
		number := func(label string) string {
			return rapid.SampledFrom([]string{"", "0", "0.0000001", "1", "5.5", "50", "500", "99999999999", "0.000000000000000000000001", "999999999999999999999999"}).Draw(t, label)
		}
		unit := rapid.SampledFrom([]string{"", "L", "mL", "gal", "g", "kg", "oz", "Ah", "kAh", "A", "g/L", "mg/L", "mL/L", "mol/L", "degC", "degF", "pH", "g/cm3", "%"}).Draw(t, "unit")
		more := map[string]any{}
		for key, values := range map[string][]any{
			"hours": {json.Number("0.0001"), json.Number("4")}, "area_dm2": {json.Number("0.001"), json.Number("5")}, "gain_g": {json.Number("1"), json.Number("100000")},
			"thickness_um": {json.Number("0"), json.Number("0.001"), json.Number("100000")},
			"form":         {"slab", "nuggets", "inert", "bar"}, "reset": {true}, "pattern": {"low", "right", "high"}, "origin": {"make-up", "running"},
			"composition": {map[string]any{"copper": map[string]any{"value": json.Number("50"), "unit": "g/L"}}, map[string]any{"nickel": map[string]any{"value": json.Number("50"), "unit": "g/L"}},
				map[string]any{"copper": map[string]any{"value": json.Number("50"), "unit": "mL/L"}}},
			"height_cm": {json.Number("20")}, "sample_mL": {json.Number("20")},
		} {
			if rapid.IntRange(0, 3).Draw(t, key) == 0 {
				more[key] = rapid.SampledFrom(values).Draw(t, key+" value")
			}
		}
		text, err := json.Marshal(more)
		require.NoError(t, err)
		if len(more) == 0 {
			text = nil
		}
		row := journal.Row{Time: now.Add(-time.Duration(rapid.IntRange(-10, 400).Draw(t, "hours ago")) * time.Hour), Bath: "tank-1", Kind: string(kind), Subject: subject,
			Value: number("value"), Unit: unit, U: number("u"), Note: "because", ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte("x")), More: string(text)}
		f, err := journal.Decode(row)
		if err != nil {
			return
		}
		doubts, err := entry.Check(bath(t), f, now)
		if err != nil {
			require.Empty(t, doubts)
			require.NotEmpty(t, err.Error())
		}
		for _, d := range doubts {
			require.NotContains(t, d.String(), "%!")
			require.NotEmpty(t, fmt.Sprint(d))
		}
	})
}
