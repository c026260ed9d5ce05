package record

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"

	"perch/host/chain"
	"perch/host/mechanism"
	"perch/host/pose"
)

// Trace writes rows as CSV: t_s, source_time_ns, source, state, source_age_s, then wanted_ and commanded_ for each
// axis, then one column an actuator. t_s is the loop's time since its first tick.
type Trace struct {
	w         *bufio.Writer
	dt        float64
	sources   []string
	actuators []mechanism.Actuator
	line      []byte
	// Begin is the time of tick 0, s: 0 for a ride, of which it is the beginning.
	Begin float64
}

// NewTrace writes the header. sources are the names by a row's Source; dt is the tick, s.
func NewTrace(w io.Writer, dt float64, sources []string, actuators []mechanism.Actuator) (*Trace, error) {
	t := &Trace{w: bufio.NewWriterSize(w, 64<<10), dt: dt, sources: sources, actuators: actuators}
	t.line = append(t.line, "t_s,source_time_ns,source,state,source_age_s"...)
	for _, from := range []string{"wanted", "commanded"} {
		for a := range pose.Count {
			t.line = fmt.Appendf(t.line, ",%s_%s_%s", from, a, a.Unit())
		}
	}
	for i, a := range actuators {
		t.line = fmt.Appendf(t.line, ",actuator_%d_%s", i+1, a.Unit)
	}
	return t, t.end()
}

// Write appends a row. A source that has given no state yet has an empty time and age.
func (t *Trace) Write(r *chain.Row) error {
	t.line = strconv.AppendFloat(t.line[:0], t.Begin+float64(r.Tick)*t.dt, 'f', 6, 64)
	t.line = append(t.line, ',')
	if r.Seen {
		t.line = strconv.AppendInt(t.line, r.SourceTime, 10)
	}
	t.line = append(t.line, ',')
	t.line = append(t.line, t.sources[r.Source]...)
	t.line = append(t.line, ',')
	t.line = append(t.line, r.Guarded.State.String()...)
	t.line = append(t.line, ',')
	if r.Seen && !math.IsInf(r.Liveness.Age, 0) { // infinite where no state carried anything yet
		t.line = strconv.AppendFloat(t.line, r.Liveness.Age, 'f', 4, 64)
	}
	for _, p := range []*pose.Pose{&r.Wanted, &r.Guarded.Pose} {
		for _, v := range p {
			t.number(v)
		}
	}
	for i := range t.actuators {
		t.number(r.Guarded.Actuators[i])
	}
	return t.end()
}

// Flush hands what is buffered to the file.
func (t *Trace) Flush() error { return t.w.Flush() }

// number appends a value such that reading it back gives the same bits.
func (t *Trace) number(v float64) {
	t.line = append(t.line, ',')
	t.line = strconv.AppendFloat(t.line, v, 'g', -1, 64)
}

func (t *Trace) end() error {
	t.line = append(t.line, '\n')
	_, err := t.w.Write(t.line)
	return err
}
