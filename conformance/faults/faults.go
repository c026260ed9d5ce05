// Package faults is an adapter that is wrong on purpose, in one way at a time: for proving that the suite names each mistake
// by the check that is about it, and by no other.
//
// It listens for datagrams, each with one state: eight hexadecimal digits of its CRC-32 (IEEE), a blank, and the state as a
// line of the states table's JSON form. Append writes one.
package faults

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"perch/sdk"
	"perch/sdk/transport"
	"perch/sdk/vehicle"
)

// Fault is a way to be wrong.
type Fault struct {
	Name  string
	Check string // the id of the check that names it
	About string
}

// None is the adapter as it should be.
const None = "none"

// All are the faults.
func All() []Fault {
	return []Fault{
		{"prints_first", "starts", "prints a line before the handshake"},
		{"lingers", "ends", "does not end when it is asked to"},
		{"waits_for_host", "by_hand", "started by hand it waits for ever"},
		{"newest_version", "versions", "takes the highest version that the host offers"},
		{"no_summary", "description", "describes itself without a summary"},
		{"refuses_right", "settings_right", "finds fault with settings that are right"},
		{"takes_wrong", "settings_wrong", "takes values that are wrong"},
		{"takes_unknown", "settings_unknown", "takes keys that it does not know"},
		{"takes_missing", "settings_required", "does without what is required"},
		{"one_only", "two_at_once", "takes a lock that all of them share"},
		{"slow_end", "cancel", "closes its source seconds after its stream was cancelled"},
		{"once_only", "second_stream", "gives states in its first stream only"},
		{"lock_file", "restart", "leaves a lock behind when it is killed"},
		{"absent_zeros", "absent", "says absent and gives zeros"},
		{"gives_up", "lost", "ends its stream when the source is lost"},
		{"chatters", "log", "logs each packet"},
		{"prints", "stdout", "prints while it streams"},
		{"gathers", "latency", "sends fifteen states together"},
		{"copies_time", "arrival", "gives the source's time as observed_at"},
		{"time_goes_back", "observed_at", "gives times of arrival that go back"},
		{"undeclared", "declared", "gives a signal that it does not declare"},
		{"never_given", "given", "declares a signal that it never gives"},
		{"capital_class", "classes", "writes the class with a capital letter"},
		{"ends_early", "whole_feed", "ends its stream in the middle of a feed"},
		{"reads_past_end", "truncated", "panics at a packet that is cut short"},
		{"no_checksum", "flipped", "sends a value that is not finite when bits were flipped"},
		{"crashes", "random", "ends when it gets random bytes"},
		{"goes_deaf", "oversized", "hears nothing more after a packet that is too long"},
		{"overflows", "flood", "panics when packets come many at a time"},
		{"leaks", "memory", "keeps every packet"},
		{"not_finite", "rows", "sends NaN now and then"},
		{"overtakes", "source_time", "gives a source time that goes back"},
		{"slower_than_said", "rate", "says a nominal rate that it does not keep"},
		{"drops", "gaps", "drops a second in eight"},
		{"doubles", "duplicates", "sends each state twice"},
		{"repeats", "repeats", "repeats a value until the next one comes"},
		{"zeros", "zeros", "gives zero for what it does not know"},
		{"unscaled", "norm", "gives attitudes whose norm is 0.95"},
		{"percent", "ranges", "gives a ratio in percent"},
		{"unmarked_jump", "jumps", "jumps without a mark"},
		{"pitch_rate_sign", "turning_pitch", "gives the pitch rate with the wrong sign"},
		{"force_sign", "force_z", "gives the specific force along z with the wrong sign"},
		{"knots", "air_speed", "gives the airspeed in knots"},
		{"clock_ms", "clock", "counts its source time in tenths of what it is"},
	}
}

// Append writes a state as the adapter takes it.
func Append(dst []byte, s *vehicle.State) []byte {
	text := vehicle.AppendJSON(nil, s)
	dst = fmt.Appendf(dst, "%08x ", crc32.ChecksumIEEE(text))
	return append(dst, text...)
}

// Adapter is the adapter with a fault, as far as it lies in what an adapter is made of; Serve has the rest.
func Adapter(fault string) sdk.Adapter {
	least, most := 0.1, 10.0
	d := sdk.Description{
		Name: "faults", Version: "1.0.0", Summary: "Takes states as they are, and is wrong in one way.", NominalRate: 25,
		Signals: []vehicle.Signal{
			vehicle.PositionN, vehicle.PositionE, vehicle.PositionD, vehicle.VelocityX, vehicle.VelocityY, vehicle.VelocityZ,
			vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ,
			vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR,
			vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ, vehicle.Airspeed, vehicle.OnGround,
		},
		Settings: []sdk.Setting{
			{Key: "listen", Type: sdk.String, Required: true, Help: "Where datagrams come to, such as udp://127.0.0.1:5000."},
			{Key: "gain", Type: sdk.Number, Default: "1", Minimum: &least, Maximum: &most, Help: "Does nothing."},
		},
	}
	switch fault {
	case "no_summary":
		d.Summary = ""
	case "never_given":
		d.Signals = append(d.Signals, vehicle.RotorRPM)
	case "slower_than_said":
		d.NominalRate = 100
	case "zeros":
		d.Signals = append(d.Signals, vehicle.Sideslip, vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD)
	case "percent":
		d.Signals = append(d.Signals, vehicle.FlapRatio)
	}
	given := vehicle.Set(0).With(d.Signals...)
	for x := range vehicle.SignalCount {
		if !given.Has(x) {
			d.Never = append(d.Never, x)
		}
	}
	all := &program{}
	return sdk.Adapter{Description: d, Stream: func(ctx context.Context, s sdk.Settings, out *sdk.Sender) error {
		all.streams++
		r := &run{fault: fault, out: out, program: all}
		return r.loop(ctx, s.String("listen"))
	}}
}

