package report

import (
	"fmt"
	"math"
	"strings"
)

// Series is a signal over time as it was given, beside what it should be.
type Series struct {
	Title    string    `json:"title"` // what is drawn, such as "angular_velocity q"
	Unit     string    `json:"unit"`
	GivenIs  string    `json:"given_is"`  // where Given comes from, in words
	ShouldIs string    `json:"should_is"` // where Should comes from
	Time     []float64 `json:"time_s"`
	Given    []float64 `json:"given"`
	Should   []float64 `json:"should"`
}

// Plot draws the series in plain characters, columns wide and rows high without its axes: o as given, x as it should be,
// * where both are. It is empty where there is nothing to draw.
func (s *Series) Plot(columns, rows int) string {
	n := min(len(s.Time), len(s.Given), len(s.Should))
	if n == 0 || columns < 2 || rows < 2 {
		return ""
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range n {
		low, high = min(low, s.Given[i], s.Should[i]), max(high, s.Given[i], s.Should[i])
	}
	if math.IsNaN(low+high) || math.IsInf(low+high, 0) {
		return ""
	}
	if high-low < 1e-9 {
		low, high = low-1, high+1
	}
	first, last := s.Time[0], s.Time[n-1]
	grid := make([][]byte, rows)
	for i := range grid {
		grid[i] = []byte(strings.Repeat(" ", columns))
	}
	mark := func(i int, v float64, with, other byte) {
		x, y := 0, int(math.Round((high-v)/(high-low)*float64(rows-1)))
		if last > first {
			x = int(math.Round((s.Time[i] - first) / (last - first) * float64(columns-1)))
		}
		if y < 0 || y >= rows || x < 0 || x >= columns {
			return
		}
		if c := grid[y][x]; c == other || c == '*' {
			with = '*'
		}
		grid[y][x] = with
	}
	for i := range n {
		mark(i, s.Given[i], 'o', 0)
	}
	for i := range n {
		mark(i, s.Should[i], 'x', 'o')
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s:  o %s   x %s\n", s.Title, s.Unit, s.GivenIs, s.ShouldIs)
	for i, row := range grid {
		label := ""
		switch i {
		case 0:
			label = fmt.Sprintf("%.3g", high)
		case rows - 1:
			label = fmt.Sprintf("%.3g", low)
		}
		fmt.Fprintf(&b, "%8s |%s\n", label, strings.TrimRight(string(row), " "))
	}
	left := fmt.Sprintf("%.1f s", first)
	right := fmt.Sprintf("%.1f s", last)
	fmt.Fprintf(&b, "%8s +%s\n%8s  %s%*s\n", "", strings.Repeat("-", columns), "", left, max(1, columns-len(left)), right)
	return b.String()
}
