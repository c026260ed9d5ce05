package plugin

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/hashicorp/go-hclog"
	goplugin "github.com/hashicorp/go-plugin"
	"github.com/hashicorp/go-plugin/runner"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
)

const (
	longestMessage = 256 << 10 // bytes; a state has at most a few thousand
	longestHeaders = 64 << 10  // bytes
	window         = 64 << 10  // bytes of states that may wait to be read: more would only grow stale
)

// child is one run of an adapter: a process and the connection to it. It is started once.
type child struct {
	program Program
	options Options
	proc    *process
	out     *output
	client  *goplugin.Client
	service adapterv1.AdapterServiceClient
	sockets string
	slow    atomic.Bool // it did not answer in time and was ended for that
}

// Failure is why a run of an adapter ended, or could not begin.
type Failure struct {
	Name   string // the Program's name
	What   string // what happened, and where
	Remedy string // what to do, "" where nothing is known
	Words  string // what the process wrote last, "" where it wrote nothing
}

// Error is all of it in one line.
func (f *Failure) Error() string {
	s := "source " + f.Name + ": " + f.What
	if f.Remedy != "" {
		s += "; " + f.Remedy
	}
	if f.Words != "" {
		s += fmt.Sprintf("; its last words: %q", f.Words)
	}
	return s
}

// launch starts a program and asks it what it is. Where it fails nothing of the program is left.
// versions are those of the protocol that it is offered.
func launch(ctx context.Context, p Program, o Options, versions ...int) (*child, sdk.Description, error) {
	none := sdk.Description{}
	if len(p.Command) == 0 || p.Command[0] == "" {
		return nil, none, fmt.Errorf("source %s: it has no command: give one", p.Name)
	}
	if err := ctx.Err(); err != nil {
		return nil, none, err
	}
	if p.Dir != "" {
		if i, err := os.Stat(p.Dir); err != nil || !i.IsDir() {
			return nil, none, fmt.Errorf("source %s: its folder %s is no folder that can be entered (%s); check the path", p.Name, p.Dir, oneLine(err))
		}
	}
	if err := verify(p); err != nil {
		return nil, none, err
	}
	own, text, err := identity()
	if err != nil {
		return nil, none, fmt.Errorf("source %s: cannot make a certificate: %w", p.Name, err)
	}
	sockets, err := folder()
	if err != nil {
		return nil, none, fmt.Errorf("source %s: cannot make a folder for its socket: %w; set XDG_RUNTIME_DIR or TMPDIR to one that can be written", p.Name, err)
	}
	p.Command = slices.Clone(p.Command)
	if path, err := filepath.Abs(p.Command[0]); err == nil && filepath.Base(p.Command[0]) != p.Command[0] {
		p.Command[0] = path // else it is looked for below Dir
	}
	c := &child{program: p, options: o, sockets: sockets}
	log := o.Log.With("source", p.Name)
	c.out = newOutput(log, func() {
		go o.Notify(Event{Name: p.Name, Phase: Running, Level: slog.LevelWarn, Text: fmt.Sprintf("source %s: it prints more than %d lines a second; the rest is dropped and counted", p.Name, lineRate)})
	})
	c.proc = newProcess(p, c.out)
	offered := map[int]goplugin.PluginSet{}
	for _, v := range versions {
		offered[v] = goplugin.PluginSet{}
	}
	c.client = goplugin.NewClient(&goplugin.ClientConfig{
		HandshakeConfig:  sdk.Handshake(),
		VersionedPlugins: offered,
		RunnerFunc: func(_ hclog.Logger, spec *exec.Cmd, dir string) (runner.Runner, error) {
			c.proc.prepare(environment(os.Environ(), p.Env, append(spec.Env, "PLUGIN_CLIENT_CERT="+text)), dir)
			return c.proc, nil
		},
		TLSConfig:        secure(own, c.proc.certified),
		StartTimeout:     o.pace.start,
		SyncStdout:       c.out.writer("stdout"),
		SyncStderr:       c.out.writer("stderr"),
		AllowedProtocols: []goplugin.Protocol{goplugin.ProtocolGRPC},
		Logger:           newLogger(log),
		GRPCDialOptions:  dialing(o.pace),
		SkipHostEnv:      true,
		UnixSocketConfig: &goplugin.UnixSocketConfig{TempDir: sockets},
	})

	// Nothing below may outlast its deadline, whatever the process does: ending it ends every wait.
	unwatch := context.AfterFunc(ctx, c.proc.end)
	defer unwatch()
	d, err := c.begin(ctx)
	if err == nil && ctx.Err() != nil {
		err = ctx.Err()
	}
	if err != nil {
		why := c.why(err)
		why = both(why, c.end())
		if ctx.Err() != nil {
			return nil, none, ctx.Err()
		}
		return nil, none, why
	}
	return c, d, nil
}

