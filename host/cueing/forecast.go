package cueing

import "math"

// A forecast says how a vehicle's rate and force go on, at a few times ahead that are joined by straight lines; after the
// last one nothing is expected. It is linear in what was seen so far (features), with weights that are learnt from the
// vehicle itself by least squares with forgetting (recursive least squares of fixed cost; L. Ljung, System Identification,
// 1999, ch. 11), drawn to a plain decay as long as little was seen.
const (
	lesson = 0.04 // s between what is learnt from
	ahead  = 8    // times ahead
)

// nodes are the times ahead, in lessons.
var nodes = [ahead]int{2, 4, 6, 10, 16, 26, 40, 64}

const (
	ring     = 64 // lessons that are remembered
	features = 12
)

// What is seen of an axis: the force, its means over several times, the rate and its means, the lean.
var smoothing = [features]struct {
	of    int // 0 force, 1 rate, 2 lean
	time  float64
	scale float64 // what of it is usual: the less was seen, the more a weight is drawn to the plain decay
}{
	{0, 0, 0.5}, {0, 0.05, 0.5}, {0, 0.12, 0.5}, {0, 0.3, 0.5}, {0, 1, 0.5}, {0, 4, 0.5},
	{1, 0, 0.2}, {1, 0.06, 0.2}, {1, 0.2, 0.2}, {1, 0.8, 0.2},
	{2, 0, 0.3}, {2, 1, 0.3},
}

var (
	prior   = 5.0  // lessons that the plain decay counts for
	memory  = 60.0 // s
	decayF1 = 0.3
	decayF2 = 4.0
	decayQ  = 0.25
)

type vector [features]float64

// outlook is a forecast of one axis.
type outlook struct {
	every, wait int // ticks
	keep        float64
	gain        vector // of each feature's mean
	now         vector
	past        [ring]vector
	seen        int // lessons in past
	next        int // where the next goes
	turn        int // which time ahead is solved for next
	r           [ahead][features]vector
	c           [ahead][2]vector // force, rate
	w           [ahead][2]vector
	plain       [ahead][2]vector
	most        [2]float64 // of what was seen lately
}

func newOutlook(dt float64) outlook {
	o := outlook{every: max(1, int(lesson/dt+0.5))}
	step := float64(o.every) * dt
	o.keep = 1 - step/memory
	for i, s := range smoothing {
		o.gain[i] = 1
		if s.time > 0 {
			o.gain[i] = dt / (s.time + dt)
		}
	}
	f1, f2, q := 1.0, 1.0, 1.0
	for k, n := 0, 0; k < ahead; n++ {
		if n == nodes[k] {
			o.plain[k][0][0], o.plain[k][0][3] = f1, f2-f1
			o.plain[k][1][6] = q
			k++
		}
		f1, f2, q = f1*(1-step/decayF1), f2*(1-step/decayF2), q*(1-step/decayQ)
	}
	o.reset()
	return o
}

// reset forgets all that was learnt.
func (o *outlook) reset() {
	o.r, o.c, o.w, o.turn = [ahead][features]vector{}, [ahead][2]vector{}, o.plain, 0
	o.restart(0, 0, 0)
}

// restart begins with a motion that does not continue what came before.
func (o *outlook) restart(rate, force, lean float64) {
	o.seen, o.next, o.wait = 0, 0, 0
	for i, s := range smoothing {
		o.now[i] = [3]float64{force, rate, lean}[s.of]
	}
	o.most = [2]float64{}
}

// see takes a tick's motion.
func (o *outlook) see(rate, force, lean float64) {
	in := [3]float64{force, rate, lean}
	for i := range o.now {
		o.now[i] += o.gain[i] * (in[smoothing[i].of] - o.now[i])
	}
	o.most[0], o.most[1] = max(o.most[0], math.Abs(force)), max(o.most[1], math.Abs(rate))
	if o.wait--; o.wait > 0 {
		return
	}
	o.wait = o.every
	o.most[0], o.most[1] = o.most[0]*0.999, o.most[1]*0.999
	for k := range o.r {
		if o.seen < nodes[k] {
			break
		}
		phi := &o.past[(o.next-nodes[k]+ring)%ring]
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
	o.seen = min(o.seen+1, ring)
	o.learn(o.turn)
	o.turn = (o.turn + 1) % ahead
}

// learn solves for the weights of one time ahead: Cholesky, in place.
func (o *outlook) learn(k int) {
	var l [features]vector
	var y [2]vector
	for i := range features {
		ridge := prior * smoothing[i].scale * smoothing[i].scale
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

// at gives force and rate at one time ahead; never more than what was seen lately.
func (o *outlook) at(k int) (force, rate float64) {
	for i, f := range o.now {
		force += o.w[k][0][i] * f
		rate += o.w[k][1][i] * f
	}
	return clip(force, o.most[0]), clip(rate, o.most[1])
}
