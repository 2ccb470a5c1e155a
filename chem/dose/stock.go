package dose

import (
	"slices"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// stocked is the estimate with the recipe's materials as they are in stock: what
// is left bounds the plan, what it cost chooses between materials that do the same.
func stocked(e *estimate.Estimate, stock map[string]Stock) *estimate.Estimate {
	if len(stock) == 0 {
		return e
	}
	out, recipe := *e, *e.Recipe
	recipe.Materials = slices.Clone(recipe.Materials)
	for i := range recipe.Materials {
		m := &recipe.Materials[i]
		if s, ok := stock[m.Name]; ok {
			m.Stock = s.Left
			if s.Price > 0 {
				m.Price = s.Price
			}
		}
	}
	out.Recipe = &recipe
	return &out
}

// usedUp tells whether stock is counted of a material and less is left than can
// be measured out.
func (w *work) usedUp(m chem.Material) bool {
	s, counted := w.o.Stock[m.Name]
	return counted && (s.Left <= 0 || s.Left < m.Smallest)
}

// lacking lists what the plan would take if nothing were short, beyond what there
// is.
func lacking(e *estimate.Estimate, o Options) ([]Purchase, error) {
	stock := o.Stock
	o.Stock = nil
	free, err := Make(e, o)
	if err != nil {
		return nil, err
	}
	var out []Purchase
	for _, a := range free.Additions {
		s, counted := stock[a.Material.Name]
		if !counted {
			continue
		}
		left, err := a.Material.Unit.Convert(s.Left, a.Unit)
		if err != nil || a.Amount <= left+1e-9 {
			continue
		}
		out = append(out, Purchase{Material: a.Material, Amount: clean(a.Amount - left), Unit: a.Unit, Left: clean(left)})
	}
	return out, nil
}
