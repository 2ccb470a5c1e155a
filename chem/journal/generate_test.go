package journal

import (
	"strings"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"steadybath/chem"
)

// The generators draw facts of every kind that a row can hold, with the texts
// and digits that break codecs.

func drawDecimal(t *rapid.T, label string, mayBeZero bool) chem.Decimal {
	pattern := `([1-9][0-9]{0,8})(\.[0-9]{1,6})?`
	if mayBeZero {
		pattern = `(0|[1-9][0-9]{0,8})(\.[0-9]{1,6})?`
	}
	return chem.Decimal(rapid.StringMatching(pattern).Draw(t, label))
}

func drawMaybe(t *rapid.T, label string) chem.Decimal {
	if !rapid.Bool().Draw(t, label+" given") {
		return ""
	}
	return drawDecimal(t, label, false)
}

func drawMeasured(t *rapid.T, label string, units ...chem.Unit) chem.Measured {
	m := chem.Measured{Number: drawDecimal(t, label, false), Unit: rapid.SampledFrom(units).Draw(t, label+" unit")}
	if rapid.Bool().Draw(t, label+" u given") {
		m.U = drawDecimal(t, label+" u", true)
	}
	return m
}

func drawIn(t *rapid.T, label string, unit chem.Unit) chem.Measured {
	return in(drawMaybe(t, label), unit)
}

// drawText draws text with everything a line of CSV, an escape or JSON could
// trip over.
func drawText(t *rapid.T, label string, lines bool) string {
	alphabet := []rune("ab Z09,;\"'\\/=#{}[]:.-_äß硫€😀\u2028\ufeff\u202e\u00a0")
	if lines {
		alphabet = append(alphabet, '\n', '\r', '\t')
	}
	return rapid.StringOfN(rapid.SampledFrom(alphabet), 0, 20, -1).Draw(t, label)
}

func drawName(t *rapid.T, label string) string {
	return "n" + strings.TrimSpace(drawText(t, label, false)) + "e"
}

func drawOptionalName(t *rapid.T, label string) string {
	if rapid.Bool().Draw(t, label+" given") {
		return drawName(t, label)
	}
	return ""
}

func drawID(t *rapid.T, label string) uuid.UUID {
	b := rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, label)
	b[0] |= 1 // never the nil id, which stands for none
	return uuid.UUID(b)
}

func drawAdvice(t *rapid.T) uuid.UUID {
	if rapid.Bool().Draw(t, "advised") {
		return drawID(t, "advice")
	}
	return uuid.Nil
}

func drawTime(t *rapid.T, label string) time.Time {
	return time.UnixMicro(rapid.Int64Range(-2e15, 4e15).Draw(t, label)).UTC()
}

func drawSample(t *rapid.T) chem.Sample {
	return chem.Sample{Volume: drawIn(t, "sample", "mL"), Returned: rapid.Bool().Draw(t, "returned")}
}

var litres = []chem.Unit{"L", "mL", "gal", "fl oz"}
var masses = []chem.Unit{"kg", "g", "oz", "lb"}
var charges = []chem.Unit{"Ah", "kAh", "Amin"}
var concentrations = []chem.Unit{"g/L", "mg/L", "oz/gal", "mL/L", "mol/L"}

