package estimate

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
)

// everyKind is a log with every kind of fact that says or does something about the
// metal, and with readings that were held, dropped, confirmed, and that made the
// run go back; at is a moment in the middle of it. All numbers are invented.
func everyKind() (l *log, at time.Time) {
	l = newLog(movingRecipe, 0.01)
	kg := func(v float64) chem.Measured { return chem.MeasuredOf(v, "kg", 0.002) }
	back := chem.Sample{Returned: true}
	l.do(chem.Hang{Anode: "a", Mass: kg(2.5), Form: "slab", Area: chem.MeasuredOf(6, "dm2", 0)})
	l.do(chem.Hang{Anode: "basket", Mass: kg(1.5), Form: "nuggets", Area: chem.MeasuredOf(5, "dm2", 0)})
	l.do(chem.Meter{Supply: "s", Reading: chem.MeasuredOf(100, "Ah", 0)})
	edta := func(v float64, lot string) {
		l.do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(v, "g/L", 0.3), ULot: "0.2", Titration: &chem.Titration{Titrant: "EDTA", Lot: lot}})
	}
	week := func(copper, acid, level float64) {
		l.after(1.3).plate(22)
		l.after(1.1).do(chem.Plate{Charge: chem.MeasuredOf(12, "Ah", 0.2), Hours: "4", Area: chem.MeasuredOf(3, "dm2", 0)})
		l.after(2.2).do(chem.Add{Material: "deionised water", Amount: chem.MeasuredOf(1.9, "L", 0)})
		l.after(1.4).level(level, 0.3)
		edta(copper, "first")
		l.assay("sulfuric acid", acid, "g/L", 0.6)
		l.after(1)
	}
	week(50.4, 59.6, 59.8)
	week(50.9, 59.0, 59.7)
	l.do(chem.Meter{Supply: "s", Reading: chem.MeasuredOf(180, "Ah", 0)})
	l.do(chem.Weigh{Anode: "a", Mass: kg(2.44)})
	l.do(chem.Plate{Charge: chem.MeasuredOf(10, "Ah", 0), Gain: chem.MeasuredOf(11.7, "g", 0.05)})
	l.do(chem.Add{Material: "copper sulfate pentahydrate", Amount: chem.MeasuredOf(0.2, "kg", 0)})
	l.do(chem.Add{Material: "sulfuric acid 96 %", Amount: chem.MeasuredOf(50, "mL", 0)})
	week(51.9, 59.8, 59.6)
	l.after(0.5).do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(65, "g/L", 0.3), Sample: back}) // a blunder
	week(52.0, 59.4, 59.5)
	l.do(chem.Panel{Of: "brightener", Pattern: chem.PatternRight})
	l.do(chem.Treat{With: chem.TreatDummy, Amount: chem.MeasuredOf(6, "Ah", 0), Hours: "3"})
	l.do(chem.Treat{With: chem.TreatCarbon})
	l.do(chem.Hang{Anode: "b", Form: "slab", Area: chem.MeasuredOf(6, "dm2", 0)}) // of unknown mass
	week(52.3, 59.0, 59.4)
	l.do(chem.Weigh{Anode: "b", Mass: kg(1.8)})
	at = l.now.Add(31 * time.Hour)
	week(57.5, 58.7, 59.4) // copper came without a word
	week(57.9, 58.3, 59.3)
	l.do(chem.Hang{Anode: "basket", Mass: kg(0.4), Form: "nuggets", TopUp: true})
	l.do(chem.Setting{Key: "prior.evaporation", Value: chem.MeasuredOf(0.28, "", 0.02)})
	l.do(chem.Bail{Volume: chem.MeasuredOf(2, "L", 0)})
	l.do(chem.Pull{Anode: "a", Mass: kg(2.36)})
	for i := range 12 { // the anodes polarise
		fall := 0.9 * float64(i)
		week(56.0-fall, 60.3+1.3*fall, 57.4-0.02*fall)
	}
	l.do(chem.Assay{Of: "density", Value: chem.MeasuredOf(1.14, "g/cm3", 0.001), Sample: back})
	l.do(chem.Pull{Anode: chem.AllAnodes})
	l.after(2).plate(5)
	l.after(1).do(chem.Fill{Volume: chem.MeasuredOf(58, "L", 0.3), Origin: chem.OriginMakeUp, Composition: map[string]chem.Measured{
		"copper": chem.MeasuredOf(49, "g/L", 0.5), "sulfuric acid": chem.MeasuredOf(61, "g/L", 0.6)}})
	l.do(chem.Hang{Anode: "a", Mass: kg(2.36), Form: "slab", Area: chem.MeasuredOf(6, "dm2", 0)})
	week(49.3, 60.6, 57.9)
	l.do(chem.Hang{Anode: "a", Mass: kg(3), Form: "slab"}) // another in its place
	week(49.6, 60.1, 57.8)
	l.after(1).copper(45) // held to the end
	return l, at
}

