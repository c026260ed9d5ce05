// Package seatlink encodes and decodes the frames between host and seat controller.
//
// A frame is COBS(type, sequence, payload, CRC) and a 0x00. The README beside this file is the whole
// protocol; this package is its Go side, and holds no state machine and does no I/O.
//
// Nothing here allocates once the caller's buffers have grown.
package seatlink

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
)

// Version is the protocol that this package speaks.
const Version = 1

// MaxAxes is the most axes that a frame carries.
const MaxAxes = 6

// MaxRaw is the longest frame before COBS, in bytes: type, sequence, payload and CRC.
const MaxRaw = 80

// MaxEncoded is the longest frame on the wire, its delimiter included, in bytes.
const MaxEncoded = MaxRaw + 2

// Overhead is what a frame adds to its payload before COBS: type 1, sequence 2, CRC 2.
const Overhead = 5

// Delimiter ends every frame, and occurs nowhere else.
const Delimiter = 0x00

// Type says what a frame is. Types below 0x80 go to the controller, the others come from it.
type Type uint8

// The frame types.
const (
	TypeSetpoint      Type = 0x01
	TypeHelloRequest  Type = 0x02
	TypeStatusRequest Type = 0x03
	TypeHome          Type = 0x10
	TypeArm           Type = 0x11
	TypeDisarm        Type = 0x12
	TypeStop          Type = 0x13
	TypeReset         Type = 0x14
	TypePark          Type = 0x15
	TypeLimitsRead    Type = 0x16
	TypeLimitsTighten Type = 0x17
	TypeHello         Type = 0x81
	TypeStatus        Type = 0x82
	TypeResult        Type = 0x83
	TypeLimits        Type = 0x84
)

// String gives the name that the README uses.
func (t Type) String() string {
	switch t {
	case TypeSetpoint:
		return "SETPOINT"
	case TypeHelloRequest:
		return "HELLO_REQUEST"
	case TypeStatusRequest:
		return "STATUS_REQUEST"
	case TypeHome:
		return "HOME"
	case TypeArm:
		return "ARM"
	case TypeDisarm:
		return "DISARM"
	case TypeStop:
		return "STOP"
	case TypeReset:
		return "RESET"
	case TypePark:
		return "PARK"
	case TypeLimitsRead:
		return "LIMITS_READ"
	case TypeLimitsTighten:
		return "LIMITS_TIGHTEN"
	case TypeHello:
		return "HELLO"
	case TypeStatus:
		return "STATUS"
	case TypeResult:
		return "RESULT"
	case TypeLimits:
		return "LIMITS"
	}
	return "unknown"
}

// State is the controller's state.
type State uint8

// The controller's states.
const (
	StateBoot      State = 0
	StateDisarmed  State = 1 // position unknown
	StateHoming    State = 2
	StateReady     State = 3 // homed, at rest in the park position, holding
	StateArmed     State = 4 // the only state that follows setpoints
	StateStopping  State = 5 // braking by its own law, under power
	StateHeld      State = 6 // at rest where it stopped, holding
	StateParking   State = 7 // moving to the park position at reduced speed
	StateFault     State = 8
	StateSupplyOff State = 9 // the motor supply is off
)

// String gives the state in lower case.
func (s State) String() string {
	names := [...]string{"boot", "disarmed", "homing", "ready", "armed", "stopping", "held", "parking", "fault", "supply off"}
	if int(s) < len(names) {
		return names[s]
	}
	return "unknown"
}

// Faults are the latched causes of StateFault and StateSupplyOff.
type Faults uint16

// The fault bits.
const (
	FaultDriverAlarm Faults = 1 << iota // a motor driver's alarm input
	FaultOverTravel                     // a limit switch, or a position outside the travel
	FaultHoming                         // the home switch was not found, or is stuck
	FaultHomeEdge                       // the home switch changed at the wrong position: steps were lost
	FaultSupply                         // the motor supply was off
	FaultProcessor                      // the processor's own watchdog reset it
	FaultLimits                         // the stored limits are damaged
	FaultLink                           // the link was lost three times since the last reset
)

// String lists the bits, or says "none".
func (f Faults) String() string {
	names := [...]string{"driver alarm", "over-travel", "homing failed", "home edge at the wrong position", "motor supply lost",
		"processor reset by its watchdog", "stored limits damaged", "link lost repeatedly"}
	out := ""
	for i, n := range names {
		if f&(1<<i) != 0 {
			if out != "" {
				out += ", "
			}
			out += n
		}
	}
	if out == "" {
		if f != 0 {
			return "unknown fault"
		}
		return "none"
	}
	return out
}

