package journal

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// exported is an export of n rows, half of them plating runs, the rest
// titrations and levels.
func exported(b *testing.B, n int) ([]byte, []Row) {
	rows := make([]Row, n)
	prev := ""
	for i := range rows {
		at := time.Date(2020, 1, 1, 6, 0, 0, 0, time.UTC).Add(time.Duration(i) * 30 * time.Minute)
		r := Row{Time: at, Bath: "tank-1", ID: uuid.UUID{0: byte(i), 1: byte(i >> 8), 2: byte(i >> 16), 15: 1}, Entered: at.Add(time.Minute), By: "anna"}
		switch i % 4 {
		case 0, 2:
			r.Kind, r.Value, r.Unit, r.More = "plate", fmt.Sprintf("%d.%d", 5+i%40, i%10), "Ah", `{"hours":4,"area_dm2":5.5}`
		case 1:
			r.Kind, r.Subject, r.Value, r.Unit, r.U = "assay", "copper", "51.84", "g/L", "0.35"
			r.More = `{"method":"EDTA","delivered_mL":[16.35,16.40],"aliquot_mL":1,"blank_mL":0.05,"titrant":"EDTA","lot":"E7","molarity":0.1,"factor":1.002,"u_lot":0.1,"sample_mL":20}`
		case 3:
			r.Kind, r.Value, r.Unit, r.U, r.Note = "level", "58.0", "L", "0.3", "parts out, air off"
		}
		r.Hash = r.Chain(prev)
		prev, rows[i] = r.Hash, r
	}
	return write(b, rows), rows
}

const rowsRead = 100_000

// BenchmarkRead holds the whole way (text to checked fact) against encoding/csv
// alone, which only splits.
func BenchmarkRead(b *testing.B) {
	text, _ := exported(b, rowsRead)
	b.Run(fmt.Sprintf("rows=%d/via=journal", rowsRead), func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		b.ReportAllocs()
		for b.Loop() {
			r, n := NewReader(bytes.NewReader(text), nil), 0
			for _, err := range r.All() {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			require.Equal(b, rowsRead, n)
		}
	})
	b.Run(fmt.Sprintf("rows=%d/via=encoding-csv", rowsRead), func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		b.ReportAllocs()
		for b.Loop() {
			r, n := csv.NewReader(bytes.NewReader(text)), 0
			r.ReuseRecord = true
			for {
				_, err := r.Read()
				if err == io.EOF {
					break
				}
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			require.Equal(b, rowsRead+1, n)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	_, rows := exported(b, rowsRead)
	b.Run(fmt.Sprintf("rows=%d", rowsRead), func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			for _, r := range rows {
				if _, err := Decode(r); err != nil {
					b.Fatal(err)
				}
			}
		}
	})
}

func BenchmarkWrite(b *testing.B) {
	text, rows := exported(b, rowsRead)
	b.Run(fmt.Sprintf("rows=%d", rowsRead), func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		b.ReportAllocs()
		for b.Loop() {
			w := NewWriter(io.Discard)
			for _, r := range rows {
				if err := w.Write(r); err != nil {
					b.Fatal(err)
				}
			}
			require.NoError(b, w.Flush())
		}
	})
}

func BenchmarkVerify(b *testing.B) {
	_, rows := exported(b, rowsRead)
	b.Run(fmt.Sprintf("rows=%d", rowsRead), func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			_, _, err := Verify("", seq(rows))
			require.NoError(b, err)
		}
	})
}

// BenchmarkMore holds the scanner against encoding/json on the same object.
func BenchmarkMore(b *testing.B) {
	const more = `{"method":"EDTA","delivered_mL":[16.35,16.40],"aliquot_mL":1,"blank_mL":0.05,"titrant":"EDTA","lot":"E7","molarity":0.1,"factor":1.002,"u_lot":0.1,"sample_mL":20}`
	b.Run("via=journal", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var e extras
			if err := e.read(more, rules["assay"].keys); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("via=encoding-json", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var e struct {
				Method, Titrant, Lot string
				Delivered            []json.Number `json:"delivered_mL"`
				Aliquot              json.Number   `json:"aliquot_mL"`
				Blank                json.Number   `json:"blank_mL"`
				Molarity, Factor     json.Number
				ULot                 json.Number `json:"u_lot"`
				Sample               json.Number `json:"sample_mL"`
			}
			if err := json.Unmarshal([]byte(more), &e); err != nil {
				b.Fatal(err)
			}
		}
	})
}
