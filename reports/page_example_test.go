package reports

import (
	"fmt"
	"math"
	"math/rand"
	"time"
	_ "time/tzdata" // the example needs a zone on machines without a zone database
)

// hostile is a bath's name that tries everything at once: ending the script, the mark that go-echarts' own rendering strips,
// the separators JavaScript once took for line ends, quotes of all kinds, a comment, an entity.
const hostile = "</script><script>alert(1)</script> __f__ \u2028\u2029 \"'` <!-- &lt; {{.Bath}} <img src=x onerror=alert(2)>"

// vienna has summer time, so that a chart that confused the reader's clock with the bath's would show.
func vienna() *time.Location {
	zone, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		panic(err)
	}
	return zone
}

// examplePage is invented: a bath that never was, with figures drawn from a seeded generator. It shows every kind of sign.
func examplePage(days int, perDay int) Page {
	rng := rand.New(rand.NewSource(7))
	zone := vienna()
	made := time.Date(2026, 3, 2, 18, 5, 0, 0, zone)
	from := made.AddDate(0, 0, -days)
	nan := math.NaN()
	p := Page{Bath: "tank-1", Title: "Acid copper for electroforming (invented example)", Made: made, From: from, To: made.AddDate(0, 0, 20), Zone: zone,
		Due: []DueLine{
			{"Titrate chloride by Thursday", "the last titration is 9 days old, and the estimate may be 8 mg/L off by then", DueSoon},
			{"Add 12.0 mL of brightener, in two portions 20 min apart", "3.1 mL/L is near the window's low of 3; after it 3.4 mL/L", DueNow},
			{"Top up 1.6 L of deionised water", "the level is 58.2 L, the bath is run at 60 L", DueNow},
			{"Weigh anode slab-b around 20 March", "about 0.6 kg is left of 1.25 kg", DueLater},
		},
		Cautions: []string{
			"Goggles, apron and gloves: the bath holds sulfuric acid.",
			"Acid goes into water, slowly and stirred, never water into acid.",
			"Rinse and drain water carry copper: keep them out of the sewer.",
		},
		How: []string{
			"Recipe: acid copper for electroforming; windows as set on 2025-09-01.",
			"Titrant EDTA, lot E7: 0.1000 mol/L, factor 1.002 with u 0.001.",
		},
		Sheets: []Sheet{
			{Name: "Anodes", Head: []string{"Anode", "Left", "Replace"}, Numeric: []bool{false, true},
				Rows: [][]string{{"slab-b", "0.621 ± 0.004 kg", "about 2026-05-02 (80 %: 2026-04-12 to 2026-06-01)"}}, Notes: []string{"Their area is 9.6 dm2."}},
			{Name: "Where the copper went", Lead: "In g, given all that was read since.", Head: []string{"From and to", "By", "g"}, Numeric: []bool{false, false, true},
				Rows:  [][]string{{"anodes to bath", "dissolved by current", "803 ± 14"}, {"bath to parts", "plated onto parts", "791 ± 3"}, {"bath to elsewhere", "drag-out", "28 ± 21"}},
				Parts: []float64{1, 0.985, 0.035}},
		},
		Basis: []Sheet{{Name: "Rates", Head: []string{"Rate", "Believed", "Learned", "Unit"}, Numeric: []bool{false, true, true}, Rows: [][]string{{"evaporation", "0.31 ± 0.14", "0.322 ± 0.011", "L/d"}}}},
		Head:  "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
	}
	type spec struct {
		name, unit         string
		low, target, high  float64
		drift, u, band     float64
		material, addition string
		weekly             float64
	}
	specs := []spec{
		{"copper", "g/L", 46, 50, 54, 0.035, 0.5, 0.9, "copper sulfate pentahydrate", "%.2f kg of copper sulfate pentahydrate", 1},
		{"sulfuric acid", "g/L", 180, 195, 210, -0.10, 2.2, 3.5, "sulfuric acid", "%.2f L of sulfuric acid 96 %%", 1},
		{"chloride", "mg/L", 50, 65, 80, -0.35, 2.5, 4, "hydrochloric acid", "%.1f mL of hydrochloric acid 10 %%", 1},
		{"brightener", "mL/L", 3, 4, 5, -0.045, 0.3, 0.45, "brightener", "%.1f mL of brightener", 0.3},
	}
	for k, s := range specs {
		panel := Panel{Name: s.name, Unit: s.unit, Low: s.low, Target: s.target, High: s.high, Verdict: VerdictInside}
		value, sinceReading := s.target, 0.0
		for d := 0; d < days; d++ {
			for i := 0; i < perDay; i++ {
				at := from.Add(time.Duration(float64(d*24)*float64(time.Hour)) + time.Duration(float64(24*i)/float64(perDay)*float64(time.Hour)))
				value += (s.drift + rng.NormFloat64()*math.Abs(s.drift)*0.8) / float64(perDay)
				sinceReading += 1 / float64(perDay)
				half := s.band * (0.6 + 0.12*sinceReading)
				if d < 4 {
					half *= 9
				}
				panel.Estimate = append(panel.Estimate, Point{at, value, value - half, value + half})
			}
			at := from.AddDate(0, 0, d).Add(time.Hour)
			if d%7 == 3 && rng.Float64() < s.weekly {
				panel.Readings = append(panel.Readings, Reading{at, value + rng.NormFloat64()*s.u, s.u, ReadingUsed, ""})
				sinceReading = 0
			}
			if d%97 == 60 && s.name == "copper" {
				panel.Readings = append(panel.Readings, Reading{at, value * 10, s.u, ReadingVoid, "typed 10 times too large; see 214"})
			}
			if d%120 == 45 {
				panel.Readings = append(panel.Readings, Reading{at, value - 3.4*s.band, s.u, ReadingHeld, "4.1 u from what was expected"})
			}
			if d%150 == 80 {
				panel.Readings = append(panel.Readings, Reading{at, value + 3*s.band, s.u, ReadingDropped, "sample not stirred"})
			}
			switch {
			case s.drift < 0 && value < s.low+(s.target-s.low)*0.35:
				panel.Marks = append(panel.Marks, Mark{at, MarkAdd, fmt.Sprintf(s.addition, (s.target-value)*0.6)})
				value = s.target
			case s.drift > 0 && value > s.high-(s.high-s.target)*0.15:
				panel.Marks = append(panel.Marks, Mark{at, MarkBail, "3 L out, replaced by water and acid"})
				value -= 2.5
			}
			if d%110 == 70 && k < 2 {
				panel.Marks = append(panel.Marks, Mark{at, MarkTreat, "carbon, 4 h, filtered"})
			}
			if d%100 == 30 && k == 0 {
				panel.Marks = append(panel.Marks, Mark{at, "anode", "slab-b hung, 1.250 kg"})
			}
		}
		last := panel.Estimate[len(panel.Estimate)-1]
		for d := 0; d <= 21; d++ {
			median := last.Value + s.drift*float64(d)
			half := s.band * (0.7 + 0.05*float64(d))
			panel.Fan = append(panel.Fan, Point{last.Time.AddDate(0, 0, d), median, median - half, median + half})
		}
		panel.Leaves = "too low about 2026-04-20 (80 %: 2026-04-02 to later)"
		if s.name == "brightener" {
			panel.Noun, panel.Verdict = "Hull-cell panel", VerdictUnsure
		}
		p.Panels = append(p.Panels, panel)
	}
	volume := Panel{Name: "volume", Unit: "L", Low: 55, Target: 60, High: 62, Noun: "level", Verdict: VerdictInside}
	iron := Panel{Name: "iron", Unit: "g/L", Low: nan, Target: nan, High: 2, Noun: "assay"}
	litres := 60.0
	for d := 0; d < days; d++ {
		at := from.AddDate(0, 0, d)
		litres -= 0.3 + rng.Float64()*0.05
		if litres < 57.5 {
			volume.Readings = append(volume.Readings, Reading{at, litres + rng.NormFloat64()*0.15, 0.2, ReadingUsed, "parts out, air off"})
			volume.Marks = append(volume.Marks, Mark{at, MarkAdd, fmt.Sprintf("%.1f L of deionised water", 60-litres)})
			litres = 60
		}
		volume.Estimate = append(volume.Estimate, Point{at, litres, litres - 0.4, litres + 0.4})
		ironNow := 0.2 + 0.8*float64(d)/float64(days)
		iron.Estimate = append(iron.Estimate, Point{at, ironNow, ironNow - 0.15, ironNow + 0.15})
		if d%90 == 40 {
			iron.Readings = append(iron.Readings, Reading{at, ironNow + 0.03, 0, ReadingUsed, "sent out"})
		}
		if at.Weekday() != time.Sunday && rng.Float64() < 0.6 {
			p.Days = append(p.Days, DayCharge{at, 8 + rng.Float64()*35})
		}
	}
	p.Panels = append(p.Panels, volume, iron)
	for i := 0; i < 300; i++ {
		line := LogLine{Number: 412 - i, Time: made.Add(-time.Duration(i) * 13 * time.Hour), Kind: "plate", Text: "22.5 Ah, 4 h, 5.5 dm2", By: "anna"}
		switch i % 5 {
		case 1:
			line.Kind, line.Text = "assay", "copper 51.8 g/L, u 0.4"
		case 3:
			line.Kind, line.Text = "add", "brightener 12.0 mL"
		}
		if i%60 == 31 {
			line.VoidedBy = line.Number + 2
		}
		p.Log = append(p.Log, line)
	}
	p.LogTotal = 412
	return p
}

