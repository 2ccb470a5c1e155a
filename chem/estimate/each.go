package estimate

import "slices"

// Before estimates the bath at the moment of each of its facts, from those that
// stand before it in their order, and hands both to look, which ends the walk by
// returning false. It is one pass, where an [Bath.At] for each fact takes as many
// as there are facts. Facts from before the bath began are passed over.
func (b *Bath) Before(look func(i int, e *Estimate) bool) {
	r := b.start()
	for i, f := range b.Facts {
		if f.Time.Before(b.Began) {
			continue
		}
		now := r.clone()
		now.read = slices.Clone(r.read) // answering writes into it
		now.advance(f.Time)
		now.mark()
		e := now.answer(f.Time)
		before := *b
		before.Facts = b.Facts[:i:i]
		e.Bath = &before
		if !look(i, e) {
			return
		}
		r.take(i)
	}
}
