package plugin

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	goplugin "github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
	"perch/sdk/vehicle"
)

// The children of the tests: this binary, executed again with one of these in its environment.
const (
	childKey = "PERCH_TEST_CHILD"
	hostKey  = "PERCH_TEST_HOST"
)

var testDescription = sdk.Description{
	Name: "tester", Version: "1.2.3", Summary: "Sends what a test asks for.",
	Signals: []vehicle.Signal{vehicle.EngineRPM}, NominalRate: 100,
	Settings: []sdk.Setting{
		{Key: "port", Type: sdk.Integer, Default: "7", Minimum: new(1.0), Maximum: new(65535.0), Help: "a number"},
		{Key: "word", Type: sdk.String, Help: "any word but \"wrong\""},
	},
}

func honest() sdk.Adapter {
	return sdk.Adapter{
		Description: testDescription,
		Check: func(s sdk.Settings) []sdk.Fault {
			if s.String("word") == "wrong" {
				return []sdk.Fault{{Key: "word", Message: "is the one word that it must not be"}}
			}
			return nil
		},
		Stream: func(ctx context.Context, s sdk.Settings, out *sdk.Sender) error {
			t := time.NewTicker(10 * time.Millisecond)
			defer t.Stop()
			for i := int64(0); ; i++ {
				select {
				case <-ctx.Done():
					return nil
				case <-t.C:
					var st vehicle.State
					st.SourceTime = i * 10e6
					st.Put(vehicle.EngineRPM, float64(s.Integer("port")))
					out.Send(&st)
				}
			}
		},
	}
}

// childMain is the main of a child. It does not return.
func childMain(mode string) {
	time.AfterFunc(90*time.Second, func() { os.Exit(9) }) // no test leaves one behind for good
	watch := func() {
		go func() {
			_, _ = io.Copy(io.Discard, os.Stdin)
			time.Sleep(100 * time.Millisecond)
			os.Exit(0)
		}()
	}
	dir := os.Getenv(goplugin.EnvUnixSocketDir)
	switch mode {
	case "honest":
		sdk.Serve(honest())
	case "certificate": // shows one although the host sent none
		_, text, err := identity()
		if err != nil {
			panic(err)
		}
		_ = os.Setenv("PLUGIN_CLIENT_CERT", text)
		sdk.Serve(honest())
	case "early":
		fmt.Println("hello, I am not a handshake")
		sdk.Serve(honest())
	case "long":
		watch()
		fmt.Println(strings.Repeat("x", 70_000))
		select {}
	case "silent":
		watch()
		select {}
	case "dies":
		fmt.Fprintln(os.Stderr, "cannot find libimportant")
		os.Exit(7)
	case "cookie":
		_ = os.Unsetenv(sdk.Handshake().MagicCookieKey)
		sdk.Serve(honest())
	case "nocert", "padded", "garbage", "closed", "text":
		watch()
		path := filepath.Join(dir, "s")
		l, err := net.Listen("unix", path)
		if err != nil {
			panic(err)
		}
		cert := ""
		switch mode {
		case "padded":
			cert = base64.StdEncoding.EncodeToString(make([]byte, 100)) // 100 is no multiple of 3: padded
		case "garbage":
			cert = base64.RawStdEncoding.EncodeToString(make([]byte, 100))
		case "closed", "text":
			own, _, err := identity()
			if err != nil {
				panic(err)
			}
			cert = base64.RawStdEncoding.EncodeToString(own.Certificate[0])
			if mode == "closed" {
				l.(*net.UnixListener).SetUnlinkOnClose(false)
				_ = l.Close()
			} else {
				go func() { _ = grpc.NewServer().Serve(l) }() // no TLS
			}
		}
		fmt.Printf("1|1|unix|%s|grpc|%s\n", path, cert)
		select {}
	case "dead":
		watch()
		fmt.Printf("1|1|unix|%s|grpc|%s\n", filepath.Join(dir, "nothing"), strings.Repeat("A", 100))
		select {}
	case "foreign-tcp", "foreign-unix":
		watch()
		address := "tcp|192.0.2.1:80"
		if mode == "foreign-unix" {
			address = "unix|/run/other.sock"
		}
		fmt.Printf("1|1|%s|grpc|%s\n", address, strings.Repeat("A", 100))
		select {}
	case "grandchild", "escaped":
		g := exec.Command("sleep", "60")
		g.Stdout, g.Stderr = os.Stdout, os.Stderr
		if mode == "escaped" {
			g.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
		}
		if err := g.Start(); err != nil {
			panic(err)
		}
		fmt.Fprintf(os.Stderr, "grandchild %d\n", g.Process.Pid)
		sdk.Serve(honest())
	default:
		if mode != "deaf" {
			watch()
		}
		version := sdk.ProtocolVersion
		if mode == "version" {
			version = 9
		}
		// The logger writes to the real stderr as go-plugin's own does.
		goplugin.Serve(&goplugin.ServeConfig{
			HandshakeConfig:  sdk.Handshake(),
			VersionedPlugins: map[int]goplugin.PluginSet{version: {sdk.PluginName: &hostile{mode: mode, err: os.Stderr, out: os.Stdout}}},
			GRPCServer:       goplugin.DefaultGRPCServer,
		})
	}
	os.Exit(0)
}

