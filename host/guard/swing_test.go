package guard

import (
	"math"
	"testing"

	"perch/host/pose"
)

// ridden brings a fresh machine to its ride at level, past the fade of its demand.
func ridden(t *testing.T) *scene {
	s := newScene(t).to(Parked)
	s.in.Wanted, s.in.Live = pose.Pose{}, true
	still := func(ask Ask) {
		s.in.Ask, s.in.Controller = ask, s.f.Controller
		s.step()
	}
	still(AskArm)
	for s.out.State != Riding || s.out.Fade < 1 {
		still(0)
	}
	return s
}

// want is one tick with a demand.
func (s *scene) want(p pose.Pose) Output {
	s.in.Wanted, s.in.Ask, s.in.Controller = p, 0, s.f.Controller
	return s.step()
}

// sine is the roll whose largest speed, acceleration or jerk is a share of its limit, or its travel.
func sine(l *Limits, hz, share float64) func(t float64) pose.Pose {
	w := 2 * math.Pi * hz
	size := share * min(l.High[pose.Roll], l.Speed[pose.Roll]/w, l.Acceleration[pose.Roll]/w/w, l.Jerk[pose.Roll]/w/w/w)
	return func(t float64) pose.Pose {
		s := min(1, t/1.5)
		return pose.Pose{pose.Roll: size * s * s * s * (10 + s*(6*s-15)) * math.Sin(w*t)}
	}
}

// A sine that touches a limit has 0.71 of it in the mean square, a square wave of the demand makes the guard move at its
// limits, noise shakes: each is faded within the window's 10 s, and told; what is left is under the threshold.
func TestASwingNearTheLimitsIsFaded(t *testing.T) {
	l := turn(-8, 8, 40, 300, 5000)
	random := inputsRand(3)
	var held float64
	for _, c := range []struct {
		name string
		want func(t float64) pose.Pose
	}{
		{"speed", sine(&l, 1, 0.99)},
		{"acceleration", sine(&l, 2.2, 0.99)},
		{"jerk", sine(&l, 4, 0.99)},
		{"beyond every limit", sine(&l, 1, 5)},
		{"square", func(t float64) pose.Pose {
			return pose.Pose{pose.Roll: 20 * deg * float64(2*(int(t/0.3)%2)-1)}
		}},
		{"noise", func(float64) pose.Pose {
			if random.IntN(40) == 0 {
				held = 10 * deg * random.NormFloat64()
			}
			return pose.Pose{pose.Roll: held, pose.Pitch: -held / 3}
		}},
	} {
		s := ridden(t)
		at, last := 0.0, 1.0
		length := 14.0
		if long {
			length = 90
		}
		for k := range int(length / dt) {
			now := float64(k) * dt
			o := s.want(c.want(now))
			if at == 0 && o.Held&HeldSwing != 0 {
				at = now
			}
			g := s.m.swing.axis[pose.Roll].share
			if math.Abs(g-last) > 0.4*dt {
				t.Fatalf("%s: the share jumps from %g to %g", c.name, last, g)
			}
			last = g
			if s.m.swing.axis[pose.Yaw].share != 1 {
				t.Fatalf("%s: an axis that does not move is faded", c.name)
			}
		}
		if at == 0 || at > 10.5 {
			t.Errorf("%s: faded after %.1f s", c.name, at)
		}
		used := s.m.swing.axis[pose.Roll].measured * last
		// what goes far beyond the limits has to be lessened much, step by step, and jumps use the jerk however small they are
		if long && used > 1.25*swingMost || !long && used > 1.25*0.71 {
			t.Errorf("%s: still uses %.2f of a limit after %g s", c.name, used, length)
		}
		t.Logf("%s: faded after %.1f s, %.0f %% are let through in the end, using %.2f of a limit", c.name, at, 100*last, used)
	}
}

func TestWhatIsNoSwingPassesUntouched(t *testing.T) {
	l := turn(-8, 8, 40, 300, 5000)
	for _, hz := range []float64{0.2, 1, 2.2, 4} {
		s := ridden(t)
		half := sine(&l, hz, 0.5)
		for k := range int(12 / dt) {
			p := half(float64(k) * dt)
			if o := s.want(p); o.Held != 0 || o.Pose != p {
				t.Fatalf("half of the limits at %g Hz: %v for %v after %.1f s: %v", hz, o.Pose, p, float64(k)*dt, o.Held)
			}
		}
	}
	// a respawn somewhere else, every 4 s
	s := ridden(t)
	for k := range int(20 / dt) {
		p := pose.Pose{pose.Roll: 5 * deg * float64(int(float64(k)*dt/4)%3-1)}
		if o := s.want(p); o.Held&HeldSwing != 0 {
			t.Fatalf("respawns every 4 s are taken for a swing after %.1f s", float64(k)*dt)
		}
	}
}

func TestTheDemandComesBackSlowlyAndWhole(t *testing.T) {
	l := turn(-8, 8, 40, 300, 5000)
	s := ridden(t)
	wild, calm := sine(&l, 1, 0.99), sine(&l, 0.4, 0.3)
	for k := range int(14 / dt) {
		s.want(wild(float64(k) * dt))
	}
	least := s.m.swing.axis[pose.Roll].share
	if least > 0.95 {
		t.Fatalf("share %g after a swing", least)
	}
	last, back := least, 0.0
	for k := range int(90 / dt) {
		p := calm(float64(k) * dt)
		o := s.want(p)
		g := s.m.swing.axis[pose.Roll].share
		if g > last+1.5*swingRise/swingBlock*dt {
			t.Fatalf("the share jumps up from %g to %g", last, g)
		}
		last = g
		if back == 0 && g == 1 {
			back = float64(k) * dt
		}
		if back != 0 && float64(k)*dt > back+0.1 && (o.Held != 0 || o.Pose != p) {
			t.Fatalf("whole again, but %v for %v: %v", o.Pose, p, o.Held)
		}
	}
	if back == 0 {
		t.Fatalf("after 90 s of calm %g of the demand comes through", last)
	}
	t.Logf("from %.2f to whole in %.0f s of calm", least, back)
}

// A share that is not whole must not make the seat jump when a ride begins again.
func TestAFadedDemandBeginsWithoutAJump(t *testing.T) {
	l := turn(-8, 8, 40, 300, 5000)
	s := ridden(t)
	wild := sine(&l, 1, 0.99)
	for k := range int(14 / dt) {
		s.want(wild(float64(k) * dt))
	}
	for k := range int(6 / dt) {
		s.in.Live = k/200%2 == 0 // judged by every step
		s.want(wild(float64(k) * dt))
	}
}
