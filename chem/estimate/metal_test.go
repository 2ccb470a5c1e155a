package estimate

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

// anyMetal draws what can move metal or say where it is.
func anyMetal(t *rapid.T) chem.Body {
	kg := func(label string) chem.Measured {
		return chem.MeasuredOf(rapid.Float64Range(0.05, 4).Draw(t, label), "kg", 0)
	}
	name := rapid.SampledFrom([]string{"a", "b", "c"})
	switch rapid.IntRange(0, 9).Draw(t, "metal") {
	case 0:
		return chem.Fill{Volume: chem.MeasuredOf(rapid.Float64Range(40, 62).Draw(t, "filled"), "L", 0.5), Composition: map[string]chem.Measured{
			"copper": chem.MeasuredOf(rapid.Float64Range(30, 60).Draw(t, "with"), "g/L", 0)}}
	case 1:
		return chem.Hang{Anode: name.Draw(t, "hung"), Form: "slab"} // its mass unknown
	case 2:
		return chem.Hang{Anode: name.Draw(t, "hung"), Form: "slab", Mass: kg("light")}
	case 3:
		return chem.Weigh{Anode: name.Draw(t, "weighed"), Mass: kg("weighs")}
	case 4:
		return chem.Pull{Anode: name.Draw(t, "pulled"), Mass: kg("left")}
	case 5, 6:
		return anyReading(t)
	}
	return happening(t)
}

func anyMetalLog(t *rapid.T) *log {
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: movingRecipe})
	for range rapid.IntRange(1, 40).Draw(t, "facts") {
		l.after(rapid.SampledFrom([]float64{0, 0, 0.01, 1, 7, 40}).Draw(t, "days"))
		l.do(anyMetal(t))
	}
	return l
}

func accountOf(t require.TestingT, g *Ledger, name string) Account {
	for _, a := range g.Accounts {
		if a.Name == name {
			return a
		}
	}
	require.Fail(t, "no account "+name)
	return Account{}
}

// Whatever is written down, every account closes, what leaves one enters another,
// the closing balances are those of the estimate, and the books of one month open
// with what those of the month before closed with.
func TestMetalBookClosesForAnyJournal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := anyMetalLog(t)
		b, err := Open(l.facts)
		require.NoError(t, err)
		whole, err := b.Ledger(time.Time{}, l.now)
		require.NoError(t, err)
		closes(t, whole)
		e, err := b.At(l.now, Options{})
		require.NoError(t, err)
		near := func(want, got float64, what string) {
			require.InDelta(t, want, got, 1e-9*math.Max(1, math.Abs(want)), what)
		}
		near(e.run.s.x(e.run.l.metal), accountOf(t, whole, InBath).Closing.Value, "bath")
		near(e.run.s.sd(e.run.l.metal), accountOf(t, whole, InBath).Closing.U, "its uncertainty")
		anodes := 0.0
		for _, a := range e.Anodes {
			if !math.IsNaN(a.Mass) {
				anodes += 1000 * a.Mass
			}
		}
		near(anodes, accountOf(t, whole, InAnodes).Closing.Value, "anodes")

		cut := l.facts[rapid.IntRange(0, len(l.facts)-1).Draw(t, "fact")].Time.Add(time.Duration(rapid.IntRange(0, 30).Draw(t, "hours later")) * time.Hour)
		if cut.Before(b.Began) || cut.After(l.now) {
			return
		}
		earlier, err := b.Ledger(time.Time{}, cut)
		require.NoError(t, err)
		later, err := b.Ledger(cut, l.now)
		require.NoError(t, err)
		closes(t, earlier)
		closes(t, later)
		// What was written down before the bath was filled is not in the books.
		if first := b.firstFilling(); first >= 0 && !cut.After(b.Facts[first].Time) {
			return
		}
		// A reading that waited then may have been decided since.
		then, err := b.At(cut, Options{})
		require.NoError(t, err)
		for id, v := range then.run.status {
			if e.run.status[id] != v {
				return
			}
		}
		for _, name := range []string{InAnodes, InBath, OnParts, Out} {
			a, z := accountOf(t, later, name).Opening, accountOf(t, earlier, name).Closing
			near(z.Value, a.Value, name)
			near(z.U, a.U, name)
		}
	})
}

