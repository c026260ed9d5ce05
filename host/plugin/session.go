package plugin

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"strconv"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
	"perch/sdk/vehicle"
)

// Session is one run of an adapter that nobody supervises: for those who examine an adapter, by the same start, the same
// connection and the same end as a Source has. It is not started again.
type Session struct {
	c           *child
	description sdk.Description
}

// Open starts the program and asks it what it is. Of the options Log and Notify count. versions are those of the protocol
// that the adapter is offered; none: the host's own.
func Open(ctx context.Context, p Program, o Options, versions ...int) (*Session, error) {
	if len(versions) == 0 {
		versions = []int{sdk.ProtocolVersion}
	}
	c, d, err := launch(ctx, p, o.withDefaults(), versions...)
	if err != nil {
		return nil, err
	}
	return &Session{c, d}, nil
}

// Description is what the adapter says of itself.
func (s *Session) Description() sdk.Description { return s.description }

// Version is the protocol version that the adapter chose.
func (s *Session) Version() int { return s.c.client.NegotiatedVersion() }

// Validate asks the adapter itself about settings; the description is not asked. answers is false where the adapter leaves
// that to its description.
func (s *Session) Validate(ctx context.Context, settings map[string]string) (faults []sdk.Fault, answers bool, err error) {
	return s.c.validate(ctx, settings)
}

// Stream streams until ctx ends, which is no error, or the adapter ends it, which is one. sink gets every message, from
// one goroutine: the state as it was sent, valid until sink returns, and why a host would refuse it, nil where it would
// not.
func (s *Session) Stream(ctx context.Context, settings map[string]string, sink func(state *vehicle.State, refused error)) error {
	stream, err := s.c.service.StreamStates(ctx, adapterv1.StreamStatesRequest_builder{Settings: settings}.Build(),
		grpc.MaxCallRecvMsgSize(longestMessage))
	message := &adapterv1.StreamStatesResponse{}
	var state, admitted vehicle.State
	for err == nil {
		if err = stream.RecvMsg(message); err != nil {
			break
		}
		refused := sdk.AsSent(message.GetState(), &state)
		if refused == nil {
			admitted = state
			refused = admitted.Admit()
		} else {
			state = vehicle.State{Condition: unreadable}
		}
		sink(&state, refused)
	}
	if ctx.Err() != nil && (status.Code(err) == codes.Canceled || status.Code(err) == codes.DeadlineExceeded) {
		return nil
	}
	return s.c.why(err)
}

// unreadable is the condition of a state that could not be read: none that there is, so that Admit refuses it.
const unreadable = vehicle.Absent + 1

// PID is the number of the process.
func (s *Session) PID() int {
	pid, _ := strconv.Atoi(s.c.proc.ID())
	return pid
}

// Exited is closed when the process has ended.
func (s *Session) Exited() <-chan struct{} { return s.c.proc.exited }

// Muted is how many lines of its output were dropped because there were too many.
func (s *Session) Muted() uint64 { return s.c.out.mutedLines() }

// Kill ends the process as hard as a crash would. Close is still needed.
func (s *Session) Kill() { s.c.proc.end() }

// Close asks the process to end as a host does, kills it when it does not, and says how long that took and whether it
// had to be killed.
func (s *Session) Close() (took time.Duration, killed bool, err error) {
	begun := time.Now()
	err = s.c.end()
	s.c.proc.mu.Lock()
	defer s.c.proc.mu.Unlock()
	return time.Since(begun), s.c.proc.killed, err
}

// ByHand starts the program as a person would who types its name, without a host. It gives what it printed and how it
// ended; done is false where it had not ended after the wait and was killed.
func ByHand(ctx context.Context, p Program, wait time.Duration) (printed string, done bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	c := exec.CommandContext(ctx, p.Command[0], p.Command[1:]...)
	c.Dir, c.Env, c.WaitDelay = p.Dir, environment(os.Environ(), p.Env, nil), wait
	b, err := c.CombinedOutput()
	if ctx.Err() != nil {
		return tidy(string(b), 300), false, nil
	}
	var exit *exec.ExitError
	if err == nil || errors.As(err, &exit) {
		return tidy(string(b), 300), true, nil
	}
	return "", false, err
}
