package reports

import (
	"fmt"
	"io"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/entry"
)

type titrantLotJSON struct {
	Titrant     string     `json:"titrant"`
	Lot         string     `json:"lot"`
	Molarity    float64    `json:"molarity"`
	Unit        string     `json:"unit"`
	Factor      float64    `json:"factor"`
	Opened      string     `json:"opened"`
	Expires     string     `json:"expires"`
	Expired     bool       `json:"expired"`
	Titrations  int        `json:"titrations"`
	DeliveredML float64    `json:"delivered_mL"`
	Last        *time.Time `json:"last,omitempty"`
}

type stockLotJSON struct {
	Material  string  `json:"material"`
	Lot       string  `json:"lot"`
	Unit      string  `json:"unit"`
	Came      float64 `json:"came"`
	Went      float64 `json:"went"`
	Left      float64 `json:"left"`
	Uncounted int     `json:"uncounted"`
	Opened    string  `json:"opened"`
	Expires   string  `json:"expires"`
	Expired   bool    `json:"expired"`
}

// TitrantLotsJSON writes bottles of titrant as one JSON object. A molarity is
// the nominal one; the factor is 1 where none was entered.
func TitrantLotsJSON(w io.Writer, lots []entry.TitrantLot) error {
	out := []titrantLotJSON{}
	for _, l := range lots {
		j := titrantLotJSON{Titrant: l.Name, Lot: l.Lot, Molarity: l.Molarity.Value("mol/L"), Unit: "mol/L", Factor: 1, Opened: l.Opened,
			Expires: l.Expires, Expired: l.Expired, Titrations: l.Titrations, DeliveredML: l.Delivered}
		if l.Factor.Given() {
			j.Factor = l.Factor.Float()
		}
		if !l.Last.IsZero() {
			last := l.Last.UTC()
			j.Last = &last
		}
		out = append(out, j)
	}
	return WriteJSON(w, struct {
		Titrants []titrantLotJSON `json:"titrants"`
	}{out})
}

// StockLotsJSON writes lots of material as one JSON object; amounts are in the
// unit beside them.
func StockLotsJSON(w io.Writer, lots []entry.StockLot) error {
	out := []stockLotJSON{}
	for _, l := range lots {
		out = append(out, stockLotJSON{l.Material, l.Lot, string(l.Unit), l.Came, l.Went, l.Left(), l.Uncounted, l.Opened, l.Expires, l.Expired})
	}
	return WriteJSON(w, struct {
		Materials []stockLotJSON `json:"materials"`
	}{out})
}

// Widest names of a list of lots, so that a line fits a terminal.
const (
	lotName  = 27
	lotLabel = 8
)

// TitrantLots writes bottles of titrant for a terminal of 80 columns.
func TitrantLots(w io.Writer, lots []entry.TitrantLot) error {
	if len(lots) == 0 {
		_, err := io.WriteString(w, "no titrant was entered yet\n")
		return err
	}
	t := &strings.Builder{}
	t.WriteString("titrant\tlot\tmol/L\topened\tgood until\tused\n")
	for _, l := range lots {
		strength := string(l.Molarity.Number)
		if l.Molarity.Unit != "mol/L" {
			strength = figures(l.Molarity.Value("mol/L"))
		}
		if l.Factor.Given() {
			strength += " x " + string(l.Factor)
		}
		used := "not yet"
		if l.Titrations > 0 {
			used = fmt.Sprintf("%d x, %.0f mL", l.Titrations, l.Delivered)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", clip(Plain(l.Name), lotName-10), clip(Plain(l.Lot), lotLabel), clip(strength, 15), dash(l.Opened), until(l.Expires, l.Expired), used)
	}
	return writeLots(w, t.String())
}

// StockLots writes lots of material for a terminal of 80 columns.
func StockLots(w io.Writer, lots []entry.StockLot) error {
	if len(lots) == 0 {
		_, err := io.WriteString(w, "no material was entered yet\n")
		return err
	}
	t := &strings.Builder{}
	t.WriteString("material\tlot\tleft\tof\topened\tgood until\n")
	odd := false
	for _, l := range lots {
		left := shortAmount(l.Left(), l.Unit)
		if l.Uncounted > 0 {
			left, odd = left+" ?", true
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", clip(Plain(l.Material), lotName), clip(Plain(dash(l.Lot)), lotLabel), left, shortAmount(l.Came, l.Unit), dash(l.Opened), until(l.Expires, l.Expired))
	}
	if err := writeLots(w, t.String()); err != nil || !odd {
		return err
	}
	_, err := io.WriteString(w, "\n? some of it was entered in a unit that cannot be counted with the rest\n")
	return err
}

func writeLots(w io.Writer, cells string) error {
	b := &strings.Builder{}
	if err := writeTable(b, cells); err != nil {
		return err
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func shortAmount(x float64, unit chem.Unit) string { return figures(x) + " " + string(unit) }

func dash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

func until(expires string, expired bool) string {
	if expired {
		return expires + " !"
	}
	return dash(expires)
}
