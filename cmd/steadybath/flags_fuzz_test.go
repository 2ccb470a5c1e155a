package main

import (
	"bytes"
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

// caught is what a command is given, as its own action would get it.
func caught(t testing.TB, args ...string) *cli.Context {
	var got *cli.Context
	app := testApp()
	app.Writer, app.ErrWriter = &bytes.Buffer{}, &bytes.Buffer{}
	findCommand(app.Commands, args[0]).Action = func(c *cli.Context) error { got = c; return nil }
	if arranged, err := arrange(app, args); err == nil {
		_ = app.RunContext(context.Background(), append([]string{app.Name}, arranged...))
	}
	return got
}

// What stands behind a flag, whatever it is: refused with one sentence, or an
// amount that such a flag can hold, with nothing of it left over.
func FuzzFlags(f *testing.F) {
	for _, s := range []string{"60x35x40 cm", "60×35×40cm", "2 x 3 x 4 ft", "0x1x1 m", "1x1x1", "-1x2x3 cm", "1e308x1e308x1e308 m", "bracket 3.2dm2", "ring no. 2 3.2 dm2", "5.5+-0.2 dm2", "50 in2", "3A", "25 %", "101 %",
		"0.5A/dm2", "0.3", "brightener 240 mL lot B7", "level 59.5 L", "copper sulfate pentahydrate 13.2 kg", "water 20 L", "sulfuric acid 96 % 2.1 kg", "bail 2 L", "brightener 12 mL", "chloride=65", "copper=52 g/L", "copper=",
		"sulfuric acid=0.06 kg/L", "2027-03", "2027-03-02", "yesterday", "2027-02-30", "\x1b[31m", "a\tb\nc", "1e400 dm2", "½ gal"} {
		f.Add(s)
	}
	b := bathInHand(f, "copper-electroforming")
	r := b.Recipe(tankAt)
	plan, err := dose.NewBath(r, dose.MakeUpOptions{Volume: 60})
	require.NoError(f, err)
	fine := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) && x >= 0 }
	f.Fuzz(func(t *testing.T, s string) {
		if strings.TrimSpace(s) == "" || strings.Contains(s, "\x00") {
			return
		}
		var tank chem.Tank
		if err := tankSize(s, &tank); err != nil {
			oneSentence(t, err)
			require.Zero(t, strings.Count(strings.ToLower(s), "nan"))
		} else {
			for _, m := range []chem.Measured{tank.Length, tank.Width, tank.Height} {
				require.True(t, fine(m.Value("cm")) && m.Value("cm") > 0, m)
				require.Equal(t, chem.DimLength, m.Unit.Dimension())
			}
			var again chem.Tank
			require.NoError(t, tankSize(string(tank.Length.Number)+"x"+string(tank.Width.Number)+" X "+string(tank.Height.Number)+" "+string(tank.Height.Unit), &again))
			require.Equal(t, tank, again)
		}
		if from, err := rampStart(s, 5); err != nil {
			oneSentence(t, err)
		} else {
			require.True(t, fine(from.Amperes) && fine(from.Share) && from.Share <= 1, "%+v", from)
		}
		for _, name := range []string{"area", "part"} {
			if c := caught(t, "plan", "--"+name+"="+s); c != nil {
				parts, err := planParts(c)
				if err != nil {
					oneSentence(t, err)
					continue
				}
				require.Len(t, parts, 1)
				require.True(t, fine(parts[0].Area) && fine(parts[0].UArea) && parts[0].Area > 0, "%+v", parts[0])
				require.True(t, strings.HasPrefix(strings.Join(strings.Fields(s), " "), parts[0].Name))
			}
		}
		if c := caught(t, "dose", "--target="+s, "--only="+s); c != nil {
			o, err := doseOptions(c, &estimate.Estimate{Recipe: r})
			if err != nil {
				oneSentence(t, err)
			}
			for _, x := range o.Target {
				require.True(t, fine(x), x)
			}
		}
		if c := caught(t, "dose", "--weighed="+s, "--as-planned"); c != nil {
			amounts, lots, level, err := weighedForMakeUp(c, plan)
			if err != nil {
				oneSentence(t, err)
			} else {
				given := len(amounts)
				if level.Given() {
					given++
					require.Positive(t, level.Value("L"))
				}
				require.LessOrEqual(t, given, 1)
				require.Positive(t, given+len(lots), "%q counts for nothing", s)
				fill, _, err := plan.Fill(amounts, level)
				if err == nil {
					require.True(t, fine(fill.Volume.Value("L")))
					for name, m := range fill.Composition {
						require.True(t, fine(m.Number.Float()), "%s %s", name, m)
					}
				} else {
					require.NotEmpty(t, err.Error())
				}
			}
		}
		if steps, err := whatIfSteps([]string{s}, r); err != nil {
			oneSentence(t, err)
		} else {
			require.Len(t, steps, 1)
			require.True(t, fine(steps[0].Amount) && fine(steps[0].Bail) && steps[0].Amount+steps[0].Bail > 0, "%+v", steps[0])
		}
		for _, flag := range []string{"opened", "expires"} {
			day, err := bottleDate(flag, s, tankAt, time.UTC)
			if err != nil {
				oneSentence(t, err)
				continue
			}
			again, err := bottleDate(flag, day, tankAt, time.UTC)
			require.NoError(t, err)
			require.Equal(t, day, again)
		}
	})
}
