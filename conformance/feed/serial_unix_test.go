//go:build linux || darwin

package feed

import (
	"testing"
	"time"

	"go.bug.st/serial"
)

// opened is a serial port as an adapter opens it: nil if it is not there.
func opened(path string) serial.Port {
	p, err := serial.Open(path, &serial.Mode{BaudRate: 57600})
	if err != nil {
		return nil
	}
	_ = p.SetReadTimeout(20 * time.Millisecond)
	return p
}

// The line is opened late, closed and opened again: nothing from before waits in it, and bytes come as they are.
func TestSerialLine(t *testing.T) {
	f := start(t, written(t, 100, 5*time.Millisecond), Delivery{Way: Serial})
	time.Sleep(100 * time.Millisecond)
	port := opened(f.Address())
	if port == nil {
		t.Skip("no pseudo-terminals here")
	}
	defer func() { _ = port.Close() }()
	if _, err := port.Write([]byte("faster?")); err != nil {
		t.Fatal(err)
	}
	var got []byte
	buf := make([]byte, 1000)
	for end := time.Now().Add(long); len(got) < len(lines(100)) && time.Now().Before(end); {
		n, err := port.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, buf[:n]...)
	}
	if string(got) != lines(100) {
		t.Errorf("%q", got)
	}
	if c := f.Counts(); c.Answered != 7 || c.Dropped != 0 {
		t.Errorf("%+v", c)
	}
}

func TestSerialLineThatIsClosedHoldsNothing(t *testing.T) {
	f := start(t, written(t, 400, 5*time.Millisecond), Delivery{Way: Serial})
	read := func() string {
		port := opened(f.Address())
		if port == nil {
			t.Skip("no pseudo-terminals here")
		}
		defer func() { _ = port.Close() }()
		buf := make([]byte, 1000)
		for end := time.Now().Add(long); time.Now().Before(end); {
			if n, err := port.Read(buf); err != nil {
				t.Fatal(err)
			} else if n > 0 {
				return string(buf[:n])
			}
		}
		return ""
	}
	first := read()
	time.Sleep(200 * time.Millisecond)
	dropped := f.Counts().Dropped
	if second := read(); first == "" || second == "" || second[:9] == "packet 1\n" || dropped == 0 {
		t.Errorf("%q, then %q, %d dropped", first, second, dropped)
	}
}

func eachSerial(t *testing.T, path string, test func(*testing.T, *Feed, func(time.Duration) bool)) {
	f := start(t, path, Delivery{Way: Serial, Loops: -1})
	var port serial.Port
	t.Cleanup(func() {
		if port != nil {
			_ = port.Close()
		}
	})
	test(t, f, func(d time.Duration) bool {
		buf := make([]byte, 1000)
		for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(time.Millisecond) {
			if port == nil {
				if port = opened(f.Address()); port == nil {
					continue
				}
			}
			n, err := port.Read(buf)
			if n > 0 {
				return true
			}
			if err != nil {
				_ = port.Close()
				port = nil
			}
		}
		return false
	})
}
