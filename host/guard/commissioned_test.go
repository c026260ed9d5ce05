package guard

import (
	"testing"

	"pgregory.net/rapid"
)

// TestWithoutARecordNothingMovesTheSeat: a controller that is not simulated and for which no valid record stands is
// neither homed, armed nor parked, and a record that lapses ends what is under way.
func TestWithoutARecordNothingMovesTheSeat(t *testing.T) {
	bare := func(s *scene) *scene { s.f.Commissioned = false; return s }
	for _, c := range []struct {
		name    string
		from    State
		do      func(s *scene)
		want    State
		within  float64
		cause   Cause
		refused Ask
		command Command
	}{
		{"arming", Parked, func(s *scene) { bare(s).tick(AskArm) }, Parked, 0, CauseRecord, AskArm, CommandNone},
		{"homing", Off, func(s *scene) { bare(s).tick(AskHome) }, Off, 0, CauseRecord, AskHome, CommandNone},
		{"homing again", Parked, func(s *scene) { bare(s).tick(AskHome) }, Parked, 0, CauseRecord, AskHome, CommandNone},
		{"parking", Holding, func(s *scene) { s.run(1); bare(s).tick(AskPark) }, Holding, 0, CauseRecord, AskPark, CommandNone},
		{"stop is always heard", Parked, func(s *scene) { bare(s).tick(AskArm | AskStop) }, Parked, 0, CauseNone, 0, CommandNone},
		{"a simulated controller needs none", Parked, func(s *scene) { bare(s).f.Simulated = true; s.tick(AskArm) }, Riding, 0.1, CauseNone, 0, CommandArm},
		{"lapsed while riding", Riding, func(s *scene) { bare(s).tick(0) }, Holding, 10, CauseRecord, 0, CommandNone},
		{"lapsed while settling", Settling, func(s *scene) { s.run(1); bare(s).in.Live = true; s.tick(0) }, Holding, 10, CauseRecord, 0, CommandNone},
		{"lapsed while homing", Homing, func(s *scene) { s.run(0.05); bare(s).tick(0) }, Off, 0, CauseRecord, 0, CommandStop},
		{"lapsed while arming", Parked, func(s *scene) { s.f.lag = 100; s.tick(AskArm); bare(s).tick(0) }, Parked, 0, CauseRecord, 0, CommandDisarm},
		{"lapsed while stopping", Stopping, func(s *scene) { bare(s).tick(0) }, Holding, 1, CauseAsked, 0, CommandNone},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t).to(c.from)
			c.do(s)
			refused, command := s.out.Refused, s.out.Command
			if c.within > 0 {
				s.until(c.want, c.within)
			}
			if s.out.State != c.want || s.out.Cause != c.cause || refused != c.refused || command != c.command {
				t.Errorf("%v, cause %q, refused %b, command %v; want %v, %q, %b, %v", s.out.State, s.out.Cause, refused, command, c.want, c.cause, c.refused, c.command)
			}
		})
	}
	rapid.Check(t, func(rt *rapid.T) {
		s := bare(newScene(t))
		s.f.Homed = rapid.Bool().Draw(rt, "homed")
		for range rapid.IntRange(1, 20).Draw(rt, "events") {
			s.f.Stopped = rapid.Bool().Draw(rt, "stopped")
			s.f.Present = rapid.Bool().Draw(rt, "present")
			s.tick(Ask(rapid.IntRange(0, 31).Draw(rt, "asks")))
			for range rapid.IntRange(0, 300).Draw(rt, "ticks") {
				if c := s.out.Command; c == CommandArm || c == CommandHome || c == CommandPark {
					rt.Fatalf("told to %v without a record", c)
				}
				s.tick(0)
			}
		}
	})
}
