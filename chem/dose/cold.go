package dose

import (
	"fmt"
	"math"
	"strings"

	"steadybath/chem"
)

// coldBoric warns where boric acid would fall out on the coldest day, when the
// level is lowest. It comes back with heat and stirring, so nothing is refused.
func (w *work) coldBoric(p *Plan) {
	for i := range w.needs {
		x := &w.needs[i]
		if !strings.EqualFold(x.c.Name, "boric acid") || !x.c.Known {
			continue
		}
		n, v := w.mean[i], w.v
		if i < len(p.After) {
			n, v = p.After[i].Value*p.Volume, p.Volume
		}
		grams, err := x.c.Unit.Convert(n/math.Max(v-w.dry, 0.5*v), "g/L")
		if err != nil {
			return
		}
		cold, _, _ := w.temperatures()
		most, err := chem.BoricAcidSolubilityEstimate(cold)
		if err != nil || grams <= most {
			return
		}
		p.Cautions = append(p.Cautions, fmt.Sprintf("%.0f g/L boric acid, at the lowest level before the next top-up, falls out at %s degC, the coldest that is expected: water keeps about %.0f g/L dissolved, a nickel bath less; before anything is read, added or plated, warm it and stir until all is dissolved again", grams, tidy(cold), most))
		return
	}
}
