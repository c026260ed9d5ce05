package consistency

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perch/sdk/vehicle"
)

func load(t testing.TB, file string) []vehicle.State {
	t.Helper()
	in, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	r := vehicle.NewCSVReader(in)
	var out []vehicle.State
	for {
		var s vehicle.State
		if err := r.Read(&s); err != nil {
			break
		}
		out = append(out, s)
	}
	return out
}

func TestDevClean(t *testing.T) {
	files, _ := filepath.Glob("/tmp/fl/*.csv")
	for _, file := range files {
		s := load(t, file)
		start := time.Now()
		r := Judge(s)
		fmt.Println(filepath.Base(file), time.Since(start).Round(time.Millisecond))
		for _, m := range r.Mistakes {
			fmt.Printf("   FALSE %s %s %s %v d=%.2f %q %v %d/%d alt %d\n", m.Group, m.Component, m.Kind, m.Scale, m.Delay, m.Detail, m.Relations, m.Votes, m.Of, len(m.Alternatives))
		}
		var ok, no []string
		for _, x := range r.Shown {
			w := fmt.Sprintf("%s.%s(%d/%d)", x.Relation, x.Component, x.Votes, x.Of)
			if x.Right {
				ok = append(ok, w)
			} else {
				no = append(no, w)
			}
		}
		fmt.Println("   right", strings.Join(ok, " "), "| unseen", strings.Join(no, " "))
		for _, u := range r.Unexplained {
			fmt.Println("   UNEXPLAINED", u.Relation, u.Bad, u.Of)
		}
	}
}

func TestDevMutations(t *testing.T) {
	files, _ := filepath.Glob("/tmp/fl/*-1.csv")
	right, wrong, unseen := 0, 0, 0
	for _, file := range files {
		s := load(t, file)
		f := newFlight(s)
		if only := os.Getenv("FLIGHT"); only != "" && !strings.Contains(file, only) {
			continue
		}
		for _, m := range mutations() {
			if only := os.Getenv("ONLY"); only != "" && !strings.Contains(filepath.Base(file)+" "+m.name, only) {
				continue
			}
			r := Judge(mutate(f, s, m))
			line := fmt.Sprintf("%-12s %-32s", strings.TrimSuffix(filepath.Base(file), "-1.csv"), m.name)
			if len(r.Mistakes) == 0 {
				unseen++
				if len(r.Unexplained) > 0 {
					fmt.Println(line, "UNEXPLAINED", r.Unexplained)
				} else {
					fmt.Println(line, "unseen")
				}
				continue
			}
			ok := false
			x := r.Mistakes[0]
			fits := func(c Change) bool {
				return c.Group == m.group && (c.Kind == m.kind || len(m.also) > 0 && (c.Kind == m.also[0] || len(m.also) > 1 && c.Kind == m.also[1]))
			}
			ok = fits(x.Change)
			if ok && len(r.Mistakes) == 1 && len(x.Alternatives) == 0 && (m.m == nil || x.Matrix != nil && *x.Matrix == *m.m) {
				right++
				continue
			}
			if !ok {
				for _, a := range x.Alternatives {
					ok = ok || fits(a)
				}
				if !ok {
					wrong++
					line += " WRONG"
				} else {
					right++
					line += " second"
				}
			} else {
				right++
			}
			for _, x := range r.Mistakes {
				line += fmt.Sprintf(" | %s %s %s %.3g d=%.2f %q %v", x.Group, x.Component, x.Kind, x.Scale, x.Delay, x.Detail, x.Relations)
				for _, a := range x.Alternatives {
					line += fmt.Sprintf(" / %s %s %s %.3g d=%.2f", a.Group, a.Component, a.Kind, a.Scale, a.Delay)
				}
			}
			fmt.Println(line)
		}
	}
	fmt.Println("right", right, "wrong", wrong, "unseen", unseen)
}
