package dose

import (
	"fmt"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/hazard"
)

// Step is one thing done to a bath in thought.
type Step struct {
	Material chem.Material // ignored for a bail-out
	Amount   float64       // in the material's unit
	Bail     float64       // L; more than 0 for a bail-out
}

// Outcome is the bath once some steps are carried out in their order.
type Outcome struct {
	Bath           string
	At             time.Time
	Steps          []Step
	Before, Volume float64 // L
	UVolume        float64 // L, standard uncertainty
	Then           []Then
	Breaks         []string // limits that are broken, more likely than not
	Risks          []string // limits that may be broken, with a chance over 5 %, now or by the next top-up
	Solid          string   // what may fall out of solution on the coldest day; empty where nothing is known to
	Stays          string   // what was looked at and stays dissolved; empty where nothing was looked at
	Cautions       []string
}

// Then is a constituent of an [Outcome], beside where it is now.
type Then struct {
	After
	Low, High    float64 // the window; Low is 0 for a contaminant
	Now          float64
	Known        bool
	Below, Above float64 // chances of lying outside the window
	Verdict      estimate.Verdict
}

// Window writes the limits of a constituent, figures as figure writes them.
func (t Then) Window(figure func(float64) string) string {
	if t.Low == 0 {
		return "under " + figure(t.High)
	}
	return figure(t.Low) + "–" + figure(t.High)
}

// Shown turns an amount of a material into the unit a balance or a cylinder
// shows.
func Shown(amount float64, unit chem.Unit) (float64, chem.Unit) { return shown(amount, unit) }

// bailU is how well a bail-out is measured, relative: the estimate's figure for
// one that states nothing.
const bailU = 0.03

// WhatIf says what the bath of e would be after steps. It plans nothing and asks
// for nothing. It is an error where a step takes out more bath than there is, or
// where the bath is a cyanide bath and something is to be put in.
func WhatIf(e *estimate.Estimate, o Options, steps []Step) (*Outcome, error) {
	o, err := o.settle(e)
	if err != nil {
		return nil, err
	}
	w := newWork(e, o)
	out := &Outcome{Bath: e.Bath.Name, At: e.At, Steps: steps, Before: w.v}
	last := len(w.mean) - 1
	volume, vv := w.v, w.cov[last][last]
	n, nn, nv := make([]float64, last), make([]float64, last), make([]float64, last)
	for i := range n {
		n[i], nn[i], nv[i] = w.mean[i], w.cov[i][i], w.cov[i][last]
	}
	for _, s := range steps {
		if s.Bail > 0 {
			if s.Bail >= volume {
				return nil, fmt.Errorf("a bail-out of %s L takes more than the %s L in the tank", tidy(s.Bail), tidy(volume))
			}
			left, u := 1-s.Bail/volume, bailU*s.Bail
			for i := range n {
				c := n[i] / volume
				slope := c * s.Bail / volume // of the amount left by the volume before
				nn[i] = left*left*nn[i] + 2*left*slope*nv[i] + slope*slope*vv + c*c*u*u
				nv[i] = left*nv[i] + slope*vv + c*u*u
				n[i] *= left
			}
			vv += u * u
			volume -= s.Bail
			continue
		}
		if e.Recipe.Cyanide {
			return nil, fmt.Errorf("%s", hazard.CyanideAtAll)
		}
		l, u := litres(s.Material), math.Max(addU*s.Amount, s.Material.Smallest/2)
		for i := range n {
			b := s.Material.Brings[w.needs[i].c.Name]
			n[i] = math.Max(0, n[i]+b*s.Amount)
			nn[i] += b * b * u * u
			nv[i] += b * l * u * u
		}
		vv += l * l * u * u
		volume += l * s.Amount
	}
	out.Volume, out.UVolume = volume, math.Sqrt(math.Max(0, vv))
	grams := make([]float64, last) // at the lowest level before the next top-up
	for i := range n {
		x := &w.needs[i]
		c := n[i] / volume
		u := spread(nn[i], nv[i], vv, c, volume)
		if x.c.Held != nil || !x.c.Known {
			u = math.Max(u, x.c.U)
		}
		t := Then{After: After{x.c.Name, x.c.Unit, c, math.Max(0, c-z90*u), c + z90*u}, Low: x.c.Low, High: x.c.High, Now: x.c.Value, Known: x.c.Known}
		lowest := math.Max(volume-w.dry, 0.5*volume)
		later := math.Max(0, n[i]+w.later[i]-w.mean[i]) / lowest
		grams[i], _ = x.c.Unit.Convert(math.Max(c, later), "g/L")
		out.judge(&t, x.c, c, u, later, w)
		out.Then = append(out.Then, t)
	}
	out.level(w)
	out.cold(w, grams)
	out.care(w)
	return out, nil
}

