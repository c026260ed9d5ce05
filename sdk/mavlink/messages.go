package mavlink

import (
	"encoding/binary"
	"math"
)

// Message is one of this package's messages.
type Message interface {
	// ID is the message's number.
	ID() uint32
	// code reads or writes the fields in the order of the wire.
	code(*coder)
}

// coder walks a payload; the same walk reads and writes. What is past the payload's end reads as zero.
type coder struct {
	buf   [MaxPayload + 8]byte
	at    int
	short int // length without extension fields, 0: there are none
	write bool
}

// extension marks that the fields which follow are extensions: they are in version 2 only.
func (c *coder) extension() { c.short = c.at }

func (c *coder) base() int {
	if c.short != 0 {
		return c.short
	}
	return c.at
}

func (c *coder) u8(v *uint8) {
	if c.write {
		c.buf[c.at] = *v
	} else {
		*v = c.buf[c.at]
	}
	c.at++
}

func (c *coder) u16(v *uint16) {
	if c.write {
		binary.LittleEndian.PutUint16(c.buf[c.at:], *v)
	} else {
		*v = binary.LittleEndian.Uint16(c.buf[c.at:])
	}
	c.at += 2
}

func (c *coder) u32(v *uint32) {
	if c.write {
		binary.LittleEndian.PutUint32(c.buf[c.at:], *v)
	} else {
		*v = binary.LittleEndian.Uint32(c.buf[c.at:])
	}
	c.at += 4
}

func (c *coder) u64(v *uint64) {
	if c.write {
		binary.LittleEndian.PutUint64(c.buf[c.at:], *v)
	} else {
		*v = binary.LittleEndian.Uint64(c.buf[c.at:])
	}
	c.at += 8
}

func (c *coder) i16(v *int16) {
	u := uint16(*v)
	c.u16(&u)
	*v = int16(u)
}

func (c *coder) i32(v *int32) {
	u := uint32(*v)
	c.u32(&u)
	*v = int32(u)
}

func (c *coder) f32(v *float32) {
	u := math.Float32bits(*v)
	c.u32(&u)
	*v = math.Float32frombits(u)
}

func (c *coder) f32s(v []float32) {
	for i := range v {
		c.f32(&v[i])
	}
}

func (c *coder) i16s(v []int16) {
	for i := range v {
		c.i16(&v[i])
	}
}

// Numbers of the messages.
const (
	IDHeartbeat          = 0
	IDSystemTime         = 2
	IDScaledIMU          = 26
	IDRawIMU             = 27
	IDAttitude           = 30
	IDAttitudeQuaternion = 31
	IDLocalPositionNED   = 32
	IDGlobalPositionInt  = 33
	IDRequestDataStream  = 66
	IDVFRHUD             = 74
	IDCommandLong        = 76
	IDCommandAck         = 77
	IDHighresIMU         = 105
	IDRadioStatus        = 109
	IDScaledIMU2         = 116
	IDScaledIMU3         = 129
	IDRPM                = 226
	IDVibration          = 241
	IDMessageInterval    = 244
	IDExtendedSysState   = 245
)

// ChecksumExtra is the byte that seeds a message's checksum with its definition, and whether the message is known.
func ChecksumExtra(id uint32) (uint8, bool) {
	switch id {
	case IDHeartbeat:
		return 50, true
	case IDSystemTime:
		return 137, true
	case IDScaledIMU:
		return 170, true
	case IDRawIMU:
		return 144, true
	case IDAttitude:
		return 39, true
	case IDAttitudeQuaternion:
		return 246, true
	case IDLocalPositionNED:
		return 185, true
	case IDGlobalPositionInt:
		return 104, true
	case IDRequestDataStream:
		return 148, true
	case IDVFRHUD:
		return 20, true
	case IDCommandLong:
		return 152, true
	case IDCommandAck:
		return 143, true
	case IDHighresIMU:
		return 93, true
	case IDRadioStatus:
		return 185, true
	case IDScaledIMU2:
		return 76, true
	case IDScaledIMU3:
		return 46, true
	case IDRPM:
		return 207, true
	case IDVibration:
		return 90, true
	case IDMessageInterval:
		return 95, true
	case IDExtendedSysState:
		return 130, true
	}
	return 0, false
}