// sums writes all numbers of a ledger by what they are.
func sums(g *Ledger) map[string]Sum {
	out := map[string]Sum{"open": g.Open}
	for _, a := range g.Accounts {
		out[a.Name+", opening"], out[a.Name+", in"], out[a.Name+", out"] = a.Opening, a.In, a.Out
		out[a.Name+", corrected"], out[a.Name+", closing"] = a.Corrected, a.Closing
	}
	for _, p := range g.Postings {
		name := p.From + " to " + p.To + ", " + p.Cause
		out[name+", posted"], out[name+", now"] = p.Posted, p.Now
	}
	for _, c := range g.Corrections {
		out[c.Account+" by "+c.Readings] = c.Sum
	}
	return out
}

// sameSums compares to 1e-9, relative to the number and its uncertainty or to what
// large ones leave of rounding.
func sameSums(t failer, want, got map[string]Sum) {
	for name := range got {
		assert.Contains(t, want, name)
	}
	for name, w := range want {
		g, ok := got[name]
		if !assert.True(t, ok, name) {
			continue
		}
		near := 1e-9 * math.Max(1, math.Max(math.Abs(w.Value), w.U))
		assert.InDelta(t, w.Value, g.Value, near, name)
		assert.InDelta(t, w.U, g.U, near, "uncertainty of "+name)
	}
}

// The book of every kind of fact comes to what it came to when it was kept the slow,
// plain way, which knew nothing of what follows here: every sum a place of the
// filter's state, carried and corrected by the filter itself, in a second pass
// through facts whose readings had all been decided.
func TestMetalBookIsThatOfTheFilter(t *testing.T) {
	l, at := everyKind()
	b := l.open(t)
	e := l.ask(t)
	fates, opened := map[Fate]int{}, 0
	for _, rd := range e.Readings {
		fates[rd.Fate]++
	}
	for _, v := range e.run.status {
		if v.opened != 0 {
			opened++
		}
	}
	for _, f := range []Fate{Used, Held, Dropped, Confirmed} {
		require.Positive(t, fates[f], "a reading that is %s", f)
	}
	require.Positive(t, opened, "a rate that changed")
	for _, c := range []struct {
		from  time.Time
		plain string
	}{{time.Time{}, plainFromBeginning}, {at, plainFromLater}} {
		g, err := b.Ledger(c.from, l.now)
		require.NoError(t, err)
		closes(t, g)
		want := map[string]Sum{}
		for line := range strings.Lines(strings.TrimSpace(c.plain)) {
			part := strings.Split(strings.TrimSpace(line), " | ")
			require.Len(t, part, 3, line)
			v, err := strconv.ParseFloat(part[1], 64)
			require.NoError(t, err)
			u, err := strconv.ParseFloat(part[2], 64)
			require.NoError(t, err)
			want[part[0]] = Sum{v, u}
		}
		sameSums(t, want, sums(g))
	}
}

// The book that goes back whenever the run does is the one that follows a second
// run, whose readings have all been decided.
func TestMetalBookGoesBack(t *testing.T) {
	again := func(b *Bath, from, to time.Time) *book {
		first := b.start()
		first.through(0, to)
		k := newBook(b)
		r := b.start()
		r.replay, r.status = true, first.status
		k.follow(r)
		k.from = from
		filling := b.firstFilling()
		if from.IsZero() && filling < 0 {
			k.start(true)
		}
		for i, f := range b.Facts {
			if !f.Time.After(to) {
				k.take(i, filling)
			}
		}
		if !k.opened {
			r.advance(maxTime(from, r.now))
			k.start(from.IsZero())
		}
		r.advance(to)
		return k
	}
	check := func(t failer, l *log, from time.Time) {
		b, err := Open(l.facts)
		require.NoError(t, err)
		g, err := b.Ledger(from, l.now)
		if err != nil {
			return // from before the beginning
		}
		k := again(b, from, l.now)
		want := &Ledger{Bath: b, From: k.from, To: l.now}
		k.close(want, k.opening)
		sameSums(t, sums(want), sums(g))
	}
	l, at := everyKind()
	check(t, l, time.Time{})
	check(t, l, at)
	rapid.Check(t, func(t *rapid.T) {
		l := anyMetalLog(t)
		check(t, l, time.Time{})
		check(t, l, l.facts[rapid.IntRange(0, len(l.facts)-1).Draw(t, "from")].Time.Add(5*time.Hour))
	})
}

