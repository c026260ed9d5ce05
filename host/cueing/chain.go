// Package cueing turns a vehicle's motion into the seat pose that suggests it.
//
// A Chain sums small blocks, each one idea with a published origin: onsets of turning (classical washout, Reid & Nahon
// 1985), tilt coordination (Groen & Bles 2004), onsets of translation where the seat has the axis, and a share of the
// attitude by the direction of gravity, which is smooth through every attitude and blind to heading. The sum is scaled
// by one intensity and compressed into the travel. Level and unaccelerated motion gives exactly zero.
//
// In the mode Predictive roll and pitch come from another block: a hundred times a second it plans, for some seconds ahead,
// the motion inside the axis's limits of which the rider would perceive least that differs from what the vehicle's
// occupant perceives, and begins it. Perceived is as in package perception: canals and otoliths as modelled in Telban &
// Cardullo (NASA/CR-2005-213747), over the thresholds of Benson et al. (1986, 1989), the head above the joint. How the
// vehicle goes on is forecast, by weights that are learnt from it. The intensity scales what the vehicle does before it is
// planned for. What the block wants passes the guard bit for bit where the mechanism gives the axes their whole limits;
// Reset forgets what was learnt, a restart of the motion does not.
//
// A pose is what is wanted; the guard decides what the seat gets. Inverted flight gives a level seat, by intent.
package cueing

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/host/estimate"
	"perch/host/perception"
	"perch/host/pose"
	"perch/sdk/vehicle"
)

const (
	glideCorner = 6.0 // rad/s: an intensity or a fading signal is there to 98 % after a second
	blendLength = 0.7 // s, over a restart

	mostRate, mostForce = 20.0, 100.0 // rad/s, m/s²: no more counts where motion is foreseen
)

// Chain is the cueing of one source. It is not for use by several goroutines.
type Chain struct {
	axes   pose.Axes
	mode   Mode
	travel pose.Pose
	scale  pose.Pose // by travel

	onset              [pose.Count]onset // Roll, Pitch, Yaw
	tiltPitch          tilt              // by TiltX
	tiltRoll           tilt              // by TiltY
	shift              [pose.Count]shift // Surge, Sway, Heave
	follow             Share
	rate, force, stand signal
	attitude           quat.Number
	ahead              [pose.Count]*predictive // Roll and Pitch, in the mode Predictive

	intensity, low glide
	started        bool
	last, change   pose.Pose // before compression: what came out, and its change a tick
	blend          blend
}

// New makes a chain for a seat with these axes that may move within these limits, and the loop's time step dt in s; or it
// says everything that is wrong with the settings.
func New(s Settings, axes pose.Axes, limits Limits, dt float64) (*Chain, error) {
	if err := s.check(axes, limits, dt); err != nil {
		return nil, err
	}
	travel := limits.Travel
	c := &Chain{axes: axes, mode: s.Mode, travel: travel, follow: s.Follow, blend: newBlend(blendLength, dt)}
	if s.Mode == Follow {
		c.follow = s.FollowOnly
	}
	for a := range c.scale {
		c.scale[a] = 1
		if s.Reference[a] > 0 {
			c.scale[a] = travel[a] / s.Reference[a]
		}
	}
	c.onset[pose.Roll] = newOnset(s.Roll, dt)
	c.onset[pose.Pitch] = newOnset(s.Pitch, dt)
	c.onset[pose.Yaw] = newOnset(s.Yaw, dt)
	c.tiltPitch, c.tiltRoll = newTilt(s.TiltX, dt), newTilt(s.TiltY, dt)
	c.shift[pose.Surge] = newShift(s.Surge, dt)
	c.shift[pose.Sway] = newShift(s.Sway, dt)
	c.shift[pose.Heave] = newShift(s.Heave, dt)
	for _, g := range []*glide{&c.rate.weight, &c.force.weight, &c.stand.weight, &c.intensity, &c.low} {
		g.k = glideCorner * dt
	}
	if s.Mode == Predictive {
		for i, x := range [...]struct {
			axis        pose.Axis
			rate, force perception.Channel
		}{{pose.Roll, perception.RollRate, perception.ForceY}, {pose.Pitch, perception.PitchRate, perception.ForceX}} {
			if !axes.Has(x.axis) {
				continue
			}
			a := x.axis
			p, err := newPredictive(x.rate, x.force, s.Head, travel[a], limits.Speed[a], limits.Acceleration[a], limits.Jerk[a], dt, i)
			if err != nil {
				return nil, fmt.Errorf("cueing: %w", err)
			}
			c.ahead[a] = p
		}
	}
	c.intensity.set(s.Intensity)
	c.low.set(lowShare(s.LowRate))
	c.Reset()
	return c, nil
}

// Reset forgets everything but the settings: the next pose starts from zero.
func (c *Chain) Reset() {
	c.started = false
	c.last, c.change = pose.Pose{}, pose.Pose{}
	c.intensity.set(c.intensity.goal)
	c.low.set(c.low.goal)
	for _, p := range c.ahead {
		if p != nil {
			p.reset()
		}
	}
}

// SetIntensity asks for another intensity, 0..1; it gets there in about a second without a jump. What is out of range
// is brought into it; what is no number changes nothing.
func (c *Chain) SetIntensity(i float64) {
	if !math.IsNaN(i) {
		c.intensity.goal = min(max(i, 0), 1)
	}
}

// Intensity is the intensity asked for.
func (c *Chain) Intensity() float64 { return c.intensity.goal }

// SetLowRate says whether telemetry comes under about 10 Hz; onsets get there in about a second without a jump.
func (c *Chain) SetLowRate(low bool) { c.low.goal = lowShare(low) }