// Flags are the bits of STATUS that are not latched.
type Flags uint8

// The flag bits.
const (
	FlagHomed   Flags = 1 << iota // the position is known
	FlagSupply                    // the motor supply is present
	FlagLate                      // armed, and the newest setpoint is older than 20 ms
	FlagOwn                       // armed, and moving by its own law: braking, or catching up after a gap
	FlagReduced                   // armed at reduced speed
)

// ResetCause says why the controller started.
type ResetCause uint8

// The causes of a start.
const (
	ResetUnknown ResetCause = iota
	ResetPower
	ResetExternal // the reset pin, or a port that was opened
	ResetBrownOut
	ResetWatchdog
	ResetSoftware
)

// String names the cause.
func (c ResetCause) String() string {
	names := [...]string{"unknown", "power on", "reset pin", "brown-out", "watchdog", "software"}
	if int(c) < len(names) {
		return names[c]
	}
	return "unknown"
}

// Result is the controller's answer to a command.
type Result uint8

// The results.
const (
	ResultOK       Result = iota
	ResultState           // not in this state
	ResultNonce           // not the nonce of the last STATUS
	ResultHash            // not the limits in force
	ResultStale           // no steady setpoints for the last 0.5 s
	ResultFar             // the newest setpoint is too far from the present position
	ResultValue           // a value is outside its range, or would widen a limit
	ResultNotHomed        // the position is unknown
	ResultCause           // the cause of the fault is still there
	ResultUnknown         // no such command
)

// String says it for people.
func (r Result) String() string {
	names := [...]string{"done", "not accepted in this state", "old nonce", "limits differ", "no steady setpoints for the last 0.5 s",
		"first setpoint too far from the present position", "value out of range", "not homed", "the cause is still there", "unknown command"}
	if int(r) < len(names) {
		return names[r]
	}
	return "unknown result"
}

// Axes is how many axes a frame is about, and their unit.
type Axes struct {
	N      int  // 1 to MaxAxes
	Metres bool // else radians
}

// Byte packs the axes: count in bits 0-3, unit in bit 4 (0 rad, 1 m).
func (a Axes) Byte() byte {
	b := byte(a.N) & 0x0F
	if a.Metres {
		b |= 0x10
	}
	return b
}

// ErrPayload says that a payload has the wrong length or a value outside its range.
var ErrPayload = errors.New("payload does not fit its type")

func axesOf(b byte) (Axes, bool) {
	a := Axes{N: int(b & 0x0F), Metres: b&0x10 != 0}
	return a, b&0xE0 == 0 && a.N >= 1 && a.N <= MaxAxes
}

// Message is the payload of one frame type.
type Message interface {
	Type() Type
	// MarshalAppend appends the payload.
	MarshalAppend(dst []byte) []byte
	// Unmarshal reads a payload; at an error the message is undefined.
	Unmarshal(payload []byte) error
}

var le = binary.LittleEndian

// The quanta of the wire, in rad or m, rad/s or m/s, rad/s² or m/s².
const (
	PositionQuantum     = 1e-9 // int32: nrad or nm, ±2.147 rad or m
	SpeedQuantum        = 1e-6 // int32: µrad/s or µm/s
	AccelerationQuantum = 4e-3 // int16: 4 mrad/s² or 4 mm/s², ±131 rad/s² or m/s²
)

// Setpoint is where each axis is to be in this tick, in quanta.
type Setpoint struct {
	Axes         Axes
	Position     [MaxAxes]int32
	Speed        [MaxAxes]int32
	Acceleration [MaxAxes]int16
}

// Type is TypeSetpoint.
func (*Setpoint) Type() Type { return TypeSetpoint }

// MarshalAppend appends the payload: axes, then position, speed and acceleration of each axis.
func (s *Setpoint) MarshalAppend(dst []byte) []byte {
	dst = append(dst, s.Axes.Byte())
	for i := range min(s.Axes.N, MaxAxes) {
		dst = le.AppendUint32(dst, uint32(s.Position[i]))
		dst = le.AppendUint32(dst, uint32(s.Speed[i]))
		dst = le.AppendUint16(dst, uint16(s.Acceleration[i]))
	}
	return dst
}

// Unmarshal reads the payload.
func (s *Setpoint) Unmarshal(p []byte) error {
	*s = Setpoint{}
	if len(p) < 1 {
		return ErrPayload
	}
	axes, ok := axesOf(p[0])
	if !ok || len(p) != 1+10*axes.N {
		return ErrPayload
	}
	s.Axes = axes
	for i := range axes.N {
		q := p[1+10*i:]
		s.Position[i] = int32(le.Uint32(q))
		s.Speed[i] = int32(le.Uint32(q[4:]))
		s.Acceleration[i] = int16(le.Uint16(q[8:]))
	}
	return nil
}

