package dose

import (
	"strings"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// OrganicDue is an organic whose next dose has come due.
type OrganicDue struct {
	Addition
	SinceAh   float64 // charge passed since it was last added, as shown
	SinceDays float64
	Added     bool // it was added before; else since the bath began
}

// OrganicsDue lists the organics that a plan made now adds: little and often, by
// the running estimate, so that charge, standing and panels have all had their say.
func OrganicsDue(e *estimate.Estimate) ([]OrganicDue, error) {
	p, err := Make(e, Options{})
	if err != nil {
		return nil, err
	}
	var out []OrganicDue
	for _, a := range p.Additions {
		if !bringsOrganic(e.Recipe, a.Material) {
			continue
		}
		d := OrganicDue{Addition: a}
		since := e.Bath.Began
		for _, f := range e.Bath.Facts {
			if body, ok := f.Body.(chem.Add); ok && strings.EqualFold(body.Material, a.Material.Name) && !f.Time.After(e.At) {
				since, d.Added = f.Time, true
			}
		}
		d.SinceDays = e.At.Sub(since).Hours() / 24
		d.SinceAh = e.ChargeSince(since)
		out = append(out, d)
	}
	return out, nil
}

func bringsOrganic(r *chem.Recipe, m chem.Material) bool {
	for name, b := range m.Brings {
		if c, ok := r.Constituent(name); ok && b > 0 && c.Role == chem.RoleOrganic {
			return true
		}
	}
	return false
}