func lowShare(low bool) float64 {
	if low {
		return 0.5
	}
	return 1
}

// Step takes what the vehicle does at this tick and gives the wanted seat pose, m and rad. It is zero on the axes that
// the seat does not have, and always within the travel.
func (c *Chain) Step(m *estimate.Motion) pose.Pose {
	fresh := m.Restarted || !c.started
	c.started = true
	hasRate := m.Present.Has(vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR)
	hasForce := m.Present.Has(vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ)
	hasAttitude := m.Present.Has(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)
	if fresh {
		c.rate.held, c.force.held, c.attitude = r3.Vec{}, r3.Vec{Z: -estimate.Gravity}, quat.Number{Real: 1}
	}
	settleRate := c.rate.take(m.AngularVelocity, hasRate, fresh)
	settleForce := c.force.take(m.SpecificForce, hasForce, fresh)
	c.stand.take(r3.Vec{}, hasAttitude, fresh)
	if hasAttitude {
		c.attitude = m.Attitude
	}

	var p pose.Pose
	i := c.intensity.step()
	low := c.low.step()
	if c.mode != Follow {
		c.turning(&p, low, settleRate)
		c.forces(&p, settleForce)
	}
	if c.mode != Predictive {
		c.standing(&p)
	}
	for a := range p {
		p[a] *= i * c.scale[a]
	}
	p = p.Only(c.axes)

	if fresh {
		c.blend.start(c.last, c.change)
	}
	p = c.blend.apply(p)
	for a := range p {
		p[a] = clip(p[a], 1e6)
		c.change[a], c.last[a] = p[a]-c.last[a], p[a]
		if p[a] != 0 {
			p[a] = compress(p[a], c.travel[a])
		}
	}
	if c.mode == Predictive {
		rate, force := i*low*c.rate.weight.y, i*c.force.weight.y
		v, f, up := c.rate.held, c.force.held, c.up()
		p[pose.Roll] = c.lookAhead(pose.Roll, [sights]float64{ofRate: v.X, ofForce: -f.Y, ofLean: up.Roll, ofBeside: v.Z}, rate, force, fresh)
		p[pose.Pitch] = c.lookAhead(pose.Pitch, [sights]float64{ofRate: v.Y, ofForce: f.X, ofLean: up.Pitch, ofBeside: f.Z + estimate.Gravity}, rate, force, fresh)
	}
	return p
}

// lookAhead moves an axis by what it foresees. It goes on over a restart: the seat's own motion never breaks.
func (c *Chain) lookAhead(axis pose.Axis, in [sights]float64, rate, force float64, fresh bool) float64 {
	p := c.ahead[axis]
	if p == nil {
		return 0
	}
	in[ofRate] = clip(in[ofRate], mostRate)
	for _, i := range [...]int{ofForce, ofBeside} {
		in[i] = clip(in[i], mostForce)
	}
	if fresh {
		p.settle(in, force)
	}
	return p.step(in, rate, force)
}

// turning adds the onsets of body rates.
func (c *Chain) turning(p *pose.Pose, low float64, settle bool) {
	w := c.rate.weight.y * low
	v := c.rate.held
	for _, x := range [...]struct {
		axis pose.Axis
		rate float64
	}{{pose.Roll, v.X}, {pose.Pitch, v.Y}, {pose.Yaw, v.Z}} {
		if c.axes.Has(x.axis) && c.ahead[x.axis] == nil {
			p[x.axis] += w * c.onset[x.axis].step(x.rate, settle)
		}
	}
}

// forces adds what specific force gives: leaning, and moving along.
func (c *Chain) forces(p *pose.Pose, settle bool) {
	w := c.force.weight.y
	f := c.force.held
	if c.axes.Has(pose.Pitch) && c.ahead[pose.Pitch] == nil {
		p[pose.Pitch] += w * c.tiltPitch.step(f.X, settle)
	}
	if c.axes.Has(pose.Roll) && c.ahead[pose.Roll] == nil {
		p[pose.Roll] -= w * c.tiltRoll.step(f.Y, settle)
	}
	for _, x := range [...]struct {
		axis  pose.Axis
		force float64
	}{{pose.Surge, f.X}, {pose.Sway, f.Y}, {pose.Heave, f.Z + estimate.Gravity}} {
		if c.axes.Has(x.axis) {
			p[x.axis] += w * c.shift[x.axis].step(x.force, settle)
		}
	}
}

// standing adds the share of the attitude.
func (c *Chain) standing(p *pose.Pose) {
	w, up := c.stand.weight.y, c.up()
	p[pose.Pitch] += w * c.follow.Pitch * up.Pitch
	p[pose.Roll] += w * c.follow.Roll * up.Roll
}

// up is the direction of up in body axes, (sin pitch, -sin roll cos pitch, ...), as leans; straight from the quaternion, so
// that nothing jumps at the vertical.
func (c *Chain) up() Share {
	q := c.attitude
	return Share{Roll: clip(2*(q.Real*q.Imag+q.Jmag*q.Kmag), 1), Pitch: clip(2*(q.Real*q.Jmag-q.Imag*q.Kmag), 1)}
}

// signal is one vector of the motion, with how much of it counts.
type signal struct {
	held   r3.Vec
	weight glide
}

// take holds a vector that is present; one that is absent keeps its last value while its weight fades. It says whether
// what is filtered from it starts anew.
func (s *signal) take(v r3.Vec, present, fresh bool) (settle bool) {
	goal := 0.0
	if present {
		settle = s.weight.y == 0
		s.held = v
		goal = 1
	}
	if fresh {
		s.weight.set(goal)
		return true
	}
	s.weight.goal = goal
	s.weight.step()
	return settle
}