// densePage is the example with readings and additions every few hours: in ten years 39,000 signs and more.
func densePage(days int) Page {
	p := examplePage(days, 4)
	for i := range p.Panels[:4] {
		panel := &p.Panels[i]
		for k := 0; k < len(panel.Estimate); k += 2 {
			e := panel.Estimate[k]
			panel.Readings = append(panel.Readings, Reading{e.Time, e.Value, (e.High90 - e.Low90) / 4, ReadingUsed, "a titration"})
			if k%6 == 0 {
				panel.Marks = append(panel.Marks, Mark{e.Time.Add(time.Hour), MarkAdd, fmt.Sprintf("%d mL", 5+k%7)})
			}
		}
	}
	return p
}

// hostilePage has the hostile text in every place that takes text.
func hostilePage() Page {
	p := examplePage(40, 1)
	p.Bath, p.Title, p.Head = hostile, hostile, hostile
	p.Due = []DueLine{{hostile, hostile, DueNow}}
	p.Cautions, p.How = []string{hostile}, []string{hostile}
	for i := range p.Panels {
		p.Panels[i].Name, p.Panels[i].Unit, p.Panels[i].Noun = hostile, hostile, hostile
		for j := range p.Panels[i].Readings {
			p.Panels[i].Readings[j].Label = hostile
		}
		for j := range p.Panels[i].Marks {
			p.Panels[i].Marks[j].Text, p.Panels[i].Marks[j].Kind = hostile, hostile
		}
	}
	for _, sheets := range [][]Sheet{p.Sheets, p.Basis} {
		for i := range sheets {
			sheets[i].Name, sheets[i].Lead, sheets[i].Notes = hostile, hostile, []string{hostile}
			for j := range sheets[i].Head {
				sheets[i].Head[j] = hostile
			}
			for j := range sheets[i].Rows {
				for k := range sheets[i].Rows[j] {
					sheets[i].Rows[j][k] = hostile
				}
			}
		}
	}
	for i := range p.Panels {
		p.Panels[i].Leaves = hostile
	}
	for i := range p.Log {
		p.Log[i].Kind, p.Log[i].Text, p.Log[i].By = hostile, hostile, hostile
	}
	return p
}
