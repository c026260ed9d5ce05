package config

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Fault is one thing that is wrong in a configuration.
type Fault struct {
	File    string // "" where there is none, as for --set
	Line    int    // 0: none
	Key     string // dotted
	Message string // what is wrong; what to do
}

// Error is "file:line: key: message".
func (f Fault) Error() string {
	var b strings.Builder
	if f.File != "" {
		b.WriteString(f.File)
		if f.Line > 0 {
			fmt.Fprintf(&b, ":%d", f.Line)
		}
		b.WriteString(": ")
	}
	if f.Key != "" {
		b.WriteString(f.Key)
		b.WriteString(": ")
	}
	b.WriteString(f.Message)
	return b.String()
}

// Faults is everything that is wrong, in the order of the file. It is never empty where it is an error.
type Faults []Fault

// Error has one line for each fault.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i := range f {
		lines[i] = f[i].Error()
	}
	return strings.Join(lines, "\n")
}

func (f Faults) sort() {
	slices.SortStableFunc(f, func(a, b Fault) int { return a.Line - b.Line })
}

// A node of the document keeps its line, which the values that a TOML decoder fills in do not.
type node struct {
	key    string // last part
	line   int
	kind   unstable.Kind
	text   string // of a scalar
	list   []*node
	table  []*node // in the file's order
	closed bool    // an inline table, or one made by a value: no header may reopen it
	headed bool    // had a header of its own
	dotted bool    // made by a dotted key
}

func (n *node) isTable() bool { return n.kind == unstable.Table || n.kind == unstable.InlineTable }

func (n *node) find(key string) *node {
	for _, c := range n.table {
		if c.key == key {
			return c
		}
	}
	return nil
}

// maxDepth bounds recursion over hostile input; nothing that is meant here nests deeper than five.
const maxDepth = 32

type builder struct {
	file   string
	parser unstable.Parser
	data   []byte
	faults Faults
}

// read parses the whole document into a tree. What is wrong with keys is gathered; a syntax error ends it.
func read(file string, data []byte) (*node, Faults) {
	b := builder{file: file, data: data}
	root := &node{kind: unstable.Table}
	// The decoder checks what the event parser leaves alone: UTF-8, dates and the rest of the grammar.
	var whole map[string]any
	err := toml.Unmarshal(data, &whole)
	var syntax *toml.DecodeError
	line := 0
	if errors.As(err, &syntax) {
		line, _ = syntax.Position()
	}
	b.parser.Reset(data)
	at, path := root, []string(nil)
	for b.parser.NextExpression() {
		e := b.parser.Expression()
		switch e.Kind {
		case unstable.Table:
			at, path = b.header(root, e)
		case unstable.ArrayTable:
			parts, l := b.key(e)
			b.fault(l, parts, "lists of tables ([[...]]) have no meaning here; write [%s]", strings.Join(parts, "."))
			at = &node{kind: unstable.Table}
		case unstable.KeyValue:
			b.pair(at, path, e, 0)
		}
	}
	if err != nil && (len(b.faults) == 0 || b.parser.Error() != nil) {
		if line == 0 {
			line = 1
		}
		b.faults = append(b.faults, Fault{file, line, "", strings.TrimPrefix(err.Error(), "toml: ") + "; mend what is on this line"})
	}
	return root, b.faults
}

func (b *builder) fault(line int, path []string, format string, args ...any) {
	b.faults = append(b.faults, Fault{b.file, line, strings.Join(path, "."), fmt.Sprintf(format, args...)})
}

func (b *builder) key(e *unstable.Node) (parts []string, line int) {
	it := e.Key()
	for it.Next() {
		if line == 0 {
			line = b.line(it.Node())
		}
		parts = append(parts, string(it.Node().Data))
	}
	return parts, line
}

// line counts newlines before a node. Configuration files are short; no index is needed.
func (b *builder) line(n *unstable.Node) int {
	if n.Raw.Length == 0 {
		return 0
	}
	return 1 + strings.Count(string(b.data[:n.Raw.Offset]), "\n")
}

func (b *builder) header(root *node, e *unstable.Node) (*node, []string) {
	parts, line := b.key(e)
	lost := &node{kind: unstable.Table}
	if len(parts) > maxDepth {
		b.fault(line, parts[:1], "nested too deep; remove it")
		return lost, parts
	}
	at := root
	for i, p := range parts {
		c := at.find(p)
		if c == nil {
			c = &node{key: p, line: line, kind: unstable.Table}
			at.table = append(at.table, c)
		}
		if !c.isTable() || c.closed || c.dotted {
			b.fault(line, parts[:i+1], "given twice, first on line %d; keep one", c.line)
			return lost, parts
		}
		at = c
	}
	if at.headed {
		b.fault(line, parts, "given twice, first on line %d; keep one", at.line)
		return lost, parts
	}
	at.headed, at.line = true, line
	return at, parts
}

func (b *builder) pair(at *node, path []string, e *unstable.Node, depth int) {
	parts, line := b.key(e)
	full := append(append([]string(nil), path...), parts...)
	if depth > maxDepth || len(parts) > maxDepth {
		b.fault(line, parts[:1], "nested too deep; remove it")
		return
	}
	for _, p := range parts[:len(parts)-1] {
		c := at.find(p)
		if c == nil {
			c = &node{key: p, line: line, kind: unstable.Table, dotted: true}
			at.table = append(at.table, c)
		}
		if !c.isTable() || !c.dotted {
			b.fault(line, full, "given twice, first on line %d; keep one", c.line)
			return
		}
		at = c
	}
	last := parts[len(parts)-1]
	if c := at.find(last); c != nil {
		b.fault(line, full, "given twice, first on line %d; keep one", c.line)
		return
	}
	c := b.value(full, line, e.Value(), depth)
	c.key = last
	at.table = append(at.table, c)
}

func (b *builder) value(path []string, line int, e *unstable.Node, depth int) *node {
	n := &node{line: line, kind: e.Kind}
	switch e.Kind {
	case unstable.InlineTable:
		n.closed = true
		it := e.Children()
		for it.Next() {
			b.pair(n, path, it.Node(), depth+1)
		}
	case unstable.Array:
		if depth > maxDepth {
			b.fault(line, path, "nested too deep; remove it")
			return n
		}
		it := e.Children()
		for it.Next() {
			if it.Node().Kind != unstable.Comment {
				n.list = append(n.list, b.value(path, line, it.Node(), depth+1))
			}
		}
	default:
		n.text = string(e.Data)
	}
	return n
}