// begin starts the process and takes its description, which is the first sign that the connection works.
func (c *child) begin(ctx context.Context) (sdk.Description, error) {
	none := sdk.Description{}
	if _, err := c.client.Start(); err != nil {
		return none, err
	}
	defer c.limit()()
	protocol, err := c.client.Client()
	if err != nil {
		return none, err
	}
	g, ok := protocol.(*goplugin.GRPCClient)
	if !ok {
		return none, errors.New("no gRPC connection")
	}
	c.service = adapterv1.NewAdapterServiceClient(g.Conn)
	ctx, cancel := context.WithTimeout(ctx, c.options.pace.describe)
	defer cancel()
	r, err := c.service.Describe(ctx, &adapterv1.DescribeRequest{})
	if err != nil {
		return none, err
	}
	d, err := sdk.DescriptionFromWire(r)
	if err != nil {
		return none, &fault{"its description is refused: " + oneLine(err), "mend the adapter's description"}
	}
	return d, nil
}

// limit ends the process if what follows takes longer than a call may, for waits that know no deadline.
func (c *child) limit() func() {
	t := time.AfterFunc(c.options.pace.describe+250*time.Millisecond, func() {
		c.slow.Store(true)
		c.proc.end()
	})
	return func() { t.Stop() }
}

// check checks settings against a description, then asks the adapter itself.
func (c *child) check(ctx context.Context, d sdk.Description, settings map[string]string) error {
	if _, faults := d.Check(settings); len(faults) > 0 {
		return &SettingsError{c.program.Name, faults}
	}
	faults, _, err := c.validate(ctx, settings)
	if err != nil {
		return err
	}
	if len(faults) > 0 {
		return &SettingsError{c.program.Name, faults}
	}
	return nil
}

// validate asks the adapter itself. answers is false where it leaves that to its description.
func (c *child) validate(ctx context.Context, settings map[string]string) (faults []sdk.Fault, answers bool, err error) {
	call, cancel := context.WithTimeout(ctx, c.options.pace.describe)
	defer cancel()
	defer c.limit()()
	r, err := c.service.ValidateSettings(call, adapterv1.ValidateSettingsRequest_builder{Settings: settings}.Build())
	if status.Code(err) == codes.Unimplemented {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, c.why(err)
	}
	for _, f := range r.GetFaults() {
		if len(faults) == 32 {
			break
		}
		faults = append(faults, sdk.Fault{Key: tidy(f.GetKey(), 64), Message: tidy(f.GetMessage(), 300)})
	}
	return faults, true, nil
}

// dialing are the options of the connection. Ours come after go-plugin's and win.
func dialing(p *pace) []grpc.DialOption {
	return []grpc.DialOption{
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(longestMessage)),
		grpc.WithMaxHeaderListSize(longestHeaders),
		grpc.WithStaticStreamWindowSize(window),
		grpc.WithDisableServiceConfig(),
		// A peer that accepts and then says nothing must not hold go-plugin's lock for gRPC's 20 s.
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.DefaultConfig, MinConnectTimeout: p.describe}),
		grpc.WithUnaryInterceptor(func(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
			if method == "/plugin.GRPCController/Shutdown" { // go-plugin gives it no deadline
				var cancel context.CancelFunc
				ctx, cancel = context.WithTimeout(ctx, p.stdin)
				defer cancel()
			}
			return invoke(ctx, method, req, reply, cc, opts...)
		}),
		grpc.WithStreamInterceptor(func(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string, stream grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
			// The broker is for adapters that call the host. None does, and each message on it would cost the host
			// a goroutine.
			if strings.HasPrefix(method, "/plugin.GRPCBroker/") {
				return nil, status.Error(codes.Unimplemented, "this host has no broker")
			}
			return stream(ctx, desc, cc, method, opts...)
		}),
	}
}

