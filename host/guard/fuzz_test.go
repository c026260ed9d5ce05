package guard

import (
	"encoding/binary"
	"math"
	"testing"

	"perch/host/pose"
)

// FuzzStep treats a guard over any mechanism with wanted poses made of the fuzzer's bytes: the first chooses the mechanism,
// the others are numbers of any bit pattern, one for each axis that it moves.
func FuzzStep(f *testing.F) {
	names, all := seats(f)
	l := turn(-8, 8, 40, 300, 5000)
	for a := pose.Surge; a <= pose.Yaw; a++ {
		if a < pose.Roll {
			l.Low[a], l.High[a], l.Speed[a], l.Acceleration[a], l.Jerk[a] = -0.05, 0.05, 0.25, 2, 40
		} else {
			l.Low[a], l.High[a], l.Speed[a], l.Acceleration[a], l.Jerk[a] = l.Low[pose.Roll], l.High[pose.Roll], l.Speed[pose.Roll], l.Acceleration[pose.Roll], l.Jerk[pose.Roll]
		}
	}
	fresh := make([]func() *Limiter, len(names))
	for i, name := range names {
		fresh[i] = rig{name, all[name], l}.fresh(f)
		seed := []byte{byte(i)}
		for k := range 10 {
			seed = binary.LittleEndian.AppendUint64(seed, math.Float64bits(0.3*math.Sin(float64(k))))
			seed = binary.LittleEndian.AppendUint64(seed, math.Float64bits(math.Ldexp(1, 100*(k-5))))
		}
		f.Add(seed)
	}
	f.Add([]byte{7, 0, 0, 0, 0, 0, 0, 0xf8, 0x7f, 1, 2, 3, 4, 5, 6, 7, 8})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) == 0 {
			return
		}
		g := fresh[int(b[0])%len(fresh)]()
		b = b[1:]
		j := newJudges(g, l)
		for len(b) >= 8*len(g.axes) && j.pose.Ticks < 4000 {
			var want pose.Pose
			for _, ax := range g.axes {
				want[ax], b = math.Float64frombits(binary.LittleEndian.Uint64(b)), b[8:]
			}
			for range 10 {
				got, held := g.Step(want)
				if err := j.see(got); err != nil {
					t.Fatal(err)
				}
				if held == 0 && got != want {
					t.Fatalf("%v for %v, free", got, want)
				}
			}
		}
		stop(t, g, j, "end")
	})
}