// In g: value and standard uncertainty.
const plainFromBeginning = `
anodes by copper | 26.06361662139 | 31.62657333404
anodes by other readings | 0.01192479789081 | 0.01085288909534
anodes by sulfuric acid | 49.38859815473 | 38.07316406653
anodes by volume | 5.902343444595 | 7.962918029089
anodes by weighed anodes | 19.03758818127 | 17.43782661184
anodes by weighed parts | 0.209974740756 | 1.766553392987
anodes to bath, dissolved by air, now | 20.87415729234 | 98.04034793087
anodes to bath, dissolved by air, posted | 159.1102418191 | 103.0226300457
anodes to bath, dissolved by current, now | 332.4892729666 | 97.37333386646
anodes to bath, dissolved by current, posted | 297.4243136714 | 110.2168092957
anodes to out, anodes pulled, now | 5926.85500898 | 17.9670372019
anodes to out, anodes pulled, posted | 5913.478178344 | 18.14164508373
anodes to out, sludge, now | 2.214699195666 | 4.556134057201
anodes to out, sludge, posted | 1.781280590912 | 4.573898567606
anodes, closing | 2994.028162198 | 6.021319440109
anodes, corrected | 100.6140459406 | 53.1075573911
anodes, in | 9265.208130683 | 15.22482570188
anodes, opening | 0 | 0
anodes, out | 6371.794014425 | 56.39088058242
bath by copper | 50.08293569666 | 49.27223096081
bath by other readings | 0.03610854847018 | 0.0328627852253
bath by sulfuric acid | -60.13338194327 | 32.03554075812
bath by volume | -12.63606754651 | 40.25241008751
bath by weighed anodes | -9.518732859997 | 8.718857220601
bath by weighed parts | 0.01468269899479 | 0.1235280569179
bath to out, bailed out, now | 114.2532395063 | 3.481999660059
bath to out, bailed out, posted | 116.1860699443 | 3.549978544672
bath to out, drag-out, now | 26.0261645938 | 18.54557453564
bath to out, drag-out, posted | 24.17603697179 | 21.06811560188
bath to out, emptied out for a new filling, now | 2628.773021792 | 14.38928361299
bath to out, emptied out for a new filling, posted | 2632.646922244 | 14.62328061588
bath to out, samples, now | 34.98070680412 | 2.916988038436
bath to out, samples, posted | 35.59329546486 | 2.949503668395
bath to parts, plated onto parts, now | 862.6563296133 | 5.593250674544
bath to parts, plated onto parts, posted | 862.6485612007 | 5.926631042403
bath, closing | 2821.485179759 | 16.87200699875
bath, corrected | -32.15445540566 | 71.76572959116
bath, in | 3524.89052099 | 66.53108243017
bath, opening | 3000 | 42.42640687119
bath, out | 3671.250885825 | 23.61885988173
open | 293.3575787351 | 54.64923832932
out to anodes, a change without a word, now | 71.01554283505 | 12.70709192445
out to anodes, a change without a word, posted | 71.01554283505 | 12.70709192445
out to anodes, anodes hung, now | 8159.544083291 | 3.919129342012
out to anodes, anodes hung, posted | 8160 | 4
out to anodes, baskets topped up, now | 1045.901674506 | 6.726064191693
out to anodes, baskets topped up, posted | 1034.192587848 | 7.286219789316
out to bath, a change without a word, now | 153.8746769525 | 24.38586061353
out to bath, a change without a word, posted | 153.8746769525 | 24.38586061353
out to bath, anodes that nobody weighed, by air, now | 0.8484088562182 | 3.270138145843
out to bath, anodes that nobody weighed, by air, posted | 6.154833625222 | 3.532786028463
out to bath, anodes that nobody weighed, by current, now | 19.42912032137 | 3.140087691589
out to bath, anodes that nobody weighed, by current, posted | 15.42645492143 | 3.294369239347
out to bath, copper sulfate pentahydrate added, now | 50.92951212609 | 0.6359705174458
out to bath, copper sulfate pentahydrate added, posted | 50.9 | 0.63625
out to bath, filling, now | 2893.405696894 | 17.69067959893
out to bath, filling, posted | 2842 | 32.51292050862
out, closing | -3661.941112376 | 19.31965586333
out, corrected | -52.23879975368 | 32.27986973626
out, in | 8723.86178356 | 29.94701453224
out, opening | 0 | 0
out, out | 12333.56409618 | 40.13200588836
parts by copper | 0.06597277261001 | 0.085264382888
parts by other readings | -0.00264121202266 | 0.002403795973877
parts by sulfuric acid | 0.1549129114531 | 0.0999317946428
parts by volume | 0.04722328295099 | 0.04118261852976
parts by weighed anodes | -0.02535661822381 | 0.02322585759495
parts by weighed parts | -0.2323427241688 | 1.954739061652
parts, closing | 862.6563296133 | 5.593250674544
parts, corrected | 0.007768412598798 | 1.959719981141
parts, in | 862.6485612007 | 5.926631042403
parts, opening | 0 | 0
parts, out | 0 | 0
`