// judge says how a constituent stands to its window. later is its concentration
// at the lowest level before the next top-up.
func (out *Outcome) judge(t *Then, c estimate.Constituent, now, u, later float64, w *work) {
	if c.High > 0 {
		t.Above = 1 - chanceBelow(c.High, now, u)
	}
	if c.Low > 0 {
		t.Below = chanceBelow(c.Low, now, u)
	}
	window := fmt.Sprintf("its window of %s to %s %s", tidy(c.Low), tidy(c.High), c.Unit)
	if c.Contaminant() {
		window = fmt.Sprintf("its limit of %s %s", tidy(c.High), c.Unit)
	}
	value := fmt.Sprintf("%s %s", span(now, z90*u), c.Unit)
	t.Verdict = estimate.Inside
	switch {
	case !c.Known:
		t.Verdict = estimate.Unsure
		if !c.Contaminant() {
			out.Risks = append(out.Risks, c.Name+": it has never been read, so nobody can say where this brings it")
		}
	case t.Above > 0.5:
		t.Verdict = estimate.High
		out.Breaks = append(out.Breaks, fmt.Sprintf("%s comes to %s, above %s", c.Name, value, window))
	case t.Below > 0.5:
		t.Verdict = estimate.Low
		out.Breaks = append(out.Breaks, fmt.Sprintf("%s comes to %s, below %s", c.Name, value, window))
	default:
		if t.Above > 0.05 || t.Below > 0.05 {
			t.Verdict = estimate.Unsure
		}
		soon := 0.0
		if c.High > 0 {
			soon = 1 - chanceBelow(c.High, later, u)
		}
		if t.Below > 0.05 {
			out.Risks = append(out.Risks, fmt.Sprintf("%s comes to %s: a chance of %s to be below %s %s", c.Name, value, percent(t.Below), tidy(c.Low), c.Unit))
		}
		switch {
		case t.Above > 0.05:
			out.Risks = append(out.Risks, fmt.Sprintf("%s comes to %s: a chance of %s to be above %s %s", c.Name, value, percent(t.Above), tidy(c.High), c.Unit))
		case soon > 0.05:
			out.Risks = append(out.Risks, fmt.Sprintf("%s comes to %s, and by what evaporates in %s to %s %s: a chance of %s to be above %s %s then; top up before that", c.Name, value, days(w.days), round(later), c.Unit, percent(soon), tidy(c.High), c.Unit))
		}
	}
	if c.Role == chem.RoleOrganic && c.Known {
		if put := now - t.Now; put > mostAtOnce*c.Target {
			out.Risks = append(out.Risks, fmt.Sprintf("%s goes up by %s %s at once, more than a quarter of its target of %s %s: little and often keeps it even", c.Name, round(put), c.Unit, tidy(c.Target), c.Unit))
		}
	}
}

// level says where the tank's marks are passed.
func (out *Outcome) level(w *work) {
	bath := w.e.Bath
	switch {
	case out.Volume > bath.Most()*(1+1e-9):
		out.Breaks = append(out.Breaks, fmt.Sprintf("the tank holds %.1f L then, above its upper mark of %s L", out.Volume, tidy(bath.Most())))
	case out.Volume < bath.Least()*(1-tolerance):
		out.Breaks = append(out.Breaks, fmt.Sprintf("the tank holds %.1f L then, below its least mark of %s L", out.Volume, tidy(bath.Least())))
	}
}

// cold looks at what may fall out of solution at the lowest level on the coldest
// day; grams are in g/L.
func (out *Outcome) cold(w *work, grams []float64) {
	cold, _, _ := w.temperatures()
	say := func(what string, most float64, fits bool) {
		where := fmt.Sprintf("%s, at the lowest level before the next top-up and %s degC, the coldest that is expected", what, tidy(cold))
		if fits {
			out.Stays = fmt.Sprintf("%s: stays dissolved, up to about %.0f g/L by an estimate on the low side", where, most)
			return
		}
		out.Solid = fmt.Sprintf("%s: may crystallise, since by an estimate on the low side about %.0f g/L stay dissolved", where, most)
	}
	metal, acid := w.find(chem.RoleMetal), w.find(chem.RoleAcid)
	if metal >= 0 && acid >= 0 && w.needs[metal].c.Name == "copper" && w.needs[metal].c.Known && w.needs[acid].c.Known {
		if most, err := chem.CopperSolubilityEstimate(grams[acid], cold); err == nil {
			say(fmt.Sprintf("%.0f g/L copper beside %.0f g/L acid", grams[metal], grams[acid]), most, grams[metal] <= most)
		}
	}
	for i := range w.needs {
		if !strings.EqualFold(w.needs[i].c.Name, "boric acid") || !w.needs[i].c.Known {
			continue
		}
		if most, err := chem.BoricAcidSolubilityEstimate(cold); err == nil {
			say(fmt.Sprintf("%.0f g/L boric acid", grams[i]), most, grams[i] <= most)
		}
	}
}

// care names what to mind with each step.
func (out *Outcome) care(w *work) {
	said := map[string]bool{}
	add := func(text string) {
		if text != "" && !said[text] {
			said[text] = true
			out.Cautions = append(out.Cautions, text)
		}
	}
	for _, s := range out.Steps {
		if s.Bail > 0 {
			add("what is bailed out is " + hazard.Waste)
			continue
		}
		for _, c := range s.Material.Cautions {
			add(c)
		}
		if s.Material.Acid > 0 {
			a := Addition{Cautions: s.Material.Cautions}
			a.caution("never water into acid", hazard.AcidIntoBath)
			a.caution("goggles", hazard.EyesAndSkin)
			for _, c := range a.Cautions {
				add(c)
			}
		}
		if known, ok := hazard.Find(s.Material.Name); ok && len(s.Material.Cautions) == 0 && s.Material.Acid == 0 {
			add(known.Brief.Text)
		}
	}
}
