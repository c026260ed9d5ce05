package source

import (
	"math"

	"perch/host/pose"
)

// coast is how long the speed that the output had goes on, fading, after a switch, s.
const coast = 0.3

// Blend crossfades poses after cueing. A fade goes from the output that is there to the target with
// s = 10τ³ - 15τ⁴ + 6τ⁵, whose slope and curvature are zero at both ends; the speed that the output had fades
// within 0.3 s, so that speed does not step either. Outside a fade the output is the target, bit for bit.
//
// It begins level and dead: the first live target is faded in.
type Blend struct {
	dt, fade float64

	dead   bool
	fading bool
	t      float64 // s into the fade

	from              pose.Pose // what is left, without its coasting
	speed             pose.Pose // what coasts
	follows           bool      // from moves as the pose that is left does
	alone             bool      // this fade is to or from level, which follows nothing
	goal              pose.Pose // the last target
	left              pose.Pose // the pose that is left, at the last step
	out               pose.Pose
	outRate, goalRate pose.Pose // over the last tick, per s
}

// NewBlend makes a blend that fades within fade, s, in a loop of tick dt, s.
func NewBlend(dt, fade float64) *Blend {
	return &Blend{dt: dt, fade: max(fade, dt), dead: true}
}

// Switch begins a fade from the present output, during another fade too.
func (b *Blend) Switch() {
	b.fading, b.t = true, 0
	b.from = b.out
}

// Fading says whether a fade is under way.
func (b *Blend) Fading() bool { return b.fading }

// Step gives the output for a target. While dead is set the target is level: the output fades to it and stays there
// until dead is taken back, when it fades to the target. A target that is not finite is dead.
func (b *Blend) Step(target pose.Pose, dead bool) pose.Pose {
	return b.step(target, nil, dead)
}

// StepFrom is Step while the pose that was the target before the switch still goes on: what is faded out moves as it
// does. It counts from the first step after the switch until the first without it.
func (b *Blend) StepFrom(left, target pose.Pose, dead bool) pose.Pose {
	return b.step(target, &left, dead)
}

func (b *Blend) step(target pose.Pose, left *pose.Pose, dead bool) pose.Pose {
	dead = dead || !finite(&target)
	if dead {
		target = pose.Pose{}
	}
	if dead != b.dead {
		b.dead = dead
		b.Switch()
		b.alone = true
	}
	before, goal := b.out, b.goal
	b.out = b.mix(&target, left)
	for a := range b.out {
		b.outRate[a] = (b.out[a] - before[a]) / b.dt
		b.goalRate[a] = (target[a] - goal[a]) / b.dt
	}
	b.goal = target
	if left != nil {
		b.left = *left
	}
	return b.out
}

// mix is the output one tick on.
func (b *Blend) mix(target, left *pose.Pose) pose.Pose {
	if !b.fading {
		return *target
	}
	left = usable(left)
	if b.t == 0 {
		b.speed, b.left = b.outRate, b.goal
		b.follows, b.alone = left != nil && !b.alone, false
		if b.follows {
			for a := range b.speed {
				b.speed[a] -= b.goalRate[a]
			}
		}
	}
	b.t += b.dt
	if b.t >= b.fade {
		b.fading = false
		return *target
	}
	b.follows = b.follows && left != nil
	if b.follows {
		for a := range left {
			b.from[a] += left[a] - b.left[a]
		}
	}
	x := b.t / b.fade
	s := x * x * x * (10 + x*(6*x-15))
	c := coasted(b.t, min(coast, b.fade))
	var out pose.Pose
	for a := range out {
		from := b.from[a] + c*b.speed[a]
		out[a] = from + s*(target[a]-from)
	}
	return out
}

func usable(p *pose.Pose) *pose.Pose {
	if p == nil || !finite(p) {
		return nil
	}
	return p
}

// coasted is the integral of a speed of 1 that fades within h: ∫(1 - s(t/h)) dt, s the quintic of the fade.
func coasted(t, h float64) float64 {
	x := t / h
	if x >= 1 {
		return h / 2
	}
	x4 := x * x * x * x
	return h * (x - x4*(2.5+x*(x-3)))
}

func finite(p *pose.Pose) bool {
	for _, v := range p {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// level says whether the output came to level and stays there.
func (b *Blend) level() bool { return b.dead && !b.fading }
