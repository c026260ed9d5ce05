package mavlink

import (
	"log/slog"

	wire "perch/sdk/mavlink"
)

// asking is how this adapter names itself where it asks for telemetry: 255 is a ground station's number by custom,
// MAV_COMP_ID_ONBOARD_COMPUTER is 191.
var asking = wire.Header{Version: 2, System: 255, Component: 191}

const (
	askMost  = 3     // times in a run: a ground station that wants another rate wins by repeating
	askEvery = 5e9   // ns between them; the first comes after this long without enough
	enough   = 0.8   // of the rate that is wished
	maxRate  = 1_000 // Hz
)

// asker asks a vehicle for a rate. It is told the time and gives the frames to send.
type asker struct {
	rate     int // Hz, 0: never asks
	asked    int
	began    int64 // of the span that is measured, unix ns; 0: not yet
	before   uint64
	sequence uint8
	out      []byte
}

// step looks at what has come and gives the frames to send, nil for none. They are valid until the next step.
func (a *asker) step(now int64, d *Decoder, log *slog.Logger) []byte {
	to, chosen := d.Vehicle()
	if a.rate <= 0 || !chosen || d.Link() == nil || a.asked >= askMost {
		return nil
	}
	if a.began == 0 {
		a.began, a.before = now, d.attitudes
		return nil
	}
	passed := now - a.began
	if passed < askEvery {
		return nil
	}
	rate := float64(d.attitudes-a.before) / (float64(passed) * 1e-9)
	a.began, a.before = now, d.attitudes
	if rate >= enough*float64(a.rate) {
		return nil
	}
	a.asked++
	log.Info("asking the vehicle for faster telemetry", "attitude_hz", rate, "wished_hz", a.rate, "time", a.asked, "of", askMost)
	a.out = a.out[:0]
	// What the vehicle speaks decides the version: an old one does not read version 2.
	h := asking
	h.Version = d.version
	if a.asked == 1 || d.accepted > 0 {
		for _, id := range []uint32{wire.IDAttitude, wire.IDGlobalPositionInt, wire.IDScaledIMU, wire.IDHighresIMU} {
			m := wire.CommandLong{Command: wire.CommandSetMessageInterval, TargetSystem: to.System, TargetComponent: to.Component}
			m.Param[0], m.Param[1] = float32(id), float32(1e6/float64(a.rate))
			a.add(h, &m)
		}
		return a.out
	}
	// No answer, or a refusal: the older way. Streams: 1 raw sensors, 6 position, 10 attitude.
	for _, stream := range []uint8{10, 6, 1} {
		a.add(h, &wire.RequestDataStream{
			Rate: uint16(a.rate), TargetSystem: to.System, TargetComponent: to.Component, Stream: stream, Start: 1,
		})
	}
	return a.out
}

func (a *asker) add(h wire.Header, m wire.Message) {
	h.Sequence = a.sequence
	a.sequence++
	a.out = wire.Append(a.out, h, m)
}
