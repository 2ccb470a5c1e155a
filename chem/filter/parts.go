package filter

// Parts is a covariance parted by where it comes from: the sum of its parts is
// the covariance of a [State] that is led beside it through the same steps.
// Joseph's form makes that exact: a correction takes the same share of every part
// and adds the observation's own.
type Parts struct {
	n     int
	parts []Sym
	t, a  []float64
}

// NewParts returns parts of n components, all zero.
func NewParts(n int) *Parts { return &Parts{n: n} }

// Len returns how many parts there are.
func (p *Parts) Len() int { return len(p.parts) }

// Part returns a part; it is zero where nothing was ever added to it. It must not
// be changed.
func (p *Parts) Part(k int) Sym {
	p.need(k)
	return p.parts[k]
}

func (p *Parts) need(k int) {
	for len(p.parts) <= k {
		p.parts = append(p.parts, NewSym(p.n))
	}
}

// Predict carries every part through F: P becomes F·P·F'. The noise is what Add
// adds afterwards.
func (p *Parts) Predict(f Transition) {
	mustMatch("transition", f.n, p.n)
	p.t = grown(p.t, p.n*p.n)
	for _, s := range p.parts {
		f.propagate(s, p.t)
	}
}

// Add adds v at (i, j) and (j, i) of part k.
func (p *Parts) Add(k, i, j int, v float64) {
	p.need(k)
	p.parts[k].Add(i, j, v)
}

// Correct does what a correction by an observation row h with gain did: every
// part becomes M·P·M' with M = I - gain·h', and part k gets the observation's own
// r·gain·gain'.
func (p *Parts) Correct(h, gain []float64, r float64, k int) {
	mustMatch("observation row", len(h), p.n)
	mustMatch("gain", len(gain), p.n)
	p.need(k)
	p.a = grown(p.a, p.n)
	for _, s := range p.parts {
		clear(p.a)
		for i, v := range h {
			if v != 0 {
				axpy(p.a, v, s.Row(i))
			}
		}
		hph := dot(h, p.a)
		for i := range p.n {
			row := s.a[i*p.n : (i+1)*p.n]
			for j := range row {
				row[j] += -gain[i]*p.a[j] - p.a[i]*gain[j] + gain[i]*gain[j]*hph
			}
		}
	}
	own := p.parts[k]
	for i := range p.n {
		row := own.a[i*p.n : (i+1)*p.n]
		for j := range row {
			row[j] += r * gain[i] * gain[j]
		}
	}
}

// Grow adds a component whose variance belongs to part k.
func (p *Parts) Grow(variance float64, k int) {
	p.need(k)
	old := p.n
	p.n++
	for i, s := range p.parts {
		wide := NewSym(p.n)
		for r := range old {
			copy(wide.a[r*p.n:], s.Row(r))
		}
		p.parts[i] = wide
	}
	p.parts[k].Set(old, old, variance)
}

// Drop forgets component i.
func (p *Parts) Drop(i int) {
	for k, s := range p.parts {
		p.parts[k] = s.without(i)
	}
	p.n--
}