// closes checks opening + in - out + corrected = closing, and that each posting
// stands on both sides.
func closes(t require.TestingT, g *Ledger) {
	in, out := map[string]float64{}, map[string]float64{}
	for _, p := range g.Postings {
		require.NotEqual(t, p.From, p.To)
		require.False(t, math.IsNaN(p.Posted.U) || math.IsNaN(p.Now.U), "%+v", p)
		require.GreaterOrEqual(t, p.Posted.Value, 0.0, p.Cause)
		out[p.From] += p.Posted.Value
		in[p.To] += p.Posted.Value
	}
	size := 1.0
	for _, a := range g.Accounts {
		size = math.Max(size, math.Max(math.Abs(a.Opening.Value)+a.In.Value, math.Abs(a.Closing.Value)))
	}
	for _, a := range g.Accounts {
		require.InDelta(t, a.Closing.Value, a.Opening.Value+a.In.Value-a.Out.Value+a.Corrected.Value, 1e-9*size, a.Name)
		require.InDelta(t, in[a.Name], a.In.Value, 1e-6*size, "into %s", a.Name) // postings of nothing are left out
		require.InDelta(t, out[a.Name], a.Out.Value, 1e-6*size, "out of %s", a.Name)
		sum := 0.0
		for _, c := range g.Corrections {
			if c.Account == a.Name {
				sum += c.Value
			}
		}
		if a.Name != Out {
			require.InDelta(t, a.Corrected.Value, sum, 1e-9*size, "corrections of %s", a.Name)
		}
	}
}

// Without readings the books are plain sums: what is hung, added, bailed and plated
// comes to what was written down. 2 electrons an ion, 63.546 g/mol (IUPAC 2021) and
// 26.8015 Ah/mol (CODATA 2018) make 1.18549 g/Ah.
func TestMetalBookOfPlainFacts(t *testing.T) {
	l := newLog(with(plainRecipe, "sludge = [0.02, 0]", "cathode_efficiency = [0.95, 0]"), 0)
	l.do(chem.Hang{Anode: "a", Mass: stated(2, "kg", 0), Form: "slab"})
	l.after(1).plate(100)
	l.after(1).do(chem.Add{Material: "copper sulfate pentahydrate", Amount: stated(0.4, "kg", 0)})
	l.after(1).do(chem.Bail{Volume: stated(3, "L", 0)})
	l.after(1).do(chem.Pull{Anode: chem.AllAnodes})
	g, err := l.open(t).Ledger(time.Time{}, l.now)
	require.NoError(t, err)
	const dissolved = 100 * 1.18549
	copper := 3000 + 0.05*dissolved + 0.4*254.5
	bailed := copper * 3 / (60 + 0.4*0.38)
	want := map[string]float64{
		"dissolved by current": dissolved, "sludge": dissolved * 0.02 / 0.98, string(causeParts): 0.95 * dissolved,
		string(causeHung): 2000, string(causePulled): 2000 - dissolved/0.98, "copper sulfate pentahydrate added": 101.8, string(causeBail): bailed,
	}
	got := map[string]float64{}
	for _, p := range g.Postings {
		got[p.Cause] = p.Posted.Value
	}
	assert.Len(t, got, len(want), "%v", got)
	for cause, v := range want {
		assert.InEpsilon(t, v, got[cause], 1e-5, cause)
	}
	assert.InEpsilon(t, 3000, accountOf(t, g, InBath).Opening.Value, 1e-9)
	assert.InEpsilon(t, copper-bailed, accountOf(t, g, InBath).Closing.Value, 1e-5)
	assert.Zero(t, accountOf(t, g, InAnodes).Closing.Value)
	assert.Zero(t, g.Open.Value)
}