// New is an empty message of this number, or nil where it is not known.
func New(id uint32) Message {
	switch id {
	case IDHeartbeat:
		return new(Heartbeat)
	case IDSystemTime:
		return new(SystemTime)
	case IDScaledIMU:
		return &ScaledIMU{Unit: 1}
	case IDScaledIMU2:
		return &ScaledIMU{Unit: 2}
	case IDScaledIMU3:
		return &ScaledIMU{Unit: 3}
	case IDRawIMU:
		return new(RawIMU)
	case IDAttitude:
		return new(Attitude)
	case IDAttitudeQuaternion:
		return new(AttitudeQuaternion)
	case IDLocalPositionNED:
		return new(LocalPositionNED)
	case IDGlobalPositionInt:
		return new(GlobalPositionInt)
	case IDRequestDataStream:
		return new(RequestDataStream)
	case IDVFRHUD:
		return new(VFRHUD)
	case IDCommandLong:
		return new(CommandLong)
	case IDCommandAck:
		return new(CommandAck)
	case IDHighresIMU:
		return new(HighresIMU)
	case IDRadioStatus:
		return new(RadioStatus)
	case IDRPM:
		return new(RPM)
	case IDVibration:
		return new(Vibration)
	case IDMessageInterval:
		return new(MessageInterval)
	case IDExtendedSysState:
		return new(ExtendedSysState)
	}
	return nil
}

// Heartbeat says that a component is there, and what it is.
type Heartbeat struct {
	CustomMode     uint32
	Type           uint8 // MAV_TYPE
	Autopilot      uint8 // MAV_AUTOPILOT; 8: not an autopilot
	BaseMode       uint8 // bit 7: armed
	SystemStatus   uint8 // MAV_STATE; 3 standby, 4 active
	MAVLinkVersion uint8
}

// ID is the message's number.
func (*Heartbeat) ID() uint32 { return IDHeartbeat }

func (m *Heartbeat) code(c *coder) {
	c.u32(&m.CustomMode)
	c.u8(&m.Type)
	c.u8(&m.Autopilot)
	c.u8(&m.BaseMode)
	c.u8(&m.SystemStatus)
	c.u8(&m.MAVLinkVersion)
}

// SystemTime ties the vehicle's clock to unix time.
type SystemTime struct {
	TimeUnixUsec uint64 // µs, 0 until known
	TimeBootMs   uint32 // ms since boot
}

// ID is the message's number.
func (*SystemTime) ID() uint32 { return IDSystemTime }

func (m *SystemTime) code(c *coder) {
	c.u64(&m.TimeUnixUsec)
	c.u32(&m.TimeBootMs)
}

// ScaledIMU is SCALED_IMU, SCALED_IMU2 or SCALED_IMU3, which differ in number only.
type ScaledIMU struct {
	Unit        uint8    // which of the three, 1 to 3; not on the wire, the message's number tells it
	TimeBootMs  uint32   // ms since boot
	Acc         [3]int16 // specific force, body axes, thousandths of 9.80665 m/s²
	Gyro        [3]int16 // mrad/s
	Mag         [3]int16 // mGauss
	Temperature int16    // extension: 0.01 deg C, 0 where there is none
}

// ID is the message's number.
func (m *ScaledIMU) ID() uint32 {
	switch m.Unit {
	case 2:
		return IDScaledIMU2
	case 3:
		return IDScaledIMU3
	}
	return IDScaledIMU
}

func (m *ScaledIMU) code(c *coder) {
	c.u32(&m.TimeBootMs)
	c.i16s(m.Acc[:])
	c.i16s(m.Gyro[:])
	c.i16s(m.Mag[:])
	c.extension()
	c.i16(&m.Temperature)
}

// RawIMU is a sensor's output in units that the message does not fix.
type RawIMU struct {
	TimeUsec    uint64 // µs since boot, or unix time: tell them apart by size
	Acc         [3]int16
	Gyro        [3]int16
	Mag         [3]int16
	Sensor      uint8 // extension
	Temperature int16 // extension: 0.01 deg C
}

// ID is the message's number.
func (*RawIMU) ID() uint32 { return IDRawIMU }

func (m *RawIMU) code(c *coder) {
	c.u64(&m.TimeUsec)
	c.i16s(m.Acc[:])
	c.i16s(m.Gyro[:])
	c.i16s(m.Mag[:])
	c.extension()
	c.u8(&m.Sensor)
	c.i16(&m.Temperature)
}

// Attitude is the attitude as angles, intrinsic z-y-x, of body axes forward, right, down against north, east, down.
type Attitude struct {
	TimeBootMs                      uint32  // ms since boot
	Roll, Pitch, Yaw                float32 // rad
	RollSpeed, PitchSpeed, YawSpeed float32 // body rates p, q, r, rad/s
}

// ID is the message's number.
func (*Attitude) ID() uint32 { return IDAttitude }