// end asks the process to end, kills it when it does not, and frees all that it used. It is called for every child,
// also for one that has ended or never began.
func (c *child) end() error {
	p := c.options.pace
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.client.Kill() // waits for ever where an adapter wants it to
	}()
	begun := time.Now()
	after := func(d time.Duration) <-chan time.Time { return time.After(d - time.Since(begun)) }
	wait := func(d time.Duration) bool {
		select {
		case <-done:
			return true
		case <-after(d):
			return false
		}
	}
	ended := wait(p.stdin)
	c.proc.shutStdin()
	if !ended && !wait(p.kill) {
		c.proc.end()
		ended = wait(p.give)
	} else {
		ended = true
	}
	_ = os.RemoveAll(c.sockets)
	if !ended {
		select {
		case <-c.proc.exited: // only the library still waits
			c.options.Log.Warn("the plugin library does not return from ending a process that has ended", "source", c.program.Name)
			return nil
		default:
		}
		return &Failure{c.program.Name, fmt.Sprintf("process %s does not end, even when killed", c.proc.ID()), "end it by hand, or restart the machine if its driver hangs", ""}
	}
	return nil
}

// why makes one line for a person of what went wrong: what the process did counts more than what the connection
// says about it.
func (c *child) why(err error) error {
	var f *Failure
	if errors.As(err, &f) {
		return err
	}
	path := c.program.Command[0]
	result := func(what, remedy string) error {
		return &Failure{c.program.Name, what, remedy, c.out.lastWords()}
	}
	var wrong *fault
	if p := c.proc.fault.Load(); p != nil {
		return result(path+": "+p.what, p.remedy)
	}
	if errors.As(err, &wrong) {
		return result(path+": "+wrong.what, wrong.remedy)
	}
	var start *exec.Error
	var file *fs.PathError
	if c.proc.ID() == "" && (errors.As(err, &start) || errors.As(err, &file)) {
		return result("cannot start "+path+": "+oneLine(errors.Unwrap(err)), remedyStart(err))
	}
	if c.slow.Load() {
		return result(fmt.Sprintf("%s does not answer: no reply to a call within %v", path, c.options.pace.describe), "it hangs: mend or replace the adapter")
	}
	code := status.Code(err)
	s, _ := status.FromError(err)
	message := tidy(s.Message(), 300)
	if strings.Contains(message, "larger than max") && code == codes.ResourceExhausted {
		return result(fmt.Sprintf("%s sent a message of more than %d kB", path, longestMessage>>10), "mend the adapter: a state takes a few at most")
	}
	// A lost connection is the first that is seen of a process that ends: give it the moment to have ended.
	if code == codes.Unavailable || code == codes.Unknown || code == codes.Canceled {
		select {
		case <-c.proc.exited:
		case <-time.After(300 * time.Millisecond):
		}
	}
	if how, byItself := c.proc.exit(); how != "" && byItself {
		if !c.proc.greeted.Load() {
			return result(fmt.Sprintf("%s ended before it said that it is an adapter (%s)", path, how), "check that the command is an adapter of this host")
		}
		return result(fmt.Sprintf("%s ended (%s)", path, how), "")
	}
	switch {
	case !c.proc.greeted.Load():
		return result(fmt.Sprintf("%s did not say within %v that it is an adapter", path, c.options.pace.start), "check that the command is an adapter of this host, and that it flushes its handshake")
	case errors.Is(err, io.EOF):
		return result(path+" ended its stream without a reason", "an adapter streams until it is cancelled, and says absent while it has no source: mend the adapter")
	case code == codes.Unimplemented:
		return result(path+" does not serve what it should: "+message, "build the adapter against this host's sdk")
	case code == codes.DeadlineExceeded:
		return result(fmt.Sprintf("%s does not answer: no reply to a call within %v", path, c.options.pace.describe), "it hangs: mend or replace the adapter")
	case code == codes.Unavailable:
		return result("no connection to "+path+": "+message, "the adapter must serve gRPC with TLS 1.3 at the address, and with the certificate, of its handshake")
	case code == codes.Internal && strings.Contains(message, "unmarshal"):
		return result(path+" sent what is no message of the protocol", "build the adapter against this host's sdk")
	case code == codes.FailedPrecondition || code == codes.InvalidArgument || code == codes.Unknown || code == codes.Internal:
		return result("the adapter says: "+message, "")
	}
	return result(path+": "+oneLine(err), "")
}

func remedyStart(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "check the path, and for a script the interpreter in its first line"
	case errors.Is(err, fs.ErrPermission):
		return "make it executable, or name its interpreter in the command"
	case errors.Is(err, syscall.ENOEXEC):
		return "it is no program for this machine: take the one for this system, or name its interpreter in the command"
	}
	return "check the command"
}

// both is one error of two, of which either may be nil, and one line where both are.
func both(a, b error) error {
	switch {
	case a == nil:
		return b
	case b == nil:
		return a
	}
	return fmt.Errorf("%w; %w", a, b)
}

func oneLine(err error) string {
	if err == nil {
		return ""
	}
	return tidy(strings.ReplaceAll(err.Error(), "\n", "; "), 400)
}
