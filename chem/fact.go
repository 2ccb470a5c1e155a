package chem

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"
)

// Kind names what sort of thing happened.
type Kind string

// The kinds of facts, in the order in which facts of equal time are taken.
const (
	KindBath     Kind = "bath"
	KindSetting  Kind = "setting"
	KindTitrant  Kind = "titrant"
	KindMaterial Kind = "material"
	KindFill     Kind = "fill"
	KindHang     Kind = "hang"
	KindPlate    Kind = "plate"
	KindMeter    Kind = "meter"
	KindLevel    Kind = "level"
	KindAssay    Kind = "assay"
	KindPanel    Kind = "panel"
	KindWeigh    Kind = "weigh"
	KindBail     Kind = "bail"
	KindTreat    Kind = "treat"
	KindChange   Kind = "change"
	KindAdd      Kind = "add"
	KindPull     Kind = "pull"
	KindNote     Kind = "note"
	KindVoid     Kind = "void"
)

// Kinds lists every kind in the order of equal times.
func Kinds() []Kind {
	return []Kind{KindBath, KindSetting, KindTitrant, KindMaterial, KindFill, KindHang, KindPlate, KindMeter,
		KindLevel, KindAssay, KindPanel, KindWeigh, KindBail, KindTreat, KindChange, KindAdd, KindPull, KindNote, KindVoid}
}

// OfShop tells whether facts of this kind belong to the shop, not to one bath:
// their bath is empty.
func (k Kind) OfShop() bool { return k == KindTitrant || k == KindMaterial }

// rank is the place among facts of equal time. Plate and meter share one, and
// so do the readings: interface order, then id.
func (k Kind) rank() int {
	switch k {
	case KindMeter:
		k = KindPlate
	case KindAssay, KindPanel, KindWeigh:
		k = KindLevel
	case KindChange:
		k = KindTreat
	}
	return slices.Index(Kinds(), k)
}

// Fact is one thing that happened to a bath (or to the shop's stock). Facts are
// never changed: a wrong one is voided by a later fact.
type Fact struct {
	Number  int64     // place in the order of entry of its bath, from 1; 0 when not stored yet
	ID      uuid.UUID // names the fact for programs
	Time    time.Time // when it happened, UTC, to the microsecond
	Bath    string    // the bath's name; empty for facts of the shop
	Entered time.Time // when it was entered; set by the database
	By      string    // who entered it; set by the database
	Note    string    // free text
	Body    Body      // what happened
}

// Kind is the kind of the fact's body.
func (f Fact) Kind() Kind { return f.Body.Kind() }

// Body is what happened: one type per kind, all in this file.
type Body interface{ Kind() Kind }

// Begin is the fact that a bath begins.
type Begin struct {
	Volume Measured // L, the volume the bath is run at
	Zone   string   // IANA time zone of the shop, such as "Europe/Vienna"
	Recipe string   // the recipe's own text (TOML), so that a journal carries it
	Tank   Tank
}

// Tank is the vessel; a zero size means that it was not measured.
type Tank struct {
	Length, Width, Height Measured // inside
	Most, Least           Measured // volumes between which the level may be
}

// Setting is a change of a window, prior, limit, method or tank measure from
// its time on. The note says why.
type Setting struct {
	Key   string   // dotted, as in the recipe: "copper.high", "prior.evaporation"
	Value Measured // the new number
	Text  string   // the new text, where the key takes one
}

// Titrant is a lot of standard solution.
type Titrant struct {
	Name     string   // what it is: "EDTA"
	Molarity Measured // mol/L, nominal where there is a factor, with the uncertainty all titrations with it share
	Factor   Decimal  // actual over nominal, as standardised; none: 1
	UFactor  Decimal  // standard uncertainty of the factor
	Lot      string
	Opened   string // date, as written on the bottle
	Expires  string
}

// Stock is a lot of a material as bought.
type Stock struct {
	Material string
	Amount   Measured
	Lot      string
	Price    Decimal
	Opened   string
	Expires  string
}

// Origin says where the first filling came from.
type Origin string

// The origins of a filling.
const (
	OriginMakeUp  Origin = "make-up" // made fresh from weighed materials
	OriginBought  Origin = "bought"  // a supplier's electrolyte
	OriginRunning Origin = "running" // a bath that was already in use
)

// Fill is what is in the tank at the start.
type Fill struct {
	Volume      Measured // L
	Origin      Origin
	Composition map[string]Measured // by constituent; one that is missing is unknown
	Weighed     map[string]Weighed  // by material, what it was made up from and stock no longer holds; the composition counts for the bath
}

// Weighed is how much of a material went in, and from which lot.
type Weighed struct {
	Amount Measured
	Lot    string
}

// Level is a reading of the volume in the tank, parts out and air off.
type Level struct {
	Volume Measured // L
	Height Measured // as read off, where it was a height
}

// Assay is a concentration found in the bath, from a titration or from
// elsewhere; also its pH, temperature or density.
type Assay struct {
	Of        string   // constituent, or "pH", "temperature", "density"
	Value     Measured // U is the part independent from one titration to the next
	ULot      Decimal  // the part shared by all titrations with the lot, in the unit of Value
	Titration *Titration
	Sample    Sample
}

// Sample is bath drawn for a reading.
type Sample struct {
	Volume   Measured // zero: the usual volume for the reading
	Returned bool     // went back into the tank
}