func (m *Attitude) code(c *coder) {
	c.u32(&m.TimeBootMs)
	c.f32(&m.Roll)
	c.f32(&m.Pitch)
	c.f32(&m.Yaw)
	c.f32(&m.RollSpeed)
	c.f32(&m.PitchSpeed)
	c.f32(&m.YawSpeed)
}

// AttitudeQuaternion is the attitude as a quaternion that turns body axes into north, east, down.
type AttitudeQuaternion struct {
	TimeBootMs  uint32     // ms since boot
	Q           [4]float32 // w, x, y, z
	Rates       [3]float32 // body rates p, q, r, rad/s
	ReprOffsetQ [4]float32 // extension: a rotation for display only; all zero where there is none
}

// ID is the message's number.
func (*AttitudeQuaternion) ID() uint32 { return IDAttitudeQuaternion }

func (m *AttitudeQuaternion) code(c *coder) {
	c.u32(&m.TimeBootMs)
	c.f32s(m.Q[:])
	c.f32s(m.Rates[:])
	c.extension()
	c.f32s(m.ReprOffsetQ[:])
}

// LocalPositionNED is the place relative to an origin of the vehicle's own.
type LocalPositionNED struct {
	TimeBootMs uint32     // ms since boot
	Position   [3]float32 // m, north, east, down
	Velocity   [3]float32 // m/s, north, east, down
}

// ID is the message's number.
func (*LocalPositionNED) ID() uint32 { return IDLocalPositionNED }

func (m *LocalPositionNED) code(c *coder) {
	c.u32(&m.TimeBootMs)
	c.f32s(m.Position[:])
	c.f32s(m.Velocity[:])
}

// GlobalPositionInt is the place on the earth. Latitude and longitude are both 0 before there is a fix.
type GlobalPositionInt struct {
	TimeBootMs  uint32   // ms since boot
	Lat, Lon    int32    // 1e-7 deg
	Alt         int32    // mm above mean sea level
	RelativeAlt int32    // mm above home
	Velocity    [3]int16 // cm/s north, east, down; stops at ±327.67 m/s
	Heading     uint16   // 0.01 deg, 65535: not known
}

// ID is the message's number.
func (*GlobalPositionInt) ID() uint32 { return IDGlobalPositionInt }

func (m *GlobalPositionInt) code(c *coder) {
	c.u32(&m.TimeBootMs)
	c.i32(&m.Lat)
	c.i32(&m.Lon)
	c.i32(&m.Alt)
	c.i32(&m.RelativeAlt)
	c.i16s(m.Velocity[:])
	c.u16(&m.Heading)
}

// RequestDataStream asks for a group of messages at a rate. It is deprecated, and what older autopilots obey.
type RequestDataStream struct {
	Rate            uint16 // Hz
	TargetSystem    uint8
	TargetComponent uint8
	Stream          uint8 // MAV_DATA_STREAM
	Start           uint8 // 1 start, 0 stop
}

// ID is the message's number.
func (*RequestDataStream) ID() uint32 { return IDRequestDataStream }

func (m *RequestDataStream) code(c *coder) {
	c.u16(&m.Rate)
	c.u8(&m.TargetSystem)
	c.u8(&m.TargetComponent)
	c.u8(&m.Stream)
	c.u8(&m.Start)
}

// VFRHUD is what a pilot's display shows. It has no time stamp.
type VFRHUD struct {
	Airspeed    float32 // m/s
	GroundSpeed float32 // m/s
	Alt         float32 // m above mean sea level
	Climb       float32 // m/s, positive up
	Heading     int16   // deg
	Throttle    uint16  // percent
}

// ID is the message's number.
func (*VFRHUD) ID() uint32 { return IDVFRHUD }

func (m *VFRHUD) code(c *coder) {
	c.f32(&m.Airspeed)
	c.f32(&m.GroundSpeed)
	c.f32(&m.Alt)
	c.f32(&m.Climb)
	c.i16(&m.Heading)
	c.u16(&m.Throttle)
}

// CommandLong is a command with seven parameters.
type CommandLong struct {
	Param           [7]float32
	Command         uint16 // MAV_CMD
	TargetSystem    uint8
	TargetComponent uint8
	Confirmation    uint8 // 0 at the first sending
}

// CommandSetMessageInterval is MAV_CMD_SET_MESSAGE_INTERVAL: parameter 1 the message's number, parameter 2 the
// interval in µs (-1 off, 0 default).
const CommandSetMessageInterval = 511

// ID is the message's number.
func (*CommandLong) ID() uint32 { return IDCommandLong }

