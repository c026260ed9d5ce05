package vehicle

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
)

// MaximumLine is the longest line of JSON that is read, in bytes.
const MaximumLine = 64 << 10

// AppendJSON appends the state as one JSON object, without a line end: the columns of the states table as keys, absent
// signals left out, truth values as booleans, further signals under their names.
func AppendJSON(dst []byte, s *State) []byte {
	dst = append(dst, `{"source_time_ns":`...)
	dst = strconv.AppendInt(dst, s.SourceTime, 10)
	if s.ObservedAt != 0 {
		dst = append(dst, `,"observed_at_ns":`...)
		dst = strconv.AppendInt(dst, s.ObservedAt, 10)
	}
	for x := range SignalCount {
		v, ok := s.Value(x)
		if !ok || math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		dst = append(append(append(dst, ',', '"'), names[x]...), '"', ':')
		if x == OnGround {
			dst = strconv.AppendBool(dst, v != 0)
		} else {
			dst = strconv.AppendFloat(dst, v, 'g', -1, 64)
		}
	}
	dst = append(dst, `,"discontinuity":`...)
	dst = strconv.AppendBool(dst, s.Discontinuity)
	dst = append(append(append(dst, `,"condition":"`...), s.Condition.String()...), '"')
	if s.Name != "" {
		dst = appendText(append(dst, `,"vehicle_name":`...), s.Name)
	}
	if s.Class != "" {
		dst = appendText(append(dst, `,"vehicle_class":`...), s.Class)
	}
	for _, e := range s.Extra {
		if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
			continue
		}
		dst = append(appendText(append(dst, ','), e.Name), ':')
		dst = strconv.AppendFloat(dst, e.Value, 'g', -1, 64)
	}
	return append(dst, '}')
}

func appendText(dst []byte, text string) []byte {
	b, err := json.Marshal(text)
	if err != nil { // a string always marshals
		return append(dst, `""`...)
	}
	return append(dst, b...)
}

// ParseJSON reads one JSON object of the states table into s, replacing all of it. A key that is null is absent; one
// that is given twice, or holds another type than its column, is an error that names it.
func ParseJSON(line []byte, s *State) error {
	*s = State{}
	d := json.NewDecoder(bytes.NewReader(line))
	d.UseNumber()
	t, err := d.Token()
	if err != nil {
		return jsonError(d, err)
	}
	if t != json.Delim('{') {
		return errors.New("column 1: a state is a JSON object, {…}")
	}
	seen := make(map[string]bool, 32)
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return jsonError(d, err)
		}
		key, _ := t.(string) // the decoder lets nothing else stand before a colon
		at := d.InputOffset() - int64(len(key)) - 1
		v, err := d.Token()
		if err != nil {
			return jsonError(d, err)
		}
		if seen[key] {
			return fmt.Errorf("column %d, key %q: given twice", at, key)
		}
		seen[key] = true
		if err := s.setKey(key, v); err != nil {
			return fmt.Errorf("column %d, key %q: %w", at, key, err)
		}
	}
	if _, err := d.Token(); err != nil {
		return jsonError(d, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return fmt.Errorf("column %d: something follows the object: one state a line", d.InputOffset())
	}
	if !seen[columnSourceTime] {
		return fmt.Errorf("no key %q: every state needs its time", columnSourceTime)
	}
	if s.ObservedAt == 0 {
		s.ObservedAt = s.SourceTime
	}
	return s.Admit()
}

func jsonError(d *json.Decoder, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = errors.New("the object is cut off")
	}
	return fmt.Errorf("column %d: %w", d.InputOffset()+1, err)
}

func (s *State) setKey(key string, value json.Token) error {
	f, err := fieldNamed(key)
	if err != nil {
		return err
	}
	switch v := value.(type) {
	case nil:
		if f.kind == fieldSourceTime {
			return errors.New("every state needs its time")
		}
		return nil
	case bool:
		if f.kind == fieldDiscontinuity {
			s.Discontinuity = v
			return nil
		}
		if f.kind == fieldSignal && f.signal == OnGround {
			n := 0.0
			if v {
				n = 1
			}
			s.Put(OnGround, n)
			return nil
		}
		return errors.New("a truth value does not belong here")
	case string:
		switch f.kind {
		case fieldCondition, fieldName, fieldClass:
			return s.setCell(f, key, v)
		}
		return errors.New("a text does not belong here")
	case json.Number:
		switch {
		case f.kind == fieldSourceTime, f.kind == fieldObservedAt, f.kind == fieldFurther,
			f.kind == fieldSignal && f.signal != OnGround:
			return s.setCell(f, key, v.String())
		case f.kind == fieldDiscontinuity, f.kind == fieldSignal:
			return errors.New("a number does not belong here: give true or false")
		}
		return errors.New("a number does not belong here: give a text")
	}
	return errors.New("lists and objects do not belong here")
}

// JSONReader reads states from JSON lines. Empty lines are skipped.
type JSONReader struct {
	s    *bufio.Scanner
	line int
}

// NewJSONReader reads from r.
func NewJSONReader(r io.Reader) *JSONReader {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 0, 4096), MaximumLine)
	return &JSONReader{s: s}
}

// Read reads the next state into s, replacing all of it. At the end it gives io.EOF. An error names line and column;
// the lines after a faulty one can still be read.
func (j *JSONReader) Read(s *State) error {
	for j.s.Scan() {
		j.line++
		line := bytes.TrimSpace(j.s.Bytes())
		if len(line) == 0 {
			continue
		}
		if err := ParseJSON(line, s); err != nil {
			return fmt.Errorf("line %d, %w", j.line, err)
		}
		return nil
	}
	if err := j.s.Err(); err != nil {
		return fmt.Errorf("line %d: %w", j.line+1, err)
	}
	return io.EOF
}
