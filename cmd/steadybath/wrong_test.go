package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// wrongWeek is the bath that the wrong entries are made to.
const wrongWeek = `bath new tank-1 --recipe copper-electroforming --volume "60 L" --zone Europe/Berlin --at 2026-01-05
fill 58L --origin make-up --with "copper 50+-0.5 g/L" --with "sulfuric acid 60+-1 g/L" --with "chloride 60+-3 mg/L" --with "brightener 4+-0.2 mL/L" --at 2026-11-08
titrant EDTA --lot E7 --molarity "0.1 mol/L" --at 2026-11-08
titrant EDTA --lot OLD --molarity "0.1 mol/L" --expires 2026-10 --force "found it in a drawer" --at 2026-11-08
material brightener 60mL --lot B1 --at 2026-11-08
material brightener 100mL --lot B0 --expires 2026-10 --force "found it in a drawer" --at 2026-11-08
level 58.2L --at 2026-11-15
titrate copper 15.75mL 15.70mL --lot E7 --at 2026-11-15
titrate "sulfuric acid" 12.20mL --at 2026-11-15
assay chloride 61mg/L --at 2026-11-15
add brightener 50mL --lot B1 --at 2026-11-15
anode hang slab-a 1.25kg --form slab --at 2026-11-15
anode hang slab-c 1.25kg --form slab --at 2026-11-15
anode pull slab-c 1.249kg --at 2026-11-16
meter main 120Ah --at 2026-11-16
note "smells of nothing" --at 2026-11-17
note "smells of nothing" --at 2026-11-17
note "once too often" --at 2026-11-18
note "and again" --at 2026-11-18
note "and again" --at 2026-11-19
void 16 because twice`

// entered counts facts, which a wrong entry must not.
func entered(t *testing.T, dsn string) (n int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	require.NoError(t, conn.QueryRow(t.Context(), "select count(*) from steadybath.facts").Scan(&n))
	return n
}

var twoLines = regexp.MustCompile(`\Asteadybath: [^\n]+\n(hint: [^\n]+\n)?\z`)

// TestWrongEntries types what tired people type and asks that the answer names
// the value, the place and what would fit; see testdata/wrong.txt.
func TestWrongEntries(t *testing.T) {
	bed := newScriptBed(t)
	name, err := bed.create()
	require.NoError(t, err)
	dsn := bed.dsn(name, bed.server.Person())
	env := func(key string) string {
		return map[string]string{"STEADYBATH_DATABASE": dsn, "STEADYBATH_HOME": t.TempDir(), "STEADYBATH_CLOCK": "2026-11-22T09:00:00Z"}[key]
	}
	typeIn := func(line string) (int, string, string) {
		words, err := splitLine(line)
		require.NoError(t, err, line)
		for i := range words {
			words[i] = strings.NewReplacer(`\n`, "\n", `\t`, "\t").Replace(words[i])
		}
		var out, errs bytes.Buffer
		status := run(t.Context(), words, strings.NewReader(""), &out, &errs, env)
		return status, out.String(), errs.String()
	}
	for line := range strings.Lines(wrongWeek) {
		status, _, errs := typeIn(strings.TrimSpace(line))
		require.Zero(t, status, "%s%s", line, errs)
	}
	before := entered(t, dsn)
	text, err := os.ReadFile("../../testdata/wrong.txt")
	require.NoError(t, err)
	rows := 0
	for n, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		if line == "" || line[0] == '#' {
			continue
		}
		cells := strings.Split(line, " | ")
		require.Len(t, cells, 5, "line %d", n+1)
		want, err := strconv.Atoi(cells[0])
		require.NoError(t, err, "line %d", n+1)
		rows++
		t.Run(fmt.Sprintf("line %d", n+1), func(t *testing.T) {
			status, out, errs := typeIn(cells[1])
			assert.Equal(t, want, status, "%s\n%s", cells[1], errs)
			assert.Empty(t, out, cells[1])
			assert.Regexp(t, twoLines, errs, cells[1])
			for _, part := range cells[2:] {
				assert.Contains(t, strings.ToLower(errs), part, "%s", cells[1])
			}
		})
	}
	assert.GreaterOrEqual(t, rows, 150)
	assert.Equal(t, before, entered(t, dsn), "something was entered")
}
