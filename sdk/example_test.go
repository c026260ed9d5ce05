package sdk_test

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"perch/sdk"
	"perch/sdk/axes"
	"perch/sdk/units"
	"perch/sdk/vehicle"
)

// box is a whole adapter for a source that sends, in UDP packets of 10 bytes, its clock in ms and heading, pitch and
// bank in hundredths of a degree. Its program is: func main() { sdk.Serve(box()) }
func box() sdk.Adapter {
	return sdk.Adapter{
		Description: sdk.Description{
			Name: "box", Version: "0.1.0", Summary: "reads attitude packets from UDP",
			Signals:  []vehicle.Signal{vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ},
			Settings: []sdk.Setting{{Key: "listen", Type: sdk.String, Default: "127.0.0.1:47900", Help: "Address to listen on."}},
		},
		Stream: func(ctx context.Context, set sdk.Settings, out *sdk.Sender) error {
			c, err := net.ListenPacket("udp", set.String("listen"))
			if err != nil {
				return fmt.Errorf("%w: set listen to another port, or end the program that uses this one", err)
			}
			context.AfterFunc(ctx, func() { _ = c.Close() })
			var b [11]byte // one byte more than a packet, to see longer ones
			for {
				_ = c.SetReadDeadline(time.Now().Add(time.Second))
				n, _, err := c.ReadFrom(b[:])
				switch {
				case ctx.Err() != nil:
					return nil
				case errors.Is(err, os.ErrDeadlineExceeded):
					out.Absent()
				case err == nil && n == 10:
					angle := func(at int) float64 {
						return units.FromDegrees(float64(int16(binary.BigEndian.Uint16(b[at:]))) / 100)
					}
					s := vehicle.State{SourceTime: int64(binary.BigEndian.Uint32(b[:])) * 1e6}
					s.PutAttitude(axes.FromEuler(angle(4), angle(6), angle(8)))
					out.Send(&s)
				}
			}
		},
	}
}

func Example() {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	free, err := net.ListenPacket("udp", "127.0.0.1:0") // any port that nobody uses
	if err != nil {
		fmt.Println(err)
		return
	}
	address := free.LocalAddr().String()
	_ = free.Close()
	go func() { // the source: 7 ms, heading 90°, pitch 5°, bank -10°
		c, err := net.Dial("udp", address)
		if err != nil {
			return
		}
		for ctx.Err() == nil {
			_, _ = c.Write([]byte{0, 0, 0, 7, 0x23, 0x28, 0x01, 0xf4, 0xfc, 0x18})
			time.Sleep(20 * time.Millisecond)
		}
	}()
	err = sdk.Run(ctx, box(), map[string]string{"listen": address}, func(s *vehicle.State) {
		if q, ok := s.Attitude(); ok && ctx.Err() == nil {
			yaw, pitch, roll := axes.ToEuler(q)
			fmt.Printf("%.0f %.0f %.0f\n", units.ToDegrees(yaw), units.ToDegrees(pitch), units.ToDegrees(roll))
			cancel()
		}
	})
	fmt.Println(err)
	// Output:
	// 90 5 -10
	// <nil>
}
