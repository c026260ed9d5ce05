package capture

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Timed lines are the form for what did not come over a network, or is written by hand:
//
//	perch capture 1
//	# seconds since any moment, then what came
//	0.000 hex   fe09052a01000a00 000001038104037303
//	0.020 text  roll 1.5 pitch -0.25
//	0.040 crlf  $HEADING,271.5
//
// The first line says what the file is. Each further line is a time, a kind and a content: hex bytes, with blanks where
// they help; text, which ends with a line feed; crlf, text that ends with a carriage return and a line feed. The time is
// in seconds, with up to nine decimals, since any moment or since 1970; or as RFC 3339 writes it. One line is one
// packet. Empty lines and lines that begin with # are skipped.
//
// Without the first line every line is a time, one blank or tab, and a text, as tools write it that stamp the lines of
// a log; each text is given with a line feed.

// linesHeader is the first line of timed lines.
const linesHeader = "perch capture 1"

// The longest line that is read, and the longest packet that is written on one.
const (
	maxLine = 256 << 10
	maxHex  = 64 << 10
)

// isLines says whether head begins with the header, or else with a time and a text.
func isLines(head []byte) (header, timed bool) {
	for first := true; ; first = false {
		line, rest, whole := bytes.Cut(head, []byte("\n"))
		line = bytes.TrimSuffix(line, []byte("\r"))
		if first {
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
			if string(bytes.TrimSpace(line)) == linesHeader {
				return true, false
			}
		}
		if len(bytes.TrimSpace(line)) > 0 && line[0] != '#' {
			stamp, text, ok := cutStamp(string(line))
			_, err := parseTime(stamp)
			return false, ok && err == nil && (utf8.ValidString(text) || !whole) && !strings.ContainsRune(text, 0)
		}
		if !whole {
			return false, false
		}
		head = rest
	}
}

// cutStamp takes a line apart at the blank or tab behind its time.
func cutStamp(line string) (stamp, rest string, ok bool) {
	i := strings.IndexAny(line, " \t")
	if i < 0 {
		return line, "", false
	}
	return line[:i], line[i+1:], true
}

// lineReader reads timed lines, with or without their header.
type lineReader struct {
	scan   *bufio.Scanner
	kinds  bool // each line names its kind
	number int
	data   []byte
}

func newLines(r io.Reader, header bool) *lineReader {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 0, 4096), maxLine)
	return &lineReader{scan: s, kinds: header}
}

// Read is the next line's packet.
func (l *lineReader) Read() (Packet, error) {
	for l.scan.Scan() {
		l.number++
		line := l.scan.Text()
		if l.number == 1 {
			line = strings.TrimPrefix(line, "\ufeff")
			if l.kinds {
				continue
			}
		}
		if strings.TrimSpace(line) == "" || line[0] == '#' {
			continue
		}
		p, err := l.parse(line)
		if err != nil {
			return Packet{}, fmt.Errorf("line %d: %w", l.number, err)
		}
		return p, nil
	}
	if err := l.scan.Err(); errors.Is(err, bufio.ErrTooLong) {
		return Packet{}, fmt.Errorf("line %d is longer than %d bytes: divide it into several of the same time", l.number+1, maxLine)
	} else if err != nil {
		return Packet{}, fmt.Errorf("line %d: %w", l.number+1, err)
	}
	return Packet{}, io.EOF
}

func (l *lineReader) parse(line string) (Packet, error) {
	stamp, rest, ok := cutStamp(line)
	at, err := parseTime(stamp)
	if err != nil {
		return Packet{}, err
	}
	if !l.kinds {
		l.data = append(append(l.data[:0], rest...), '\n')
		return Packet{Time: at, Data: l.data}, nil
	}
	kind, content, _ := cutStamp(strings.TrimLeft(rest, " \t"))
	content = strings.TrimLeft(content, " \t")
	if !ok || kind == "" {
		return Packet{}, errors.New("has a time and nothing else: write hex, text or crlf behind it, and what came")
	}
	switch kind {
	case "hex":
		return l.hex(at, content)
	case "text":
		l.data = append(append(l.data[:0], content...), '\n')
	case "crlf":
		l.data = append(append(l.data[:0], content...), "\r\n"...)
	default:
		return Packet{}, fmt.Errorf("%q is not a kind: write hex, text or crlf behind the time", kind)
	}
	return Packet{Time: at, Data: l.data}, nil
}

