package capture

import (
	"context"
	"net/netip"
	"time"

	"perch/sdk/transport"
)

// longestGap is the longest silence that a replay keeps, in ns: recorders' clocks jump, and nobody waits an hour.
const longestGap = 5e9

// Pace says when the records of a capture are due. It reads no clock.
type Pace struct {
	speed   float64
	begun   bool
	last    int64   // time of the last record, unix ns
	elapsed float64 // since the first record, ns of the replay
}

// NewPace replays at speed times the recorded pace; a speed that is not above 0 is 1.
func NewPace(speed float64) *Pace {
	if !(speed > 0) {
		speed = 1
	}
	return &Pace{speed: speed}
}

// Due is how long after the first packet this one is due. A clock that went back, and a gap of more than 5 s, cost no
// more time than none and 5 s.
func (p *Pace) Due(recorded int64) time.Duration {
	if p.begun {
		step := float64(recorded - p.last)
		p.elapsed += min(max(step, 0), longestGap) / p.speed
	}
	p.begun, p.last = true, recorded
	return time.Duration(p.elapsed)
}

// Replay plays a capture as if it arrived now. It is a transport.Source, so that whoever reads a link reads a file.
type Replay struct {
	file  *File
	name  string
	pace  *Pace
	begin time.Time
}

// NewReplay opens a capture file to be played at speed times its pace.
func NewReplay(path string, speed float64) (*Replay, error) {
	f, err := Open(path)
	if err != nil {
		return nil, err
	}
	return &Replay{file: f, name: path, pace: NewPace(speed)}, nil
}

// Read waits until the next record is due. ObservedAt is now, as of a link; io.EOF: the file has been played.
func (r *Replay) Read(ctx context.Context) (transport.Chunk, error) {
	if err := ctx.Err(); err != nil {
		return transport.Chunk{}, err
	}
	rec, err := r.file.Read()
	if err != nil {
		return transport.Chunk{}, err
	}
	due := r.pace.Due(rec.Time)
	if r.begin.IsZero() {
		r.begin = time.Now()
	}
	if wait := time.Until(r.begin.Add(due)); wait > 0 {
		select {
		case <-ctx.Done():
			return transport.Chunk{}, ctx.Err()
		case <-time.After(wait):
		}
	}
	return transport.Chunk{Bytes: rec.Data, ObservedAt: time.Now().UnixNano()}, nil
}

// Write does nothing: there is nobody to answer.
func (r *Replay) Write([]byte, netip.AddrPort) error { return nil }

// Close closes the file.
func (r *Replay) Close() error { return r.file.Close() }

// String is the file's path.
func (r *Replay) String() string { return r.name }
