// Package axes converts from the axes that sources use into ours: body x forward, y right, z down; earth x north,
// y east, z down (ISO 1151-1). Never write minus signs by hand: name the source's Convention.
//
// A convention is a pair of signed permutations M that take a source's components to ours, one for body axes and one
// for earth axes. A vector maps by M; an angular velocity, being axial, by det(M)·M; an attitude, as the matrix R from
// body to earth, by M_earth R M_bodyᵀ. A left-handed source has det(M) = -1: its rotations turn the other way.
package axes

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Gravity is standard gravity, m/s² (NIST SP 811).
const Gravity = 9.80665

// Basis names three axes of a source, x, y, z in turn.
type Basis uint8

// The bases. Those that begin with north, east or so are for the earth, the others for the body.
const (
	ForwardRightDown Basis = iota // ours; ISO 1151-1
	ForwardLeftUp                 // road vehicles, ISO 8855; robots
	RightUpForward                // graphics, left-handed
	RightUpBack                   // graphics, right-handed
	RightForwardUp                // right-handed
	NorthEastDown                 // ours; ISO 1151-1
	NorthWestUp                   // right-handed
	EastNorthUp                   // right-handed
	EastUpNorth                   // left-handed
	EastUpSouth                   // right-handed
	basisCount
)

type matrix [3][3]float64

// Rows: our x, y, z (or north, east, down); columns: the source's x, y, z.
var bases = [basisCount]matrix{
	ForwardRightDown: {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	ForwardLeftUp:    {{1, 0, 0}, {0, -1, 0}, {0, 0, -1}},
	RightUpForward:   {{0, 0, 1}, {1, 0, 0}, {0, -1, 0}},
	RightUpBack:      {{0, 0, -1}, {1, 0, 0}, {0, -1, 0}},
	RightForwardUp:   {{0, 1, 0}, {1, 0, 0}, {0, 0, -1}},
	NorthEastDown:    {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	NorthWestUp:      {{1, 0, 0}, {0, -1, 0}, {0, 0, -1}},
	EastNorthUp:      {{0, 1, 0}, {1, 0, 0}, {0, 0, -1}},
	EastUpNorth:      {{0, 0, 1}, {1, 0, 0}, {0, -1, 0}},
	EastUpSouth:      {{0, 0, -1}, {1, 0, 0}, {0, -1, 0}},
}

var basisNames = [basisCount]string{
	"forward-right-down", "forward-left-up", "right-up-forward", "right-up-back", "right-forward-up",
	"north-east-down", "north-west-up", "east-north-up", "east-up-north", "east-up-south",
}

// String is the basis's name, such as "forward-left-up".
func (b Basis) String() string {
	if b < basisCount {
		return basisNames[b]
	}
	return "unknown"
}

// BasisNamed finds a basis by its name.
func BasisNamed(name string) (Basis, bool) {
	for i, n := range basisNames {
		if n == name {
			return Basis(i), true
		}
	}
	return basisCount, false
}

// Convention converts from one source's axes. The zero Convention is of no use: take one from New.
type Convention struct {
	body, earth           matrix
	bodyTurns, earthTurns float64     // determinants: -1 for a left-handed basis
	between               quat.Number // the rotation M_earth M_bodyᵀ
}

// New makes a convention of a body basis and an earth basis. Both must be of one handedness: otherwise no quaternion
// and no rotation matrix can say the attitude.
func New(body, earth Basis) (Convention, error) {
	if body >= NorthEastDown || earth < NorthEastDown || earth >= basisCount {
		return Convention{}, fmt.Errorf("axes %v for the body and %v for the earth: the first begins with forward or right, the second with north or east", body, earth)
	}
	c := Convention{body: bases[body], earth: bases[earth]}
	c.bodyTurns, c.earthTurns = c.body.det(), c.earth.det()
	if c.bodyTurns != c.earthTurns {
		return Convention{}, fmt.Errorf("axes %v for the body and %v for the earth: one is left-handed, the other right-handed", body, earth)
	}
	c.between = fromMatrix(c.earth.times(c.body.transposed()))
	return c, nil
}

// RoadVehicle is ISO 8855: body x forward, y left, z up; earth north, west, up.
func RoadVehicle() Convention { return must(ForwardLeftUp, NorthWestUp) }

// Robot is body x forward, y left, z up; earth east, north, up.
func Robot() Convention { return must(ForwardLeftUp, EastNorthUp) }

// GraphicsLeftHanded is body x right, y up, z forward; earth x east, y up, z north.
func GraphicsLeftHanded() Convention { return must(RightUpForward, EastUpNorth) }

// GraphicsRightHanded is body x right, y up, z backward; earth x east, y up, z south.
func GraphicsRightHanded() Convention { return must(RightUpBack, EastUpSouth) }

func must(body, earth Basis) Convention {
	c, err := New(body, earth)
	if err != nil {
		panic(err) // the pairs above are of one handedness: a test goes through them
	}
	return c
}

// Vector takes a vector in the source's body axes to ours: velocity, acceleration, specific force.
func (c Convention) Vector(v r3.Vec) r3.Vec { return c.body.apply(v) }

// EarthVector takes a vector in the source's earth axes to ours: position, velocity, acceleration.
func (c Convention) EarthVector(v r3.Vec) r3.Vec { return c.earth.apply(v) }

// AngularVelocity takes an angular velocity in the source's body axes to p, q, r. It is axial: a left-handed source
// counts turns by the left hand.
func (c Convention) AngularVelocity(w r3.Vec) r3.Vec { return r3.Scale(c.bodyTurns, c.body.apply(w)) }

// Attitude takes the source's quaternion, which turns its body axes into its earth axes, to ours. Where the source's
// turns earth into body, pass its conjugate.
func (c Convention) Attitude(q quat.Number) quat.Number {
	// M_e R M_bᵀ = (M_e R M_eᵀ)(M_e M_bᵀ); the first factor is R's turn about the mapped axis.
	a := r3.Scale(c.earthTurns, c.earth.apply(r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}))
	return quat.Mul(quat.Number{Real: q.Real, Imag: a.X, Jmag: a.Y, Kmag: a.Z}, c.between)
}

// AttitudeMatrix is Attitude for a source that gives the matrix from its body axes to its earth axes, by rows. A matrix
// that is no rotation, within a hundredth, is an error: often it is scaled, or still zero.
func (c Convention) AttitudeMatrix(rows [3][3]float64) (quat.Number, error) {
	m := matrix(rows)
	p := m.times(m.transposed())
	for i := range p {
		for j := range p[i] {
			want := 0.0
			if i == j {
				want = 1
			}
			if !(math.Abs(p[i][j]-want) < 0.01) {
				return quat.Number{}, fmt.Errorf("the attitude matrix is no rotation: row %d times row %d is %.3g, not %g", i+1, j+1, p[i][j], want)
			}
		}
	}
	if m.det() < 0 {
		return quat.Number{}, fmt.Errorf("the attitude matrix mirrors: its axes are not all those of one handedness")
	}
	q := fromMatrix(m)
	return c.Attitude(quat.Scale(1/quat.Abs(q), q)), nil
}

func (m matrix) apply(v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z,
		Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z,
		Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z,
	}
}