// hostile serves the protocol wrongly, in the way that mode names.
type hostile struct {
	goplugin.NetRPCUnsupportedPlugin
	adapterv1.UnimplementedAdapterServiceServer
	mode     string
	out, err *os.File // the real ones
}

func (h *hostile) GRPCServer(_ *goplugin.GRPCBroker, s *grpc.Server) error {
	adapterv1.RegisterAdapterServiceServer(s, h)
	return nil
}

func (h *hostile) GRPCClient(context.Context, *goplugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, errors.ErrUnsupported
}

func (h *hostile) Describe(context.Context, *adapterv1.DescribeRequest) (*adapterv1.DescribeResponse, error) {
	w := sdk.DescriptionToWire(testDescription)
	switch h.mode {
	case "stop-describe":
		_ = syscall.Kill(os.Getpid(), syscall.SIGSTOP)
		select {} // this thread may run on for a moment
	case "environment":
		s := strings.ReplaceAll(strings.Join(os.Environ(), " "), "\n", " ")
		if i, err := os.Stdin.Stat(); err == nil && i.Mode()&os.ModeNamedPipe != 0 {
			s += " stdin is a pipe"
		}
		if syscall.Getpgrp() == os.Getpid() {
			s += " leads its group"
		}
		w.SetSummary(s)
	case "huge-describe":
		w.SetSummary(strings.Repeat("x", 1<<20))
	case "bad-describe":
		w.SetName("Not A Name")
	}
	return w, nil
}

func (h *hostile) ValidateSettings(context.Context, *adapterv1.ValidateSettingsRequest) (*adapterv1.ValidateSettingsResponse, error) {
	return &adapterv1.ValidateSettingsResponse{}, nil
}

func (h *hostile) StreamStates(_ *adapterv1.StreamStatesRequest, out grpc.ServerStreamingServer[adapterv1.StreamStatesResponse]) error {
	var st vehicle.State
	st.ObservedAt = time.Now().UnixNano()
	st.Put(vehicle.EngineRPM, 1)
	good := func() error {
		st.SourceTime += 10e6
		st.ObservedAt = time.Now().UnixNano()
		m := &adapterv1.StreamStatesResponse{}
		m.SetState(sdk.ToWire(&st))
		return out.Send(m)
	}
	steady := func() error {
		for {
			if err := good(); err != nil {
				return err
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	switch h.mode {
	case "stop":
		if err := good(); err != nil {
			return err
		}
		time.Sleep(50 * time.Millisecond)
		_ = syscall.Kill(os.Getpid(), syscall.SIGSTOP)
	case "flood":
		for {
			if err := good(); err != nil {
				return err
			}
		}
	case "flood-big": // each message costs a lot
		m := &adapterv1.StreamStatesResponse{}
		w := sdk.ToWire(&st)
		w.SetVehicleName(strings.Repeat("x", 200<<10))
		m.SetState(w)
		for {
			if err := out.Send(m); err != nil {
				return err
			}
		}
	case "flood-stderr", "flood-stdout", "flood-sync":
		to := h.err
		switch h.mode {
		case "flood-stdout":
			to = h.out
		case "flood-sync":
			to = os.Stderr // go-plugin's pipe: arrives over gRPC
		}
		go func() {
			line := []byte(strings.Repeat("spam ", 30) + "\n")
			for {
				_, _ = to.Write(line)
			}
		}()
		return steady()
	case "long-stdout": // what ends go-plugin's scanner and then blocks the adapter
		_, _ = h.out.WriteString(strings.Repeat("x", 1<<20) + "\nand more\n")
		return steady()
	case "huge":
		w := sdk.ToWire(&st)
		w.SetVehicleName(strings.Repeat("x", 1<<20))
		m := &adapterv1.StreamStatesResponse{}
		m.SetState(w)
		return out.Send(m)
	case "json":
		for _, line := range []string{`{"@message":5}`, `{"@message":"m","@level":{}}`, `{"@message":"m","@level":"info","@timestamp":7}`,
			`{"msg":[],"level":3}`, `{"level":"WARN","msg":"from slog","k":{"a":1}}`, `[1,2]`, `{`} {
			fmt.Fprintln(h.err, line)
		}
		return steady()
	case "ends":
		_ = good()
		return nil
	case "mute":
		select {}
	case "nan":
		for {
			m := &adapterv1.StreamStatesResponse{}
			w := sdk.ToWire(&st)
			w.SetEngineRpm(math.NaN())
			m.SetState(w)
			if err := out.Send(m); err != nil {
				return err
			}
			time.Sleep(10 * time.Millisecond)
		}
	case "some-nan", "empty":
		for {
			m := &adapterv1.StreamStatesResponse{}
			if h.mode == "some-nan" {
				w := sdk.ToWire(&st)
				w.SetEngineRpm(math.Inf(1))
				m.SetState(w)
			}
			if err := out.Send(m); err != nil {
				return err
			}
			if err := good(); err != nil {
				return err
			}
			time.Sleep(10 * time.Millisecond)
		}
	case "exit":
		_ = good()
		time.Sleep(20 * time.Millisecond)
		fmt.Fprintln(h.err, "I have had \x1b[31menough\x1b[0m")
		os.Exit(3)
	case "panic":
		_ = good()
		go panic("the dog ate it")
		select {}
	case "segv":
		_ = good()
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		select {}
	default:
		return steady()
	}
	select {}
}
