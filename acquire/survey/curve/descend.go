package curve

import "math"

// work is the state of a descent: n parameters and the normal equations at them.
type work struct {
	pr    Problem
	n     int
	p     []float64
	sum   float64
	slope []float64
	grad  []float64 // Jᵀr
	norm  []float64 // JᵀJ, n × n
	scale []float64 // of each parameter: the largest column norm so far
	free  []bool    // may move in the present step

	try, step, system []float64
}

func newWork(pr Problem, start []float64) *work {
	n := len(start)
	w := &work{pr: pr, n: n, p: append([]float64(nil), start...), slope: make([]float64, n), grad: make([]float64, n),
		norm: make([]float64, n*n), scale: make([]float64, n), free: make([]bool, n), try: make([]float64, n),
		step: make([]float64, n), system: make([]float64, n*n)}
	for i := range w.p {
		w.p[i] = w.clamp(i, w.p[i])
	}
	return w
}

func (w *work) clamp(i int, x float64) float64 {
	b := w.pr.bound(i)
	return max(b.Lo, min(b.Hi, x))
}

// sumAt is the weighted sum of squares at p.
func (w *work) sumAt(p []float64) float64 {
	sum := 0.0
	for k, x := range w.pr.X {
		r := (w.pr.Y[k] - w.pr.Model(x, p, w.slope)) * w.pr.weight(k)
		sum += r * r
	}
	return sum
}

// linearise fills sum, gradient and normal matrix at the present parameters.
func (w *work) linearise() {
	w.sum = 0
	clear(w.grad)
	clear(w.norm)
	for k, x := range w.pr.X {
		u := w.pr.weight(k)
		r := (w.pr.Y[k] - w.pr.Model(x, w.p, w.slope)) * u
		w.sum += r * r
		for i := range w.n {
			d := w.slope[i] * u
			w.grad[i] += d * r
			for j := range i + 1 {
				w.norm[i*w.n+j] += d * w.slope[j] * u
			}
		}
	}
	for i := range w.n {
		w.scale[i] = max(w.scale[i], math.Sqrt(w.norm[i*w.n+i]))
	}
}

// loosen decides which parameters may move: not the held one, nor one at a bound
// that would be left.
func (w *work) loosen(held int) {
	for i := range w.n {
		b := w.pr.bound(i)
		w.free[i] = i != held && w.scale[i] > 0 && !(w.p[i] <= b.Lo && w.grad[i] < 0) && !(w.p[i] >= b.Hi && w.grad[i] > 0)
	}
}

// descend goes to the least sum with parameter held as it is (-1: none).
func (w *work) descend(held int) error {
	damping, last := 1e-3, 0
	w.linearise()
	for range mostSteps {
		if math.IsNaN(w.sum) || math.IsInf(w.sum, 0) {
			return errNotSettled
		}
		w.loosen(held)
		if last > 0 {
			damping = 0
		}
		promised, ok := w.solve(damping)
		if !ok {
			if last > 0 {
				return nil // the last of Newton's steps cannot be taken: here is the end
			}
			if damping = 10 * max(damping, 1e-12); damping > mostDamped {
				return errNotSettled
			}
			continue
		}
		if last == 0 && promised <= settled*w.sum {
			last = 1
			continue
		}
		for i := range w.n {
			w.try[i] = w.clamp(i, w.p[i]+w.step[i])
		}
		sum := w.sumAt(w.try)
		switch {
		case last > 0 && sum <= w.sum*(1+1e-12), last == 0 && sum < w.sum:
			copy(w.p, w.try)
			w.linearise()
			if last > 0 {
				if last++; last > lastSteps {
					return nil
				}
			}
			damping = max(damping/10, 1e-12)
		case last > 0:
			return nil
		default:
			if damping *= 10; damping > mostDamped {
				return nil // no step however short makes the sum less
			}
		}
	}
	return errNotSettled
}

// solve finds the damped step and what it promises to take off the sum.
func (w *work) solve(damping float64) (promised float64, ok bool) {
	w.assemble(damping)
	if !cholesky(w.system, w.n) {
		return 0, false
	}
	for i := range w.n {
		w.step[i] = 0
		if w.free[i] {
			w.step[i] = w.grad[i] / w.scale[i]
		}
	}
	substitute(w.system, w.step, w.n)
	for i := range w.n {
		if w.step[i] /= w.scaled(i); w.free[i] {
			promised += w.step[i] * w.grad[i]
		}
	}
	return promised, !math.IsNaN(promised)
}

// assemble makes the scaled and damped normal matrix; what may not move stands
// alone with a one.
func (w *work) assemble(damping float64) {
	for i := range w.n {
		for j := range i + 1 {
			a := 0.0
			if w.free[i] && w.free[j] {
				a = w.norm[i*w.n+j] / (w.scale[i] * w.scale[j])
			}
			if i == j {
				if a += damping; !w.free[i] {
					a = 1
				}
			}
			w.system[i*w.n+j] = a
		}
	}
}

func (w *work) scaled(i int) float64 {
	if w.scale[i] > 0 {
		return w.scale[i]
	}
	return 1
}

// cholesky factors the lower triangle of a in place; false when a is not positive
// definite as far as its digits can tell.
func cholesky(a []float64, n int) bool {
	const least = 1e-14 // of a diagonal that is 1
	for i := range n {
		for j := range i + 1 {
			s := a[i*n+j]
			for k := range j {
				s -= a[i*n+k] * a[j*n+k]
			}
			if i != j {
				a[i*n+j] = s / a[j*n+j]
				continue
			}
			if !(s > least) {
				return false
			}
			a[i*n+i] = math.Sqrt(s)
		}
	}
	return true
}

// substitute solves L·Lᵀ·x = b in place of b.
func substitute(l, b []float64, n int) {
	for i := range n {
		for k := range i {
			b[i] -= l[i*n+k] * b[k]
		}
		b[i] /= l[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			b[i] -= l[k*n+i] * b[k]
		}
		b[i] /= l[i*n+i]
	}
}

// result reads the fit off the end of a descent.
func (w *work) result() Fit {
	n := w.n
	f := Fit{P: append([]float64(nil), w.p...), SD: make([]float64, n), Sum: w.sum, DF: len(w.pr.X) - n,
		AtBound: make([]bool, n), covariance: make([]float64, n*n)}
	for i := range n {
		b := w.pr.bound(i)
		f.AtBound[i] = w.p[i] <= b.Lo || w.p[i] >= b.Hi
		w.free[i] = !f.AtBound[i] && w.scale[i] > 0
		w.scale[i] = math.Sqrt(w.norm[i*n+i])
		f.SD[i] = math.NaN()
	}
	w.assemble(0)
	if !cholesky(w.system, n) {
		return f
	}
	scatter := 1.0
	if w.pr.U == nil {
		scatter = f.Scatter()
	}
	column := make([]float64, n)
	for j := range n {
		clear(column)
		column[j] = 1
		substitute(w.system, column, n)
		for i := range n {
			f.covariance[i*n+j] = column[i] / (w.scaled(i) * w.scaled(j))
		}
		if w.free[j] {
			f.SD[j] = scatter * math.Sqrt(f.covariance[j*n+j])
		}
	}
	return f
}
