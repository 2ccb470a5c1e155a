package main

import (
	"bytes"
	"context"
	"io"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/reports"
)

// tankAt is the moment of a made-up bath's facts.
var tankAt = time.Date(2026, 3, 2, 17, 30, 0, 0, time.UTC)

// bathInHand is a made-up bath that lies in no database: filled, with an anode,
// a meter and a titration, so that every command has something to be about.
func bathInHand(t testing.TB, recipeName string) *bathFile {
	text, ok := recipe.ShippedText(recipeName)
	require.True(t, ok)
	m := func(s string) chem.Measured {
		q, err := chem.ParseMeasured(s)
		require.NoError(t, err)
		return q
	}
	bodies := []chem.Body{
		chem.Begin{Volume: m("60 L"), Zone: "Europe/Vienna", Recipe: string(text), Tank: chem.Tank{Length: m("60 cm"), Width: m("35 cm"), Height: m("40 cm")}},
		chem.Fill{Volume: m("58 L"), Origin: chem.OriginRunning, Composition: map[string]chem.Measured{}},
		chem.Hang{Anode: "slab-a", Mass: m("1.25 kg"), Form: "slab"},
		chem.Meter{Supply: "main", Reading: m("100 Ah")},
		chem.Pull{Anode: "slab-b"},
		chem.Remark{},
	}
	b := &bathFile{zone: time.UTC, shop: []chem.Fact{}}
	for i, body := range bodies {
		b.entered = append(b.entered, chem.Fact{Number: int64(i + 1), ID: uuid.UUID{6: 0x70, 8: 0x80, 15: byte(i + 1)}, Time: tankAt.Add(time.Duration(i-200) * time.Hour), Bath: "tank-1", Note: "made up", Body: body})
	}
	var err error
	b.Bath, err = estimate.Open(b.entered)
	require.NoError(t, err)
	return b
}

// commandsThatEnter can be taken without a database. The shop's own, titrant and
// material, look into it for the names of all baths.
var commandsThatEnter = []string{"fill", "level", "titrate", "assay", "plate", "add", "bail", "anode", "note", "void", "panel", "treat", "change", "meter", "bath"}

// enters is the fact that a line of words makes of a bath, nothing written.
func enters(b *bathFile, args []string) (*taking, error) {
	so := *b
	so.doubts = nil
	t := &taking{b: &so, at: tankAt}
	env := func(string) string { return "" }
	s := &session{stdin: strings.NewReader(""), stdout: io.Discard, stderr: &bytes.Buffer{}, env: env, taking: t}
	app := newApp(s)
	arranged, err := arrange(app, args)
	if err == nil {
		err = app.RunContext(context.Background(), append([]string{app.Name}, arranged...))
	}
	return t, err
}

// told is what a line came to, as one text: the row that would be written and why
// it is entered although it is unlikely. Where it was refused it is the refusal.
func told(t *testing.T, b *bathFile, args []string) string {
	got, err := enters(b, args)
	if err != nil {
		return "refused: " + err.Error()
	}
	if got.body == nil {
		return "no fact"
	}
	row, err := journal.Encode(chem.Fact{ID: uuid.UUID{15: 9}, Time: tankAt, Bath: b.Name, Note: got.note, Body: got.body})
	if err != nil {
		return "refused: " + err.Error()
	}
	return string(row.JSON(0)) + got.why
}

