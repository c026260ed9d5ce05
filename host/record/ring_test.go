package record_test

import (
	"testing"

	"perch/host/record"
)

func TestRingKeepsOrderAndCountsWhatItDrops(t *testing.T) {
	ring := record.NewRing[int](4)
	for i := range 6 {
		ring.Put(&i)
	}
	if ring.Dropped() != 2 {
		t.Errorf("dropped %d of 6 in a ring of 4, want 2", ring.Dropped())
	}
	if p := ring.Peek(); p == nil || *p != 0 {
		t.Errorf("peek %v, want the oldest, 0", p)
	}
	var got int
	for want := range 4 {
		if !ring.Take(&got) || got != want {
			t.Errorf("took %d, want %d", got, want)
		}
	}
	if ring.Take(&got) || ring.Peek() != nil {
		t.Error("an empty ring gave a value")
	}
}

func TestRingCrossesGoroutinesWhole(t *testing.T) {
	type pair struct{ a, b int }
	ring := record.NewRing[pair](8)
	const n = 20000
	go func() {
		for i := 0; i < n; {
			if ring.Put(&pair{i, -i}) {
				i++
			}
		}
	}()
	var got pair
	for i := 0; i < n; {
		if ring.Take(&got) {
			if got.a != i || got.b != -i {
				t.Fatalf("value %d arrived as %+v", i, got)
			}
			i++
		}
	}
}

func BenchmarkRingPut(b *testing.B) {
	b.ReportAllocs()
	ring := record.NewRing[[64]float64](1024)
	var v [64]float64
	for b.Loop() {
		ring.Put(&v)
		ring.Take(&v)
	}
}
