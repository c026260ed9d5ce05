// Package mavlink is the adapter for vehicles that speak MAVLink: over UDP, a serial radio or cable, or out of a
// telemetry log.
//
// Each message that carries a time stamp becomes one state at that time, on the vehicle's clock; nothing is joined by
// when it arrived. So a state holds few signals, and states of different messages may come in another order than
// their times: a fix is told some 0.2 s after it was taken. VFR_HUD, EXTENDED_SYS_STATE and RPM carry no stamp; they
// get the newest time of the vehicle's clock, once for each such time.
//
// Messages, meanings and units are those of the message set "common" (https://mavlink.io/en/messages/common.html).
package mavlink

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/netip"
	"os"
	"time"

	"perch/sdk"
	"perch/sdk/capture"
	"perch/sdk/transport"
	"perch/sdk/vehicle"
)

// Adapter is the adapter for MAVLink.
func Adapter() sdk.Adapter {
	number := func(v float64) *float64 { return &v }
	return sdk.Adapter{
		Description: sdk.Description{
			Name:    "mavlink",
			Version: "1.0.0",
			Summary: "A vehicle's telemetry in MAVLink 1 or 2, over UDP, a serial port, or from a telemetry log.",
			Signals: []vehicle.Signal{
				vehicle.PositionN, vehicle.PositionE, vehicle.PositionD,
				vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD,
				vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ,
				vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR,
				vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ,
				vehicle.Airspeed, vehicle.OnGround, vehicle.EngineRPM, vehicle.RotorRPM,
			},
			Never: []vehicle.Signal{
				vehicle.VelocityX, vehicle.VelocityY, vehicle.VelocityZ,
				vehicle.AngleOfAttack, vehicle.Sideslip, vehicle.GearRatio, vehicle.FlapRatio,
			},
			Settings: []sdk.Setting{
				{Key: "listen", Type: sdk.String, Help: "Where datagrams come to, such as udp://0.0.0.0:14550."},
				{Key: "port", Type: sdk.String, Help: "The serial port of a radio or a cable."},
				{Key: "baud", Type: sdk.Integer, Unit: "bit/s", Default: "57600", Minimum: number(300), Maximum: number(4_000_000), Help: "The serial port's speed."},
				{Key: "file", Type: sdk.String, Help: "A telemetry log (tlog) to play, compressed with gzip or not."},
				{Key: "speed", Type: sdk.Number, Default: "1", Minimum: number(0.01), Maximum: number(1000), Help: "How many times as fast as recorded a file is played."},
				{Key: "vehicle", Type: sdk.Integer, Default: "0", Minimum: number(0), Maximum: number(255), Help: "The vehicle's system number; 0 takes the first that says it is a vehicle."},
				{Key: "request_rate", Type: sdk.Integer, Unit: "Hz", Default: "0", Minimum: number(0), Maximum: number(maxRate), Help: "Ask the vehicle for this rate, three times at most; 0 never sends anything to it."},
			},
		},
		Check:  check,
		Stream: stream,
	}
}

// check wants exactly one source.
func check(s sdk.Settings) []sdk.Fault {
	var given []string
	for _, key := range []string{"listen", "port", "file"} {
		if s.Has(key) && s.String(key) != "" {
			given = append(given, key)
		}
	}
	var faults []sdk.Fault
	switch len(given) {
	case 0:
		faults = append(faults, sdk.Fault{Message: "nothing to read: give one of listen (udp://0.0.0.0:14550), port (a serial port) or file (a telemetry log)"})
	case 1:
	default:
		faults = append(faults, sdk.Fault{Key: given[1], Message: fmt.Sprintf("cannot be given together with %s: give one of listen, port and file", given[0])})
	}
	if file := s.String("file"); file != "" {
		if _, err := os.Stat(file); err != nil {
			faults = append(faults, sdk.Fault{Key: "file", Message: fmt.Sprintf("%v: give the path of a telemetry log", err)})
		}
	}
	if s.Has("listen") && s.String("listen") != "" {
		if _, err := transport.ParseUDP(s.String("listen")); err != nil {
			faults = append(faults, sdk.Fault{Key: "listen", Message: err.Error()})
		}
	}
	if s.Integer("request_rate") > 0 && s.Has("file") && s.String("file") != "" {
		faults = append(faults, sdk.Fault{Key: "request_rate", Message: "a file cannot be asked for a faster rate: leave it out"})
	}
	return faults
}

