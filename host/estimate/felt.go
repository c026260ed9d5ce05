package estimate

import (
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

const judged = 5.0 // s; over how long the two ways of felt are judged

// felt is the specific force that follows from earth velocity and attitude: over each stretch of velocity
// f = Rᵀ(Δv/h - g), with the attitude of the middle of the stretch.
//
// Between such middles and beyond the last one it may turn with the vehicle, as what a rotor pulls and a wing lifts,
// or stay in earth axes while the vehicle turns, as on a road or in a hand. Which of the two foretold the last forces
// better has the larger share.
type felt struct {
	turned, fixed track     // in body axes, in earth axes
	off           [2]r3.Vec // mean square of what turned and fixed foretold wrong, by body axis, m²/s⁴
	share         r3.Vec    // of fixed, by body axis
}

// add takes the velocity that has come for t: in earth axes, or in body axes with an attitude of the same time.
func (k *felt) add(t float64, earth *track, at *heading) {
	b := earth.pick(t)
	a := b - 1
	for a > 0 && earth.at(b).t-earth.at(a).t < slopeLeast {
		a--
	}
	if a < 0 || earth.seen != 7 || at.n == 0 {
		return
	}
	from, to := earth.at(a), earth.at(b)
	h := to.t - from.t
	if h < closest || h > forget {
		return
	}
	mid := (from.t + to.t) / 2
	ahead, along := at.ahead(r3.Vec{}, false)
	q, w := at.value(at.pick(mid), mid, ahead, along)
	f := r3.Sub(r3.Scale(1/h, r3.Sub(to.v, from.v)), r3.Vec{Z: Gravity})
	k.turned.behind = min(h/2, briefFull)
	k.fixed.behind = k.turned.behind
	// A force that turns with the vehicle by d over the stretch is d×(d×f)/24 shorter in its mean (series of the rotation).
	d := r3.Scale(h, w)
	turned := toBody(q, f)
	if r3.Dot(d, d) < 1 {
		turned = r3.Sub(turned, r3.Scale(1.0/24, r3.Cross(d, r3.Cross(d, turned))))
	}
	if k.turned.n > 0 {
		for i, d := range [2]r3.Vec{r3.Sub(k.turned.newest().v, turned), toBody(q, r3.Sub(k.fixed.newest().v, f))} {
			k.off[i] = r3.Add(k.off[i], r3.Scale(min(h/judged, 0.5), r3.Sub(r3.Vec{X: d.X * d.X, Y: d.Y * d.Y, Z: d.Z * d.Z}, k.off[i])))
		}
	}
	k.turned.put(mid, turned, 7)
	k.fixed.put(mid, f, 7)
}

func (k *felt) step(t, h float64) {
	k.turned.step(t, h)
	k.fixed.step(t, h)
	x := min(h/0.5, 1)
	k.share = r3.Add(k.share, r3.Scale(x, r3.Sub(r3.Vec{
		X: better(k.off[0].X, k.off[1].X), Y: better(k.off[0].Y, k.off[1].Y), Z: better(k.off[0].Z, k.off[1].Z),
	}, k.share)))
}

// better is the share of the second of two ways that were wrong by these mean squares.
func better(a, b float64) float64 {
	if !(a+b > 0) {
		return 0.5
	}
	return ease(a / (a + b))
}

// at is the force in body axes for a vehicle of attitude q, going to that of rest when velocities stay away.
func (k *felt) at(t float64, q quat.Number, rest r3.Vec) r3.Vec {
	d := r3.Sub(toBody(q, k.fixed.out), k.turned.out)
	f := r3.Add(k.turned.out, r3.Vec{X: k.share.X * d.X, Y: k.share.Y * d.Y, Z: k.share.Z * d.Z})
	part := ease((k.turned.age(t) - k.turned.rhythm.median - gap(&k.turned)) / fadeOver)
	return r3.Add(f, r3.Scale(part, r3.Sub(rest, f)))
}
