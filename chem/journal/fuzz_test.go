package journal

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// Whatever bytes come: no panic, an error leaves nothing behind, and what is
// accepted goes through Writer and Reader unchanged, byte for byte the second
// time.
func FuzzReader(f *testing.F) {
	for _, name := range []string{"week.csv", "week-semicolons.csv", "week-bom-crlf.csv"} {
		f.Add(sample(f, name))
	}
	f.Add(write(f, awkward()))
	f.Add([]byte("2026-01-05,tank-1,plate,,\"22,5\",Ah,,\"hours=4 lot=\"\"E 7\"\" rest\\nmore\"\n\n,,,\n\"2026"))
	f.Add([]byte(`2026-01-05,tank-1,fill,,60,L,,,,,,"{""from"":""running"", ""composition"":{""copper"":{""value"":5e1,""unit"":""g/L""}}}",`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var rows []Row
		r := NewReader(bytes.NewReader(text), nil)
		for {
			e, err := r.Read()
			if err == io.EOF {
				break
			}
			if err != nil {
				var bad *RowError
				require.ErrorAs(t, err, &bad)
				require.Equal(t, Entry{}, e)
				continue
			}
			rows = append(rows, e.Row)
		}
		once := write(t, rows)
		var again []Row
		for e, err := range NewReader(bytes.NewReader(once), nil).All() {
			require.NoError(t, err)
			again = append(again, e.Row)
		}
		require.Equal(t, rows, again)
		require.Equal(t, once, write(t, again))
	})
}

// Whatever stands in the columns: no panic, an error leaves nothing behind, and
// an accepted fact survives the way back into a row and through a file.
func FuzzDecode(f *testing.F) {
	for _, r := range awkward() {
		f.Add(r.Time.UnixMicro(), r.Bath, r.Kind, r.Subject, r.Value, r.Unit, r.U, r.Note, r.More)
	}
	f.Add(int64(1), "b", "assay", "copper", "51.8", "g/L", "0.4", "", `{"method":"EDTA","delivered_mL":[16.35,16.40],"aliquot_mL":1,"factor":1.002,"lot":"\u0041","x":{"y":[null,true,-1.5e3]}}`)
	f.Add(int64(1), "b", "fill", "", "60", "L", "", "", `{"from":"make-up","composition":{"copper":{"value":50.0,"unit":"g/L","u":1}}}`)
	f.Add(int64(1), "b", "plate", "", "22.5", "Ah", "", "", `{"hours":4,"ramp_min":30}`)
	f.Add(int64(1), "", "titrant", "EDTA", "0.1", "mol/L", "", "", `{"lot":"\ud83d\ude00"}`)
	f.Fuzz(func(t *testing.T, micro int64, bath, kind, subject, value, unit, u, note, more string) {
		row := Row{Time: time.UnixMicro(micro).UTC(), Bath: bath, Kind: kind, Subject: subject, Value: value, Unit: unit, U: u, Note: note,
			ID: uuid.UUID{15: 1}, More: more}
		fact, err := Decode(row)
		if err != nil {
			var bad *ColumnError
			require.ErrorAs(t, err, &bad)
			require.Equal(t, chem.Fact{}, fact)
			return
		}
		back, err := Encode(fact)
		require.NoError(t, err)
		same, err := Decode(back)
		require.NoError(t, err)
		require.Equal(t, fact, same)
		e, err := NewReader(bytes.NewReader(write(t, []Row{row})), nil).Read()
		require.NoError(t, err)
		require.Equal(t, row, e.Row)
	})
}

// encoding/json is the outside reference for JSON: what the scanner takes is
// JSON, texts mean the same, and what it refuses of valid JSON is only what it
// says it refuses.
func FuzzJSON(f *testing.F) {
	for _, s := range []string{`{}`, `{"a":1}`, `{"a":[1,2.50,-0,1e5,1E-2],"b":{"c":null,"d":true}}`, `{"\u00e4\ud83d\ude00":"\"\\\/\b\f\n\r\t"}`,
		`{"a":01}`, `{"a":.5}`, `{"a":1.}`, `{"a":+1}`, `{"a":"\ud800"}`, `{"a":"\u0000"}`, `{"a":1,}`, `{"a" : [ ] , "b":{ }}`, `{"a":"` + "\x01" + `"}`, `[]`, `nul`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		s = strings.ToValidUTF8(s, "") // the scanner comes after a check of that
		p := scanner{s: s}
		texts, err := p.members()
		if err != nil {
			if json.Valid([]byte(s)) && bytes.HasPrefix(bytes.TrimSpace([]byte(s)), []byte("{")) && !bytes.ContainsAny([]byte(s), "\n\r") {
				refusal := false
				for _, known := range []error{errDepth, errSurrogate, errNUL, errLong} {
					refusal = refusal || errors.Is(err, known)
				}
				require.True(t, refusal, "%s: %v", s, err)
			}
			return
		}
		require.True(t, json.Valid([]byte(s)), s)
		var want map[string]any
		d := json.NewDecoder(bytes.NewReader([]byte(s)))
		d.UseNumber()
		require.NoError(t, d.Decode(&want))
		for key, text := range texts {
			require.Equal(t, want[key], text)
		}
	})
}

// members reads an object and returns its texts by key, the last of each key.
func (p *scanner) members() (map[string]any, error) {
	texts := map[string]any{}
	for first := true; ; first = false {
		key, more, err := p.next(first)
		if err != nil {
			return nil, err
		}
		if !more {
			return texts, p.end()
		}
		p.space()
		delete(texts, key)
		if p.i < len(p.s) && p.s[p.i] == '"' {
			text, err := p.text()
			if err != nil {
				return nil, err
			}
			texts[key] = text
			continue
		}
		if err := p.skip(1); err != nil {
			return nil, err
		}
	}
}
