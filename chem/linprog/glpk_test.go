package linprog

import (
	"encoding/csv"
	"flag"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// problemsTo is how testdata/glpk/make.py gets the programs.
var problemsTo = flag.String("problems", "", "a folder that TestAgainstGLPK writes its programs to, in MPS")

// answersOfGLPK reads testdata/glpk/answers.csv: by program the sum of its text,
// whether it has an answer, and the least value of each aim.
func answersOfGLPK(t *testing.T) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "glpk", "answers.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"program", "sum", "status", "aim1", "aim2", "aim3", "aim4", "aim5"}, rows[0])
	return rows[1:]
}

// TestAgainstGLPK compares with GLPK 5.0, which solved the same programs in exact
// arithmetic (glpsol --exact; testdata/glpk/README.md): whether there is an answer
// at all, and the least value of each aim in its order, the aims before it held.
func TestAgainstGLPK(t *testing.T) {
	const problems = 400
	answers := map[string][]string{}
	for _, row := range answersOfGLPK(t) {
		answers[row[0]] = row[1:]
	}
	r := rand.New(rand.NewPCG(19, 20))
	none := 0
	for k := range problems {
		p, aims := bath(r)
		text, name := mps(p, aims), strconv.Itoa(k)
		if *problemsTo != "" {
			require.NoError(t, os.WriteFile(filepath.Join(*problemsTo, name+".mps"), []byte(text), 0o644))
			continue
		}
		row, ok := answers[name]
		require.True(t, ok, "program %d: GLPK has not seen it", k)
		sum := fnv.New32a()
		sum.Write([]byte(text))
		require.Equal(t, row[0], fmt.Sprintf("%08x", sum.Sum32()), "program %d is not the one that GLPK solved: run testdata/glpk/make.py again", k)
		s, err := SolveInOrder(p, aims[1:]...)
		if row[1] == "infeasible" {
			none++
			var e *Infeasible
			require.ErrorAs(t, err, &e, "program %d", k)
			continue
		}
		require.Equal(t, "optimal", row[1])
		require.NoError(t, err, "program %d", k)
		for i, a := range aims {
			want, err := strconv.ParseFloat(row[2+i], 64)
			require.NoError(t, err)
			// GLPK may miss an aim before by 1e-9, which can buy 1e-6 of a later one.
			require.InDelta(t, want, dot(a, s.X), 1e-5*(1+math.Abs(want)), "program %d, aim %d", k, i+1)
		}
	}
	if *problemsTo != "" {
		return
	}
	assert.Greater(t, none, problems/10)
	assert.Less(t, none, problems*2/3)

	row, ok := answers["afiro"]
	require.True(t, ok)
	want, err := strconv.ParseFloat(row[2], 64)
	require.NoError(t, err)
	s, err := Solve(afiro(t))
	require.NoError(t, err)
	assert.InEpsilon(t, want, s.Cost, 1e-12, "AFIRO in exact arithmetic")
	assert.InDelta(t, -464.7531428571, want, 5e-10, "netlib, lp/data/readme, has the same in fewer digits")
}
