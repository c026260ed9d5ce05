// Package guardtest judges a stream of positions by the limits that it has to keep. It knows nothing of how the
// positions were made: it looks at them as they are sent, in whole nano-units, and takes its own differences.
package guardtest

import (
	"fmt"
	"math"
)

// Bound is what one number of the stream may do, in its unit, per s, s² and s³.
type Bound struct {
	Name                      string
	Low, High                 float64
	Speed, Acceleration, Jerk float64
}

// Worst is how near a stream came to its bounds: 1 is at the bound. Travel is how far it went beyond, in the unit.
type Worst struct{ Beyond, Speed, Acceleration, Jerk float64 }

// Judge looks at one stream.
type Judge struct {
	dt     float64
	bounds []Bound
	past   [][3]int64 // the three positions before, latest first
	Ticks  int
	Worst  Worst
}

// NewJudge makes a judge of a stream sent every dt seconds.
func NewJudge(dt float64, bounds []Bound) *Judge {
	return &Judge{dt: dt, bounds: bounds, past: make([][3]int64, len(bounds))}
}

// Rebound changes the bounds; the stream goes on.
func (j *Judge) Rebound(bounds []Bound) { j.bounds = bounds }

// Rest begins a stream with a seat at rest there.
func (j *Judge) Rest(at []float64) {
	for i := range j.bounds {
		n := nano(at[i])
		j.past[i] = [3]int64{n, n, n}
	}
}

func nano(x float64) int64 { return int64(math.Round(x * 1e9)) }

// relative is what of a bound may be exceeded: an input that is passed on may take 1e-6 more jerk.
const relative = 2e-6

// See looks at the next positions. A quantum is 1e-9, so that a position is off by half of it, and its first, second
// and third differences by 1, 2 and 4 quanta.
func (j *Judge) See(at []float64) error {
	const q = 1e-9
	t := j.dt
	j.Ticks++
	for i, b := range j.bounds {
		if math.IsNaN(at[i]) || math.Abs(at[i]) > 1e9 {
			return fmt.Errorf("tick %d: %s is %g", j.Ticks, b.Name, at[i])
		}
		n, p := nano(at[i]), &j.past[i]
		x := float64(n) * q
		v := float64(n-p[0]) * q / t
		a := float64(n-2*p[0]+p[1]) * q / (t * t)
		k := float64(n-3*p[0]+3*p[1]-p[2]) * q / (t * t * t)
		p[2], p[1], p[0] = p[1], p[0], n
		if beyond := max(b.Low-x, x-b.High); beyond > 0.51*q {
			j.Worst.Beyond = max(j.Worst.Beyond, beyond)
			return fmt.Errorf("tick %d: %s at %.9g is outside %g to %g", j.Ticks, b.Name, x, b.Low, b.High)
		}
		for _, c := range [...]struct {
			what            string
			is, limit, slop float64
			worst           *float64
		}{
			{"speed", v, b.Speed, 1 * q / t, &j.Worst.Speed},
			{"acceleration", a, b.Acceleration, 2 * q / (t * t), &j.Worst.Acceleration},
			{"jerk", k, b.Jerk, 4 * q / (t * t * t), &j.Worst.Jerk},
		} {
			over := math.Abs(c.is) - c.slop
			*c.worst = max(*c.worst, over/c.limit)
			if over > c.limit*(1+relative) {
				return fmt.Errorf("tick %d: %s has %s %.9g, limit %g", j.Ticks, b.Name, c.what, c.is, c.limit)
			}
		}
	}
	return nil
}

// Copy is a judge that goes its own way from here.
func (j Judge) Copy() Judge {
	j.past = append([][3]int64(nil), j.past...)
	return j
}
