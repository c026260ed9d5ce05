package vehicle

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
)

// CSVWriter writes the states table as CSV: a header, then a row for each state. Truth values are 0 or 1, absent
// signals empty cells.
type CSVWriter struct {
	w       *csv.Writer
	further []string
	row     []string
	started bool
}

// NewCSVWriter writes to w. further names the further signals that get columns of their own, in order.
func NewCSVWriter(w io.Writer, further ...string) *CSVWriter {
	return &CSVWriter{w: csv.NewWriter(w), further: further}
}

// Write writes one row, before the first of them the header. A further signal without a column is an error.
func (c *CSVWriter) Write(s *State) error {
	if err := c.start(); err != nil {
		return err
	}
	observed := ""
	if s.ObservedAt != 0 {
		observed = strconv.FormatInt(s.ObservedAt, 10)
	}
	row := c.row[:0]
	row = append(row, strconv.FormatInt(s.SourceTime, 10), observed)
	for x := range SignalCount {
		cell := ""
		if v, ok := s.Value(x); ok {
			cell = strconv.FormatFloat(v, 'g', -1, 64)
		}
		row = append(row, cell)
	}
	discontinuity := "0"
	if s.Discontinuity {
		discontinuity = "1"
	}
	row = append(row, discontinuity, s.Condition.String(), s.Name, s.Class)
	first := len(row)
	for range c.further {
		row = append(row, "")
	}
	for _, e := range s.Extra {
		i := 0
		for i < len(c.further) && c.further[i] != e.Name {
			i++
		}
		if i == len(c.further) {
			return fmt.Errorf("the table has no column for the further signal %q: name it when the writer is made", e.Name)
		}
		row[first+i] = strconv.FormatFloat(e.Value, 'g', -1, 64)
	}
	c.row = row
	return c.w.Write(row)
}

func (c *CSVWriter) start() error {
	if c.started {
		return nil
	}
	for _, name := range c.further {
		if err := checkFurther(name); err != nil {
			return err
		}
	}
	c.started = true
	return c.w.Write(append(Header(), c.further...))
}

// Flush writes what is buffered, the header too where no row was written.
func (c *CSVWriter) Flush() error {
	if err := c.start(); err != nil {
		return err
	}
	c.w.Flush()
	return c.w.Error()
}

// CSVReader reads the states table from CSV. Columns may come in any order and any but source_time_ns may be missing.
type CSVReader struct {
	r      *csv.Reader
	fields []field
	names  []string
}

// field says where a cell of one column goes.
type field struct {
	kind   fieldKind
	signal Signal
}

type fieldKind uint8

const (
	fieldSignal fieldKind = iota
	fieldSourceTime
	fieldObservedAt
	fieldDiscontinuity
	fieldCondition
	fieldName
	fieldClass
	fieldFurther
)

func fieldNamed(name string) (field, error) {
	if x, ok := SignalNamed(name); ok {
		return field{fieldSignal, x}, nil
	}
	switch name {
	case columnSourceTime:
		return field{kind: fieldSourceTime}, nil
	case columnObservedAt:
		return field{kind: fieldObservedAt}, nil
	case columnDiscontinuity:
		return field{kind: fieldDiscontinuity}, nil
	case columnCondition:
		return field{kind: fieldCondition}, nil
	case columnName:
		return field{kind: fieldName}, nil
	case columnClass:
		return field{kind: fieldClass}, nil
	}
	return field{kind: fieldFurther}, checkFurther(name)
}

// NewCSVReader reads from r.
func NewCSVReader(r io.Reader) *CSVReader {
	c := &CSVReader{r: csv.NewReader(r)}
	c.r.ReuseRecord = true
	return c
}

// Read reads the next state into s, replacing all of it. At the end of the table it gives io.EOF. An error names line
// and column; what follows a faulty row can still be read.
func (c *CSVReader) Read(s *State) error {
	if c.fields == nil {
		if err := c.readHeader(); err != nil {
			return err
		}
	}
	row, err := c.r.Read()
	if err != nil {
		return rowError(err)
	}
	*s = State{}
	observed := false
	for i, cell := range row {
		if cell == "" && c.fields[i].kind != fieldSourceTime {
			continue
		}
		observed = observed || c.fields[i].kind == fieldObservedAt
		if err := s.setCell(c.fields[i], c.names[i], cell); err != nil {
			line, _ := c.r.FieldPos(i)
			return fmt.Errorf("line %d, column %s: %w", line, c.names[i], err)
		}
	}
	if !observed {
		s.ObservedAt = s.SourceTime
	}
	if err := s.Admit(); err != nil {
		line, _ := c.r.FieldPos(0)
		return fmt.Errorf("line %d: %w", line, err)
	}
	return nil
}

func (c *CSVReader) readHeader() error {
	head, err := c.r.Read()
	if errors.Is(err, io.EOF) {
		return errors.New("the table is empty: its first line names the columns")
	}
	if err != nil {
		return rowError(err)
	}
	seen := map[string]bool{}
	var fields []field
	var names []string
	for i, name := range head {
		f, err := fieldNamed(name)
		if err == nil && seen[name] {
			err = errors.New("named twice")
		}
		if err != nil {
			return fmt.Errorf("line 1, column %d (%s): %w", i+1, name, err)
		}
		seen[name] = true
		fields = append(fields, f)
		names = append(names, name)
	}
	if !seen[columnSourceTime] {
		return fmt.Errorf("line 1: no column %s: every state needs its time", columnSourceTime)
	}
	c.fields, c.names = fields, names
	return nil
}

func rowError(err error) error {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return fmt.Errorf("line %d, column %d: %w", p.Line, p.Column, p.Err)
	}
	return err
}

func (s *State) setCell(f field, name, cell string) error {
	switch f.kind {
	case fieldSourceTime, fieldObservedAt:
		t, err := strconv.ParseInt(cell, 10, 64)
		if err != nil {
			return fmt.Errorf("%q is not a whole number of ns", cell)
		}
		if f.kind == fieldSourceTime {
			s.SourceTime = t
		} else {
			s.ObservedAt = t
		}
	case fieldDiscontinuity:
		b, err := bit(cell)
		if err != nil {
			return err
		}
		s.Discontinuity = b != 0
	case fieldCondition:
		k, ok := ConditionNamed(cell)
		if !ok {
			return fmt.Errorf("%q is none of running, paused, absent", cell)
		}
		s.Condition = k
	case fieldName:
		s.Name = cell
	case fieldClass:
		s.Class = cell
	case fieldSignal:
		if f.signal == OnGround {
			b, err := bit(cell)
			if err != nil {
				return err
			}
			s.Put(OnGround, b)
			return nil
		}
		v, err := number(cell)
		if err != nil {
			return err
		}
		s.Put(f.signal, v)
	case fieldFurther:
		v, err := number(cell)
		if err != nil {
			return err
		}
		s.Extra = append(s.Extra, Extra{Name: name, Unit: UnitOf(name), Value: v})
	}
	return nil
}

func bit(cell string) (float64, error) {
	switch cell {
	case "0":
		return 0, nil
	case "1":
		return 1, nil
	}
	return 0, fmt.Errorf("%q is no truth value: give 0 or 1", cell)
}

func number(cell string) (float64, error) {
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil || v-v != 0 { // the difference is NaN for an infinity and for NaN
		return 0, fmt.Errorf("%q is not a finite number; leave the cell empty for what was not measured", cell)
	}
	return v, nil
}