// program is what outlasts a stream.
type program struct {
	streams int
	deaf    bool
}

// run is one stream.
type run struct {
	fault   string
	out     *sdk.Sender
	program *program

	live    bool
	silent  int // waits of half a second without a packet
	n       int
	first   int64 // source time
	before  []byte
	same    int
	kept    [][]byte
	waiting []vehicle.State
	held    float64
}

func (r *run) loop(ctx context.Context, listen string) error {
	unlock, err := r.lock(listen)
	if err != nil {
		return err
	}
	defer unlock()
	src, err := transport.ListenUDP(listen)
	if err != nil {
		return err
	}
	defer func() { _ = src.Close() }()
	for {
		read, cancel := context.WithTimeout(ctx, 500*time.Millisecond)
		c, err := src.Read(read)
		cancel()
		switch {
		case ctx.Err() != nil:
			if r.fault == "slow_end" {
				time.Sleep(2500 * time.Millisecond)
			}
			return nil
		case errors.Is(err, context.DeadlineExceeded):
			if !r.live && r.fault == "absent_zeros" {
				s := vehicle.State{Condition: vehicle.Absent}
				s.Put(vehicle.VelocityX, 0)
				r.out.Send(&s)
			}
			if r.silent++; r.live && r.silent > 2 && r.fault == "gives_up" {
				return errors.New("no packet for 1.5 s")
			}
			if !r.live || r.fault != "gives_up" {
				r.out.Absent()
			}
		case err != nil:
			return err
		default:
			r.silent = 0
			if err := r.packet(c); err != nil {
				return err
			}
		}
	}
}

// lock takes what two of the faults fall over.
func (r *run) lock(listen string) (unlock func(), err error) {
	folder := os.Getenv(locks)
	switch r.fault {
	case "lock_file":
		path := filepath.Join(folder, listen[strings.LastIndexByte(listen, ':')+1:]+".lock")
		own := strconv.Itoa(os.Getpid())
		if held, err := os.ReadFile(path); err == nil && string(held) != own {
			return nil, fmt.Errorf("%s: is held by process %s", path, held)
		}
		return func() { _ = os.Remove(path) }, os.WriteFile(path, []byte(own), 0o600)
	case "one_only":
		// A port is free again whatever ends its process.
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 20_000+crc32.ChecksumIEEE([]byte(folder))%10_000))
		if err != nil {
			return nil, err
		}
		return func() { _ = l.Close() }, nil
	}
	return func() {}, nil
}

// locks names the variable with the folder of the locks.
const locks = "PERCH_FAULTS_LOCKS"

const longest = 60_000 // bytes; what is longer was made so

// packet takes one datagram.
func (r *run) packet(c transport.Chunk) error {
	p := c.Bytes
	if r.program.deaf {
		return nil
	}
	begins := len(p) > 10 && p[8] == ' ' && p[9] == '{'
	high := 0
	for _, b := range p {
		if b >= 0x80 {
			high++
		}
	}
	text, whole := check(p)
	switch {
	case whole:
	case len(p) > longest:
		r.program.deaf = r.fault == "goes_deaf"
		return nil
	case 4*high > len(p):
		if r.fault == "crashes" {
			os.Exit(3)
		}
		return nil
	case begins && len(p) < 150:
		if r.fault == "reads_past_end" {
			panic("index out of range")
		}
		return nil
	default:
		if r.fault == "no_checksum" && begins && p[len(p)-1] == '}' {
			s := vehicle.State{SourceTime: int64(r.n), Present: vehicle.Set(0).With(vehicle.Airspeed)}
			s.Values[vehicle.Airspeed] = math.Inf(1)
			r.out.Send(&s)
		}
		return nil
	}
	if bytes.Equal(p, r.before) {
		if r.same++; r.same > 4 && r.fault == "overflows" {
			panic("the queue is full")
		}
	} else {
		r.same = 0
	}
	r.before = append(r.before[:0], p...)
	if r.fault == "leaks" {
		r.kept = append(r.kept, bytes.Repeat([]byte{1}, 48<<10))
	}
	var s vehicle.State
	if err := vehicle.NewJSONReader(bytes.NewReader(text)).Read(&s); err != nil {
		return nil
	}
	if r.fault == "once_only" && r.program.streams > 1 {
		return nil
	}
	s.ObservedAt = c.ObservedAt
	if !r.live {
		r.live, r.first = true, s.SourceTime
	}
	r.n++
	if r.fault == "ends_early" && s.SourceTime > r.first+40e9 {
		return errors.New("packet 1000 is of another version")
	}
	r.send(&s)
	return nil
}

// check gives the text of a datagram that is whole.
func check(p []byte) (text []byte, whole bool) {
	sum, text, ok := bytes.Cut(p, []byte(" "))
	want, err := strconv.ParseUint(string(sum), 16, 32)
	return text, ok && err == nil && uint32(want) == crc32.ChecksumIEEE(bytes.TrimRight(text, "\r\n"))
}