func (m matrix) det() float64 {
	return m[0][0]*(m[1][1]*m[2][2]-m[1][2]*m[2][1]) -
		m[0][1]*(m[1][0]*m[2][2]-m[1][2]*m[2][0]) +
		m[0][2]*(m[1][0]*m[2][1]-m[1][1]*m[2][0])
}

func (m matrix) transposed() matrix {
	var t matrix
	for i := range m {
		for j := range m[i] {
			t[j][i] = m[i][j]
		}
	}
	return t
}

func (m matrix) times(n matrix) matrix {
	var p matrix
	for i := range p {
		for j := range p[i] {
			p[i][j] = m[i][0]*n[0][j] + m[i][1]*n[1][j] + m[i][2]*n[2][j]
		}
	}
	return p
}

// fromMatrix is the quaternion of a rotation matrix, w ≥ 0, by its largest component, so that no small number is
// divided by (S. W. Shepperd, Quaternion from rotation matrix, Journal of Guidance and Control 1, 1978).
func fromMatrix(m matrix) quat.Number {
	t := m[0][0] + m[1][1] + m[2][2]
	var q quat.Number
	switch {
	case t >= m[0][0] && t >= m[1][1] && t >= m[2][2]:
		s := 2 * math.Sqrt(max(1+t, 0))
		q = quat.Number{Real: s / 4, Imag: (m[2][1] - m[1][2]) / s, Jmag: (m[0][2] - m[2][0]) / s, Kmag: (m[1][0] - m[0][1]) / s}
	case m[0][0] >= m[1][1] && m[0][0] >= m[2][2]:
		s := 2 * math.Sqrt(max(1+2*m[0][0]-t, 0))
		q = quat.Number{Real: (m[2][1] - m[1][2]) / s, Imag: s / 4, Jmag: (m[0][1] + m[1][0]) / s, Kmag: (m[0][2] + m[2][0]) / s}
	case m[1][1] >= m[2][2]:
		s := 2 * math.Sqrt(max(1+2*m[1][1]-t, 0))
		q = quat.Number{Real: (m[0][2] - m[2][0]) / s, Imag: (m[0][1] + m[1][0]) / s, Jmag: s / 4, Kmag: (m[1][2] + m[2][1]) / s}
	default:
		s := 2 * math.Sqrt(max(1+2*m[2][2]-t, 0))
		q = quat.Number{Real: (m[1][0] - m[0][1]) / s, Imag: (m[0][2] + m[2][0]) / s, Jmag: (m[1][2] + m[2][1]) / s, Kmag: s / 4}
	}
	if q.Real < 0 {
		q = quat.Scale(-1, q)
	}
	return q
}