// What is typed behind a command that enters a fact: it is refused with one
// sentence, or gives a fact that survives the way into a row and back and is said
// in plain words; and every word of it counts: each, replaced by nonsense, makes
// another fact or none. So nothing that was typed is silently ignored.
func FuzzEntering(f *testing.F) {
	for _, line := range []string{
		"fill|58L|--origin|make-up|--with|copper 50 g/L|--with|sulfuric acid 60+-1 g/L", "level|58.2L|--u|0.3", "level|31.5 cm", "level|12 gal", "titrate|copper|16.35mL|16.40mL",
		"titrate|sulfuric acid|0.10..13.20mL|--lot|N7|--factor|1.003|--factor-u|0.001|--molarity|0.5 mol/L|--aliquot|2mL|--blank|0.05mL|--sample|10mL|--returned",
		"assay|copper|51.8+-0.4g/L|--method|laboratory", "assay|temperature|23.5|degC", "assay|pH|1,2", "assay|density|1.17 g/cm3|--u|0.002", "plate|22.5Ah|--hours|4|--area|5.5dm2",
		"plate|--current|6A|--hours|4|--ramp|30min|--ramp-from|3A|--part|bracket, second coat|--gain|24.3g|--thickness|120um|--area|2dm2", "add|brightener|12mL|--lot|B7", "bail|1.5L|--note|spilled",
		"anode|hang|slab-c|1.25kg|--form|nuggets|--area|6dm2|--bag|new", "anode|pull|all", "anode|weigh|slab-a|985g|--u|1g", "anode|top-up|slab-a|0.8kg", "note|filter|pump was off",
		"void|#2|because|wrong tank", "panel|brightener|low|--current|2A|--minutes|10|--trial|0.5mL", "treat|carbon|120g|--hours|12", "treat|peroxide|60 mL", "treat|dummy|12Ah", "change|bags",
		"meter|main|123.4Ah|--reset", "meter|rectifier 2|1.2kAh", "bath|set|copper.high|56 g/L|because|brighter", "bath|set|prior.evaporation|0.4+-0.1 L/day|--note|lid",
	} {
		f.Add(strings.ReplaceAll(line, "|", "\n"))
	}
	b := bathInHand(f, "copper-electroforming")
	nickel := bathInHand(f, "nickel-sulfamate")
	f.Add("assay\nboric acid\n34 g/L")
	f.Add("titrate\nnickel\n14.2")
	app := testApp()
	f.Fuzz(func(t *testing.T, text string) {
		args := typedLine(text)
		path := 0
		if c := findCommand(app.Commands, args[0]); c == nil || !slices.Contains(commandsThatEnter, c.Name) {
			return
		} else if path = 1; len(c.Subcommands) > 0 && len(args) > 1 {
			sub := findCommand(c.Subcommands, args[1])
			if path = 2; sub == nil || c.Name == "bath" && sub.Name != "set" {
				return
			}
			// What asks instead, and hanging all again, which is several facts.
			if sub.Name == "set" && len(args) == 2 || sub.Name == "hang" && slices.ContainsFunc(args, func(a string) bool { return strings.EqualFold(a, chem.AllAnodes) }) {
				return
			}
		}
		for _, a := range args {
			if name, _, isFlag := asFlag(a); isFlag && slices.Contains([]string{"help", "h", "shop", "list", "budget"}, name) {
				return
			}
		}
		for _, b := range []*bathFile{b, nickel} {
			judged(t, app, b, args, path)
		}
	})
}

// judged asserts what is said of FuzzEntering for one bath.
func judged(t *testing.T, app *cli.App, b *bathFile, args []string, path int) {
	got, err := enters(b, args)
	if err != nil {
		oneSentence(t, err)
		return
	}
	if got.body == nil {
		require.Len(t, args, path) // without words some commands say what there is
		return
	}
	fact := chem.Fact{ID: uuid.UUID{15: 9}, Time: tankAt, Bath: b.Name, Note: got.note, Body: got.body}
	row, err := journal.Encode(fact)
	if err != nil {
		require.NotEmpty(t, whyOf(got.body, err))
		return
	}
	again, err := journal.Decode(row)
	require.NoError(t, err)
	rowAgain, err := journal.Encode(again)
	require.NoError(t, err)
	require.Equal(t, row, rowAgain)
	words := reports.FactWords(again)
	require.NotEmpty(t, words)
	require.False(t, strings.ContainsFunc(words, unicode.IsControl), "%q", words)
	whole := told(t, b, args)
	for i := path; i < len(args); i++ {
		if args[i] == "--" || args[i] == "because" {
			continue
		}
		other := slices.Clone(args)
		if name, _, isFlag := asFlag(args[i]); isFlag && !slices.Contains(args[:i], "--") {
			flag := findFlag(app, name)
			if flag == nil || !takesValue(flag) {
				continue
			}
			if _, _, with := strings.Cut(args[i], "="); !with {
				continue // its value is the next word
			}
			other[i] = "--" + name + "=¶ nonsense"
		} else {
			other[i] = "¶ nonsense"
		}
		require.NotEqual(t, whole, told(t, b, other), "%q counts for nothing in %q", args[i], args)
	}
}
