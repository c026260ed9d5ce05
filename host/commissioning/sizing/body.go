package sizing

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/host/mechanism"
	"perch/host/pose"
)

const gravity = 9.80665 // m/s², standard acceleration of free fall (ISO 80000-3)

// The block that stands for a seated person with the seat, where no inertia was measured (common practice, no source;
// on the heavy side, since a person is heaviest near the middle).
const (
	blockDepth   = 0.6 // m, forward and back
	headDefault  = 0.8 // m above the joint, where none was measured
	leastHalfTop = 0.3 // m, from the centre of mass to the top of the head
)

// Moment is the moment of inertia about the joint, kg m²: as measured, or estimated as that of a uniform block as high
// as twice the distance from the centre of mass to the top of the head and blockDepth deep (m (H² + D²)/12), carried to
// the joint by the theorem of parallel axes.
func (l Load) Moment() (moment float64, estimated bool) {
	if l.Inertia > 0 {
		return l.Inertia, false
	}
	high := l.blockHeight()
	return l.LeastInertia() + l.Mass()*(high*high+blockDepth*blockDepth)/12, true
}

func (l Load) blockHeight() float64 {
	head := l.HeadHeight
	if !(head > 0) {
		head = headDefault
	}
	return 2 * max(head-l.Height, leastHalfTop)
}

// body is the rigid body.
type body struct {
	mass    float64
	centre  r3.Vec  // of mass, from the joint, body axes, m
	central float64 // moment of inertia about the centre of mass, taken alike about every axis, kg m²
}

func newBody(l Load) body {
	moment, _ := l.Moment()
	return body{l.Mass(), r3.Vec{X: l.Forward, Z: -l.Height}, max(0, moment-l.LeastInertia())}
}

// turn is a rotation about an axis, right-handed.
func turn(v r3.Vec, angle float64, axis r3.Vec) r3.Vec {
	return r3.NewRotation(angle, axis).Rotate(v)
}

// slopes are, for each axis, velocity of the centre of mass and angular velocity for a speed of one, base axes.
func (b body) slopes(p pose.Pose) (velocity, angular [pose.Count]r3.Vec) {
	x, y, z := r3.Vec{X: 1}, r3.Vec{Y: 1}, r3.Vec{Z: 1}
	pitchAxis := turn(y, p[pose.Yaw], z)
	rollAxis := turn(turn(x, p[pose.Pitch], y), p[pose.Yaw], z)
	angular = [pose.Count]r3.Vec{pose.Roll: rollAxis, pose.Pitch: pitchAxis, pose.Yaw: z}
	c := turn(turn(turn(b.centre, p[pose.Roll], x), p[pose.Pitch], y), p[pose.Yaw], z)
	velocity = [pose.Count]r3.Vec{pose.Surge: x, pose.Sway: y, pose.Heave: z}
	for a := pose.Roll; a <= pose.Yaw; a++ {
		velocity[a] = r3.Cross(angular[a], c)
	}
	return velocity, angular
}

// hold is ∂V/∂q: what holds the body at rest in a pose, N and N m.
func (b body) hold(p pose.Pose) (q pose.Pose) {
	velocity, _ := b.slopes(p)
	for a := range q {
		q[a] = -b.mass * gravity * velocity[a].Z // z is down
	}
	return q
}

// push is M(q) α, N and N m.
func (b body) push(p, acceleration pose.Pose) (q pose.Pose) {
	velocity, angular := b.slopes(p)
	var v, w r3.Vec
	for a := range acceleration {
		v = r3.Add(v, r3.Scale(acceleration[a], velocity[a]))
		w = r3.Add(w, r3.Scale(acceleration[a], angular[a]))
	}
	for a := range q {
		q[a] = b.mass*r3.Dot(velocity[a], v) + b.central*r3.Dot(angular[a], w)
	}
	return q
}

// inertia of one axis alone in a pose: the diagonal of M(q), kg m² or kg.
func (b body) inertia(p pose.Pose, a pose.Axis) float64 {
	var one pose.Pose
	one[a] = 1
	return b.push(p, one)[a]
}

// height of the centre of mass above where it is with the seat level, m.
func (b body) height(p pose.Pose) float64 {
	x, y, z := r3.Vec{X: 1}, r3.Vec{Y: 1}, r3.Vec{Z: 1}
	c := turn(turn(turn(b.centre, p[pose.Roll], x), p[pose.Pitch], y), p[pose.Yaw], z)
	return b.centre.Z - c.Z - p[pose.Heave]
}

// lever turns generalised forces into those of the actuators in one pose.
type lever struct {
	axes []pose.Axis
	rows [mechanism.MaxActuators]pose.Pose
	n    int
	m    mat.Dense // Jᵀ
}

func newLever(m jacobian, axes []pose.Axis, p pose.Pose) (*lever, error) {
	l := &lever{axes: axes, n: len(m.Actuators())}
	if err := m.Jacobian(p, &l.rows); err != nil {
		return nil, err
	}
	t := mat.NewDense(len(axes), l.n, nil)
	for k, a := range axes {
		for i := range l.n {
			t.Set(k, i, l.rows[i][a])
		}
	}
	l.m.CloneFrom(t)
	return l, nil
}

// forces solves Jᵀ τ = Q, N m or N. With more actuators than axes it is the least that does.
func (l *lever) forces(q pose.Pose) (out mechanism.Positions, err error) {
	right := mat.NewVecDense(len(l.axes), nil)
	for k, a := range l.axes {
		right.SetVec(k, q[a])
	}
	var x mat.VecDense
	if err := x.SolveVec(&l.m, right); err != nil {
		return out, err
	}
	for i := range l.n {
		out[i] = x.AtVec(i)
	}
	return out, nil
}

// speeds are the actuators' for a speed of the pose: J q̇.
func (l *lever) speeds(v pose.Pose) (out mechanism.Positions) {
	for i := range l.n {
		for _, a := range l.axes {
			out[i] += l.rows[i][a] * v[a]
		}
	}
	return out
}

// Stopping is the distance and the time of the quickest stop from a speed at which it does not accelerate, with limits of
// acceleration A and jerk J: t = V/A + A/J and V t/2, or t = 2 √(V/J) where A is never reached (S-curve).
func Stopping(v, a, j float64) (distance, time float64) {
	time = v/a + a/j
	if v < a*a/j {
		time = 2 * math.Sqrt(v/j)
	}
	return v * time / 2, time
}
