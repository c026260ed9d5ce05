package terminal

import (
	"context"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"
)

func TestReadKeysFromTerminal(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Skip("no pseudo-terminal: ", err)
	}
	defer slave.Close()
	defer master.Close()
	before, err := term.GetState(int(slave.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	keys, restore, err := ReadKeys(ctx, slave)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		send string
		want Kind
	}{{"p", Park}, {"\x1b", Stop}, {"\x03", End}} {
		if _, err := master.WriteString(c.send); err != nil {
			t.Fatal(err)
		}
		select {
		case k := <-keys:
			if k.Kind != c.want {
				t.Errorf("%q gave %s, want %s", c.send, k.Kind, c.want)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("%q gave nothing", c.send)
		}
	}
	restore()
	restore()
	after, err := term.GetState(int(slave.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	if *before != *after {
		t.Error("the terminal is not as it was")
	}
	cancel()
	for range keys { // must close
	}
}
