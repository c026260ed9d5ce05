package controller

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"perch/conformance/report"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// virtual is a line to a simulated controller in virtual time.
type virtual struct {
	c *simulated.Controller
}

func (v *virtual) Now() time.Duration { return v.c.Now() }

func (v *virtual) Write(p []byte) error {
	v.c.Feed(p)
	return nil
}

func (v *virtual) Read(until time.Duration) ([]byte, time.Duration, error) {
	for {
		if p := v.c.Output(nil); len(p) > 0 {
			return p, v.c.Now(), nil
		}
		left := until - v.c.Now()
		if left <= 0 {
			return nil, 0, nil
		}
		v.c.Step(min(left, time.Millisecond))
	}
}

func judged(t *testing.T, line Line, only ...string) report.Report {
	t.Helper()
	s, err := Connect(line)
	if err != nil {
		t.Fatal(err)
	}
	checks, err := report.Choose(Checks(), only)
	if err != nil {
		t.Fatal(err)
	}
	return Run(context.Background(), s, checks, func(r report.Result) {
		if r.Outcome == report.Pass || r.Unclaimed {
			return
		}
		t.Logf("%6.1f s  %-14s %-18s %s | %s | %v", line.Now().Seconds(), r.Outcome, r.ID, r.Measured, r.Needs, r.Diagnosis)
	})
}

func simulatedLine(t *testing.T, s simulated.Settings) *virtual {
	t.Helper()
	c, err := simulated.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return &virtual{c}
}

func TestTheSimulatedControllerConforms(t *testing.T) {
	for name, settings := range seats() {
		t.Run(name, func(t *testing.T) {
			if r := judged(t, simulatedLine(t, settings)); r.Verdict != report.Conforms || r.Count(report.Warn) > 0 {
				t.Errorf("%s, %d to be looked at", r.Verdict, r.Count(report.Warn))
			}
		})
	}
}

// brokenBy are the checks that must name each broken controller.
func brokenBy() map[string]string {
	return map[string]string{
		"no-watchdog":       "watchdog",
		"latches-late":      "watchdog",
		"wrong-crc-taken":   "crc-checked",
		"wrong-crc-sent":    "crc-sent",
		"moves-unhomed":     "unhomed",
		"unlatches":         "latch",
		"mirrored":          "follows",
		"obeys-repeats":     "repeats",
		"unsigned-sequence": "sequence",
		"ignores-stop":      "stop",
		"ignores-disarm":    "disarm",
		"any-nonce":         "arm-nonce",
		"any-hash":          "arm-limits",
		"arms-unsteady":     "arm-steady",
		"arms-far":          "arm-near",
		"weak-brake":        "brake-law",
		"hard-brake":        "brake-law",
		"widens-limits":     "tighten",
		"keeps-hash":        "tighten",
		"wrong-hash":        "limits-read",
		"takes-outside":     "refuses-outside",
		"ignores-reduced":   "reduced-speed",
		"follows-jumps":     "jump",
		"leaps-after-gap":   "catches-up",
		"parks-fast":        "park",
		"forgets-losses":    "third-loss",
		"reset-keeps-homed": "reset",
		"homed-early":       "homing",
		"homes-armed":       "states-armed",
		"creeps":            "moves-by-itself",
		"restarts":          "restarts",
		"rare-status":       "status-rate",
		"heard-wrong":       "status-fields",
		"no-boot-id":        "hello",
		"short-buffer":      "framing",
		"long-payloads":     "lengths",
		"silent-unknown":    "unknown-types",
		"impatient-frames":  "resync",
	}
}

// TestEachBrokenControllerIsNamed by the check that is about its mistake, and by no other.
func TestEachBrokenControllerIsNamed(t *testing.T) {
	by := brokenBy()
	for _, name := range simulated.BrokenNames() {
		for seat, settings := range seats() {
			if seat != "cranks" && os.Getenv("PERCH_LONG") == "" {
				continue
			}
			t.Run(name+"/"+seat, func(t *testing.T) {
				t.Parallel()
				var err error
				if settings.Broken, err = simulated.BrokenNamed(name); err != nil {
					t.Fatal(err)
				}
				r := judged(t, simulatedLine(t, settings))
				var failed []string
				for _, c := range r.Checks {
					if c.Outcome == report.Fail {
						failed = append(failed, c.ID)
					}
				}
				if len(failed) != 1 || failed[0] != by[name] || r.Verdict != report.DoesNot {
					t.Errorf("named by %v (%s), want %q alone", failed, r.Verdict, by[name])
				}
			})
		}
	}
}

// seats are controllers of several kinds.
func seats() map[string]simulated.Settings {
	narrow := seatlink.AxisLimits{Low: -261_799_388, High: 261_799_388, Speed: 698_132, ReducedSpeed: 314_159, Acceleration: 5_236, Jerk: 87_266}
	return map[string]simulated.Settings{
		"wide": {},
		// ±60°, 240 deg/s, 2000 deg/s², 30 000 deg/s³ at the cranks, the park position off the middle.
		"cranks": {Limits: [seatlink.MaxAxes]seatlink.AxisLimits{
			{Low: -1_047_197_551, High: 1_047_197_551, Park: -100_000_000, Speed: 4_188_790, ReducedSpeed: 1_047_198, Acceleration: 34_907, Jerk: 523_599},
			{Low: -1_047_197_551, High: 900_000_000, Speed: 4_188_790, ReducedSpeed: 1_047_198, Acceleration: 34_907, Jerk: 523_599},
		}},
		"six legs": {Axes: seatlink.Axes{N: 6, Metres: true}},
		"narrow":   {Limits: [seatlink.MaxAxes]seatlink.AxisLimits{narrow, narrow}},
	}
}