// open opens the source that the settings name.
func open(s sdk.Settings, log *slog.Logger) (transport.Source, error) {
	switch {
	case s.Has("listen") && s.String("listen") != "":
		return transport.ListenUDP(s.String("listen"))
	case s.Has("port") && s.String("port") != "":
		return transport.OpenSerial(s.String("port"), s.Integer("baud"), log), nil
	}
	return capture.NewReplay(s.String("file"), s.Number("speed"))
}

func stream(ctx context.Context, s sdk.Settings, out *sdk.Sender) error {
	src, err := open(s, out.Log())
	if err != nil {
		return err
	}
	r := &run{
		src: src, out: out, log: out.Log(),
		decoder: NewDecoder(uint8(s.Integer("vehicle")), out.Log()),
		asker:   asker{rate: s.Integer("request_rate")},
	}
	return r.loop(ctx)
}

// sink is what a run needs of a sdk.Sender.
type sink interface {
	Send(*vehicle.State)
	Absent()
}

const (
	tick   = 100 * time.Millisecond
	silent = time.Second            // without a state: the source is absent
	pause  = 300 * time.Millisecond // without a byte: no frame goes on after it
)

// run is one stream.
type run struct {
	src     transport.Source
	out     sink
	log     *slog.Logger
	decoder *Decoder
	asker   asker

	live    bool      // states come
	last    time.Time // of the last state
	heard   time.Time // of the last bytes
	flushed bool
}

// loop reads until ctx ends and closes the source.
func (r *run) loop(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	chunks := make(chan transport.Chunk, 64)
	ended := make(chan error, 1)
	finished := make(chan struct{})
	go func() {
		defer close(finished)
		for {
			c, err := r.src.Read(ctx)
			if err != nil {
				ended <- err
				return
			}
			c.Bytes = append([]byte(nil), c.Bytes...)
			select {
			case chunks <- c:
			case <-ctx.Done():
				return
			}
		}
	}()
	defer func() {
		cancel()
		<-finished
		_ = r.src.Close()
	}()
	beat := time.NewTicker(tick)
	defer beat.Stop()
	r.last = time.Now()
	for {
		select {
		case <-ctx.Done():
			return nil
		case c := <-chunks:
			r.take(c)
		case err := <-ended:
			for len(chunks) > 0 {
				r.take(<-chunks)
			}
			if errors.Is(err, io.EOF) {
				r.flush(time.Now())
				r.out.Absent()
				r.log.Info("the file has been played to its end", "file", r.src.String())
				<-ctx.Done()
				return nil
			}
			if ctx.Err() != nil {
				return nil
			}
			return err
		case now := <-beat.C:
			r.beat(now)
		}
	}
}

func (r *run) take(c transport.Chunk) {
	r.heard, r.flushed = time.Now(), false
	r.decoder.Bytes(c.Bytes, c.From, c.ObservedAt, r.send)
}

func (r *run) flush(now time.Time) {
	r.flushed = true
	r.decoder.Flush(now.UnixNano(), r.send)
}

func (r *run) send(s *vehicle.State) {
	r.last = time.Now()
	if !r.live {
		r.live = true
		r.log.Info("telemetry comes in", "vehicle", r.decoder.vehicle.System)
	}
	r.out.Send(s)
}

// beat does what is due by the clock.
func (r *run) beat(now time.Time) {
	if !r.flushed && now.Sub(r.heard) > pause {
		r.flush(now)
	}
	if r.live && now.Sub(r.last) > silent {
		r.live = false
		r.out.Absent()
		l := r.decoder.Link()
		r.log.Warn("telemetry has stopped: looking for it", "source", r.src.String(), "vehicle", r.decoder.vehicle.System, "frames", l.Received, "lost", l.Lost)
	}
	if frames := r.asker.step(now.UnixNano(), r.decoder, r.log); frames != nil {
		if err := r.src.Write(frames, r.decoder.from); err != nil {
			r.log.Warn("asking for faster telemetry failed", "reason", err.Error())
		}
	}
}

// ReadFile reads the states of one vehicle out of a telemetry log, as fast as it can. ObservedAt is when the recorder
// received them. A state is only valid during the call.
func ReadFile(path string, system uint8, log *slog.Logger, emit func(*vehicle.State)) error {
	f, err := capture.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	d := NewDecoder(system, log)
	at := int64(0)
	for {
		rec, err := f.Read()
		if errors.Is(err, io.EOF) {
			d.Flush(at, emit)
			return nil
		}
		if err != nil {
			return err
		}
		at = rec.Time
		d.Bytes(rec.Data, netip.AddrPort{}, at, emit)
	}
}
