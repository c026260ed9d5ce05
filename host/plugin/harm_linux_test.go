package plugin

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/hashicorp/go-hclog"
	goplugin "github.com/hashicorp/go-plugin"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
)

// careless is the main of a host that uses go-plugin as it comes. It shows what an adapter then does to it, and does
// not return.
func careless(mode string) {
	time.AfterFunc(60*time.Second, func() { os.Exit(8) })
	if name, ok := strings.CutPrefix(mode, "keep:"); ok { // not careless: this package, to be killed
		dir := filepath.Join(os.Getenv("XDG_RUNTIME_DIR"), "keep")
		_ = os.MkdirAll(dir, 0o700)
		_ = os.Setenv("XDG_RUNTIME_DIR", dir)
		s, err := Start(context.Background(), program(name), nil, Options{})
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("child", s.Status().PID)
		select {}
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = []string{childKey + "=" + mode, "PATH=" + os.Getenv("PATH")}
	c := goplugin.NewClient(&goplugin.ClientConfig{
		HandshakeConfig:  sdk.Handshake(),
		VersionedPlugins: map[int]goplugin.PluginSet{sdk.ProtocolVersion: {}},
		Cmd:              cmd,
		AutoMTLS:         mode != "certificate",
		AllowedProtocols: []goplugin.Protocol{goplugin.ProtocolGRPC},
		Logger:           hclog.NewNullLogger(),
		SkipHostEnv:      true,
	})
	proto, err := c.Client()
	if err != nil {
		fmt.Println("client:", err)
		os.Exit(1)
	}
	pid, _ := strconv.Atoi(c.ID())
	leave := func(words ...any) {
		fmt.Println(words...)
		_ = syscall.Kill(pid, syscall.SIGKILL)
		os.Exit(0)
	}
	a := adapterv1.NewAdapterServiceClient(proto.(*goplugin.GRPCClient).Conn)
	stream, err := a.StreamStates(context.Background(), &adapterv1.StreamStatesRequest{})
	if err != nil {
		leave("stream:", err)
	}
	blocked := func() bool {
		done := make(chan struct{})
		go func() { c.Kill(); close(done) }()
		select {
		case <-done:
			return false
		case <-time.After(3 * time.Second): // its longest known wait is 2 s
			return true
		}
	}
	switch mode {
	case "json":
		for {
			if _, err := stream.Recv(); err != nil {
				leave("recv:", err)
			}
		}
	case "stop":
		_, _ = stream.Recv()
		time.Sleep(200 * time.Millisecond)
		leave("Kill is blocked:", blocked())
	case "grandchild":
		_, _ = stream.Recv()
		b := blocked()
		leave("Kill is blocked:", b)
	case "huge":
		m, err := stream.Recv()
		leave("bytes:", len(m.GetState().GetVehicleName()), err)
	case "flood":
		n := 0
		for end := time.Now().Add(time.Second); time.Now().Before(end); n++ {
			if _, err := stream.Recv(); err != nil {
				leave("recv:", err)
			}
		}
		time.Sleep(700 * time.Millisecond)
		m, err := stream.Recv()
		if err != nil {
			leave("recv:", err)
		}
		leave("messages:", n, "age_ms:", time.Since(time.Unix(0, m.GetState().GetObservedAtNs())).Milliseconds())
	}
	leave("unknown")
}

// run runs a careless host and gives what it printed.
func run(t *testing.T, mode string) (stdout, stderr string, err error) {
	t.Helper()
	host := exec.Command(os.Args[0])
	host.Env = append(os.Environ(), hostKey+"="+mode)
	var o, e bytes.Buffer
	host.Stdout, host.Stderr = &o, &e
	host.WaitDelay = 2 * time.Second // what it leaves behind has its pipes
	host.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	in, err := host.StdinPipe() // its child inherits it and ends at its end
	if err != nil {
		t.Fatal(err)
	}
	if err := host.Start(); err != nil {
		t.Fatal(err)
	}
	pid := host.Process.Pid
	t.Cleanup(func() { _ = syscall.Kill(-pid, syscall.SIGKILL) }) // what it left is still of its group
	_, err = host.Process.Wait()
	_ = in.Close()
	_ = syscall.Kill(-pid, syscall.SIGKILL)
	_ = host.Wait()
	return o.String(), e.String(), err
}

// TestHarms shows each way in which an adapter harms a host that uses go-plugin as it comes, and that the same child
// does not harm this one.
func TestHarms(t *testing.T) {
	t.Parallel()
	ours := func(t *testing.T, mode string) (*Source, *heard) {
		t.Helper()
		h := &heard{}
		return start(t, program(mode), h, func(p *pace) {
			p.silence = 700 * time.Millisecond
			p.stdin, p.kill = 200*time.Millisecond, 400*time.Millisecond
		}), h
	}

	t.Run("a line on stderr panics the host", func(t *testing.T) {
		t.Parallel()
		_, e, _ := run(t, "json")
		if !strings.Contains(e, "panic: interface conversion") || !strings.Contains(e, "parseJSON") {
			t.Errorf("the harm is gone: %s", e)
		}
		_, h := ours(t, "json")
		eventually(t, "states", func() bool { return h.count() > 10 })
	})
	t.Run("a certificate that nobody asked for panics the host", func(t *testing.T) {
		t.Parallel()
		_, e, _ := run(t, "certificate")
		if !strings.Contains(e, "nil pointer dereference") || !strings.Contains(e, "loadServerCert") {
			t.Errorf("the harm is gone: %s", e)
		}
		_, h := ours(t, "honest") // which always shows one
		eventually(t, "states", func() bool { return h.count() > 10 })
	})
	t.Run("a stopped adapter blocks Kill", func(t *testing.T) {
		t.Parallel()
		o, e, _ := run(t, "stop")
		if !strings.Contains(o, "Kill is blocked: true") {
			t.Errorf("the harm is gone: %s %s", o, e)
		}
		s, h := ours(t, "stop")
		eventually(t, "a state", func() bool { return h.count() > 0 })
		time.Sleep(100 * time.Millisecond)
		halt(t, s)
	})
	t.Run("a grandchild blocks Kill", func(t *testing.T) {
		t.Parallel()
		o, e, _ := run(t, "grandchild")
		if !strings.Contains(o, "Kill is blocked: true") {
			t.Errorf("the harm is gone: %s %s", o, e)
		}
		s, _ := ours(t, "grandchild")
		halt(t, s) // TestGrandchild looks at the rest
	})
	t.Run("a huge message is taken", func(t *testing.T) {
		t.Parallel()
		o, e, _ := run(t, "huge")
		if !strings.Contains(o, "bytes: 1048576 <nil>") {
			t.Errorf("the harm is gone: %s %s", o, e)
		}
		_, h := ours(t, "huge")
		eventually(t, "it is named", func() bool { _, ok := h.event("more than 256 kB"); return ok })
		if h.count() != 0 {
			t.Error("it reached the sink")
		}
	})
	t.Run("a flood takes a core and what is read is old", func(t *testing.T) {
		t.Parallel()
		o, e, _ := run(t, "flood")
		var n, age int
		if _, err := fmt.Sscanf(o, "messages: %d age_ms: %d", &n, &age); err != nil {
			t.Fatalf("%s %s", o, e)
		}
		if age < 500 {
			t.Errorf("the harm is gone: the first message after 0.7 s is %d ms old", age)
		}
		s, h := ours(t, "flood")
		begun := time.Now()
		eventually(t, "it is named", func() bool { _, ok := h.event("floods"); return ok })
		d := time.Since(begun)
		got := s.Status().Received
		// The bound of the reader: perPeriod in each period. It holds on any machine; a busy one takes less.
		if most := uint64(float64(perPeriod) * (float64(d)/float64(period) + 2)); got > most {
			t.Errorf("%d messages in %v: at most %d", got, d, most)
		}
		t.Logf("go-plugin as it comes: %d messages a second, then %d ms old; here: %d in %v, then cut", n, age, got, d)
	})
}