// slow is a line that delays: what comes is held back until the next multiple of clump, as a USB bridge does, and now and
// then the machine sleeps too long.
type slow struct {
	virtual
	clump  time.Duration
	random *rand.Rand
	sleeps time.Duration
}

func (s *slow) Read(until time.Duration) ([]byte, time.Duration, error) {
	if s.sleeps > 0 && s.random.IntN(300) == 0 {
		s.c.Step(time.Duration(s.random.Int64N(int64(s.sleeps))))
	}
	if s.clump == 0 {
		return s.virtual.Read(until)
	}
	next := (s.Now()/s.clump + 1) * s.clump
	s.c.Step(min(next, max(until, s.Now())) - s.Now())
	if s.Now() < next {
		return nil, 0, nil
	}
	return s.c.Output(nil), s.Now(), nil
}

// TestDelaysFailNobody: a good controller behind a slow line, or judged by a busy machine, fails nothing.
func TestDelaysFailNobody(t *testing.T) {
	for name, line := range map[string]*slow{
		"bridge":               {clump: clump},
		"busy machine":         {sleeps: 40 * ms, random: rand.New(rand.NewPCG(1, 2))},
		"bridge, busy machine": {clump: clump, sleeps: 25 * ms, random: rand.New(rand.NewPCG(3, 4))},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			line.virtual = *simulatedLine(t, seats()["cranks"])
			if r := judged(t, line); r.Count(report.Fail) > 0 || r.Verdict.ExitCode() != 0 {
				t.Errorf("%s: %d failed", r.Verdict, r.Count(report.Fail))
			}
		})
	}
}

// TestALineThatSaysNothing is not judged, and one that talks in another way is told what is wrong.
func TestALineThatSaysNothing(t *testing.T) {
	if _, err := Connect(simulatedLine(t, simulated.Settings{BootTime: time.Hour})); err == nil {
		t.Error("a controller that says nothing was connected")
	}
	if d := readGarbled([]byte("hello, world\r\nhello, world\r\n")); d.Signal != "line" {
		t.Errorf("%v", d)
	}
}

// FuzzTake: whatever comes from a port is taken, counted or explained, and brings nothing down.
func FuzzTake(f *testing.F) {
	line := &virtual{}
	c, err := simulated.New(simulated.Settings{})
	if err != nil {
		f.Fatal(err)
	}
	line.c = c
	c.Step(50 * ms)
	f.Add(c.Output(nil))
	f.Add([]byte{0, 1, 1, 0, 5, 5, 5, 5, 0})
	f.Fuzz(func(_ *testing.T, p []byte) {
		s := &Subject{line: line}
		s.take(p, 0)
		s.take(p, time.Second)
		_ = readGarbled(p).String()
		_ = s.Name()
	})
}

// TestTheRunLeavesItAtRest also where it is cut short in motion.
func TestTheRunLeavesItAtRest(t *testing.T) {
	line := simulatedLine(t, simulated.Settings{})
	s, err := Connect(line)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cut := check("cut", "", "", func(s *Subject) (report.Finding, error) {
		_, err := s.start(kind{1, share, usual, 0.1, halted})
		cancel()
		return report.Finding{}, errors.Join(err, ctx.Err())
	})
	if r := Run(ctx, s, []Check{cut}, nil); r.Verdict != report.CouldNotJudge || r.Problem == "" {
		t.Errorf("%s, %q", r.Verdict, r.Problem)
	}
	line.c.Step(time.Second)
	if state := line.c.State(); state != seatlink.StateHeld {
		t.Errorf("left in %v", state)
	}
}

// TestEveryCheckIsExplained and has an id of its own.
func TestEveryCheckIsExplained(t *testing.T) {
	ids := map[string]bool{}
	for _, c := range Checks() {
		if ids[c.ID] || c.ID == "" || c.Title == "" || len(c.Doc) < 100 {
			t.Errorf("%q: id twice, no title, or hardly a word about it", c.ID)
		}
		ids[c.ID] = true
	}
}

// TestTheLawOfThePage compares the roll-out with what integrating the same profile in closed form gives: full jerk, full
// acceleration, full jerk again takes v²/2A + vA/2J from speed v where A is reached (derived here).
func TestTheLawOfThePage(t *testing.T) {
	l := limits{acceleration: 35, jerk: 520}
	v := 4.
	want := v*v/(2*l.acceleration) + v*l.acceleration/(2*l.jerk)
	if got := last(l.brakes(v, 0, 1e-4)); math.Abs(got-want) > 0.002*want {
		t.Errorf("%g rad, want %g", got, want)
	}
}
