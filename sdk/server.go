package sdk

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strings"
	"time"

	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk/vehicle"
)

// closing is how long a stream may take to close its source after its context has ended.
const closing = 2 * time.Second

// Plugin serves an adapter through go-plugin. Serve uses it; it is exported for tests that serve an adapter within
// their own process, such as plugin.TestPluginGRPCConn.
type Plugin struct {
	plugin.NetRPCUnsupportedPlugin
	Adapter Adapter
	Log     *slog.Logger // nil: slog's default
}

// GRPCServer registers the adapter's service.
func (p *Plugin) GRPCServer(_ *plugin.GRPCBroker, s *grpc.Server) error {
	log := p.Log
	if log == nil {
		log = slog.Default()
	}
	adapterv1.RegisterAdapterServiceServer(s, &server{adapter: p.Adapter, log: log, one: make(chan struct{}, 1)})
	return nil
}

// GRPCClient gives an adapterv1.AdapterServiceClient.
func (p *Plugin) GRPCClient(_ context.Context, _ *plugin.GRPCBroker, c *grpc.ClientConn) (any, error) {
	return adapterv1.NewAdapterServiceClient(c), nil
}

type server struct {
	adapterv1.UnimplementedAdapterServiceServer
	adapter Adapter
	log     *slog.Logger
	one     chan struct{} // holds one while a source is open
}

func (s *server) Describe(context.Context, *adapterv1.DescribeRequest) (*adapterv1.DescribeResponse, error) {
	return DescriptionToWire(s.adapter.Description), nil
}

func (s *server) ValidateSettings(_ context.Context, r *adapterv1.ValidateSettingsRequest) (*adapterv1.ValidateSettingsResponse, error) {
	_, faults, err := s.adapter.check(r.GetSettings())
	if err != nil {
		s.logPanic(err)
		return nil, status.Error(codes.Internal, err.Error())
	}
	w := &adapterv1.ValidateSettingsResponse{}
	list := make([]*adapterv1.SettingFault, len(faults))
	for i, f := range faults {
		list[i] = adapterv1.SettingFault_builder{Key: f.Key, Message: f.Message}.Build()
	}
	w.SetFaults(list)
	return w, nil
}

func (s *server) StreamStates(r *adapterv1.StreamStatesRequest, out grpc.ServerStreamingServer[adapterv1.StreamStatesResponse]) error {
	settings, faults, err := s.adapter.check(r.GetSettings())
	if err != nil {
		s.logPanic(err)
		return status.Error(codes.Internal, err.Error())
	}
	if len(faults) > 0 {
		lines := make([]string, len(faults))
		for i, f := range faults {
			lines[i] = f.Error()
		}
		return status.Error(codes.InvalidArgument, strings.Join(lines, "; "))
	}
	ctx := out.Context()
	// A source that is being closed must be closed before it can be opened again.
	wait := time.NewTimer(closing + time.Second)
	defer wait.Stop()
	select {
	case s.one <- struct{}{}:
	case <-wait.C:
		return status.Error(codes.ResourceExhausted, "the source is already open: one stream at a time")
	case <-ctx.Done():
		return status.FromContextError(ctx.Err()).Err()
	}

	sender := newSender(s.log)
	done := make(chan struct{})
	var streamErr error
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		defer func() { <-s.one }()
		defer close(done)
		streamErr = s.adapter.stream(ctx, settings, sender)
	}()
	err = sender.pump(ctx, done, func(state *vehicle.State) error {
		m := &adapterv1.StreamStatesResponse{}
		m.SetState(ToWire(state))
		return out.Send(m)
	})
	cancel()
	if merged := sender.close(); merged > 0 {
		s.log.Warn("the host was slow: states were merged", "merged", merged)
	}
	late := time.NewTimer(closing)
	defer late.Stop()
	select {
	case <-done:
	case <-late.C:
		s.log.Error("the adapter does not end when its stream is cancelled: its source may still be open", "waited", closing.String())
		return status.Error(codes.DeadlineExceeded, "the adapter did not close its source")
	}
	switch {
	case streamErr != nil && out.Context().Err() == nil:
		s.logPanic(streamErr)
		var p *panicked
		if errors.As(streamErr, &p) {
			return status.Error(codes.Internal, p.Error())
		}
		return status.Error(codes.FailedPrecondition, streamErr.Error())
	case out.Context().Err() != nil:
		return status.FromContextError(out.Context().Err()).Err()
	}
	return err
}

// logPanic writes the stack of a panic to the log, where the host keeps it.
func (s *server) logPanic(err error) {
	var p *panicked
	if errors.As(err, &p) {
		s.log.Error(p.Error(), "stack", string(p.stack))
	}
}

// panicked is a panic of the adapter's code, as an error.
type panicked struct {
	value any
	stack []byte
}

func (p *panicked) Error() string { return fmt.Sprintf("the adapter panicked: %v", p.value) }

func recovered(err *error) {
	if v := recover(); v != nil {
		*err = &panicked{value: v, stack: debug.Stack()}
	}
}

// check is Description.Check and then the adapter's own, where the first finds nothing wrong.
func (a Adapter) check(raw map[string]string) (s Settings, faults []Fault, err error) {
	s, faults = a.Description.Check(raw)
	if len(faults) > 0 || a.Check == nil {
		return s, faults, nil
	}
	defer recovered(&err)
	faults = a.Check(s)
	return s, faults, nil
}

// stream is the adapter's Stream, with a panic as an error.
func (a Adapter) stream(ctx context.Context, s Settings, out *Sender) (err error) {
	if a.Stream == nil {
		return errors.New("the adapter has no Stream")
	}
	defer recovered(&err)
	return a.Stream(ctx, s, out)
}

// Run streams an adapter within this process, without a network, until ctx ends or Stream returns: for an author's own
// tests. deliver gets every state in order, in one goroutine; the state is good until it returns. The context's end
// is no error.
func Run(ctx context.Context, a Adapter, settings map[string]string, deliver func(*vehicle.State)) error {
	s, faults, err := a.check(settings)
	if err != nil {
		return err
	}
	all := make([]error, len(faults))
	for i, f := range faults {
		all[i] = f
	}
	if err := errors.Join(all...); err != nil {
		return err
	}
	sender := newSender(slog.Default())
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan struct{})
	var streamErr error
	go func() {
		defer close(done)
		streamErr = a.stream(ctx, s, sender)
	}()
	_ = sender.pump(ctx, done, func(s *vehicle.State) error { deliver(s); return nil })
	cancel()
	sender.close()
	<-done
	if streamErr != nil && errors.Is(streamErr, ctx.Err()) {
		return nil
	}
	return streamErr
}
