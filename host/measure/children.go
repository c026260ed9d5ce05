package measure

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"perch/host/loop"
	"perch/proto/seatlink"
	"perch/sdk/mavlink"
)

// Bare runs a loop that does nothing and writes how late each tick began, in ns, as a JSON array.
func Bare(ctx context.Context, w io.Writer, rate float64, length time.Duration) error {
	late := make([]time.Duration, 0, int(length.Seconds()*rate)+1)
	loop.Loop{Period: time.Duration(float64(time.Second) / rate), RealTime: true}.Run(ctx, func(error) {}, func(t loop.Timing) bool {
		late = append(late, t.Late)
		return len(late) < cap(late)
	})
	return json.NewEncoder(w).Encode(late)
}

// Relay carries each MAVLink ATTITUDE that reaches a UDP address to a setpoint frame on a terminal, with nothing
// between but the decoding; the frame's first position is the attitude's time in ms. It ends with ctx.
func Relay(ctx context.Context, listen, terminal string) error {
	from, err := net.ListenPacket("udp", listen)
	if err != nil {
		return fmt.Errorf("relay: %w", err)
	}
	defer from.Close() //nolint:errcheck // nothing to lose
	context.AfterFunc(ctx, func() { _ = from.Close() })
	to, err := os.OpenFile(terminal, os.O_WRONLY, 0)
	if err != nil {
		return fmt.Errorf("relay: %w", err)
	}
	defer to.Close() //nolint:errcheck // nothing to lose
	var (
		in       = make([]byte, 2048)
		out      []byte
		frame    mavlink.Frame
		attitude mavlink.Attitude
		encoder  seatlink.Encoder
		point    = seatlink.Setpoint{Axes: seatlink.Axes{N: 2}}
	)
	for {
		n, _, err := from.ReadFrom(in)
		if err != nil {
			return nil // the context has ended
		}
		if mavlink.Parse(in[:n], &frame) != mavlink.Checked || !frame.Decode(&attitude) {
			continue
		}
		point.Position[0] = int32(attitude.TimeBootMs)
		out = encoder.Append(out[:0], &point)
		if _, err := to.Write(out); err != nil {
			return fmt.Errorf("relay: %w", err)
		}
	}
}