// On simulated baths the accounts agree with the truth within their stated
// uncertainties about as often as stated, and what does not close is nothing
// unless something was left unwritten.
func TestMetalBookAgainstTruth(t *testing.T) {
	const baths = 30
	for _, name := range []string{"60 L", "200 L", "priors off", "idle gaps"} {
		in, n := map[string]int{}, map[string]int{}
		count := func(what string, s Sum, truth float64) {
			n[what]++
			if math.Abs(s.Value-truth) <= z90*s.U+1e-9 {
				in[what]++
			}
		}
		for seed := range uint64(baths) {
			b, sim, err := groupOf(t, name).of(200, freshSeed+seed)
			require.NoError(t, err)
			last := sim.Last()
			from := last.Time.AddDate(0, 0, -90)
			g, err := b.Ledger(time.Time{}, last.Time)
			require.NoError(t, err)
			against(g, simulate.Truth{}, last, count)
			count("open", g.Open, 0)
			g, err = b.Ledger(from, last.Time)
			require.NoError(t, err)
			against(g, sim.At(from), last, count)
			count("open", g.Open, 0)
		}
		all, held := 0, 0
		for what := range n {
			all, held = all+n[what], held+in[what]
			share := 100 * float64(in[what]) / float64(n[what])
			t.Logf("%-10s %-32s %3d %5.1f %%", name, what, n[what], share)
			assert.GreaterOrEqual(t, share, 80.0, "%s, %s", name, what)
		}
		share := 100 * float64(held) / float64(all)
		t.Logf("%-10s %-32s %3d %5.1f %%", name, "all", all, share)
		assert.Greater(t, share, 84.0, name)
		assert.Less(t, share, 98.0, name)
	}
}

// against compares what is known of single flows and balances.
func against(g *Ledger, was, is simulate.Truth, count func(string, Sum, float64)) {
	anodes := 0.0
	for _, kg := range is.Anodes {
		anodes += 1000 * kg
	}
	for _, a := range g.Accounts {
		switch a.Name {
		case InAnodes:
			count("anodes", a.Closing, anodes)
		case InBath:
			count("bath", a.Closing, is.Amount["copper"])
		case OnParts:
			count("parts", a.Closing, is.Metal.Plated)
		}
	}
	before, after := was.Books["copper"], is.Books["copper"]
	truth := map[string]float64{string(causeParts): is.Metal.Plated - was.Metal.Plated, string(causeDragOut): after.DraggedOut - before.DraggedOut}
	for _, p := range g.Postings {
		if v, ok := truth[p.Cause]; ok {
			count(p.Cause+", by the log", p.Posted, v)
			count(p.Cause+", as read since", p.Now, v)
		}
	}
}

// What nobody wrote down does not close: an addition is found as metal that came,
// by about as much as it was.
func TestMetalBookFindsWhatNobodyWroteDown(t *testing.T) {
	const baths = 30
	found := 0
	for seed := range uint64(baths) {
		b, sim, err := groupOf(t, "unlogged").of(200, freshSeed+seed)
		require.NoError(t, err)
		g, err := b.Ledger(time.Time{}, sim.Last().Time)
		require.NoError(t, err)
		if g.Open.Value > 2*g.Open.U {
			found++
		}
	}
	assert.GreaterOrEqual(t, found, baths*6/10, "of %d", baths)
}