func drawBody(t *rapid.T, kind chem.Kind) chem.Body {
	switch kind {
	case chem.KindBath:
		return chem.Begin{Volume: drawMeasured(t, "volume", litres...), Zone: rapid.SampledFrom([]string{"", "UTC", "Europe/Vienna"}).Draw(t, "zone"),
			Recipe: drawText(t, "recipe", true), Tank: chem.Tank{Length: drawIn(t, "length", "cm"), Width: drawIn(t, "width", "cm"),
				Height: drawIn(t, "height", "cm"), Most: drawIn(t, "most", "L")}}
	case chem.KindSetting:
		s := chem.Setting{Key: drawName(t, "key"), Text: drawText(t, "text", true)}
		if s.Text == "" || rapid.Bool().Draw(t, "number too") {
			s.Value = drawMeasured(t, "value", "", "g/L", "L", "%")
		}
		return s
	case chem.KindTitrant:
		return chem.Titrant{Name: drawName(t, "name"), Molarity: drawMeasured(t, "molarity", "mol/L", "mmol/L"), Lot: drawText(t, "lot", false),
			Factor: drawMaybe(t, "factor"), UFactor: drawMaybe(t, "factor u"),
			Opened: drawText(t, "opened", false), Expires: drawText(t, "expires", false)}
	case chem.KindMaterial:
		return chem.Stock{Material: drawName(t, "name"), Amount: drawMeasured(t, "amount", masses...), Lot: drawText(t, "lot", false),
			Price: drawMaybe(t, "price"), Opened: drawText(t, "opened", false), Expires: drawText(t, "expires", false)}
	case chem.KindFill:
		f := chem.Fill{Volume: drawMeasured(t, "volume", litres...),
			Origin: rapid.SampledFrom([]chem.Origin{"", chem.OriginMakeUp, chem.OriginBought, chem.OriginRunning}).Draw(t, "origin")}
		for range rapid.IntRange(0, 3).Draw(t, "constituents") {
			if f.Composition == nil {
				f.Composition = map[string]chem.Measured{}
			}
			f.Composition[drawName(t, "constituent")] = drawMeasured(t, "concentration", concentrations...)
		}
		for range rapid.IntRange(0, 3).Draw(t, "materials") {
			if f.Weighed == nil {
				f.Weighed = map[string]chem.Weighed{}
			}
			f.Weighed[drawName(t, "material")] = chem.Weighed{Amount: drawMeasured(t, "weighed", append(litres, masses...)...), Lot: drawText(t, "lot", false)}
		}
		return f
	case chem.KindLevel:
		return chem.Level{Volume: drawMeasured(t, "volume", litres...), Height: drawIn(t, "height", "cm")}
	case chem.KindAssay:
		a := chem.Assay{Of: drawName(t, "of"), ULot: drawMaybe(t, "u_lot"), Sample: drawSample(t)}
		switch rapid.IntRange(0, 3).Draw(t, "reading") {
		case 0:
			a.Of, a.Value = "pH", drawMeasured(t, "pH", "pH")
		case 1:
			a.Of, a.Value = "temperature", drawMeasured(t, "temperature", "degC", "degF")
		case 2:
			a.Of, a.Value = "density", drawMeasured(t, "density", "g/cm3")
		default:
			a.Value = drawMeasured(t, "concentration", concentrations...)
			a.Titration = &chem.Titration{Method: drawText(t, "method", false), Aliquot: drawMaybe(t, "aliquot"), Blank: drawMaybe(t, "blank"),
				Titrant: drawText(t, "titrant", false), Lot: drawText(t, "lot", false), Molarity: drawMaybe(t, "molarity"),
				Factor: drawDecimal(t, "factor", false), UFactor: drawMaybe(t, "factor u"), TitrantDate: drawText(t, "date", false)}
			for range rapid.IntRange(0, 3).Draw(t, "replicates") {
				a.Titration.Delivered = append(a.Titration.Delivered, drawDecimal(t, "delivered", true))
			}
		}
		return a
	case chem.KindPanel:
		p := chem.Panel{Of: drawName(t, "of"), Pattern: rapid.SampledFrom([]chem.Pattern{chem.PatternLow, chem.PatternRight, chem.PatternHigh}).Draw(t, "pattern"),
			Current: drawIn(t, "current", "A"), Minutes: drawMaybe(t, "minutes"), Trial: drawIn(t, "trial", "mL"), Sample: drawSample(t)}
		if rapid.Bool().Draw(t, "amount too") {
			p.Value = drawMeasured(t, "value", "mL/L")
		}
		return p
	case chem.KindMeter:
		return chem.Meter{Supply: drawName(t, "supply"), Reading: drawMeasured(t, "reading", charges...), Reset: rapid.Bool().Draw(t, "reset")}
	case chem.KindPlate:
		return chem.Plate{Part: drawOptionalName(t, "part"), Charge: drawMeasured(t, "charge", charges...), Hours: drawMaybe(t, "hours"),
			Area: drawIn(t, "area", "dm2"), Current: drawIn(t, "current", "A"), RampFrom: drawIn(t, "ramp from", "A"), Gain: drawIn(t, "gain", "g"),
			Thickness: drawIn(t, "thickness", "um")}
	case chem.KindAdd:
		return chem.Add{Material: drawName(t, "material"), Amount: drawMeasured(t, "amount", append(litres, masses...)...), Lot: drawText(t, "lot", false), Advice: drawAdvice(t)}
	case chem.KindBail:
		return chem.Bail{Volume: drawMeasured(t, "volume", litres...), Advice: drawAdvice(t)}
	case chem.KindTreat:
		switch rapid.IntRange(0, 2).Draw(t, "treatment") {
		case 0:
			return chem.Treat{With: chem.TreatCarbon, Amount: drawMeasured(t, "amount", masses...), Hours: drawMaybe(t, "hours")}
		case 1:
			return chem.Treat{With: chem.TreatDummy, Amount: drawMeasured(t, "charge", charges...), Hours: drawMaybe(t, "hours")}
		}
		return chem.Treat{With: chem.TreatPeroxide}
	case chem.KindChange:
		return chem.Change{What: rapid.SampledFrom([]string{"bags", "filter"}).Draw(t, "what")}
	case chem.KindHang:
		if rapid.Bool().Draw(t, "inert") {
			return chem.Hang{Anode: drawName(t, "anode"), Form: "inert", Area: drawIn(t, "area", "dm2")}
		}
		return chem.Hang{Anode: drawName(t, "anode"), Mass: drawMeasured(t, "mass", masses...),
			Form: rapid.SampledFrom([]string{"", "slab", "bar", "nuggets"}).Draw(t, "form"), Area: drawIn(t, "area", "dm2"), Bag: drawText(t, "bag", false), TopUp: rapid.Bool().Draw(t, "top up")}
	case chem.KindWeigh:
		return chem.Weigh{Anode: drawName(t, "anode"), Mass: drawMeasured(t, "mass", masses...)}
	case chem.KindPull:
		if rapid.Bool().Draw(t, "all") {
			return chem.Pull{Anode: chem.AllAnodes}
		}
		return chem.Pull{Anode: drawName(t, "anode"), Mass: drawMeasured(t, "mass", masses...)}
	case chem.KindNote:
		return chem.Remark{}
	case chem.KindVoid:
		return chem.Void{Target: drawID(t, "target")}
	}
	t.Fatalf("no generator for kind %s", kind)
	return nil
}

func drawFact(t *rapid.T, kind chem.Kind) chem.Fact {
	f := chem.Fact{ID: drawID(t, "id"), Time: drawTime(t, "time"), Note: drawText(t, "note", true), Body: drawBody(t, kind)}
	ofShop := kind.OfShop() || (kind == chem.KindNote || kind == chem.KindVoid) && rapid.Bool().Draw(t, "of the shop")
	if !ofShop {
		f.Bath = drawName(t, "bath")
	}
	if rapid.Bool().Draw(t, "stored") {
		f.Number, f.Entered, f.By = rapid.Int64Range(1, 1e6).Draw(t, "number"), drawTime(t, "entered"), drawName(t, "by")
	}
	if rules[kind].note {
		f.Note = "because " + f.Note
	}
	return f
}