func (l *lineReader) hex(at int64, content string) (Packet, error) {
	digits := strings.NewReplacer(" ", "", "\t", "").Replace(content)
	data, err := hex.AppendDecode(l.data[:0], []byte(digits))
	if errors.Is(err, hex.ErrLength) {
		return Packet{}, fmt.Errorf("%d hex digits: each byte has two", len(digits))
	}
	if err != nil {
		return Packet{}, fmt.Errorf("%w: write bytes as pairs of 0-9 and a-f", err)
	}
	l.data = data
	return Packet{Time: at, Data: data}, nil
}

// parseTime reads seconds or a moment of RFC 3339, in ns.
func parseTime(s string) (int64, error) {
	whole, fraction, point := strings.Cut(s, ".")
	seconds, err := strconv.ParseUint(whole, 10, 63)
	if err != nil {
		if t, err := time.Parse(time.RFC3339Nano, s); err == nil && t.Year() >= 1970 && t.Year() < 2262 {
			return t.UnixNano(), nil
		}
		return 0, fmt.Errorf("%q is not a time: begin each line with seconds, such as 12.040, or 2026-01-31T12:00:00.040Z", clip(s))
	}
	nanos := uint64(0)
	if point {
		if nanos, err = strconv.ParseUint((fraction + "000000000")[:max(9, len(fraction))], 10, 63); err != nil || len(fraction) > 9 || fraction == "" {
			return 0, fmt.Errorf("%q is not a time: one to nine decimals behind the point", clip(s))
		}
	}
	if seconds >= math.MaxInt64/1_000_000_000 {
		return 0, fmt.Errorf("%q is not a time: in seconds, not in a smaller unit", clip(s))
	}
	return int64(seconds*1_000_000_000 + nanos), nil
}

// clip keeps what is quoted in a message short.
func clip(s string) string {
	if len(s) > 32 {
		return s[:32] + "..."
	}
	return s
}

// LineWriter writes timed lines.
type LineWriter struct {
	w     io.Writer
	begun bool
	line  []byte
}

// NewLineWriter writes timed lines to w.
func NewLineWriter(w io.Writer) *LineWriter { return &LineWriter{w: w} }

// Write writes a packet's time and bytes: as text where they are one plain line, otherwise in hex. The time must not be
// negative. More than 64 KiB become several packets of one time.
func (l *LineWriter) Write(p Packet) error {
	if p.Time < 0 {
		return fmt.Errorf("timed lines: a packet's time is %d ns: it must not be before the moment that times count from", p.Time)
	}
	l.line = l.line[:0]
	if !l.begun {
		l.line = append(l.line, linesHeader+"\n"...)
	}
	for rest := p.Data; ; {
		piece := rest[:min(len(rest), maxHex)]
		rest = rest[len(piece):]
		l.line = fmt.Appendf(l.line, "%d.%09d ", p.Time/1_000_000_000, p.Time%1_000_000_000)
		switch text, ending := plainLine(piece); ending {
		case "\n":
			l.line = append(append(l.line, "text "...), text...)
		case "\r\n":
			l.line = append(append(l.line, "crlf "...), text...)
		default:
			l.line = hex.AppendEncode(append(l.line, "hex "...), piece)
		}
		l.line = append(l.line, '\n')
		if len(rest) == 0 {
			break
		}
	}
	if _, err := l.w.Write(l.line); err != nil {
		return fmt.Errorf("timed lines: %w", err)
	}
	l.begun = true
	return nil
}

// plainLine takes the end off a line of printable ASCII that reads back as it is; ending is empty for anything else.
func plainLine(b []byte) (text []byte, ending string) {
	text, ok := bytes.CutSuffix(b, []byte("\n"))
	if !ok {
		return nil, ""
	}
	ending = "\n"
	if t, ok := bytes.CutSuffix(text, []byte("\r")); ok {
		text, ending = t, "\r\n"
	}
	for _, c := range text {
		if c < ' ' || c > '~' {
			return nil, ""
		}
	}
	if len(text) > 0 && text[0] == ' ' {
		return nil, ""
	}
	return text, ending
}