// HelloRequest asks for HELLO and restarts the controller's idea of the host's sequence, unless it is armed.
type HelloRequest struct {
	Highest, Lowest uint8 // protocol versions that the host speaks
}

// Type is TypeHelloRequest.
func (*HelloRequest) Type() Type { return TypeHelloRequest }

// MarshalAppend appends the payload.
func (h *HelloRequest) MarshalAppend(dst []byte) []byte { return append(dst, h.Highest, h.Lowest) }

// Unmarshal reads the payload.
func (h *HelloRequest) Unmarshal(p []byte) error {
	if len(p) != 2 {
		return ErrPayload
	}
	h.Highest, h.Lowest = p[0], p[1]
	return nil
}

// Plain is a frame without payload: STATUS_REQUEST, HOME, DISARM, STOP, RESET, PARK.
type Plain struct{ Kind Type }

// Type is the kind.
func (p *Plain) Type() Type { return p.Kind }

// MarshalAppend appends nothing.
func (p *Plain) MarshalAppend(dst []byte) []byte { return dst }

// Unmarshal refuses anything but nothing.
func (p *Plain) Unmarshal(b []byte) error {
	if len(b) != 0 {
		return ErrPayload
	}
	return nil
}

// Arm asks the controller to follow setpoints.
type Arm struct {
	Nonce  uint32 // of the last STATUS
	Hash   uint32 // of the limits in force, as the host knows them
	Period uint16 // time between setpoints, µs, 500 to 20000
	// Reduced asks for the reduced speed of the limits.
	Reduced bool
}

// Type is TypeArm.
func (*Arm) Type() Type { return TypeArm }

// MarshalAppend appends the payload.
func (a *Arm) MarshalAppend(dst []byte) []byte {
	dst = le.AppendUint32(dst, a.Nonce)
	dst = le.AppendUint32(dst, a.Hash)
	dst = le.AppendUint16(dst, a.Period)
	return append(dst, bit(a.Reduced))
}

// Unmarshal reads the payload.
func (a *Arm) Unmarshal(p []byte) error {
	if len(p) != 11 || p[10] > 1 {
		return ErrPayload
	}
	*a = Arm{Nonce: le.Uint32(p), Hash: le.Uint32(p[4:]), Period: le.Uint16(p[8:]), Reduced: p[10] == 1}
	return nil
}

