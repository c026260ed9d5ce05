package guard

import (
	"encoding/binary"
	"math"
	"testing"

	"perch/host/pose"
)

// FuzzStep treats a guard with wanted poses made of the fuzzer's bytes: any bit pattern of a number.
func FuzzStep(f *testing.F) {
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0xf8, 0x7f, 1, 2, 3, 4, 5, 6, 7, 8})
	seed := make([]byte, 0, 160)
	for k := range 10 {
		seed = binary.LittleEndian.AppendUint64(seed, math.Float64bits(0.3*math.Sin(float64(k))))
		seed = binary.LittleEndian.AppendUint64(seed, math.Float64bits(math.Ldexp(1, 100*(k-5))))
	}
	f.Add(seed)
	f.Fuzz(func(t *testing.T, b []byte) {
		l := turn(-8, 8, 40, 300, 5000)
		g := mustLimiter(t, cranks(t), l)
		j := newJudges(g, l)
		for len(b) >= 16 && j.pose.Ticks < 4000 {
			want := pose.Pose{
				pose.Roll:  math.Float64frombits(binary.LittleEndian.Uint64(b)),
				pose.Pitch: math.Float64frombits(binary.LittleEndian.Uint64(b[8:])),
			}
			b = b[16:]
			for range 10 {
				got, held := g.Step(want)
				if err := j.see(got); err != nil {
					t.Fatal(err)
				}
				if held == 0 && (got[pose.Roll] != want[pose.Roll] || got[pose.Pitch] != want[pose.Pitch]) {
					t.Fatalf("%v for %v, free", got, want)
				}
			}
		}
		stop(t, g, j, "end")
	})
}
