package mavlink_test

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"io"
	"net/netip"
	"os"
	"path/filepath"
	"testing"
	"time"

	"perch/adapters/demo"
	"perch/adapters/mavlink"
	"perch/conformance"
	"perch/conformance/plan"
	"perch/sdk/axes"
	"perch/sdk/capture"
	"perch/sdk/vehicle"
)

func TestConforms(t *testing.T) {
	t.Parallel()
	a := mavlink.Adapter()
	conformance.Run(t, conformance.Settings{Adapter: &a})
}

// Real telemetry, where it is at hand beside the project, fails nothing either.
func TestRecordedTelemetryConforms(t *testing.T) {
	t.Parallel()
	p := plan.Plan{}
	for _, name := range []string{"hand-tilt.tlog.gz", "radio-flight.tlog.gz"} {
		path, err := filepath.Abs(filepath.Join("..", "..", "..", "shared", "data", name))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(path); err != nil {
			t.Skip("no recorded telemetry here")
		}
		p.Feeds = append(p.Feeds, plan.Feed{Name: name, Capture: path, Deliver: "udp", Settings: map[string]string{"listen": "udp://{feed}"}})
	}
	p.Promises.Signals = []plan.Promised{}
	a := mavlink.Adapter()
	conformance.Run(t, conformance.Settings{Adapter: &a, Plan: p})
}

// invented gives an invented flight in MAVLink: attitude and force at 25 Hz, the rest at 5 Hz. Its place is in the middle of
// an ocean.
func invented(kind uint8, from, to time.Duration, rotor bool, put func(at time.Duration, frames []byte)) {
	f := demo.NewFlight(1)
	e := mavlink.Encoder{Kind: kind, Origin: [3]float64{-40, -130, 0}}
	n := 0
	for at := from; at < to; at += 40 * time.Millisecond {
		var s vehicle.State
		f.At(at, &s)
		s.SourceTime += 3e9
		q, _ := s.Attitude()
		v, _ := s.Vec(vehicle.VelocityX)
		s.PutVec(vehicle.VelocityN, axes.ToEarth(q, v))
		if rotor {
			s.Present &^= 1 << vehicle.EngineRPM
			s.Put(vehicle.RotorRPM, 400)
		}
		if n%5 != 0 {
			s.Present &= vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ,
				vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR, vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ)
		}
		n++
		put(at-from, e.Append(nil, &s))
	}
}

// PERCH_WRITE_CAPTURES=1 writes the captures anew; else they are looked at.
func TestCaptures(t *testing.T) {
	const kindAeroplane, kindHelicopter = 1, 4 // MAV_TYPE of MAVLink's message set common
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	files := map[string]func(io.Writer) error{
		"aeroplane.pcap.gz": func(w io.Writer) error {
			p, err := capture.NewPcapWriter(w)
			invented(kindAeroplane, 38*time.Second, 100*time.Second, false, func(at time.Duration, frames []byte) {
				if err == nil {
					err = p.Write(capture.Packet{Time: begin.Add(at).UnixNano(), Data: frames, Protocol: capture.UDP,
						From: netip.MustParseAddrPort("127.0.0.1:14555"), To: netip.MustParseAddrPort("127.0.0.1:14550")})
				}
			})
			return err
		},
		"helicopter.tlog.gz": func(w io.Writer) error {
			var err error
			invented(kindHelicopter, 40*time.Second, 52*time.Second, true, func(at time.Duration, frames []byte) {
				for len(frames) > 0 && err == nil {
					n := 12 + int(frames[1]) // MAVLink 2: a header of 10 bytes and a checksum of 2 around the payload
					_, err = w.Write(append(binary.BigEndian.AppendUint64(nil, uint64(begin.Add(at).UnixMicro())), frames[:n]...))
					frames = frames[n:]
				}
			})
			return err
		},
	}
	for name, write := range files {
		path := filepath.Join("captures", name)
		if os.Getenv("PERCH_WRITE_CAPTURES") == "1" {
			var b bytes.Buffer
			z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
			if err != nil {
				t.Fatal(err)
			}
			if err := write(z); err != nil {
				t.Fatal(err)
			}
			if err := z.Close(); err != nil {
				t.Fatal(err)
			}
			if err := os.MkdirAll("captures", 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		sum, err := capture.One(path, capture.Selection{})
		if err != nil || sum.Packets < 300 {
			t.Errorf("%s: %d packets, %v", name, sum.Packets, err)
		}
		if info, err := os.Stat(path); err == nil && info.Size() > 256<<10 {
			t.Errorf("%s has %d bytes; captures here have at most 256 kB", name, info.Size())
		}
	}
}