// Titration is how an assay was found: what was read off the burette, and with
// what. Volumes are in mL, Molarity in mol/L.
type Titration struct {
	Method      string
	Delivered   []Decimal // mL, one per replicate
	Aliquot     Decimal   // mL of bath titrated
	Blank       Decimal   // mL
	Titrant     string
	Lot         string
	Molarity    Decimal // mol/L, nominal
	Factor      Decimal // actual over nominal
	UFactor     Decimal // standard uncertainty of the factor
	TitrantDate string
}

// Pattern is how a Hull-cell panel looks beside the wanted one.
type Pattern string

// The patterns of a panel.
const (
	PatternLow   Pattern = "low"
	PatternRight Pattern = "right"
	PatternHigh  Pattern = "high"
)

// Panel is a Hull-cell panel read for one organic.
type Panel struct {
	Of      string
	Value   Measured // the amount read from it, where one was
	Pattern Pattern
	Current Measured
	Minutes Decimal
	Trial   Measured // addition tried in the cell
	Sample  Sample
}

// Meter is the reading of an ampere-hour meter. The difference to the reading
// before it counts.
type Meter struct {
	Supply  string
	Reading Measured
	Reset   bool // the meter began again from zero
}

// Plate is charge passed. Its time is the end of the run.
type Plate struct {
	Part     string
	Charge   Measured // Ah as shown by the supply
	Hours    Decimal
	Area     Measured
	Current  Measured
	RampFrom Measured
	Ramp     Measured // how long the ramp took
	Gain     Measured // weight gained, dry

	Thickness Measured // mean thickness found on the part
}

// Add is a material put into the bath.
type Add struct {
	Material string
	Amount   Measured
	Lot      string
	Advice   uuid.UUID // the advice that it carries out; zero where it was nobody's
}

// Bail is bath taken out for good.
type Bail struct {
	Volume Measured
	Advice uuid.UUID // the advice that it carries out; zero where it was nobody's
}

// Treatment names what was done to clean a bath.
type Treatment string

// The treatments.
const (
	TreatCarbon   Treatment = "carbon"
	TreatPeroxide Treatment = "peroxide"
	TreatDummy    Treatment = "dummy"
)

// Treat is a treatment. What it did is unknown until a reading says so.
type Treat struct {
	With   Treatment
	Amount Measured // carbon or peroxide used; charge of dummy plating
	Hours  Decimal
}

// Change is a change of bags or filter.
type Change struct{ What string }

// Hang puts an anode or a basket into the bath.
type Hang struct {
	Anode string
	Mass  Measured
	Form  string // slab, bar, nuggets, inert
	Area  Measured
	Bag   string
	TopUp bool // Mass came on top of what hangs: nuggets into a basket
}

// Weigh is the mass of a hung anode, rinsed and dry.
type Weigh struct {
	Anode string
	Mass  Measured
}

// AllAnodes is the subject that means every anode in the bath.
const AllAnodes = "all"

// Pull takes an anode out. A mass is what is left of it.
type Pull struct {
	Anode string
	Mass  Measured
}

// Remark is a line of text about the bath.
type Remark struct{}

// Void says that an earlier fact of the same bath does not stand. The note says
// why.
type Void struct{ Target uuid.UUID }

// Kind names the fact.
func (Begin) Kind() Kind { return KindBath }

// Kind names the fact.
func (Setting) Kind() Kind { return KindSetting }

// Kind names the fact.
func (Titrant) Kind() Kind { return KindTitrant }

// Kind names the fact.
func (Stock) Kind() Kind { return KindMaterial }

// Kind names the fact.
func (Fill) Kind() Kind { return KindFill }

// Kind names the fact.
func (Level) Kind() Kind { return KindLevel }

// Kind names the fact.
func (Assay) Kind() Kind { return KindAssay }

// Kind names the fact.
func (Panel) Kind() Kind { return KindPanel }

// Kind names the fact.
func (Meter) Kind() Kind { return KindMeter }

// Kind names the fact.
func (Plate) Kind() Kind { return KindPlate }

// Kind names the fact.
func (Add) Kind() Kind { return KindAdd }

// Kind names the fact.
func (Bail) Kind() Kind { return KindBail }

// Kind names the fact.
func (Treat) Kind() Kind { return KindTreat }

// Kind names the fact.
func (Change) Kind() Kind { return KindChange }

// Kind names the fact.
func (Hang) Kind() Kind { return KindHang }

// Kind names the fact.
func (Weigh) Kind() Kind { return KindWeigh }

// Kind names the fact.
func (Pull) Kind() Kind { return KindPull }

// Kind names the fact.
func (Remark) Kind() Kind { return KindNote }

// Kind names the fact.
func (Void) Kind() Kind { return KindVoid }

// Compare orders facts as they happened: by time, at equal times by kind, then
// by id.
func Compare(a, b Fact) int {
	return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Kind().rank(), b.Kind().rank()), slices.Compare(a.ID[:], b.ID[:]))
}

// VoidedBy maps each fact that does not stand to the number of the void that
// says so. The facts are those of one chain in order of entry; a void that was
// itself voided later has no effect.
func VoidedBy(entered []Fact) map[uuid.UUID]int64 {
	out := map[uuid.UUID]int64{}
	for _, f := range slices.Backward(entered) {
		v, ok := f.Body.(Void)
		if !ok {
			continue
		}
		if _, gone := out[f.ID]; !gone {
			out[v.Target] = f.Number
		}
	}
	return out
}

// Standing returns the facts that stand, voids left out, in the order in which
// they happened. The argument is one chain in order of entry and stays as it is.
func Standing(entered []Fact) []Fact {
	gone := VoidedBy(entered)
	out := make([]Fact, 0, len(entered))
	for _, f := range entered {
		if _, void := gone[f.ID]; !void && f.Kind() != KindVoid {
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, Compare)
	return out
}
