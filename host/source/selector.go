package source

import (
	"fmt"

	"perch/host/pose"
)

// None is no source.
const None = -1

// Selection is what a Selector gives at one tick.
type Selection struct {
	Pose   pose.Pose
	Source int  // the source whose pose is the target, None where there is none
	Live   bool // that source moves the seat; otherwise the pose fades to level or is level
	Fading bool
}

// Selector lets the one source move the seat that the operator chose among those that were started. Between two live
// ones poses are crossfaded, both going on; to or from one that is not live the seat settles level first and fades in
// afterwards. A source that was not chosen never becomes live, whatever becomes of the chosen one.
type Selector struct {
	blend   *Blend
	count   int
	wanted  int
	current int
	leaving int
	shown   bool // the last target was the current source's pose
}

// NewSelector makes a selector among count sources, with none chosen, for a loop of tick dt, s. A fade takes fade, s.
func NewSelector(count int, dt, fade float64) *Selector {
	return &Selector{blend: NewBlend(dt, fade), count: count, wanted: None, current: None, leaving: None}
}

// Choose sets the source that the operator wants, or None.
func (s *Selector) Choose(source int) error {
	if source < None || source >= s.count {
		return fmt.Errorf("source %d: there are %d, numbered from 0: choose one of those", source, s.count)
	}
	s.wanted = source
	return nil
}

// Chosen is the source that the operator wants.
func (s *Selector) Chosen() int { return s.wanted }

// Jumped hides the step of a source whose motion does not continue what came before. Call it before the Step that
// is given its new pose.
func (s *Selector) Jumped(source int) {
	if source == None {
		return
	}
	switch source {
	case s.leaving:
		s.leaving = None
	case s.current:
		s.blend.Switch()
		s.leaving = None
	}
}

// Step takes the pose after cueing of every source and whether each is live.
func (s *Selector) Step(poses []pose.Pose, live []bool) Selection {
	settling := false
	if s.wanted != s.current {
		switch {
		case s.is(live, s.current) && s.is(live, s.wanted):
			if s.leaving = None; s.shown {
				s.leaving = s.current
			}
			s.current = s.wanted
			s.blend.Switch()
		case s.blend.level():
			s.leaving, s.current = None, s.wanted
		default:
			settling = true
		}
	}
	alive := s.is(live, s.current) && !settling
	var target pose.Pose
	if alive {
		target = poses[s.current]
	} else {
		s.leaving = None
	}
	if !s.blend.Fading() || !s.is(live, s.leaving) {
		s.leaving = None
	}
	s.shown = alive
	out := Selection{Source: s.current, Live: alive}
	if s.leaving != None {
		out.Pose = s.blend.StepFrom(poses[s.leaving], target, !alive)
	} else {
		out.Pose = s.blend.Step(target, !alive)
	}
	out.Fading = s.blend.Fading()
	return out
}

func (s *Selector) is(live []bool, source int) bool {
	return source >= 0 && source < len(live) && live[source]
}