func TestMetalBookOfHardCases(t *testing.T) {
	t.Run("no anode was ever hung", func(t *testing.T) {
		l := newLog(movingRecipe, 0.01)
		l.after(3).plate(50)
		g, err := l.open(t).Ledger(time.Time{}, l.now)
		require.NoError(t, err)
		closes(t, g)
		assert.False(t, g.Weighed)
		a := accountOf(t, g, InAnodes)
		assert.Zero(t, a.Opening.Value+a.In.Value+a.Out.Value+a.Closing.Value)
		byCause := map[string]Posting{}
		for _, p := range g.Postings {
			byCause[p.Cause] = p
		}
		assert.InEpsilon(t, 0.998*1.01*50*1.18549, byCause["anodes that nobody weighed, by current"].Posted.Value, 1e-4)
		assert.Equal(t, Out, byCause["anodes that nobody weighed, by current"].From)
		assert.NotContains(t, byCause, "sludge")
	})
	t.Run("one of two anodes was weighed", func(t *testing.T) {
		l := newLog(with(plainRecipe, "sludge = [0.02, 0]"), 0)
		l.do(chem.Hang{Anode: "a", Mass: stated(2, "kg", 0), Form: "slab"})
		l.do(chem.Hang{Anode: "b", Form: "slab"})
		l.after(1).plate(100)
		g, err := l.open(t).Ledger(time.Time{}, l.now)
		require.NoError(t, err)
		closes(t, g)
		for _, p := range g.Postings {
			switch p.Cause {
			case "dissolved by current", "anodes that nobody weighed, by current":
				assert.InEpsilon(t, 50*1.18549, p.Posted.Value, 1e-5, p.Cause)
			case "sludge":
				assert.InEpsilon(t, 50*1.18549*0.02/0.98, p.Posted.Value, 1e-5)
			}
		}
	})
	t.Run("inert anodes hold no metal", func(t *testing.T) {
		text := with(movingRecipe, `anodes = "inert"`)
		for _, key := range []string{"anode_efficiency", "dissolution"} { // inert ones have none
			text = strings.Replace(with(text, key+" = [0, 0]"), key+" = [0, 0]\n", "", 1)
		}
		l := newLog(text, 0.01)
		l.do(chem.Hang{Anode: "mesh", Mass: stated(1, "kg", 0), Form: "inert"})
		l.after(3).plate(50)
		g, err := l.open(t).Ledger(time.Time{}, l.now)
		require.NoError(t, err)
		closes(t, g)
		assert.Zero(t, accountOf(t, g, InAnodes).In.Value)
		for _, p := range g.Postings {
			assert.NotEqual(t, InAnodes, p.From, p.Cause)
			assert.NotContains(t, p.Cause, "anodes")
		}
	})
	t.Run("what was not believed is not counted, and named", func(t *testing.T) {
		l := newLog(movingRecipe, 0.01)
		l.do(chem.Hang{Anode: "a", Mass: stated(2, "kg", 0.001), Form: "slab"})
		l.after(1).do(chem.Plate{Part: "leaf", Charge: chem.MeasuredOf(10, "Ah", 0), Gain: chem.MeasuredOf(9, "g", 0)})
		l.after(1).do(chem.Weigh{Anode: "a", Mass: stated(2.3, "kg", 0.001)})
		g, err := l.open(t).Ledger(time.Time{}, l.now)
		require.NoError(t, err)
		closes(t, g)
		require.Len(t, g.Gains, 1)
		assert.Equal(t, "leaf", g.Gains[0].Subject)
		require.Len(t, g.Uncounted, 1)
		assert.Equal(t, Held, g.Uncounted[0].Fate)
		assert.Less(t, accountOf(t, g, InAnodes).Closing.Value, 2000.0)
		// A second weighing that agrees makes it metal that came without a word.
		l.after(0.1).do(chem.Weigh{Anode: "a", Mass: stated(2.3, "kg", 0.001)})
		g, err = l.open(t).Ledger(time.Time{}, l.now)
		require.NoError(t, err)
		closes(t, g)
		assert.Empty(t, g.Uncounted)
		assert.InDelta(t, 2300, accountOf(t, g, InAnodes).Closing.Value, 3)
		found := Posting{}
		for _, p := range g.Postings {
			if p.Unlogged && p.To == InAnodes {
				found = p
			}
		}
		assert.InDelta(t, 313, found.Now.Value, 8, "beside the 12 g that went by charge and some by air")
		assert.Greater(t, g.Open.Value, 5*g.Open.U)
	})
	t.Run("moments that do not fit", func(t *testing.T) {
		l := newLog(movingRecipe, 0.01)
		l.after(3).plate(50)
		b := l.open(t)
		_, err := b.Ledger(monday.AddDate(0, 0, -1), l.now)
		assert.ErrorContains(t, err, "begins on 2025-01-06, after 2025-01-05")
		_, err = b.Ledger(time.Time{}, monday.AddDate(0, 0, -1))
		assert.ErrorContains(t, err, "begins on")
		_, err = b.Ledger(l.now, monday)
		assert.ErrorContains(t, err, "cannot close on 2025-01-06 before they open on 2025-01-09")
		g, err := b.Ledger(l.now, l.now)
		require.NoError(t, err)
		assert.Empty(t, g.Postings)
		closes(t, g)
	})
	t.Run("a bath is emptied and filled anew", func(t *testing.T) {
		l := newLog(plainRecipe, 0)
		l.after(3).plate(50)
		l.after(1).do(chem.Fill{Volume: stated(50, "L", 0), Composition: map[string]chem.Measured{"copper": stated(40, "g/L", 0)}})
		g, err := l.open(t).Ledger(time.Time{}, l.now)
		require.NoError(t, err)
		closes(t, g)
		for _, p := range g.Postings {
			switch p.Cause {
			case string(causeEmptied):
				assert.InEpsilon(t, 3000, p.Posted.Value, 1e-9)
			case string(causeFill):
				assert.InEpsilon(t, 2000, p.Posted.Value, 1e-9)
			}
		}
		assert.Len(t, g.Postings, 4, "with what anodes gave and parts took")
	})
	for _, name := range recipe.Shipped() {
		t.Run(name, func(t *testing.T) {
			text, ok := recipe.ShippedText(name)
			require.True(t, ok)
			r, err := recipe.Parse(name, text)
			require.NoError(t, err)
			l := &log{now: monday}
			l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: string(text)})
			metal, _ := r.WithRole(chem.RoleMetal)
			l.after(2).plate(20)
			l.after(2).assay(metal.Name, 0.95*metal.Target, metal.Unit, 0.01*metal.Target)
			g, err := l.open(t).Ledger(time.Time{}, l.now)
			require.NoError(t, err)
			closes(t, g)
			assert.Equal(t, metal.Name, g.Metal)
			grams, err := metal.Unit.Convert(0.95*metal.Target*60, "g/L")
			require.NoError(t, err)
			assert.InEpsilon(t, grams, accountOf(t, g, InBath).Closing.Value, 0.1)
			// Charge times equivalent: the book counts in g whatever the unit is.
			assert.InEpsilon(t, r.Prior.CathodeEfficiency.Value*20*metal.MolarMass/(float64(r.Charge)*chem.FaradayAh), accountOf(t, g, OnParts).Closing.Value, 0.05)
		})
	}
}

// Nuggets put into a basket are metal on top of what hangs, as unsure as both, and
// the most it ever held is what it counts as full.
func TestABasketIsToppedUp(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	l.do(chem.Hang{Anode: "basket", Mass: chem.MeasuredOf(2, "kg", 0.003), Form: "nuggets"})
	l.after(1).do(chem.Plate{Charge: chem.MeasuredOf(300, "Ah", 0)})
	before := l.ask(t).Anodes[0]
	l.after(0.01).do(chem.Hang{Anode: "basket", Mass: chem.MeasuredOf(0.2, "kg", 0.004), TopUp: true})
	a := l.ask(t).Anodes[0]
	require.InDelta(t, before.Mass+0.2, a.Mass, 1e-3)
	require.InDelta(t, math.Hypot(before.U, 0.004), a.U, 2e-4)
	require.Equal(t, 2.0, a.Started)
	l.after(0.01).do(chem.Hang{Anode: "basket", Mass: chem.MeasuredOf(1, "kg", 0.004), TopUp: true})
	a = l.ask(t).Anodes[0]
	require.InDelta(t, a.Mass, a.Started, 1e-3, "fuller than ever")
	require.Greater(t, a.Started, 2.5)
}
