package source

import (
	"sync"
	"testing"

	"pgregory.net/rapid"

	"perch/sdk/vehicle"
)

func TestQueueDropsTheOldest(t *testing.T) {
	q := NewQueue()
	for i := range int64(100) {
		q.Push(&vehicle.State{SourceTime: i})
	}
	if got := q.Dropped(); got != 36 {
		t.Errorf("dropped %d, want 100 - 64", got)
	}
	var s vehicle.State
	for want := int64(36); want < 100; want++ {
		if !q.Pop(&s) || s.SourceTime != want {
			t.Fatalf("got %d, want %d", s.SourceTime, want)
		}
	}
	if q.Pop(&s) {
		t.Error("a state came out of an empty queue")
	}
}

// The queue behaves as a slice of at most 64 from which the front falls off.
func TestQueueAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := NewQueue()
		var model []int64
		var next int64
		var lost uint64
		for _, pushes := range rapid.SliceOfN(rapid.IntRange(-40, 90), 1, 30).Draw(t, "pushes or pops") {
			for ; pushes > 0; pushes-- {
				q.Push(&vehicle.State{SourceTime: next, Name: "a"})
				if model = append(model, next); len(model) > depth {
					model, lost = model[1:], lost+1
				}
				next++
			}
			for ; pushes < 0; pushes++ {
				var s vehicle.State
				ok := q.Pop(&s)
				if ok != (len(model) > 0) {
					t.Fatalf("pop %v with %d waiting", ok, len(model))
				}
				if ok {
					if s.SourceTime != model[0] {
						t.Fatalf("popped %d, want %d", s.SourceTime, model[0])
					}
					model = model[1:]
				}
			}
		}
		if q.Dropped() != lost {
			t.Fatalf("dropped %d, want %d", q.Dropped(), lost)
		}
	})
}

// With both ends running, every state comes out whole, in order, at most once, and none is lost uncounted.
func TestQueueBothEnds(t *testing.T) {
	const n = 50000
	q := NewQueue()
	var done sync.WaitGroup
	done.Go(func() {
		var s vehicle.State
		for i := range int64(n) {
			s.SourceTime = i
			for x := range s.Values {
				s.Values[x] = float64(i)
			}
			q.Push(&s)
		}
	})
	last, got := int64(-1), uint64(0)
	var s vehicle.State
	take := func() bool {
		if !q.Pop(&s) {
			return false
		}
		if s.SourceTime <= last {
			t.Fatalf("%d after %d", s.SourceTime, last)
		}
		for x, v := range s.Values {
			if v != float64(s.SourceTime) {
				t.Fatalf("state %d holds %v in signal %d: torn", s.SourceTime, v, x)
			}
		}
		last, got = s.SourceTime, got+1
		return true
	}
	for last < n-1 {
		take()
	}
	done.Wait()
	if got+q.Dropped() != n {
		t.Errorf("%d came out, %d dropped of %d", got, q.Dropped(), n)
	}
}

func TestQueueAllocatesNothing(t *testing.T) {
	q := NewQueue()
	var s vehicle.State
	if n := testing.AllocsPerRun(200, func() { q.Push(&s); q.Push(&s); q.Pop(&s) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkQueue(b *testing.B) {
	q := NewQueue()
	var s vehicle.State
	b.ReportAllocs()
	for b.Loop() {
		q.Push(&s)
		q.Pop(&s)
	}
}