func (m *CommandLong) code(c *coder) {
	c.f32s(m.Param[:])
	c.u16(&m.Command)
	c.u8(&m.TargetSystem)
	c.u8(&m.TargetComponent)
	c.u8(&m.Confirmation)
}

// CommandAck answers a CommandLong.
type CommandAck struct {
	Command         uint16
	Result          uint8 // MAV_RESULT; 0 accepted
	Progress        uint8 // extension
	ResultParam2    int32 // extension
	TargetSystem    uint8 // extension
	TargetComponent uint8 // extension
}

// ID is the message's number.
func (*CommandAck) ID() uint32 { return IDCommandAck }

func (m *CommandAck) code(c *coder) {
	c.u16(&m.Command)
	c.u8(&m.Result)
	c.extension()
	c.u8(&m.Progress)
	c.i32(&m.ResultParam2)
	c.u8(&m.TargetSystem)
	c.u8(&m.TargetComponent)
}

// HighresIMU is an inertial unit's output in SI units.
type HighresIMU struct {
	TimeUsec      uint64     // µs since boot, or unix time: tell them apart by size
	Acc           [3]float32 // specific force, body axes, m/s²
	Gyro          [3]float32 // rad/s
	Mag           [3]float32 // Gauss
	AbsPressure   float32    // hPa
	DiffPressure  float32    // hPa
	PressureAlt   float32    // m
	Temperature   float32    // deg C
	FieldsUpdated uint16     // bit i: field i is valid, counted from Acc[0]
	Sensor        uint8      // extension
}

// ID is the message's number.
func (*HighresIMU) ID() uint32 { return IDHighresIMU }

func (m *HighresIMU) code(c *coder) {
	c.u64(&m.TimeUsec)
	c.f32s(m.Acc[:])
	c.f32s(m.Gyro[:])
	c.f32s(m.Mag[:])
	c.f32(&m.AbsPressure)
	c.f32(&m.DiffPressure)
	c.f32(&m.PressureAlt)
	c.f32(&m.Temperature)
	c.u16(&m.FieldsUpdated)
	c.extension()
	c.u8(&m.Sensor)
}

// RadioStatus is sent by the radio, not by the vehicle.
type RadioStatus struct {
	RxErrors, Fixed uint16
	RSSI, RemRSSI   uint8
	TxBuf           uint8 // percent free
	Noise, RemNoise uint8
}

// ID is the message's number.
func (*RadioStatus) ID() uint32 { return IDRadioStatus }

func (m *RadioStatus) code(c *coder) {
	c.u16(&m.RxErrors)
	c.u16(&m.Fixed)
	c.u8(&m.RSSI)
	c.u8(&m.RemRSSI)
	c.u8(&m.TxBuf)
	c.u8(&m.Noise)
	c.u8(&m.RemNoise)
}

// RPM is the speed of two shafts. It has no time stamp.
type RPM struct{ RPM1, RPM2 float32 } // 1/min

// ID is the message's number.
func (*RPM) ID() uint32 { return IDRPM }

func (m *RPM) code(c *coder) {
	c.f32(&m.RPM1)
	c.f32(&m.RPM2)
}

// Vibration is a level of vibration, not a signal.
type Vibration struct {
	TimeUsec uint64     // µs
	Level    [3]float32 // m/s²
	Clipping [3]uint32
}

// ID is the message's number.
func (*Vibration) ID() uint32 { return IDVibration }

func (m *Vibration) code(c *coder) {
	c.u64(&m.TimeUsec)
	c.f32s(m.Level[:])
	for i := range m.Clipping {
		c.u32(&m.Clipping[i])
	}
}

// MessageInterval says at what interval a message is sent.
type MessageInterval struct {
	IntervalUs int32 // µs; -1 off, 0 not available
	MessageID  uint16
}

// ID is the message's number.
func (*MessageInterval) ID() uint32 { return IDMessageInterval }

func (m *MessageInterval) code(c *coder) {
	c.i32(&m.IntervalUs)
	c.u16(&m.MessageID)
}

// ExtendedSysState says whether the vehicle is on the ground. It has no time stamp.
type ExtendedSysState struct {
	VTOLState   uint8 // MAV_VTOL_STATE
	LandedState uint8 // MAV_LANDED_STATE; 0 not known, 1 on the ground, 2 in the air, 3 taking off, 4 landing
}

// ID is the message's number.
func (*ExtendedSysState) ID() uint32 { return IDExtendedSysState }

func (m *ExtendedSysState) code(c *coder) {
	c.u8(&m.VTOLState)
	c.u8(&m.LandedState)
}