func bit(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// LimitsRead asks for the limits in force of one axis.
type LimitsRead struct{ Axis uint8 }

// Type is TypeLimitsRead.
func (*LimitsRead) Type() Type { return TypeLimitsRead }

// MarshalAppend appends the payload.
func (l *LimitsRead) MarshalAppend(dst []byte) []byte { return append(dst, l.Axis) }

// Unmarshal reads the payload.
func (l *LimitsRead) Unmarshal(p []byte) error {
	if len(p) != 1 || p[0] >= MaxAxes {
		return ErrPayload
	}
	l.Axis = p[0]
	return nil
}

// AxisLimits are the limits of one axis in wire units: nrad or nm, µrad/s or µm/s, mrad/s² or mm/s², mrad/s³ or mm/s³.
type AxisLimits struct {
	Low, High, Park                         int32
	Speed, ReducedSpeed, Acceleration, Jerk uint32
}

func (a *AxisLimits) append(dst []byte) []byte {
	dst = le.AppendUint32(dst, uint32(a.Low))
	dst = le.AppendUint32(dst, uint32(a.High))
	dst = le.AppendUint32(dst, uint32(a.Park))
	dst = le.AppendUint32(dst, a.Speed)
	dst = le.AppendUint32(dst, a.ReducedSpeed)
	dst = le.AppendUint32(dst, a.Acceleration)
	return le.AppendUint32(dst, a.Jerk)
}

// Valid says whether the numbers can be limits at all.
func (a *AxisLimits) Valid() bool {
	return a.Low <= a.Park && a.Park <= a.High && a.Low < a.High && a.Speed > 0 && a.ReducedSpeed > 0 &&
		a.ReducedSpeed <= a.Speed && a.Acceleration > 0 && a.Jerk > 0
}

// Within says whether a widens nothing of b and parks in the same place.
func (a *AxisLimits) Within(b *AxisLimits) bool {
	return a.Low >= b.Low && a.Park == b.Park && a.High <= b.High && a.Speed <= b.Speed && a.ReducedSpeed <= b.ReducedSpeed &&
		a.Acceleration <= b.Acceleration && a.Jerk <= b.Jerk
}

// Hash is the CRC-32 (ISO-HDLC, check value 0xCBF43926) over the axes byte and 28 bytes of each axis.
func Hash(axes Axes, limits *[MaxAxes]AxisLimits) uint32 {
	var b [1 + 28*MaxAxes]byte
	out := append(b[:0], axes.Byte())
	for i := range min(axes.N, MaxAxes) {
		out = limits[i].append(out)
	}
	return crc32.ChecksumIEEE(out)
}

// Limits are the limits of one axis: from the controller, or to it for tightening.
type Limits struct {
	Axis    uint8
	Limits  AxisLimits
	Tighten bool // LIMITS_TIGHTEN rather than LIMITS
}

// Type is TypeLimits or TypeLimitsTighten.
func (l *Limits) Type() Type {
	if l.Tighten {
		return TypeLimitsTighten
	}
	return TypeLimits
}

// MarshalAppend appends the payload.
func (l *Limits) MarshalAppend(dst []byte) []byte { return l.Limits.append(append(dst, l.Axis)) }

// Unmarshal reads the payload. It leaves Tighten as it is.
func (l *Limits) Unmarshal(p []byte) error {
	if len(p) != 29 || p[0] >= MaxAxes {
		return ErrPayload
	}
	l.Axis = p[0]
	p = p[1:]
	l.Limits = AxisLimits{
		Low: int32(le.Uint32(p)), High: int32(le.Uint32(p[4:])), Park: int32(le.Uint32(p[8:])),
		Speed: le.Uint32(p[12:]), ReducedSpeed: le.Uint32(p[16:]), Acceleration: le.Uint32(p[20:]), Jerk: le.Uint32(p[24:]),
	}
	return nil
}

// Hello is who the controller is.
type Hello struct {
	Protocol   uint8
	State      State
	Firmware   [3]uint8 // major, minor, patch
	Simulated  bool     // no motor is connected
	ByHand     bool     // it has no home switches: HOME says that an operator has levelled the seat
	ResetCause ResetCause
	Axes       Axes
	BootID     uint32   // differs from boot to boot
	OwnHash    uint32   // of the stored limits
	Hash       uint32   // of the limits in force
	Board      [16]byte // ASCII, filled with zeros
}

// BoardName is the board's id as text.
func (h *Hello) BoardName() string {
	n := 0
	for n < len(h.Board) && h.Board[n] != 0 {
		n++
	}
	return string(h.Board[:n])
}

// Type is TypeHello.
func (*Hello) Type() Type { return TypeHello }

// MarshalAppend appends the payload.
func (h *Hello) MarshalAppend(dst []byte) []byte {
	dst = append(dst, h.Protocol, byte(h.State), h.Firmware[0], h.Firmware[1], h.Firmware[2], bit(h.Simulated)|bit(h.ByHand)<<1, byte(h.ResetCause), h.Axes.Byte())
	dst = le.AppendUint32(dst, h.BootID)
	dst = le.AppendUint32(dst, h.OwnHash)
	dst = le.AppendUint32(dst, h.Hash)
	return append(dst, h.Board[:]...)
}

// Unmarshal reads the payload. Of another protocol version only the first byte is read, and ErrPayload returned.
func (h *Hello) Unmarshal(p []byte) error {
	*h = Hello{}
	if len(p) < 1 {
		return ErrPayload
	}
	h.Protocol = p[0]
	if h.Protocol != Version || len(p) != 36 {
		return ErrPayload
	}
	axes, ok := axesOf(p[7])
	if !ok {
		return ErrPayload
	}
	h.State, h.Firmware, h.ResetCause, h.Axes = State(p[1]), [3]uint8(p[2:5]), ResetCause(p[6]), axes
	h.Simulated, h.ByHand = p[5]&1 != 0, p[5]&2 != 0
	h.BootID, h.OwnHash, h.Hash, h.Board = le.Uint32(p[8:]), le.Uint32(p[12:]), le.Uint32(p[16:]), [16]byte(p[20:])
	for _, c := range h.Board {
		if c != 0 && (c < 0x20 || c > 0x7E) {
			return ErrPayload
		}
	}
	return nil
}

// Status is how the controller is. Counters wrap.
type Status struct {
	State        State
	Flags        Flags
	Faults       Faults
	BootID       uint32
	Nonce        uint32
	LastSequence uint16 // of the last setpoint accepted
	Heard        uint16 // of the last valid frame of any type: what flow control counts by
	Alarms       uint8  // driver alarm inputs, a bit for each axis
	Home         uint8  // home switches, a bit for each axis
	CRCErrors    uint16
	Framing      uint16 // frames dropped for COBS or length, and receiver overruns
	Late         uint16 // times that a setpoint was more than 1.5 periods late
	Refused      uint16 // setpoints outside travel or speed, or that do not advance
	LoopWorst    uint16 // longest main loop since the last STATUS, µs
	Hash         uint32 // of the limits in force
	Axes         Axes
	Position     [MaxAxes]int32 // commanded to the motors, nrad or nm
}

// Type is TypeStatus.
func (*Status) Type() Type { return TypeStatus }

// MarshalAppend appends the payload.
func (s *Status) MarshalAppend(dst []byte) []byte {
	dst = append(dst, byte(s.State), byte(s.Flags))
	dst = le.AppendUint16(dst, uint16(s.Faults))
	dst = le.AppendUint32(dst, s.BootID)
	dst = le.AppendUint32(dst, s.Nonce)
	dst = le.AppendUint16(dst, s.LastSequence)
	dst = le.AppendUint16(dst, s.Heard)
	dst = append(dst, s.Alarms, s.Home)
	dst = le.AppendUint16(dst, s.CRCErrors)
	dst = le.AppendUint16(dst, s.Framing)
	dst = le.AppendUint16(dst, s.Late)
	dst = le.AppendUint16(dst, s.Refused)
	dst = le.AppendUint16(dst, s.LoopWorst)
	dst = le.AppendUint32(dst, s.Hash)
	dst = append(dst, s.Axes.Byte())
	for i := range min(s.Axes.N, MaxAxes) {
		dst = le.AppendUint32(dst, uint32(s.Position[i]))
	}
	return dst
}

// Unmarshal reads the payload.
func (s *Status) Unmarshal(p []byte) error {
	*s = Status{}
	if len(p) < 33 {
		return ErrPayload
	}
	axes, ok := axesOf(p[32])
	if !ok || len(p) != 33+4*axes.N || State(p[0]) > StateSupplyOff {
		return ErrPayload
	}
	s.State, s.Flags, s.Faults = State(p[0]), Flags(p[1]), Faults(le.Uint16(p[2:]))
	s.BootID, s.Nonce, s.LastSequence, s.Heard = le.Uint32(p[4:]), le.Uint32(p[8:]), le.Uint16(p[12:]), le.Uint16(p[14:])
	s.Alarms, s.Home = p[16], p[17]
	s.CRCErrors, s.Framing, s.Late, s.Refused, s.LoopWorst = le.Uint16(p[18:]), le.Uint16(p[20:]), le.Uint16(p[22:]), le.Uint16(p[24:]), le.Uint16(p[26:])
	s.Hash, s.Axes = le.Uint32(p[28:]), axes
	for i := range axes.N {
		s.Position[i] = int32(le.Uint32(p[33+4*i:]))
	}
	return nil
}

// Answer is the controller's RESULT of one command.
type Answer struct {
	Command  Type
	Sequence uint16 // of the command
	Result   Result
}

// Type is TypeResult.
func (*Answer) Type() Type { return TypeResult }

// MarshalAppend appends the payload.
func (a *Answer) MarshalAppend(dst []byte) []byte {
	return append(le.AppendUint16(append(dst, byte(a.Command)), a.Sequence), byte(a.Result))
}

// Unmarshal reads the payload.
func (a *Answer) Unmarshal(p []byte) error {
	if len(p) != 4 {
		return ErrPayload
	}
	*a = Answer{Command: Type(p[0]), Sequence: le.Uint16(p[1:]), Result: Result(p[3])}
	return nil
}

// LimitsOf rounds limits in rad or m, rad/s or m/s, rad/s² or m/s², rad/s³ or m/s³ to the wire's units, and cuts them to
// what these hold. The numbers must be finite.
func LimitsOf(low, high, park, speed, reducedSpeed, acceleration, jerk float64) AxisLimits {
	position := func(x float64) int32 {
		return int32(math.Round(min(max(x*1e9, math.MinInt32), math.MaxInt32)))
	}
	positive := func(x, per float64) uint32 { return uint32(math.Round(min(max(x*per, 0), math.MaxUint32))) }
	return AxisLimits{Low: position(low), High: position(high), Park: position(park), Speed: positive(speed, 1e6),
		ReducedSpeed: positive(reducedSpeed, 1e6), Acceleration: positive(acceleration, 1e3), Jerk: positive(jerk, 1e3)}
}