const plainFromLater = `
anodes by copper | 30.24796389305 | 29.23228141787
anodes by sulfuric acid | 63.25059059853 | 35.7528421933
anodes by volume | 6.903791577924 | 6.720861545476
anodes to bath, dissolved by air, now | 11.60340893912 | 74.24819191942
anodes to bath, dissolved by air, posted | 100.2460664462 | 75.73527983987
anodes to bath, dissolved by current, now | 107.3552086759 | 77.03122723435
anodes to bath, dissolved by current, posted | 88.4228312122 | 91.23191577577
anodes to out, anodes pulled, now | 5926.85503347 | 17.96704045015
anodes to out, anodes pulled, posted | 5913.478185968 | 18.14164877105
anodes to out, sludge, now | 0.8052234953084 | 1.883224199632
anodes to out, sludge, posted | 0.6031018500384 | 1.898655890551
anodes, closing | 2994.028162708 | 6.021319391795
anodes, corrected | 100.4023460695 | 46.66864023845
anodes, in | 3465.20812813 | 14.72484815715
anodes, opening | 5531.167873985 | 13.77064051941
anodes, out | 6102.750185476 | 48.55360780798
bath by copper | 39.76646823285 | 43.0621771395
bath by sulfuric acid | -66.3564052741 | 31.5500413203
bath by volume | -15.5416731848 | 13.72908471732
bath to out, anodes that nobody weighed, by current, now | -0.7986686494631 | 1.014633499812
bath to out, anodes that nobody weighed, by current, posted | 1.955530435896 | 1.158559966367
bath to out, bailed out, now | 114.2532391896 | 3.481999605798
bath to out, bailed out, posted | 116.1860690845 | 3.54997836601
bath to out, drag-out, now | 19.44986944307 | 13.89739934377
bath to out, drag-out, posted | 16.21060526497 | 15.41772552206
bath to out, emptied out for a new filling, now | 2628.773020637 | 14.38928361712
bath to out, emptied out for a new filling, posted | 2632.646921146 | 14.6232806158
bath to out, samples, now | 16.4406540732 | 0.8291715148714
bath to out, samples, posted | 16.50016643456 | 0.8295273710752
bath to parts, plated onto parts, now | 642.6015683163 | 4.204433988303
bath to parts, plated onto parts, posted | 642.4404180316 | 4.205039024803
bath, closing | 2821.485178852 | 16.87200697954
bath, corrected | -42.13161022605 | 55.12026827295
bath, in | 3185.31847367 | 59.91511153258
bath, opening | 3104.238025806 | 17.83289609391
bath, out | 3425.939710398 | 19.08274077405
open | 283.5039546434 | 37.66512851237
out to anodes, a change without a word, now | 71.01554076209 | 12.70709190207
out to anodes, a change without a word, posted | 71.01554076209 | 12.70709190207
out to anodes, anodes hung, now | 2360 | 2
out to anodes, anodes hung, posted | 2360 | 2
out to anodes, baskets topped up, now | 1045.901673821 | 6.726064124567
out to anodes, baskets topped up, posted | 1034.192587368 | 7.286219693327
out to bath, a change without a word, now | 153.8747371172 | 24.38587670588
out to bath, a change without a word, posted | 153.8747371172 | 24.38587670588
out to bath, anodes that nobody weighed, by air, now | 0.1171438226279 | 0.7861334531812
out to bath, anodes that nobody weighed, by air, posted | 0.774838894355 | 0.7974389893182
out to bath, filling, now | 2893.40569936 | 17.69067955141
out to bath, filling, posted | 2842 | 32.51292050862
out, closing | -3661.941127439 | 19.31965638781
out, corrected | -50.72874258979 | 32.20767069029
out, in | 8697.580580184 | 25.98386814275
out, opening | -5846.935260891 | 8.301872850446
out, out | 6461.857704142 | 40.07209319065
parts by copper | 0.07878455784632 | 0.07318927772081
parts by sulfuric acid | 0.2114622802811 | 0.08972480021233
parts by volume | 0.05269408246077 | 0.03416800731099
parts, closing | 862.6563292966 | 5.593250677632
parts, corrected | 0.3429409205882 | 0.1207255684188
parts, in | 642.4404180316 | 4.205039024803
parts, opening | 219.8729703444 | 1.520022998713
parts, out | 0 | 0
`
