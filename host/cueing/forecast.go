package cueing

import "math"

const (
	lesson   = 0.04 // s from one thing to learn from to the next
	nodes    = 8    // times ahead that are forecast
	ring     = 64   // lessons that are remembered
	features = 15

	prior  = 3.0   // lessons that the plain decay counts for
	memory = 100.0 // s, to 1/e
)

// ahead are the times of the nodes, in lessons.
var ahead = [nodes]int{2, 4, 6, 10, 16, 26, 40, 64}

// What an axis has that its future may follow from.
const (
	ofForce = iota
	ofRate
	ofLean   // the direction of up
	ofBeside // of roll the yaw rate, of pitch the force along z
	sights
)

// seen are the features: what is seen and its means over several times. Scale is what of it is usual; the less of it there
// was, the more its weight is drawn to the plain decay.
var seen = [features]struct {
	of    int
	time  float64 // s; 0: as it is
	scale float64
}{
	{ofForce, 0, 0.5}, {ofForce, 0.03, 0.5}, {ofForce, 0.08, 0.5}, {ofForce, 0.2, 0.5}, {ofForce, 1, 0.5}, {ofForce, 4, 0.5},
	{ofRate, 0, 0.2}, {ofRate, 0.06, 0.2}, {ofRate, 0.2, 0.2}, {ofRate, 0.8, 0.2},
	{ofLean, 0, 0.3}, {ofLean, 1, 0.3},
	{ofBeside, 0, 1}, {ofBeside, 0.1, 1}, {ofBeside, 0.5, 1},
}

// The features that the plain decay uses: what is new in a force dies away soon, what has lasted lasts, and a rate does not.
const (
	forceNow, forceMean, rateNow        = 0, 3, 6
	newLasts, meanLasts, plainRateLasts = 0.3, 4.0, 0.25 // s, to 1/e
)

type vector [features]float64

// outlook is the forecast of one axis: how force and rate go on, at a few times ahead that are joined by straight lines.
//
// It is linear in the features, and its weights are learnt from the vehicle itself, a time ahead at a time: at every lesson
// what has come is set beside what was seen so long before, in least squares with forgetting and a ridge about a plain decay
// (L. Ljung, System Identification, 1999, ch. 11). How a vehicle wallows in gusts is in its own motion, and no table of ours
// knows it. The work of a lesson is always the same.
type outlook struct {
	every, wait int // ticks
	keep        float64
	gain        vector // of each feature's mean, a tick
	now         vector
	past        [ring]vector
	count       int // lessons in past
	next        int // where the next goes
	turn        int // the node whose weights are solved for next
	r           [nodes][features]vector
	c, w, plain [nodes][2]vector // of force and of rate: sums, weights, weights of the plain decay
	most        [2]float64       // of force and of rate that was seen lately
}

func newOutlook(dt float64) outlook {
	o := outlook{every: max(1, int(lesson/dt+0.5))}
	step := float64(o.every) * dt
	o.keep = 1 - step/memory
	for i, s := range seen {
		o.gain[i] = dt / (s.time + dt)
	}
	fresh, mean, rate := 1.0, 1.0, 1.0
	for k, n := 0, 0; k < nodes; n++ {
		if n == ahead[k] {
			o.plain[k][0][forceNow], o.plain[k][0][forceMean], o.plain[k][1][rateNow] = fresh, mean-fresh, rate
			k++
		}
		fresh, mean, rate = fresh*(1-step/newLasts), mean*(1-step/meanLasts), rate*(1-step/plainRateLasts)
	}
	o.reset()
	return o
}

// reset forgets all that was learnt.
func (o *outlook) reset() {
	o.r, o.c, o.w, o.turn = [nodes][features]vector{}, [nodes][2]vector{}, o.plain, 0
	o.restart([sights]float64{})
}

// restart begins with a motion that does not continue what came before.
func (o *outlook) restart(in [sights]float64) {
	o.count, o.next, o.wait = 0, 0, 0
	for i, s := range seen {
		o.now[i] = in[s.of]
	}
	o.most = [2]float64{}
}

// see takes a tick's motion.
func (o *outlook) see(in [sights]float64) {
	for i := range o.now {
		o.now[i] += o.gain[i] * (in[seen[i].of] - o.now[i])
	}
	force, rate := in[ofForce], in[ofRate]
	o.most[0], o.most[1] = max(o.most[0], math.Abs(force)), max(o.most[1], math.Abs(rate))
	if o.wait--; o.wait > 0 {
		return
	}
	o.wait = o.every
	o.most[0], o.most[1] = o.most[0]*0.999, o.most[1]*0.999
	for k := range o.r {
		if o.count < ahead[k] {
			break
		}
		phi := &o.past[(o.next-ahead[k]+ring)%ring]
		for i := range phi {
			row := &o.r[k][i]
			for j := 0; j <= i; j++ {
				row[j] = o.keep*row[j] + phi[i]*phi[j]
			}
			o.c[k][0][i] = o.keep*o.c[k][0][i] + phi[i]*force
			o.c[k][1][i] = o.keep*o.c[k][1][i] + phi[i]*rate
		}
	}
	o.past[o.next] = o.now
	o.next = (o.next + 1) % ring
	o.count = min(o.count+1, ring)
	o.learn(o.turn)
	o.turn = (o.turn + 1) % nodes
}

// learn solves for the weights of a node, by Cholesky's decomposition.
func (o *outlook) learn(k int) {
	var l [features]vector
	var y [2]vector
	for i := range features {
		ridge := prior * seen[i].scale * seen[i].scale
		for j := 0; j <= i; j++ {
			v := o.r[k][i][j]
			if i == j {
				v += ridge
			}
			for n := range j {
				v -= l[i][n] * l[j][n]
			}
			if i == j {
				if !(v > 1e-12*ridge) {
					return // keeps the weights that it has
				}
				l[i][i] = math.Sqrt(v)
			} else {
				l[i][j] = v / l[j][j]
			}
		}
		for x := range y {
			v := o.c[k][x][i] + ridge*o.plain[k][x][i]
			for n := range i {
				v -= l[i][n] * y[x][n]
			}
			y[x][i] = v / l[i][i]
		}
	}
	for x := range y {
		for i := features - 1; i >= 0; i-- {
			v := y[x][i]
			for n := i + 1; n < features; n++ {
				v -= l[n][i] * o.w[k][x][n]
			}
			o.w[k][x][i] = v / l[i][i]
		}
	}
}

// at gives force and rate at a node; never more than what was seen lately.
func (o *outlook) at(k int) (force, rate float64) {
	for i, f := range o.now {
		force += o.w[k][0][i] * f
		rate += o.w[k][1][i] * f
	}
	return clip(force, o.most[0]), clip(rate, o.most[1])
}
